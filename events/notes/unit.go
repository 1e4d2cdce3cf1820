package notes

import (
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"mendbook/events"
	"mendbook/events/fault"
	"mendbook/events/quantity"
	"mendbook/events/vin"
)

// unit is a unit while its lines are read.
type unit struct {
	r       events.UnitReading
	at      place
	bad     bool // its own line could not be read
	failed  bool // some line below could not be read
	below   bool // a line stands below
	views   bool // a views line was given
	noCodes place
	bare    map[int]place // codes without state, status or permanent
	first   map[string]int
	codes   map[fault.Code]int // line of each code
	frames  []frameLine
	places  map[string]place // field of the reading → where it was given
}

type frameLine struct {
	code fault.Code
	at   place
	f    *events.FreezeFrame
}

func (p *parser) openUnit(n int, l line) *Error {
	u := &unit{at: place{n, l.toks[0].column}, bare: map[int]place{}, first: map[string]int{},
		codes: map[fault.Code]int{}, places: map[string]place{}}
	p.units = append(p.units, u)
	var err *Error
	u.r, err = readUnit(l)
	if err != nil {
		u.bad = true
		return err
	}
	if len(l.toks) > 1 {
		u.at.column = l.toks[1].column
	}
	if u.r.Address != "" {
		u.first["address"] = n
	}
	return nil
}

// readUnit reads "unit NAME [at 7E8] [silent|refused [22]|skipped|truncated]".
func readUnit(l line) (events.UnitReading, *Error) {
	r := events.UnitReading{Reach: events.Answered}
	head, rest := l.toks[0], l.toks[1:]
	k := len(rest)
	switch {
	case k > 0 && rest[k-1].is(r.Reach.Values()...):
		k--
		r.Reach = events.Reach(strings.ToLower(rest[k].text))
	case k > 1 && rest[k-2].is("refused"):
		k -= 2
		r.Reach = events.Refused
		r.Refusal = strings.ToUpper(rest[k+1].text)
		if !hexDigits(r.Refusal, 2, 2) {
			return r, fail(rest[k+1], "write it like: unit engine refused 22", "%q is not a response code of two hex digits", clip(rest[k+1].text))
		}
	case k > 1 && !rest[k-1].quoted:
		if word, ok := nearest(rest[k-1].text, r.Reach.Values()); ok {
			return r, fail(rest[k-1], fmt.Sprintf("did you mean %q; put the name in quotation marks if it ends so", word),
				"%q is not a word for how a unit was reached", rest[k-1].text)
		}
	}
	if k > 1 && rest[k-2].is("at") {
		k -= 2
		var err *Error
		if r.Address, err = readAddress(rest[k+1]); err != nil {
			return r, err
		}
	} else if k > 0 && rest[k-1].is("at") {
		return r, fail(rest[k-1], "write it like: unit engine at 7E8", "the address is missing after \"at\"")
	}
	if k == 0 {
		return r, fail(head, "write it like: unit engine; a name that is one of the words of this line is put in quotation marks", "the unit has no name")
	}
	var err *Error
	r.Unit, err = l.name(rest[:k])
	return r, err
}

func readAddress(t token) (string, *Error) {
	s := strings.ToUpper(t.text)
	if !hexDigits(s, 1, 8) {
		return "", fail(t, "write it like 7E8", "%q is not an address of 1 to 8 hex digits", clip(t.text))
	}
	return s, nil
}

func hexDigits(s string, least, most int) bool {
	return len(s) >= least && len(s) <= most && strings.Trim(s, "0123456789ABCDEF") == ""
}

func (u *unit) keywordLine(p *parser, n int, l line) *Error {
	err := u.keyword(p, n, l)
	u.failed = u.failed || err != nil
	return err
}

func (u *unit) keyword(p *parser, n int, l line) *Error {
	head := l.toks[0]
	key, rest := strings.ToLower(head.text), l.toks[1:]
	examples := map[string]string{"address": "address 7E8", "software": "software 1037-A", "service": "service 19 02", "mask": "mask FF",
		"available": "available 7F", "views": "views stored, pending", "no": "no codes", "monitor": "monitor catalyst complete",
		"since": "since erase warm-ups 3, distance 12 km", "lamp": "lamp commanded on", "vin": "vin and 17 characters",
		"frame": "frame P0302 odometer 214801 km, engine-speed 850 1/min", "raw": "raw 59 02 FF"}
	example := "write it like: " + examples[key]
	if len(rest) == 0 {
		return fail(head, example, "nothing stands after %q", key)
	}
	single := map[string]bool{"address": true, "service": true, "mask": true, "available": true, "views": true, "no": true,
		"since": true, "lamp": true, "vin": true}
	if single[key] {
		if err := once(u.first, key, n, head); err != nil {
			return err
		}
	}
	where := place{n, rest[0].column}
	field := map[string]string{"since": "sinceErase", "lamp": "lampCommanded"}[key]
	switch key {
	case "software", "monitor", "frame", "raw", "no":
	default:
		if field == "" {
			field = key
		}
		u.places[field] = where
	}
	alone := func() *Error {
		if len(rest) > 1 {
			return fail(rest[1], example, "too much stands after %q", key)
		}
		return nil
	}
	switch key {
	case "address":
		var err *Error
		if u.r.Address, err = readAddress(rest[0]); err != nil {
			return err
		}
		return alone()
	case "software":
		u.places[fmt.Sprintf("software[%d]", len(u.r.Software))] = where
		u.r.Software = append(u.r.Software, l.text(rest))
	case "service":
		u.r.Service = strings.ToUpper(strings.Join(strings.Fields(l.text(rest)), " "))
		if strings.Trim(u.r.Service, "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ ") != "" || u.r.Service == "" {
			return fail(rest[0], example, "%q is not a service of letters and digits", clip(l.text(rest)))
		}
	case "mask":
		return readStatus(rest, &u.r.Mask, alone)
	case "available":
		return readStatus(rest, &u.r.Available, alone)
	case "views":
		u.views = true
		return u.readViews(n, l, rest)
	case "no":
		if len(rest) != 1 || !rest[0].is("codes") {
			return fail(rest[0], example, "%q after \"no\": want codes", clip(l.text(rest)))
		}
		u.noCodes = place{n, head.column}
	case "monitor":
		return u.readMonitor(n, l, rest)
	case "since":
		return u.readSince(l, rest)
	case "lamp":
		return u.readCommanded(rest)
	case "vin":
		v, err := vin.Parse(rest[0].text)
		if err != nil {
			return fail(rest[0], "", "%v", err)
		}
		u.r.VIN = v
		return alone()
	case "frame":
		return u.readFrame(p, n, l, rest)
	case "raw":
		s := strings.ToUpper(strings.Join(strings.Fields(l.text(rest)), ""))
		if _, err := hex.DecodeString(s); err != nil || s == "" {
			return fail(rest[0], example, "%q is not hex digits in pairs", clip(l.text(rest)))
		}
		u.places[fmt.Sprintf("frames[%d]", len(u.r.Frames))] = where
		u.r.Frames = append(u.r.Frames, s)
	}
	return nil
}

func readStatus(rest []token, into **fault.Status, alone func() *Error) *Error {
	s, err := fault.ParseStatus(rest[0].text)
	if err != nil {
		return fail(rest[0], "", "%v", err)
	}
	*into = &s
	return alone()
}

func (u *unit) readViews(n int, l line, rest []token) *Error {
	if len(rest) == 1 && rest[0].is("none") {
		return nil
	}
	for _, item := range items(rest) {
		if len(item) == 0 {
			return fail(rest[0], "write it like: views stored, pending", "an entry of the list is empty")
		}
		for _, word := range strings.Split(l.text(item), "+") {
			word = strings.ReplaceAll(events.Fold(word), " ", "-")
			v, err := fault.ParseView(word)
			if err != nil {
				names := []string{"none"}
				for _, v := range fault.Views() {
					names = append(names, v.String())
				}
				hint := didYouMean(word, names)
				return fail(item[0], hint, "%v", err)
			}
			if slices.Contains(u.r.Views, v) {
				return fail(item[0], "", "the view %q is given twice", v)
			}
			u.places[fmt.Sprintf("views[%d]", len(u.r.Views))] = place{n, item[0].column}
			u.r.Views = append(u.r.Views, v)
		}
	}
	return nil
}

func (u *unit) readMonitor(n int, l line, rest []token) *Error {
	last := rest[len(rest)-1]
	if len(rest) < 2 || !last.is("complete", "incomplete") {
		return fail(last, didYouMean(last.text, []string{"complete", "incomplete"}), "the monitor %q: want complete or incomplete after its name", clip(l.text(rest)))
	}
	name := strings.ReplaceAll(events.Fold(l.text(rest[:len(rest)-1])), " ", "-")
	m, err := fault.ParseMonitor(name)
	if err != nil {
		var names []string
		for _, m := range fault.Monitors() {
			names = append(names, m.String())
		}
		return fail(rest[0], didYouMean(name, names), "%v", err)
	}
	if bad := once(u.first, "monitor "+m.String(), n, rest[0]); bad != nil {
		return bad
	}
	u.r.Monitors = append(u.r.Monitors, events.MonitorReading{Name: m, Complete: last.is("complete")})
	return nil
}

func (u *unit) readSince(l line, rest []token) *Error {
	if !rest[0].is("erase") {
		return fail(rest[0], "write it like: since erase warm-ups 3", "%q after \"since\": want erase", clip(rest[0].text))
	}
	s := &events.SinceErase{}
	for _, item := range items(rest[1:]) {
		at := rest[0]
		if len(item) > 0 {
			at = item[0]
		}
		if len(item) < 2 {
			return fail(at, "write it like: since erase warm-ups 3, distance 12 km, minutes 20", "a counter and its value are missing")
		}
		value := l.text(item[1:])
		var err *Error
		twice := false
		switch {
		case at.is("warm-ups"):
			twice = s.WarmUps != nil
			s.WarmUps, err = readCount(item[1], value)
		case at.is("minutes"):
			twice = s.Minutes != nil
			s.Minutes, err = readCount(item[1], value)
		case at.is("distance"):
			twice = !s.Distance.IsZero()
			var plainErr error
			if s.Distance, plainErr = quantity.ParseDistance(value); plainErr != nil {
				err = fail(item[1], "", "%v", plainErr)
			}
		default:
			err = fail(at, didYouMean(at.text, []string{"warm-ups", "distance", "minutes"}), "%q: want warm-ups, distance or minutes", clip(at.text))
		}
		if twice {
			return fail(at, "", "%q is given twice", at.text)
		}
		if err != nil {
			return err
		}
	}
	u.r.SinceErase = s
	return nil
}

func readCount(t token, text string) (*int, *Error) {
	v, err := strconv.Atoi(text)
	if err != nil || v < 0 || strconv.Itoa(v) != text {
		return nil, fail(t, "", "%q is not a whole number from 0", clip(text))
	}
	return &v, nil
}

func (u *unit) readCommanded(rest []token) *Error {
	if !rest[0].is("commanded") || len(rest) != 2 || !rest[1].is("on", "off") {
		return fail(rest[0], "write it like: lamp commanded on", "want on or off after \"lamp commanded\"")
	}
	on := rest[1].is("on")
	u.r.LampCommanded = &on
	return nil
}

// codeLike tells whether a line may begin with a code: keywords have no digit.
func codeLike(t token) bool {
	return t.quoted || t.is("SPN") || strings.ContainsFunc(t.text, unicode.IsDigit)
}

// readCode reads the code that toks begin with, and tells how many they are.
func readCode(l line, toks []token) (fault.Code, int, *Error) {
	head := toks[0]
	if head.bad {
		return fault.Code{}, 0, unclosed(head)
	}
	if !head.quoted && len(head.text) >= 3 && strings.EqualFold(head.text[:3], "SPN") {
		for k := min(4, len(toks)); k > 0; k-- {
			var words []string
			for _, t := range toks[:k] {
				words = append(words, t.text)
			}
			if c, err := fault.Parse(strings.Join(words, " ")); err == nil && c.Kind() == fault.KindSPN {
				return c, k, nil
			}
		}
	}
	c, err := fault.Parse(head.text)
	if err != nil {
		return c, 0, fail(head, "", "%v", err)
	}
	return c, 1, nil
}

func (u *unit) codeLine(n int, l line) *Error {
	err := u.readCodeLine(n, l)
	u.failed = u.failed || err != nil
	return err
}

func (u *unit) readCodeLine(n int, l line) *Error {
	head := l.toks[0]
	code, used, err := readCode(l, l.toks)
	if err != nil {
		return err
	}
	c := events.CodeReading{Code: code}
	if before, ok := u.codes[code]; ok {
		return fail(head, "keep one of them; \"stored permanent\" is one line", "%s was listed before, on line %d", code, before)
	}
	listed := false
	words := []string{"present", "pending", "stored", "permanent", "listed", "status", "count"}
	toks := l.toks[used:]
	for i := 0; i < len(toks); i++ {
		t := toks[i]
		value := func() (token, *Error) {
			if i+1 == len(toks) {
				return token{}, fail(t, "", "nothing stands after %q", strings.ToLower(t.text))
			}
			i++
			return toks[i], nil
		}
		switch {
		case t.is("present", "pending", "stored"):
			if c.State != 0 || listed {
				return fail(t, "", "%q is a second word for the state of %s", t.text, code)
			}
			c.State, _ = fault.ParseState(strings.ToLower(t.text))
		case t.is("permanent"):
			if c.Permanent {
				return fail(t, "", "%q is given twice", t.text)
			}
			c.Permanent = true
		case t.is("listed"):
			if c.State != 0 || listed {
				return fail(t, "", "%q is a second word for the state of %s", t.text, code)
			}
			listed = true
		case t.is("status"):
			v, err := value()
			if err != nil {
				return err
			}
			s, plainErr := fault.ParseStatus(v.text)
			if plainErr != nil {
				return fail(v, "", "%v", plainErr)
			}
			if c.Status != nil {
				return fail(t, "", "%q is given twice", t.text)
			}
			c.Status = &s
		case t.is("count"):
			v, err := value()
			if err != nil {
				return err
			}
			if c.Count != nil {
				return fail(t, "", "%q is given twice", t.text)
			}
			if c.Count, err = readCount(v, v.text); err != nil {
				return err
			}
		default:
			hint := didYouMean(t.text, words)
			if hint == "" && used == 1 && !head.quoted {
				hint = didYouMean(strings.TrimRight(head.text, "0123456789"), append(topWords(), unitWords()...))
			}
			if t.sep {
				hint = "put each code on a line of its own"
			}
			return fail(t, hint, "%q after a code: want present, pending, stored, permanent, status or count", clip(t.text))
		}
	}
	i := len(u.r.Codes)
	u.places[fmt.Sprintf("codes[%d]", i)] = place{n, head.column}
	if c.State == 0 && c.Status == nil && !c.Permanent && !listed {
		u.bare[i] = place{n, head.column}
	}
	u.codes[code] = n
	u.r.Codes = append(u.r.Codes, c)
	return nil
}

// readFrame reads "frame CODE [at TIME] [odometer DISTANCE], NAME VALUE UNIT, …".
func (u *unit) readFrame(p *parser, n int, l line, rest []token) *Error {
	code, used, err := readCode(l, rest)
	if err != nil {
		return err
	}
	f := &events.FreezeFrame{}
	for k, item := range items(rest[used:]) {
		if len(item) == 0 {
			if k == 0 {
				continue // "frame P0302, …" and "frame P0302" alone
			}
			return fail(rest[0], "write it like: frame P0302 engine-speed 850 1/min, speed 0 km/h", "an entry of the list is empty")
		}
		for len(item) > 0 && item[0].is("at", "odometer") {
			end := 1 + slices.IndexFunc(item[1:], func(t token) bool { return t.is("at", "odometer") })
			if end == 0 {
				end = len(item)
			}
			if end == 1 {
				return fail(item[0], "", "nothing stands after %q", strings.ToLower(item[0].text))
			}
			given := !f.At.IsZero()
			if item[0].is("odometer") {
				given = !f.Odometer.IsZero()
			}
			if given {
				return fail(item[0], "a value of this name is put in quotation marks", "%q is given twice", strings.ToLower(item[0].text))
			}
			if item[0].is("at") {
				f.At, err = readTime(l, item[1:end], p.zone)
			} else {
				var plainErr error
				if f.Odometer, plainErr = quantity.ParseDistance(l.text(item[1:end])); plainErr != nil {
					err = fail(item[1], "", "%v", plainErr)
				}
			}
			if err != nil {
				return err
			}
			item = item[end:]
		}
		if len(item) == 0 {
			continue
		}
		v, err := readValue(l, item)
		if err != nil {
			return err
		}
		f.Values = append(f.Values, v)
	}
	u.frames = append(u.frames, frameLine{code, place{n, rest[0].column}, f})
	return nil
}

// readValue reads "NAME VALUE UNIT", or NAME and a quoted value with its unit.
func readValue(l line, item []token) (events.FrameValue, *Error) {
	var v events.FrameValue
	k := len(item)
	var why error
	try := func(width int) bool {
		if k <= width {
			return false
		}
		m, err := quantity.ParseMeasure(l.text(item[k-width:]))
		if err != nil {
			why = err
			return false
		}
		v.Value, k = m, k-width
		return true
	}
	quoted := item[k-1].quoted
	if (quoted || !try(2)) && !try(1) {
		if why == nil {
			why = fmt.Errorf("%q: want a name, a value and a unit", clip(l.text(item)))
		}
		return v, fail(item[0], "write it like: engine-speed 850 1/min", "%v", why)
	}
	var err *Error
	v.Name, err = l.name(item[:k])
	return v, err
}

// finish applies what is known only when all lines of the unit are there.
func (u *unit) finish() Errors {
	if u.bad {
		return nil
	}
	var errs Errors
	add := func(at place, hint, format string, args ...any) {
		errs = append(errs, Error{at.line, at.column, fmt.Sprintf(format, args...), hint})
	}
	asked := u.r.Service != "" || u.r.Mask != nil || u.r.Available != nil || len(u.r.Views) > 0
	answered := u.r.Reach == events.Answered
	hasNo := u.noCodes.line != 0
	switch {
	case u.failed && (len(u.r.Codes) == 0 || !hasNo):
		// A line that could not be read may be the one that is missed.
	case hasNo && len(u.codes) > 0:
		add(u.noCodes, "keep the one or the other", "\"no codes\" stands beside codes of unit %q", u.r.Unit)
	case hasNo && !answered:
		add(u.noCodes, "leave one of them out", "\"no codes\" is an answer, but unit %q is %s", u.r.Unit, u.r.Reach)
	case answered && !hasNo && len(u.codes) == 0 && !u.below:
		add(u.at, "write its codes, or \"no codes\"; or silent, refused or skipped after its name", "nothing stands below unit %q", u.r.Unit)
	case answered && !hasNo && len(u.codes) == 0 && asked:
		add(u.at, "write its codes, or \"no codes\"", "unit %q lists nothing, and it is not said that it had none", u.r.Unit)
	}
	if !u.views && (answered || u.r.Reach == events.Truncated) {
		u.r.Views = defaultViews(&u.r, hasNo)
	}
	if !slices.Equal(u.r.Views, []fault.View{fault.ViewSupported}) {
		for i, at := range u.bare {
			c := u.r.Codes[i].Code
			add(at, fmt.Sprintf("write it like: %s stored", c), "it is not said how %s was listed: want present, pending, stored, permanent or a status", c)
		}
	}
	if !answered && u.r.Reach != events.Truncated && len(u.codes) > 0 {
		add(u.at, "leave the word out, or the codes", "unit %q is %s, yet codes stand below it", u.r.Unit, u.r.Reach)
	}
	index := map[fault.Code]int{}
	for i, c := range u.r.Codes {
		index[c.Code] = i
	}
	framed := map[fault.Code]int{}
	for _, f := range u.frames {
		i, listed := index[f.code]
		before, twice := framed[f.code]
		switch {
		case twice:
			add(f.at, "keep one of them", "the frame of %s was given before, on line %d", f.code, before)
			continue
		case !listed && !u.failed:
			add(f.at, fmt.Sprintf("list it, like: %s stored", f.code), "a frame of %s, which unit %q does not list", f.code, u.r.Unit)
		case listed:
			u.r.Codes[i].Frame = f.f
			for j := range f.f.Values {
				u.places[fmt.Sprintf("codes[%d].frame.values[%d]", i, j)] = f.at
			}
			u.places[fmt.Sprintf("codes[%d].frame", i)] = f.at
		}
		framed[f.code] = f.at.line
	}
	return errs
}

// defaultViews are the lists that count as read where no views line stands: what
// a typed list without a service shows by its own words, and nothing more.
func defaultViews(r *events.UnitReading, noCodes bool) []fault.View {
	if r.Service != "" || r.Mask != nil || len(r.Codes) == 0 && !noCodes {
		return nil
	}
	views := []fault.View{fault.ViewStored}
	if slices.ContainsFunc(r.Codes, func(c events.CodeReading) bool { return c.State == fault.StatePending }) {
		views = append(views, fault.ViewPending)
	}
	if slices.ContainsFunc(r.Codes, func(c events.CodeReading) bool { return c.Permanent }) {
		views = append(views, fault.ViewPermanent)
	}
	return views
}
