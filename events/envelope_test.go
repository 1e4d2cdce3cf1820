package events

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"strings"
	"testing"
	"time"
)

const (
	anID = "01KJPX6V0AVF0V9J80ZZJ8TNTV"
	head = `{"specversion":"1.0","id":"` + anID + `","source":"urn:mendbook:feed:ic7lik","type":"mendbook.key.cycled.v1"`
	good = head + `,"subject":"` + anID + `","time":"2026-03-02T09:12:44Z","feedseq":41,"data":{"by":"MA"}}`
)

func aHash() string {
	sum := sha256.Sum256([]byte("leaf"))
	return base64.StdEncoding.EncodeToString(sum[:])
}

// swap replaces old, which must be there, so that no case tests the good event.
func swap(t *testing.T, old, new string) string {
	t.Helper()
	if !strings.Contains(good, old) {
		t.Fatalf("%q is not in the good event", old)
	}
	return strings.Replace(good, old, new, 1)
}

func TestParseAccepts(t *testing.T) {
	for name, raw := range map[string]string{
		"plain":               good,
		"no subject":          swap(t, `,"subject":"`+anID+`"`, ""),
		"previous":            swap(t, `,"data"`, `,"prevseq":40,"prevhash":"`+aHash()+`","data"`),
		"at":                  swap(t, `,"data"`, `,"at":"2026-03-02T08:00:00.5Z","data"`),
		"unknown attributes":  swap(t, `,"data"`, `,"alpha":"x","beta":-2147483648,"traceparent1":true,"data"`),
		"newer version":       swap(t, "key.cycled.v1", "key.cycled.v2"),
		"unknown kind":        swap(t, "key.cycled.v1", "tyre.changed.v1"),
		"data of any depth":   swap(t, `{"by":"MA"}`, `{"a":`+strings.Repeat("[", MaxDepth-2)+strings.Repeat("]", MaxDepth-2)+`}`),
		"largest feedseq":     swap(t, `"feedseq":41`, `"feedseq":2147483647`),
		"escaped text inside": swap(t, `"MA"`, `"M\nA"`),
	} {
		e, err := Parse([]byte(raw))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if again, err := Encode(e); err != nil || string(again) != raw {
			t.Errorf("%s: encodes to %s, %v", name, again, err)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	prev := func(hash string) string { return swap(t, `,"data"`, `,"prevseq":40,"prevhash":`+hash+`,"data"`) }
	extra := func(s string) string { return swap(t, `,"data"`, `,`+s+`,"data"`) }
	for _, c := range []struct{ name, raw, want string }{
		{"white space", swap(t, `,"id"`, `, "id"`), "white space"},
		{"a line after", good + "\n", "white space"},
		{"wrong order", swap(t, `"specversion":"1.0","id":"`+anID+`"`, `"id":"`+anID+`","specversion":"1.0"`), "one encoding"},
		{"key twice", swap(t, `"feedseq":41`, `"feedseq":41,"feedseq":42`), `"feedseq" given twice`},
		{"key twice by escape", swap(t, `"feedseq":41`, `"feedseq":41,"feeds\u0065q":41`), `"feedseq" given twice`},
		{"key twice inside", swap(t, `{"by":"MA"}`, `{"x":[{"a":1,"a":2}]}`), `"a" given twice`},
		{"escaped key", swap(t, `"feedseq"`, `"feeds\u0065q"`), "one encoding"},
		{"time with offset", swap(t, "09:12:44Z", "10:12:44+01:00"), "time: "},
		{"time with idle zeros", swap(t, "09:12:44Z", "09:12:44.000Z"), "time: "},
		{"time too fine", swap(t, "09:12:44Z", "09:12:44.0001Z"), "time: "},
		{"time in lower case", swap(t, "T09:12:44Z", "t09:12:44z"), "time: "},
		{"lower-case id", swap(t, anID, strings.ToLower(anID)), "id: "},
		{"zero id", swap(t, anID, strings.Repeat("0", 26)), "id: "},
		{"id beyond 48 bits", swap(t, anID, "8"+anID[1:]), "id: "},
		{"lower-case subject", swap(t, `"subject":"`+anID, `"subject":"`+strings.ToLower(anID)), "subject: "},
		{"empty subject", swap(t, `"subject":"`+anID, `"subject":"`), "subject: "},
		{"zero subject", swap(t, `"subject":"`+anID, `"subject":"`+strings.Repeat("0", 26)), "subject: "},
		{"bad base 64", prev(`"not base 64"`), "prevhash: "},
		{"base 64 with idle bits", prev(`"` + strings.Repeat("A", 42) + `B="`), "prevhash: "},
		{"short hash", prev(`"AAAA"`), "prevhash: "},
		{"empty hash", prev(`""`), "one encoding"},
		{"prevseq without hash", extra(`"prevseq":40`), "one encoding"},
		{"hash without prevseq", extra(`"prevhash":"` + aHash() + `"`), "prevhash: stands without prevseq"},
		{"prevseq not before", swap(t, `,"data"`, `,"prevseq":41,"prevhash":"`+aHash()+`","data"`), "prevseq: "},
		{"feedseq zero", swap(t, `:41`, `:0`), "feedseq: "},
		{"feedseq of 32 bits and one", swap(t, `:41`, `:2147483648`), "feedseq: "},
		{"feedseq with fraction", swap(t, `:41`, `:41.0`), "feedseq: want a whole number"},
		{"feedseq as text", swap(t, `:41`, `:"41"`), "feedseq: want a whole number"},
		{"other source", swap(t, "urn:mendbook:feed:", "https://example.org/"), "source: "},
		{"other type", swap(t, "mendbook.key", "other.key"), "type: "},
		{"type without version", swap(t, ".cycled.v1", ".cycled.done"), "type: "},
		{"type version zero", swap(t, ".v1", ".v01"), "type: "},
		{"data not an object", swap(t, `{"by":"MA"}`, `[]`), "data: want an object"},
		{"data missing", swap(t, `,"data":{"by":"MA"}`, ``), "data: want an object"},
		{"too deep", swap(t, `{"by":"MA"}`, `{"a":`+strings.Repeat("[", MaxDepth)+strings.Repeat("]", MaxDepth)+`}`), "nested deeper"},
		{"too large", swap(t, `"MA"`, `"`+strings.Repeat("a", MaxBytes)+`"`), "the limit is"},
		{"not UTF-8", swap(t, `"MA"`, "\"\xff\""), "not UTF-8"},
		{"not an object", `[]`, "not a JSON object"},
		{"null", `null`, "specversion: "},
		{"nothing", ``, "not JSON"},
		{"cut short", good[:len(good)-1], "not JSON"},
		{"something after", good + `{}`, "not JSON"},
		{"attribute is an object", extra(`"x":{}`), "x: an extension attribute"},
		{"attribute is null", extra(`"x":null`), "x: an extension attribute"},
		{"attribute out of order", extra(`"b":1,"a":1`), "one encoding"},
	} {
		if _, err := Parse([]byte(c.raw)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want it to say %q", c.name, err, c.want)
		}
	}
}

// CloudEvents 1.0.2, section 3.1 (from memory of the specification): the required
// attributes are id, source, specversion and type, each a string that is not
// empty; names are lower-case letters and digits, recommended to be at most 20;
// integers are whole numbers of 32 bits.
func TestCloudEvents(t *testing.T) {
	for attr, drop := range map[string]string{
		"specversion": `"specversion":"1.0",`,
		"id":          `"id":"` + anID + `",`,
		"source":      `"source":"urn:mendbook:feed:ic7lik",`,
		"type":        `,"type":"mendbook.key.cycled.v1"`,
	} {
		empty := strings.Replace(drop, drop[strings.Index(drop, `:"`)+1:strings.LastIndex(drop, `"`)+1], `""`, 1)
		for _, raw := range []string{swap(t, drop, ""), swap(t, drop, empty)} {
			if _, err := Parse([]byte(raw)); err == nil || !strings.Contains(err.Error(), attr+": ") {
				t.Errorf("%s: got %v for %s", attr, err, raw)
			}
		}
	}
	if _, err := Parse([]byte(swap(t, `"1.0"`, `"0.3"`))); err == nil {
		t.Error("specversion 0.3 was taken")
	}
	for attr, ok := range map[string]bool{
		`"a":"x"`: true, `"abc123":"x"`: true, `"` + strings.Repeat("a", 20) + `":1`: true,
		`"` + strings.Repeat("a", 21) + `":1`: false, `"Abc":1`: false, `"a_b":1`: false, `"a-b":1`: false, `"ä":1`: false, `"":1`: false,
		`"n":2147483647`: true, `"n":-2147483648`: true, `"n":2147483648`: false, `"n":1.5`: false, `"n":1e3`: false, `"n":-0`: false,
		`"n":true`: true, `"n":false`: true,
	} {
		if _, err := Parse([]byte(swap(t, `,"data"`, ","+attr+`,"data"`))); (err == nil) != ok {
			t.Errorf("attribute %s: got %v", attr, err)
		}
	}
}

func TestEncodeRefusesWhatParseRefuses(t *testing.T) {
	base, err := Parse([]byte(good))
	if err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*Envelope){
		"no id":                func(e *Envelope) { e.ID = ID{} },
		"no time":              func(e *Envelope) { e.Time = Time{} },
		"time before 1970":     func(e *Envelope) { e.Time = At(time.Unix(-1, 0)) },
		"time after 9999":      func(e *Envelope) { e.At = At(time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC)) },
		"bad feed":             func(e *Envelope) { e.Feed = "A" },
		"data with space":      func(e *Envelope) { e.Data = []byte(`{ }`) },
		"data with key twice":  func(e *Envelope) { e.Data = []byte(`{"a":1,"a":2}`) },
		"data cut":             func(e *Envelope) { e.Data = []byte(`{`) },
		"data not UTF-8":       func(e *Envelope) { e.Data = []byte("{\"a\":\"\xff\"}") },
		"data that goes on":    func(e *Envelope) { e.Data = []byte(`{},"x":{}`) },
		"data too deep":        func(e *Envelope) { e.Data = []byte(`{"a":` + strings.Repeat("[", 20) + strings.Repeat("]", 20) + `}`) },
		"data too large":       func(e *Envelope) { e.Data = []byte(`{"a":"` + strings.Repeat("a", MaxBytes) + `"}`) },
		"attribute of our own": func(e *Envelope) { e.Extra = []Attr{{"feedseq", []byte("1")}} },
		"attribute twice":      func(e *Envelope) { e.Extra = []Attr{{"a", []byte("1")}, {"a", []byte("1")}} },
		"attribute an object":  func(e *Envelope) { e.Extra = []Attr{{"a", []byte("{}")}} },
		"attribute that adds":  func(e *Envelope) { e.Extra = []Attr{{"a", []byte(`1,"b":2`)}} },
		"attribute is empty":   func(e *Envelope) { e.Extra = []Attr{{"a", nil}} },
	} {
		e := base
		change(&e)
		if raw, err := Encode(e); err == nil {
			t.Errorf("%s: encoded to %.200s", name, raw)
		}
	}
}

func TestUnknownIsKept(t *testing.T) {
	raw := []byte(swap(t, "key.cycled.v1", "key.cycled.v9"))
	e, err := Known().Read(raw)
	if err != nil {
		t.Fatal(err)
	}
	u, ok := e.Body.(*Unknown)
	if !ok || u.Type() != "key.cycled.v9" || u.Why != nil || u.Validate() == nil {
		t.Fatalf("got %#v", e.Body)
	}
	if data, err := EncodeData(u); err != nil || !bytes.Equal(data, e.Data) {
		t.Errorf("data %s, %v", data, err)
	}
	if again, err := Encode(e.Envelope); err != nil || !bytes.Equal(again, raw) {
		t.Errorf("encodes to %s, %v", again, err)
	}
	// Data that breaks its kind's rules is kept too, with the reason.
	e, err = Known().Read([]byte(swap(t, `{"by":"MA"}`, `{"colour":1}`)))
	if u, ok = e.Body.(*Unknown); err != nil || !ok || u.Why == nil || !strings.Contains(u.Why.Error(), "colour: no such field") {
		t.Errorf("got %#v, %v", e.Body, err)
	}
}

func TestHappened(t *testing.T) {
	e, err := Parse([]byte(good))
	if err != nil {
		t.Fatal(err)
	}
	if e.Happened() != e.Recorded() || e.Recorded().Std() != e.ID.Time() {
		t.Errorf("happened %s, recorded %s, id %s", e.Happened(), e.Recorded(), e.ID.Time())
	}
	e.At, _ = ParseTime("2026-03-01T00:00:00Z")
	if e.Happened() != e.At {
		t.Errorf("happened %s", e.Happened())
	}
	if FeedSource(e.Feed) != "urn:mendbook:feed:ic7lik" {
		t.Error(FeedSource(e.Feed))
	}
}

func FuzzMalleability(f *testing.F) {
	for _, raw := range samples(f) {
		f.Add(raw)
	}
	f.Add([]byte(good))
	f.Fuzz(func(t *testing.T, raw []byte) {
		e, err := Known().Read(raw)
		if err != nil {
			return
		}
		if again, err := Encode(e.Envelope); err != nil || !bytes.Equal(again, raw) {
			t.Fatalf("%q encodes to %q, %v", raw, again, err)
		}
	})
}

func FuzzDecode(f *testing.F) {
	for typ, raw := range samples(f) {
		e, err := Parse(raw)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(typ, []byte(e.Data))
	}
	f.Fuzz(func(t *testing.T, typ string, data []byte) {
		reg := Known()
		body := reg.Decode(typ, data)
		if again, err := EncodeData(body); err != nil || !bytes.Equal(again, data) {
			t.Fatalf("%s %q encodes to %q, %v", typ, data, again, err)
		}
		kind, ok := reg.Lookup(typ)
		if !ok {
			return
		}
		// What a person may type encodes to data that is read back.
		typed, err := DecodeTyped(kind, data)
		if err != nil {
			return
		}
		stored, err := EncodeData(typed)
		if err != nil {
			t.Fatalf("%s %q is taken but not encoded: %v", typ, data, err)
		}
		if u, bad := reg.Decode(typ, stored).(*Unknown); bad {
			t.Fatalf("%s %q is not read back: %v", typ, stored, u.Why)
		}
	})
}
