package events

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"reflect"
	"sort"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Data is what an event of one kind says. Each kind has a file of its own with
// its struct, its Validate and its version history.
type Data interface {
	// Type is the kind and version: "scan.taken.v1".
	Type() string
	// Validate checks the fields that can be checked without other events; its
	// error is an [Invalid] that names every wrong field.
	Validate() error
}

// Scope says what the subject of a kind is.
type Scope uint8

// The scopes.
const (
	scopeInvalid  Scope = iota
	ScopeVehicle        // the subject is a vehicle that exists
	ScopeNew            // the event makes a vehicle; the subject is its own ID
	ScopeWorkshop       // no subject
	ScopeAny            // the subject of the event it speaks of, which may be none
)

// Kind describes one version of one event kind.
type Kind struct {
	Type  string
	Scope Scope
	// Doc is one sentence for SCHEMA.md.
	Doc string
	// New gives an empty value to decode into.
	New func() Data
	// Up turns the data of the previous version into this one; nil for a first
	// version. It is pure, bytes to bytes, one step.
	Up func(json.RawMessage) (json.RawMessage, error)
	// From is the type that Up starts from.
	From string
}

// Registry is the table of kinds. It is passed in, never global.
type Registry struct {
	kinds map[string]Kind
	next  map[string]string // type → the version after it
}

// NewRegistry makes a registry of kinds, and panics on a table that
// contradicts itself, since that is a mistake in the program.
func NewRegistry(kinds []Kind) *Registry {
	r := &Registry{kinds: map[string]Kind{}, next: map[string]string{}}
	for _, k := range kinds {
		if _, twice := r.kinds[k.Type]; twice || !validType(k.Type) || k.Scope == scopeInvalid {
			panic("events: bad kind " + k.Type)
		}
		if k.New == nil || k.New().Type() != k.Type {
			panic("events: New does not give a " + k.Type)
		}
		r.kinds[k.Type] = k
	}
	for _, k := range kinds {
		if k.From == "" && k.Up == nil {
			continue
		}
		if _, ok := r.kinds[k.From]; !ok || k.Up == nil || !oneStep(k.From, k.Type) {
			panic("events: " + k.Type + " is not raised from the version before it")
		}
		r.next[k.From] = k.Type
	}
	return r
}

// oneStep tells whether to is the version after from. Steps of one never form a ring.
func oneStep(from, to string) bool {
	a, b := strings.LastIndex(from, ".v"), strings.LastIndex(to, ".v")
	v, _ := strconv.Atoi(from[a+2:])
	w, _ := strconv.Atoi(to[b+2:])
	return from[:a] == to[:b] && w == v+1
}

// Kinds are all kinds, sorted by type.
func (r *Registry) Kinds() []Kind {
	out := make([]Kind, 0, len(r.kinds))
	for _, k := range r.kinds {
		out = append(out, k)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Type < out[j].Type })
	return out
}

// Lookup finds a kind by its type.
func (r *Registry) Lookup(typ string) (Kind, bool) {
	k, ok := r.kinds[typ]
	return k, ok
}

// Unknown is the data of an event that this program cannot interpret: a kind or
// a version of a newer program, or data that breaks the kind's rules. It is
// kept and shown, and judgement that would rest on it says so.
type Unknown struct {
	Typ string
	Raw json.RawMessage
	// Why is nil for a type this program does not know, else what is wrong.
	Why error
}

// Type is the type the event gave itself.
func (u *Unknown) Type() string { return u.Typ }

// Validate always fails: an Unknown can be kept, never recorded anew.
func (u *Unknown) Validate() error {
	if u.Why != nil {
		return u.Why
	}
	return Invalid{{"type", fmt.Sprintf("%q is not known to this program", u.Typ)}}
}

// Event is an event with its data decoded to the newest version of its kind.
type Event struct {
	Envelope
	Body Data
}

// Read parses and decodes an event from its exact bytes. The error is about
// the envelope alone; data that cannot be interpreted comes back as Unknown.
func (r *Registry) Read(raw []byte) (Event, error) {
	env, err := Parse(raw)
	if err != nil {
		return Event{}, err
	}
	return Event{env, r.Decode(env.Type, env.Data)}, nil
}

// Decode interprets data of a type, through the upcasters where it is of an
// older version.
func (r *Registry) Decode(typ string, data json.RawMessage) Data {
	kind, ok := r.kinds[typ]
	if !ok {
		return &Unknown{Typ: typ, Raw: data}
	}
	body, err := decodeStrict(kind, data)
	if err != nil {
		return &Unknown{Typ: typ, Raw: data, Why: err}
	}
	raw := data
	for next, more := r.next[kind.Type]; more; next, more = r.next[kind.Type] {
		kind = r.kinds[next]
		if raw, err = kind.Up(raw); err != nil {
			return &Unknown{Typ: typ, Raw: data, Why: fmt.Errorf("raising to %s: %w", next, err)}
		}
		if body, err = decodeStrict(kind, raw); err != nil {
			return &Unknown{Typ: typ, Raw: data, Why: fmt.Errorf("raising to %s: %w", next, err)}
		}
	}
	return body
}

// decodeStrict accepts only data that encodes again to the same bytes, so that
// what is judged is all of what is stored.
func decodeStrict(kind Kind, data json.RawMessage) (Data, error) {
	body, err := decode(kind, data)
	if err != nil {
		return nil, err
	}
	again, err := EncodeData(body)
	if err != nil {
		return nil, err
	}
	if !bytes.Equal(again, data) {
		return nil, fmt.Errorf("data is not in its one encoding: first difference at byte %d", firstDifference(again, data))
	}
	return body, nil
}

// DecodeTyped reads data as a person or another program may write it: any
// order and white space, but no unknown field, no key twice, and valid.
func DecodeTyped(kind Kind, data []byte) (Data, error) {
	if !utf8.Valid(data) {
		return nil, fmt.Errorf("data is not UTF-8 text")
	}
	// The standard decoder takes "Note" for "note", so one of the two would be lost.
	if err := UniqueKeys(data); err != nil {
		return nil, err
	}
	if err := locate(reflect.TypeOf(kind.New()), data); err != nil {
		return nil, err
	}
	return decode(kind, data)
}

func decode(kind Kind, data []byte) (Data, error) {
	body := kind.New()
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(body); err != nil {
		if found := locate(reflect.TypeOf(body), data); found != nil {
			return nil, found
		}
		return nil, err
	}
	if _, err := d.Token(); err != io.EOF {
		return nil, fmt.Errorf("something stands after the data")
	}
	if err := body.Validate(); err != nil {
		return nil, err
	}
	return body, nil
}

// EncodeData writes data's one encoding: fields in the order of the struct, no
// white space, unset fields left out.
func EncodeData(d Data) (json.RawMessage, error) {
	if u, ok := d.(*Unknown); ok {
		return u.Raw, nil
	}
	if err := d.Validate(); err != nil {
		return nil, err
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(d); err != nil {
		return nil, fmt.Errorf("%s: %w", reflect.TypeOf(d), err)
	}
	return bytes.TrimRight(b.Bytes(), "\n"), nil
}
