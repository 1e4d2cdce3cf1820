package events

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// FieldError says which field of an event is wrong and why. Field is the path
// in the JSON: "units[2].codes[0].status".
type FieldError struct {
	Field  string
	Reason string
}

func (e FieldError) Error() string { return e.Field + ": " + e.Reason }

// Problems collects the field errors of one event, so that all are told at once.
type Problems struct {
	prefix string
	list   *[]FieldError
}

// Add notes a problem of a field.
func (p *Problems) Add(field, format string, args ...any) {
	if p.list == nil {
		p.list = new([]FieldError)
	}
	*p.list = append(*p.list, FieldError{p.prefix + field, fmt.Sprintf(format, args...)})
}

// In gives a collector for the fields inside field; what it collects is p's.
func (p *Problems) In(field string, index int) *Problems {
	if p.list == nil {
		p.list = new([]FieldError)
	}
	at := p.prefix + field
	if index >= 0 {
		at += fmt.Sprintf("[%d]", index)
	}
	return &Problems{prefix: at + ".", list: p.list}
}

// Err is nil, or an Invalid with everything collected.
func (p *Problems) Err() error {
	if p.list == nil || len(*p.list) == 0 {
		return nil
	}
	return Invalid(*p.list)
}

// Invalid is the error of an event that breaks its kind's rules.
type Invalid []FieldError

func (e Invalid) Error() string {
	parts := make([]string, len(e))
	for i, f := range e {
		parts[i] = f.Error()
	}
	return strings.Join(parts, "; ")
}

// The largest sizes of free text and lists: generous for a person, bounding for a stranger.
const (
	maxName = 80
	maxText = 4000
	maxList = 10000
)

func (p *Problems) name(field, s string) {
	if strings.TrimSpace(s) == "" {
		p.Add(field, "missing")
		return
	}
	p.optionalName(field, s)
}

func (p *Problems) optionalName(field, s string) {
	p.limited(field, s, maxName)
	if strings.TrimSpace(s) != s {
		p.Add(field, "%q has space at an end", s)
	}
	if strings.ContainsAny(s, "\n\r\t") {
		p.Add(field, "%q: want one line", s)
	}
}

func (p *Problems) text(field, s string) { p.limited(field, s, maxText) }

func (p *Problems) limited(field, s string, most int) {
	if !utf8.ValidString(s) {
		p.Add(field, "is not UTF-8 text")
	}
	if n := len([]rune(s)); n > most {
		p.Add(field, "%d characters: the limit is %d", n, most)
	}
	for _, r := range s {
		if unicode.IsControl(r) && r != '\n' && r != '\t' {
			p.Add(field, "holds a control character (U+%04X)", r)
			return
		}
	}
}

func (p *Problems) size(field string, n int) {
	if n > maxList {
		p.Add(field, "%d entries: the limit is %d", n, maxList)
	}
}

func (p *Problems) id(field string, id ID) {
	if id.IsZero() {
		p.Add(field, "missing")
	}
}

// Word is a closed list of words that a field may hold.
type Word interface {
	~string
	// Values are the words, in the order they are documented.
	Values() []string
}

func word[W Word](p *Problems, field string, w W) {
	for _, v := range w.Values() {
		if v == string(w) {
			return
		}
	}
	if w == "" {
		p.Add(field, "missing: want one of %s", strings.Join(w.Values(), ", "))
		return
	}
	p.Add(field, "%q: want one of %s", string(w), strings.Join(w.Values(), ", "))
}

func optionalWord[W Word](p *Problems, field string, w W) {
	if w != "" {
		word(p, field, w)
	}
}
