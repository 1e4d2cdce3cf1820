package notes

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strconv"
	"strings"
	"unicode/utf8"

	"mendbook/events"
)

const (
	// MaxLine is the longest line of a file of events, in bytes.
	MaxLine = events.MaxBytes + 4096
	// MaxProblems is how many line errors ReadLines keeps; the rest are counted.
	MaxProblems = 1000

	maxWord     = 200 // characters of a subject or ref
	typePrefix  = "mendbook."
	refPrefix   = "ref:"
	openedType  = "feed.opened.v1"
	idDomain    = "mendbook line id v1\x00"
	lineExample = `{"type":"scan.taken.v1","subject":"van-7","at":"2026-03-02T09:12:44Z","data":{…}}`
)

// Line is one event of a file that has one JSON object a line:
//
//	{"type":"scan.taken.v1","subject":"van-7","at":"2026-03-02T09:12:44Z","ref":"a","id":"…","data":{…}}
//
// At may be missing where there is an id, ref and id always. The type may have
// "mendbook." in front. In data a field that holds an event's id may say "ref:a"
// for the id of the line with that ref earlier in the file.
type Line struct {
	Number  int         // from 1
	Type    string      // without "mendbook." in front
	Subject string      // as written
	At      events.Time // unset where not stated
	Ref     string
	ID      events.ID // as stated, else by [DeriveID]
	Body    events.Data
}

// LineError says what is wrong with a line of a file.
type LineError struct {
	Line int
	Text string
}

// Error gives "line 3: text".
func (e LineError) Error() string { return fmt.Sprintf("line %d: %s", e.Line, e.Text) }

// ReadLines reads a file of events and hands every good line to yield, in order. A
// bad line does not stop it: it is told in problems, of which the first MaxProblems
// are kept and all are counted in total. It stops with err when reading or yield
// fails. Of the file only one line and the refs are held at a time.
func ReadLines(r io.Reader, reg *events.Registry, yield func(Line) error) (problems []LineError, total int, err error) {
	in := bufio.NewReaderSize(r, 64<<10)
	refs := map[string]refLine{}
	for n := 1; ; n++ {
		raw, long, err := nextLine(in)
		if err != nil && err != io.EOF {
			return problems, total, err
		}
		end := err == io.EOF
		err = nil
		if n == 1 {
			raw = bytes.TrimPrefix(raw, []byte("\ufeff"))
		}
		raw = bytes.Trim(raw, " \t\r\n")
		if len(raw) > 0 || long {
			var l Line
			if long {
				err = fmt.Errorf("longer than %d bytes; attach large captures as files", MaxLine)
			} else {
				l, err = readLine(n, raw, reg, refs)
			}
			switch {
			case err == nil:
				if err := yield(l); err != nil {
					return problems, total, err
				}
			default:
				total++
				if len(problems) < MaxProblems {
					problems = append(problems, LineError{n, err.Error()})
				}
			}
		}
		if end {
			return problems, total, nil
		}
	}
}

// nextLine reads to the next line break. Of a line that is too long it keeps
// nothing, so that a file without line breaks costs no memory.
func nextLine(in *bufio.Reader) (raw []byte, long bool, err error) {
	for {
		part, err := in.ReadSlice('\n')
		if len(raw)+len(part) > MaxLine {
			long, raw = true, nil
		}
		if !long {
			raw = append(raw, part...)
		}
		if err != bufio.ErrBufferFull {
			return raw, long, err
		}
	}
}

// refLine is a ref that was seen: its id, zero where its line is bad.
type refLine struct {
	id     events.ID
	number int
}

func readLine(n int, raw []byte, reg *events.Registry, refs map[string]refLine) (Line, error) {
	l := Line{Number: n}
	if !utf8.Valid(raw) {
		return l, errors.New("not valid UTF-8 text")
	}
	if err := events.UniqueKeys(raw); err != nil {
		return l, err
	}
	var attrs map[string]json.RawMessage
	if err := json.Unmarshal(raw, &attrs); err != nil || attrs == nil {
		return l, fmt.Errorf("not a JSON object like %s", lineExample)
	}
	var id, at string
	known := map[string]*string{"type": &l.Type, "subject": &l.Subject, "at": &at, "ref": &l.Ref, "id": &id}
	for _, key := range []string{"type", "subject", "at", "ref", "id"} {
		value, ok := attrs[key]
		if !ok {
			continue
		}
		// A null would be taken silently, as if the key were not there.
		if value[0] != '"' || json.Unmarshal(value, known[key]) != nil {
			return l, fmt.Errorf("%s: want a string", key)
		}
		if key != "subject" && *known[key] == "" {
			return l, fmt.Errorf("%s: is empty; leave it out", key)
		}
		if utf8.RuneCountInString(*known[key]) > maxWord {
			return l, fmt.Errorf("%s: longer than %d characters", key, maxWord)
		}
	}
	if l.Ref != "" {
		if before, ok := refs[l.Ref]; ok {
			return l, fmt.Errorf("ref %q stands on line %d already", l.Ref, before.number)
		}
		refs[l.Ref] = refLine{number: n}
	}
	for key := range attrs {
		if known[key] == nil && key != "data" {
			return l, fmt.Errorf("%q is not a key of a line: want type, subject, at, ref, id and data", clip(key))
		}
	}
	var err error
	if at != "" {
		if l.At, err = events.ParseTime(at); err != nil {
			return l, fmt.Errorf("at: %w", err)
		}
	}
	if id != "" {
		if l.ID, err = events.ParseID(id); err != nil {
			return l, fmt.Errorf("id: %w", err)
		}
	}
	if id == "" && at == "" {
		return l, errors.New("at: missing; a line without an id says when it happened, like \"at\":\"2026-03-02T09:12:44Z\"")
	}
	kind, err := kindOf(&l, reg)
	if err != nil {
		return l, err
	}
	data, ok := attrs["data"]
	if !ok || data[0] != '{' {
		return l, errors.New("data: want an object")
	}
	if data, err = resolveRefs(reflect.TypeOf(kind.New()).Elem(), data, refs); err != nil {
		return l, err
	}
	if l.Body, err = events.DecodeTyped(kind, data); err != nil {
		return l, fmt.Errorf("data: %w", err)
	}
	if l.ID.IsZero() {
		l.ID = DeriveID(l)
	}
	if l.Ref != "" {
		refs[l.Ref] = refLine{l.ID, n}
	}
	return l, nil
}

func kindOf(l *Line, reg *events.Registry) (events.Kind, error) {
	if l.Type == "" {
		return events.Kind{}, errors.New("type: missing; want one like scan.taken.v1")
	}
	l.Type = strings.TrimPrefix(l.Type, typePrefix)
	kind, ok := reg.Lookup(l.Type)
	switch {
	case !ok:
		return kind, fmt.Errorf("type: %q is not known to this program; a newer program may know it", clip(l.Type))
	case l.Type == openedType:
		return kind, fmt.Errorf("type: %s begins a feed and is written by the machine that opens it, never taken from a file", openedType)
	case kind.Scope == events.ScopeVehicle && strings.TrimSpace(l.Subject) == "":
		return kind, fmt.Errorf("subject: missing; %s is about a vehicle", l.Type)
	case kind.Scope == events.ScopeWorkshop && l.Subject != "":
		return kind, fmt.Errorf("subject: %s is about the workshop and has none", l.Type)
	}
	return kind, nil
}

// resolveRefs puts ids in the place of "ref:NAME", in fields of type events.ID only.
func resolveRefs(t reflect.Type, raw json.RawMessage, refs map[string]refLine) (json.RawMessage, error) {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if !holdsID(t) || len(raw) == 0 {
		return raw, nil
	}
	switch {
	case t == reflect.TypeFor[events.ID]():
		var s string
		if json.Unmarshal(raw, &s) != nil || !strings.HasPrefix(s, refPrefix) {
			return raw, nil
		}
		name := strings.TrimPrefix(s, refPrefix)
		seen, ok := refs[name]
		switch {
		case !ok:
			return nil, fmt.Errorf("%q: no line above has \"ref\":%q; put that line first", clip(s), clip(name))
		case seen.id.IsZero():
			return nil, fmt.Errorf("%q: line %d, which has that ref, cannot be used; put a good one first", clip(s), seen.number)
		}
		return json.Marshal(seen.id.String())
	case t.Kind() == reflect.Struct:
		var object map[string]json.RawMessage
		if json.Unmarshal(raw, &object) != nil || object == nil {
			return raw, nil // for DecodeTyped to tell
		}
		for i := range t.NumField() {
			name, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
			value, ok := object[name]
			if !ok {
				continue
			}
			resolved, err := resolveRefs(t.Field(i).Type, value, refs)
			if err != nil {
				return nil, fmt.Errorf("data: %s: %w", name, err)
			}
			object[name] = resolved
		}
		return json.Marshal(object)
	default: // a slice
		var list []json.RawMessage
		if json.Unmarshal(raw, &list) != nil || list == nil {
			return raw, nil
		}
		for i, value := range list {
			resolved, err := resolveRefs(t.Elem(), value, refs)
			if err != nil {
				return nil, err
			}
			list[i] = resolved
		}
		return json.Marshal(list)
	}
}

// holdsID tells whether a value of the type can hold an events.ID.
func holdsID(t reflect.Type) bool {
	switch {
	case t == reflect.TypeFor[events.ID]():
		return true
	case t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice:
		return holdsID(t.Elem())
	case t.Kind() != reflect.Struct || reflect.PointerTo(t).Implements(reflect.TypeFor[json.Unmarshaler]()):
		return false
	}
	for i := range t.NumField() {
		if t.Field(i).IsExported() && holdsID(t.Field(i).Type) {
			return true
		}
	}
	return false
}

// DeriveID gives a line without an id one that is the same on every machine and at
// every reading, so that a file taken twice adds nothing. Its time is At; its other
// ten bytes begin the SHA-256 of "mendbook line id v1", a zero byte, and
//
//	with a ref:  "ref", zero, type, zero, ref
//	without:     "line", zero, then type, subject, at and canonical data, each as
//	             its length in bytes in decimal, a colon, and its bytes
//
// A line with an id gets that. A body that cannot be encoded counts as empty data;
// ReadLines gives no such line.
func DeriveID(l Line) events.ID {
	if !l.ID.IsZero() {
		return l.ID
	}
	h := sha256.New()
	io.WriteString(h, idDomain)
	if l.Ref != "" {
		io.WriteString(h, "ref\x00"+l.Type+"\x00"+l.Ref)
	} else {
		io.WriteString(h, "line\x00")
		var data json.RawMessage
		if l.Body != nil {
			data, _ = events.EncodeData(l.Body)
		}
		for _, part := range []string{l.Type, l.Subject, l.At.String(), string(data)} {
			io.WriteString(h, strconv.Itoa(len(part))+":"+part)
		}
	}
	var entropy [10]byte
	copy(entropy[:], h.Sum(nil))
	return events.NewID(l.At.Std(), entropy)
}

// WriteLine writes an event as a line that ReadLines reads back to the same id,
// type, subject, time and data. The subject is given as text, so that a vehicle may
// go by its label. An event of an older version, or one this program cannot
// interpret, is written with its data as stored; feed.opened is refused.
func WriteLine(w io.Writer, ev events.Event, subject string) error {
	if ev.Type == openedType {
		return fmt.Errorf("event %s: %s belongs to its feed and is not written to a file", ev.ID, openedType)
	}
	if ev.ID.IsZero() {
		return errors.New("an event without an id cannot be written")
	}
	data := ev.Data
	if ev.Body != nil && (len(data) == 0 || ev.Body.Type() == ev.Type) {
		encoded, err := events.EncodeData(ev.Body)
		if err != nil {
			return fmt.Errorf("event %s: %w", ev.ID, err)
		}
		data = encoded
	}
	if len(data) == 0 {
		return fmt.Errorf("event %s: has no data", ev.ID)
	}
	var b bytes.Buffer
	b.WriteString(`{"type":` + Quote(ev.Type))
	if subject != "" {
		b.WriteString(`,"subject":` + Quote(subject))
	}
	if !ev.At.IsZero() {
		b.WriteString(`,"at":` + Quote(ev.At.String()))
	}
	b.WriteString(`,"id":` + Quote(ev.ID.String()) + `,"data":`)
	if err := json.Compact(&b, data); err != nil {
		return fmt.Errorf("event %s: data is not JSON: %w", ev.ID, err)
	}
	b.WriteString("}\n")
	_, err := w.Write(b.Bytes())
	return err
}
