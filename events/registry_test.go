package events

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"
)

type toy struct {
	typ string
	N   int `json:"n"`
}

func (d *toy) Type() string { return d.typ }

func (d *toy) Validate() error {
	var p Problems
	if d.N < 0 {
		p.Add("n", "want 0 or more")
	}
	return p.Err()
}

func toyKind(typ, from string, up func(json.RawMessage) (json.RawMessage, error)) Kind {
	return Kind{Type: typ, Scope: ScopeVehicle, From: from, Up: up, New: func() Data { return &toy{typ: typ} }}
}

func timesTen(raw json.RawMessage) (json.RawMessage, error) {
	var d toy
	if err := json.Unmarshal(raw, &d); err != nil {
		return nil, err
	}
	d.N *= 10
	return json.Marshal(d)
}

func TestUpcasting(t *testing.T) {
	last := timesTen
	reg := NewRegistry([]Kind{
		toyKind("toy.made.v3", "toy.made.v2", func(raw json.RawMessage) (json.RawMessage, error) { return last(raw) }),
		toyKind("toy.made.v1", "", nil),
		toyKind("toy.made.v2", "toy.made.v1", timesTen),
	})
	for typ, want := range map[string]int{"toy.made.v1": 700, "toy.made.v2": 70, "toy.made.v3": 7} {
		d, ok := reg.Decode(typ, []byte(`{"n":7}`)).(*toy)
		if !ok || d.N != want || d.Type() != "toy.made.v3" {
			t.Errorf("%s: got %+v, want n %d of v3", typ, d, want)
		}
	}
	for name, c := range map[string]struct {
		typ, data, why string
		up             func(json.RawMessage) (json.RawMessage, error)
	}{
		"unknown version": {"toy.made.v4", `{"n":7}`, "", timesTen},
		"bad old data":    {"toy.made.v1", `{"n":-7}`, "n: want 0 or more", timesTen},
		"failing":         {"toy.made.v1", `{"n":7}`, "raising to toy.made.v3: no sum", func(json.RawMessage) (json.RawMessage, error) { return nil, errors.New("no sum") }},
		"gives bad data":  {"toy.made.v1", `{"n":7}`, "raising to toy.made.v3: n: want 0", func(json.RawMessage) (json.RawMessage, error) { return []byte(`{"n":-1}`), nil }},
		"gives nothing":   {"toy.made.v1", `{"n":7}`, "raising to toy.made.v3: ", func(json.RawMessage) (json.RawMessage, error) { return nil, nil }},
	} {
		last = c.up
		u, ok := reg.Decode(c.typ, []byte(c.data)).(*Unknown)
		if !ok || u.Typ != c.typ || string(u.Raw) != c.data {
			t.Errorf("%s: got %#v", name, u)
			continue
		}
		if c.why == "" && u.Why != nil || c.why != "" && (u.Why == nil || !strings.Contains(u.Why.Error(), c.why)) {
			t.Errorf("%s: why %v, want %q", name, u.Why, c.why)
		}
	}
}

func TestRegistryRefusesContradictions(t *testing.T) {
	v1, v2 := toyKind("toy.made.v1", "", nil), toyKind("toy.made.v2", "toy.made.v1", timesTen)
	noNew := toyKind("toy.made.v1", "", nil)
	noNew.New = nil
	lies := toyKind("toy.made.v1", "", nil)
	lies.New = func() Data { return &toy{typ: "toy.made.v9"} }
	noScope := toyKind("toy.made.v1", "", nil)
	noScope.Scope = scopeInvalid
	for name, kinds := range map[string][]Kind{
		"twice":             {v1, v1},
		"bad type":          {toyKind("toy", "", nil)},
		"no scope":          {noScope},
		"no New":            {noNew},
		"New of another":    {lies},
		"From without Up":   {v1, toyKind("toy.made.v2", "toy.made.v1", nil)},
		"Up without From":   {v1, toyKind("toy.made.v2", "", timesTen)},
		"From not there":    {v2},
		"From two versions": {v1, toyKind("toy.made.v3", "toy.made.v1", timesTen)},
		"From another kind": {v1, toyKind("game.made.v2", "toy.made.v1", timesTen)},
		"From itself":       {toyKind("toy.made.v1", "toy.made.v1", timesTen)},
		"in a ring":         {toyKind("toy.made.v1", "toy.made.v2", timesTen), v2},
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: no panic", name)
				}
			}()
			NewRegistry(kinds)
		}()
	}
}

func TestKinds(t *testing.T) {
	kinds := Known().Kinds()
	if len(kinds) == 0 {
		t.Fatal("no kinds")
	}
	for i, k := range kinds {
		if i > 0 && kinds[i-1].Type >= k.Type {
			t.Errorf("%s stands after %s", k.Type, kinds[i-1].Type)
		}
		if k.Doc == "" || k.New().Type() != k.Type {
			t.Errorf("%s: doc %q, New gives %s", k.Type, k.Doc, k.New().Type())
		}
	}
}
