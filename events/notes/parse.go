package notes

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"mendbook/events"
	"mendbook/events/quantity"
)

// MaxBytes is the largest note, in bytes.
const MaxBytes = 1 << 20

// Note is a scan and the moment it was taken, which stands in the event's envelope.
type Note struct {
	Scan *events.ScanTaken
	At   events.Time // unset where the note has no "at" line
}

// Parse reads a note. Times without a zone are read in zone; nil is UTC. Any error
// is an [Errors] with everything wrong, in the order of the lines, and then there is
// no scan. It never returns a scan that breaks the rules of [events.ScanTaken].
func Parse(text []byte, zone *time.Location) (Note, error) {
	if len(text) > MaxBytes {
		return Note{}, Errors{{Line: 1, Column: 1, Text: fmt.Sprintf("a note of %d bytes: the limit is %d", len(text), MaxBytes),
			Hint: "attach a long log as a file"}}
	}
	if zone == nil {
		zone = time.UTC
	}
	p := &parser{zone: zone, first: map[string]int{}, places: map[string]place{}}
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	n := 0
	for src := range strings.Lines(string(text)) {
		n++
		src = strings.TrimSuffix(strings.TrimSuffix(src, "\n"), "\r")
		p.line(n, src)
	}
	p.finish()
	if len(p.errs) > 0 {
		p.errs.sort()
		return Note{}, p.errs
	}
	return Note{Scan: &p.scan, At: p.at}, nil
}

type parser struct {
	zone   *time.Location
	scan   events.ScanTaken
	at     events.Time
	notes  []string
	units  []*unit
	errs   Errors
	first  map[string]int   // line of what may stand once
	places map[string]place // field of the scan → where it was given
}

func (p *parser) fail(n int, err *Error) {
	if err != nil {
		err.Line = n
		p.errs = append(p.errs, *err)
	}
}

func (p *parser) line(n int, src string) {
	if !utf8.ValidString(src) {
		column := 1
		for rest := src; ; column++ {
			r, size := utf8.DecodeRuneInString(rest)
			if r == utf8.RuneError && size <= 1 {
				break
			}
			rest = rest[size:]
		}
		p.fail(n, &Error{Column: column, Text: "not valid UTF-8 text", Hint: "save the file as UTF-8"})
		return
	}
	l := lex(src)
	if len(l.toks) == 0 {
		return
	}
	p.fail(n, p.dispatch(n, l))
}

func topWords() []string {
	return []string{"odometer", "at", "ignition", "engine", "battery", "lamp", "by", "note", "unit"}
}

func unitWords() []string {
	return []string{"address", "software", "service", "mask", "available", "views", "no", "monitor", "since", "lamp", "vin", "frame", "raw"}
}

func (p *parser) dispatch(n int, l line) *Error {
	head := l.toks[0]
	commanded := head.is("lamp") && len(l.toks) > 1 && l.toks[1].is("commanded")
	switch {
	case head.sep:
		return fail(head, "begin the line with a keyword or a code", "a line begins with %q", head.text)
	case head.is("unit"):
		return p.openUnit(n, l)
	case head.is(topWords()...) && !commanded:
		return p.topLine(n, l)
	}
	keyword := head.is(unitWords()...)
	if !keyword && !codeLike(head) {
		if len(p.units) > 0 {
			u := p.units[len(p.units)-1]
			u.below, u.failed = true, true
		}
		hint := didYouMean(head.text, append(topWords(), unitWords()...))
		if hint == "" {
			hint = "a code without a digit is put in quotation marks; see mendbook help notes"
		}
		return fail(head, hint, "%q is not a keyword", clip(head.text))
	}
	if len(p.units) == 0 {
		what := "a code"
		if keyword {
			what = fmt.Sprintf("%q", strings.ToLower(head.text))
		}
		return fail(head, "write a line like \"unit engine\" above it", "%s stands before any unit", what)
	}
	u := p.units[len(p.units)-1]
	u.below = true
	if keyword {
		return u.keywordLine(p, n, l)
	}
	return u.codeLine(n, l)
}

func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}

// once refuses a line that was there before.
func once(first map[string]int, key string, n int, t token) *Error {
	if before, ok := first[key]; ok {
		return fail(t, "keep one of them", "%q was given before, on line %d", key, before)
	}
	first[key] = n
	return nil
}

func (p *parser) topLine(n int, l line) *Error {
	head := l.toks[0]
	key, rest := strings.ToLower(head.text), l.toks[1:]
	examples := map[string]string{"odometer": "odometer 214880 km", "at": "at 2026-03-02T09:05:00Z", "ignition": "ignition on",
		"engine": "engine running", "battery": "battery 12.4 V", "lamp": "lamp engine on", "by": "by Ida", "note": "note smells of fuel"}
	if len(rest) == 0 {
		return fail(head, "write it like: "+examples[key], "nothing stands after %q", key)
	}
	if key != "lamp" && key != "note" {
		if err := once(p.first, key, n, head); err != nil {
			return err
		}
	}
	if key != "lamp" {
		p.places[key] = place{n, rest[0].column}
	}
	var err *Error
	switch key {
	case "odometer":
		var plainErr error
		if p.scan.Odometer, plainErr = quantity.ParseDistance(l.text(rest)); plainErr != nil {
			err = fail(rest[0], "write it like: odometer 214880 km", "%v", plainErr)
		}
	case "at":
		p.at, err = readTime(l, rest, p.zone)
	case "ignition":
		err = choose(l, rest, p.scan.Ignition.Values(), (*string)(&p.scan.Ignition))
	case "engine":
		err = choose(l, rest, p.scan.Engine.Values(), (*string)(&p.scan.Engine))
	case "battery":
		var plainErr error
		if p.scan.Battery, plainErr = quantity.ParseMeasure(l.text(rest)); plainErr != nil {
			err = fail(rest[0], "write it like: battery 12.4 V", "%v", plainErr)
		}
	case "by":
		p.scan.By = l.text(rest)
	case "note":
		p.notes = append(p.notes, l.text(rest))
	case "lamp":
		var lamp events.Lamp
		if lamp, err = readLamp(l); err == nil {
			p.places[fmt.Sprintf("lamps[%d]", len(p.scan.Lamps))] = place{n, rest[0].column}
			p.scan.Lamps = append(p.scan.Lamps, lamp)
		}
	}
	return err
}

// choose takes one of a few words.
func choose(l line, rest []token, words []string, into *string) *Error {
	if len(rest) == 1 {
		for _, w := range words {
			if rest[0].is(w) {
				*into = w
				return nil
			}
		}
	}
	hint := didYouMean(l.text(rest), words)
	return fail(rest[0], hint, "%q: want %s", clip(l.text(rest)), strings.Join(words, " or "))
}

// readLamp reads "lamp NAME on|off|flashing [, circumstance]".
func readLamp(l line) (events.Lamp, *Error) {
	var lamp events.Lamp
	rest := l.toks[1:]
	for i, t := range rest {
		if !t.is(lamp.State.Values()...) || i+1 < len(rest) && rest[i+1].text != "," {
			continue
		}
		if i == 0 {
			return lamp, fail(t, "write it like: lamp engine on", "the lamp has no name")
		}
		name, err := l.name(rest[:i])
		if err != nil {
			return lamp, err
		}
		if i+1 < len(rest) {
			if i+2 == len(rest) {
				return lamp, fail(rest[i+1], "write it like: lamp engine on, key on", "nothing stands after the comma")
			}
			lamp.When = l.text(rest[i+2:])
		}
		lamp.Name, lamp.State = name, events.LampState(strings.ToLower(t.text))
		return lamp, nil
	}
	last := l.toks[len(l.toks)-1]
	hint := didYouMean(last.text, lamp.State.Values())
	if hint == "" {
		hint = "write it like: lamp engine on, or: lamp engine flashing, under load"
	}
	return lamp, fail(last, hint, "the lamp's state is missing: want on, off or flashing")
}

// readTime reads RFC 3339, or a date and a time of day in zone.
func readTime(l line, toks []token, zone *time.Location) (events.Time, *Error) {
	text := strings.Join(strings.Fields(l.text(toks)), " ")
	hint := "write it like 2026-03-02T09:05:00Z, or 2026-03-02 09:05 in the workshop's time"
	if at, err := events.ParseTime(strings.ToUpper(text)); err == nil {
		return at, nil
	} else if _, rfcErr := time.Parse(time.RFC3339Nano, strings.ToUpper(text)); rfcErr == nil {
		return at, fail(toks[0], "", "%v", err)
	}
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02T15:04:05"} {
		wall, err := time.Parse(layout, strings.ToUpper(text))
		if err != nil {
			continue
		}
		moment, why := onClock(wall, zone)
		if why != "" {
			return events.Time{}, fail(toks[0], "write the time with its offset, like "+moment.Format(time.RFC3339), "%q %s", text, why)
		}
		at, err := events.ParseTime(moment.Format(time.RFC3339))
		if err != nil {
			return at, fail(toks[0], "", "%v", err)
		}
		return at, nil
	}
	return events.Time{}, fail(toks[0], hint, "%q is not a time", clip(text))
}

// onClock finds the moment at which the clocks of zone show wall. When the clocks
// change there may be none or two, and then a guess would be a false record.
func onClock(wall time.Time, zone *time.Location) (moment time.Time, why string) {
	var found []time.Time
	offsets := map[int]bool{}
	for _, around := range []time.Duration{-36 * time.Hour, 0, 36 * time.Hour} {
		_, offset := wall.Add(around).In(zone).Zone()
		if offsets[offset] {
			continue
		}
		offsets[offset] = true
		t := wall.Add(-time.Duration(offset) * time.Second).In(zone)
		moment = t
		if t.Format(time.DateTime) == wall.Format(time.DateTime) {
			found = append(found, t)
		}
	}
	switch len(found) {
	case 0:
		return moment, "is skipped by the clocks here, which go forward then"
	case 1:
		return found[0], ""
	}
	return found[0], "comes twice by the clocks here, which go back then"
}

// finish closes what depends on the whole note: units, notes, and the rules of the
// event, each mapped back to the line it came from.
func (p *parser) finish() {
	p.scan.Note = strings.Join(p.notes, "\n")
	seen := map[string]int{}
	bad := false
	for _, u := range p.units {
		p.errs = append(p.errs, u.finish()...)
		if u.bad {
			bad = true
			continue
		}
		key := events.Fold(u.r.Unit) + "\x00" + u.r.Service
		if before, ok := seen[key]; ok {
			what := "without a service"
			if u.r.Service != "" {
				what = "with the service " + u.r.Service
			}
			p.fail(u.at.line, &Error{Column: u.at.column, Text: fmt.Sprintf("unit %q %s was given before, on line %d", u.r.Unit, what, before),
				Hint: "a second reading in one scan has another service; otherwise record a second scan"})
		} else {
			seen[key] = u.at.line
		}
		prefix := fmt.Sprintf("units[%d]", len(p.scan.Units))
		p.places[prefix] = u.at
		for field, at := range u.places {
			p.places[prefix+"."+field] = at
		}
		p.scan.Units = append(p.scan.Units, u.r)
	}
	var invalid events.Invalid
	if !errors.As(p.scan.Validate(), &invalid) {
		return
	}
	told := map[int]bool{}
	for _, e := range p.errs {
		told[e.Line] = true
	}
	for _, f := range invalid {
		if f.Field == "units" && len(p.scan.Units) == 0 {
			if !bad {
				p.errs = append(p.errs, Error{1, 1, "the note names no unit, so there is nothing to record", "write a line like \"unit engine\" and its codes, or \"no codes\", below it"})
			}
			continue
		}
		at := p.find(f.Field)
		if told[at.line] {
			continue
		}
		p.errs = append(p.errs, Error{at.line, at.column, strings.TrimPrefix(lastField(f.Field)+": ", ": ") + f.Reason, ""})
	}
}

// find looks for the place of a field, or of the nearest thing around it.
func (p *parser) find(field string) place {
	for {
		if at, ok := p.places[field]; ok {
			return at
		}
		i := strings.LastIndexAny(field, ".[")
		if i < 0 {
			return place{1, 1}
		}
		field = field[:i]
	}
}

func lastField(field string) string {
	parts := strings.FieldsFunc(field, func(r rune) bool { return r == '.' || r == '[' || r == ']' || unicode.IsDigit(r) })
	if len(parts) == 0 {
		return ""
	}
	return parts[len(parts)-1]
}
