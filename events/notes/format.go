package notes

import (
	"bytes"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"mendbook/events"
	"mendbook/events/fault"
)

// Format writes the one canonical note of a valid scan: Parse reads it back to an
// equal note, in any zone.
func Format(n Note) []byte {
	var b bytes.Buffer
	say := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	if !n.At.IsZero() {
		say("at %s", n.At)
	}
	if n.Scan == nil {
		return b.Bytes()
	}
	s := n.Scan
	if !s.Odometer.IsZero() {
		say("odometer %s", s.Odometer)
	}
	if s.Ignition != "" {
		say("ignition %s", s.Ignition)
	}
	if s.Engine != "" {
		say("engine %s", s.Engine)
	}
	if !s.Battery.IsZero() {
		say("battery %s", s.Battery)
	}
	for _, lamp := range s.Lamps {
		say("%s", lampText(lamp))
	}
	if s.By != "" {
		say("by %s", plainText(s.By))
	}
	if s.Note != "" {
		for text := range strings.SplitSeq(s.Note, "\n") {
			say("note %s", plainText(text))
		}
	}
	for i := range s.Units {
		writeUnit(&b, &s.Units[i])
	}
	return b.Bytes()
}

func lampText(lamp events.Lamp) string {
	tail := " " + string(lamp.State)
	if lamp.When != "" {
		tail += ", " + plainText(lamp.When)
	}
	return "lamp " + plain(lamp.Name, func(name string) bool {
		l := lex("lamp " + name + tail)
		back, err := readLamp(l)
		return err == nil && back == lamp && !l.toks[1].is("commanded")
	}) + tail
}

func writeUnit(b *bytes.Buffer, u *events.UnitReading) {
	fmt.Fprintf(b, "unit %s\n", unitText(u))
	lines := 0
	say := func(format string, args ...any) {
		lines++
		fmt.Fprintf(b, "  "+format+"\n", args...)
	}
	for _, s := range u.Software {
		say("software %s", plainText(s))
	}
	if u.Service != "" {
		say("service %s", u.Service)
	}
	if u.Mask != nil {
		say("mask %s", u.Mask)
	}
	if u.Available != nil {
		say("available %s", u.Available)
	}
	answered := u.Reach == events.Answered
	noCodes := answered && len(u.Codes) == 0 &&
		(u.Service != "" || u.Mask != nil || u.Available != nil || len(u.Views) > 0)
	if !slices.Equal(u.Views, defaultViews(u, noCodes)) {
		say("views %s", viewsText(u.Views))
	}
	if !u.VIN.IsZero() {
		say("vin %s", u.VIN)
	}
	if u.LampCommanded != nil {
		say("lamp commanded %s", map[bool]string{true: "on", false: "off"}[*u.LampCommanded])
	}
	if s := u.SinceErase; s != nil {
		var parts []string
		if s.WarmUps != nil {
			parts = append(parts, fmt.Sprintf("warm-ups %d", *s.WarmUps))
		}
		if !s.Distance.IsZero() {
			parts = append(parts, "distance "+s.Distance.String())
		}
		if s.Minutes != nil {
			parts = append(parts, fmt.Sprintf("minutes %d", *s.Minutes))
		}
		say("since erase %s", strings.Join(parts, ", "))
	}
	for _, m := range u.Monitors {
		say("monitor %s %s", m.Name, map[bool]string{true: "complete", false: "incomplete"}[m.Complete])
	}
	if noCodes {
		say("no codes")
	}
	bare := slices.Equal(u.Views, []fault.View{fault.ViewSupported})
	for _, c := range u.Codes {
		say("%s", codeLineText(c, bare))
		if c.Frame != nil {
			say("%s", frameText(c))
		}
	}
	for _, f := range u.Frames {
		say("raw %s", spaced(f))
	}
	if answered && lines == 0 {
		say("views none")
	}
}

func unitText(u *events.UnitReading) string {
	tail := ""
	if u.Address != "" {
		tail += " at " + u.Address
	}
	if u.Reach != events.Answered {
		tail += " " + string(u.Reach)
	}
	if u.Refusal != "" {
		tail += " " + u.Refusal
	}
	want := events.UnitReading{Unit: u.Unit, Address: u.Address, Reach: u.Reach, Refusal: u.Refusal}
	return plain(u.Unit, func(name string) bool {
		l := lex("unit " + name + tail)
		back, err := readUnit(l)
		return err == nil && !l.comment && reflect.DeepEqual(back, want)
	}) + tail
}

func viewsText(views []fault.View) string {
	if len(views) == 0 {
		return "none"
	}
	words := make([]string, len(views))
	for i, v := range views {
		words[i] = v.String()
	}
	return strings.Join(words, ", ")
}

func codeText(c fault.Code) string {
	if c.Kind() != fault.KindMaker {
		return c.String()
	}
	return plain(c.String(), func(text string) bool {
		l := lex(text + " stored")
		if l.comment || len(l.toks) != 2 || !codeLike(l.toks[0]) || l.toks[0].quoted {
			return false
		}
		back, used, err := readCode(l, l.toks)
		return err == nil && used == 1 && back == c
	})
}

func codeLineText(c events.CodeReading, bare bool) string {
	parts := []string{codeText(c.Code)}
	switch {
	case c.State != 0:
		parts = append(parts, c.State.String())
	case c.Status == nil && !c.Permanent && !bare:
		parts = append(parts, "listed")
	}
	if c.Permanent {
		parts = append(parts, "permanent")
	}
	if c.Status != nil {
		parts = append(parts, "status", c.Status.String())
	}
	if c.Count != nil {
		parts = append(parts, "count", fmt.Sprint(*c.Count))
	}
	return strings.Join(parts, " ")
}

func frameText(c events.CodeReading) string {
	var parts []string
	if !c.Frame.At.IsZero() {
		parts = append(parts, "at "+c.Frame.At.String())
	}
	if !c.Frame.Odometer.IsZero() {
		parts = append(parts, "odometer "+c.Frame.Odometer.String())
	}
	for _, v := range c.Frame.Values {
		parts = append(parts, valueText(v))
	}
	return strings.TrimRight("frame "+codeText(c.Code)+" "+strings.Join(parts, ", "), " ")
}

func valueText(v events.FrameValue) string {
	tail := " " + v.Value.String()
	if strings.Contains(tail, ",") {
		tail = " " + Quote(v.Value.String())
	}
	return plain(v.Name, func(name string) bool {
		l := lex("x " + name + tail)
		if l.comment || len(l.toks) < 2 || l.toks[1].is("at", "odometer") || len(items(l.toks)) != 1 {
			return false
		}
		back, err := readValue(l, l.toks[1:])
		return err == nil && back == v
	}) + tail
}

func spaced(hexText string) string {
	var b strings.Builder
	for i := 0; i < len(hexText); i += 2 {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(hexText[i:min(i+2, len(hexText))])
	}
	return b.String()
}
