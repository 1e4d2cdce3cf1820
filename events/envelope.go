package events

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"sort"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Limits of an event. They bound what a stranger's bytes can cost.
const (
	// MaxBytes is the largest event, in bytes. Raw captures are attachments,
	// kept by hash beside the book, so an event stays small enough for a message.
	MaxBytes = 512 << 10
	// MaxDepth is how deep the objects and lists of an event may nest.
	MaxDepth = 16
	// MaxSeq is the largest place in a feed: CloudEvents integers have 32 bits.
	MaxSeq = 1<<31 - 1

	typePrefix   = "mendbook."
	sourcePrefix = "urn:mendbook:feed:"
)

// Envelope is the outside of an event: everything but the meaning of its data.
type Envelope struct {
	ID       ID
	Feed     string   // the feed's name; source is "urn:mendbook:feed:" + Feed
	Type     string   // without the "mendbook." in front: "scan.taken.v1"
	Subject  ID       // the vehicle; zero where the event concerns the workshop
	Time     Time     // wall clock of the recording machine
	FeedSeq  int64    // from 1
	PrevSeq  int64    // 0: no earlier event of this vehicle in this feed
	PrevHash [32]byte // leaf hash of that event
	At       Time     // when the work happened; unset: when it was recorded
	Extra    []Attr   // attributes of newer programs, sorted by name, kept as they are
	Data     json.RawMessage
}

// Attr is a CloudEvents extension attribute that this program does not know.
type Attr struct {
	Name  string
	Value json.RawMessage
}

// FeedSource is the CloudEvents source of a feed.
func FeedSource(feed string) string { return sourcePrefix + feed }

// Recorded is the moment of recording by the logical clock, which every machine
// reads the same from the ID.
func (e Envelope) Recorded() Time { return At(e.ID.Time()) }

// Happened is when the work was done: At where stated, else the recording.
func (e Envelope) Happened() Time {
	if !e.At.IsZero() {
		return e.At
	}
	return e.Recorded()
}

// Encode writes the envelope's one spelling. It fails on what Parse would refuse.
func Encode(e Envelope) ([]byte, error) {
	if err := e.validate(); err != nil {
		return nil, err
	}
	out := encode(e)
	if len(out) > MaxBytes {
		return nil, fmt.Errorf("event of %d bytes: the limit is %d; attach large captures as files", len(out), MaxBytes)
	}
	// Data comes from outside: only reading the whole again shows what Parse makes of it.
	if _, err := Parse(out); err != nil {
		return nil, err
	}
	return out, nil
}

func (e Envelope) validate() error {
	var p Problems
	if e.ID.IsZero() {
		p.Add("id", "missing")
	}
	if !validName(e.Feed, 64) {
		p.Add("source", "want %q followed by 1 to 64 of a-z, 0-9", sourcePrefix)
	}
	if !validType(e.Type) {
		p.Add("type", "%q: want words of a-z joined by dots and a version, like scan.taken.v1", e.Type)
	}
	if e.Time.IsZero() {
		p.Add("time", "missing")
	}
	if e.FeedSeq < 1 || e.FeedSeq > MaxSeq {
		p.Add("feedseq", "%d is not a place in a feed: want 1 to %d", e.FeedSeq, MaxSeq)
	}
	if e.PrevSeq < 0 || e.PrevSeq >= e.FeedSeq && e.PrevSeq != 0 {
		p.Add("prevseq", "%d does not come before feedseq %d", e.PrevSeq, e.FeedSeq)
	}
	if e.PrevSeq == 0 && e.PrevHash != [32]byte{} {
		p.Add("prevhash", "stands without prevseq")
	}
	for i, a := range e.Extra {
		if !validName(a.Name, 20) || known(a.Name) {
			p.Add(a.Name, "not a name for an extension attribute")
		}
		if !validExtra(a.Value) {
			p.Add(a.Name, "an extension attribute is a string, a whole number of 32 bits, or true or false")
		}
		if i > 0 && e.Extra[i-1].Name >= a.Name {
			p.Add(a.Name, "extension attributes are sorted by name, each once")
		}
	}
	if len(e.Data) == 0 || e.Data[0] != '{' {
		p.Add("data", "want an object")
	}
	return p.Err()
}

func known(name string) bool {
	switch name {
	case "specversion", "id", "source", "type", "subject", "time", "feedseq", "prevseq", "prevhash", "at", "data":
		return true
	}
	return false
}

// validExtra holds an attribute to the types that CloudEvents has in JSON.
func validExtra(value json.RawMessage) bool {
	switch s := string(value); {
	case s == "true" || s == "false":
		return true
	case strings.HasPrefix(s, `"`):
		return json.Valid(value)
	default:
		n, err := strconv.ParseInt(s, 10, 32)
		return err == nil && strconv.FormatInt(n, 10) == s
	}
}

func validName(s string, most int) bool {
	if s == "" || len(s) > most {
		return false
	}
	for _, r := range s {
		if (r < 'a' || r > 'z') && (r < '0' || r > '9') {
			return false
		}
	}
	return true
}

func validType(s string) bool {
	parts := strings.Split(s, ".")
	if len(parts) < 3 || len(s) > 64 {
		return false
	}
	for _, part := range parts {
		if !validName(part, 32) {
			return false
		}
	}
	v := parts[len(parts)-1]
	n, err := strconv.Atoi(strings.TrimPrefix(v, "v"))
	return v[0] == 'v' && err == nil && n >= 1 && "v"+strconv.Itoa(n) == v
}

func encode(e Envelope) []byte {
	var b bytes.Buffer
	b.WriteString(`{"specversion":"1.0","id":"`)
	b.WriteString(e.ID.String())
	b.WriteString(`","source":"` + sourcePrefix + e.Feed)
	b.WriteString(`","type":"` + typePrefix + e.Type)
	if !e.Subject.IsZero() {
		b.WriteString(`","subject":"` + e.Subject.String())
	}
	b.WriteString(`","time":"` + e.Time.String())
	b.WriteString(`","feedseq":` + strconv.FormatInt(e.FeedSeq, 10))
	if e.PrevSeq != 0 {
		b.WriteString(`,"prevseq":` + strconv.FormatInt(e.PrevSeq, 10))
		b.WriteString(`,"prevhash":"` + base64.StdEncoding.EncodeToString(e.PrevHash[:]) + `"`)
	}
	if !e.At.IsZero() {
		b.WriteString(`,"at":"` + e.At.String() + `"`)
	}
	for _, a := range e.Extra {
		b.WriteString(`,"` + a.Name + `":`)
		b.Write(a.Value)
	}
	b.WriteString(`,"data":`)
	b.Write(e.Data)
	b.WriteByte('}')
	return b.Bytes()
}

// Parse reads one event from its exact bytes. It refuses anything but the one
// encoding that Encode gives: other attribute orders, white space, a repeated
// key, a second spelling of a time. The data is checked for form only; what it
// means is for [Registry.Decode].
func Parse(raw []byte) (Envelope, error) {
	if len(raw) > MaxBytes {
		return Envelope{}, fmt.Errorf("event of %d bytes: the limit is %d", len(raw), MaxBytes)
	}
	if !utf8.Valid(raw) {
		return Envelope{}, fmt.Errorf("event is not UTF-8 text")
	}
	if err := CheckJSON(raw); err != nil {
		return Envelope{}, err
	}
	var attrs map[string]json.RawMessage
	if err := json.Unmarshal(raw, &attrs); err != nil {
		return Envelope{}, fmt.Errorf("event is not a JSON object: %w", err)
	}
	e, err := fromAttrs(attrs)
	if err != nil {
		return Envelope{}, err
	}
	if err := e.validate(); err != nil {
		return Envelope{}, err
	}
	if again := encode(e); !bytes.Equal(again, raw) {
		return Envelope{}, fmt.Errorf("event is not in its one encoding: first difference at byte %d", firstDifference(again, raw))
	}
	return e, nil
}

func fromAttrs(attrs map[string]json.RawMessage) (Envelope, error) {
	var e Envelope
	var p Problems
	text := func(name string) string {
		raw, ok := attrs[name]
		if !ok {
			return ""
		}
		var s string
		if json.Unmarshal(raw, &s) != nil {
			p.Add(name, "want a string")
		}
		return s
	}
	number := func(name string) int64 {
		raw, ok := attrs[name]
		if !ok {
			return 0
		}
		n, err := strconv.ParseInt(string(raw), 10, 64)
		if err != nil {
			p.Add(name, "want a whole number")
		}
		return n
	}
	id := func(name string) ID {
		if _, ok := attrs[name]; !ok {
			return ID{}
		}
		v, err := ParseID(text(name))
		if err != nil {
			p.Add(name, "%v", err)
		}
		return v
	}
	moment := func(name string) Time {
		raw, ok := attrs[name]
		if !ok {
			return Time{}
		}
		var t Time
		if err := t.UnmarshalJSON(raw); err != nil {
			p.Add(name, "%v", err)
		}
		return t
	}
	if v := text("specversion"); v != "1.0" {
		p.Add("specversion", "%q: want CloudEvents 1.0", v)
	}
	e.ID = id("id")
	source := text("source")
	if !strings.HasPrefix(source, sourcePrefix) {
		p.Add("source", "%q: want %q and a feed", source, sourcePrefix)
	}
	e.Feed = strings.TrimPrefix(source, sourcePrefix)
	typ := text("type")
	if !strings.HasPrefix(typ, typePrefix) {
		p.Add("type", "%q: want %q in front", typ, typePrefix)
	}
	e.Type = strings.TrimPrefix(typ, typePrefix)
	e.Subject = id("subject")
	e.Time = moment("time")
	e.FeedSeq = number("feedseq")
	e.PrevSeq = number("prevseq")
	if h := text("prevhash"); h != "" {
		b, err := base64.StdEncoding.Strict().DecodeString(h)
		if err != nil || len(b) != len(e.PrevHash) {
			p.Add("prevhash", "want 32 bytes in base 64")
		}
		copy(e.PrevHash[:], b)
	}
	e.At = moment("at")
	e.Data = attrs["data"]
	for name, value := range attrs {
		if !known(name) {
			e.Extra = append(e.Extra, Attr{name, value})
		}
	}
	sort.Slice(e.Extra, func(i, j int) bool { return e.Extra[i].Name < e.Extra[j].Name })
	return e, p.Err()
}

func firstDifference(a, b []byte) int {
	n := min(len(a), len(b))
	for i := range n {
		if a[i] != b[i] {
			return i
		}
	}
	return n
}

// CheckJSON refuses what two readers could read differently: white space
// outside strings, a key given twice in one object, nesting beyond MaxDepth,
// and anything after the value.
func CheckJSON(raw []byte) error {
	var compact bytes.Buffer
	if err := json.Compact(&compact, raw); err != nil {
		return fmt.Errorf("not JSON: %w", err)
	}
	if !bytes.Equal(compact.Bytes(), raw) {
		return fmt.Errorf("JSON with white space at byte %d: want none", firstDifference(compact.Bytes(), raw))
	}
	return UniqueKeys(raw)
}

// UniqueKeys refuses JSON that gives a key twice in one object or nests too
// deep; white space is allowed. It is the check for typed JSON.
func UniqueKeys(raw []byte) error {
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	var stack []map[string]bool // nil for a list
	key := false                // the next string token is a key
	for {
		token, err := d.Token()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return fmt.Errorf("not JSON: %w", err)
		}
		if delim, ok := token.(json.Delim); ok {
			switch delim {
			case '{', '[':
				if len(stack) == MaxDepth {
					return fmt.Errorf("JSON nested deeper than %d at byte %d", MaxDepth, d.InputOffset())
				}
				if delim == '{' {
					stack = append(stack, map[string]bool{})
				} else {
					stack = append(stack, nil)
				}
			case '}', ']':
				stack = stack[:len(stack)-1]
			}
			key = len(stack) > 0 && stack[len(stack)-1] != nil
			continue
		}
		if len(stack) == 0 {
			continue
		}
		top := stack[len(stack)-1]
		if top == nil {
			continue
		}
		if key {
			name := token.(string)
			if top[name] {
				return fmt.Errorf("key %q given twice at byte %d", name, d.InputOffset())
			}
			top[name] = true
		}
		key = !key
	}
}
