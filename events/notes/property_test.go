package notes

import (
	"bytes"
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"
	"unicode"

	"pgregory.net/rapid"

	"mendbook/events"
	"mendbook/events/fault"
	"mendbook/events/quantity"
	"mendbook/events/vin"
)

func maybe[T any](t *rapid.T, label string, draw func() T) (out T) {
	if rapid.Bool().Draw(t, label) {
		out = draw()
	}
	return out
}

// drawName leans to what could be taken for something else.
func drawName(t *rapid.T) string {
	nasty := rapid.SampledFrom([]string{"on", "off", "at", "silent", "refused 22", "x at 7E8", "commanded", "#", "a #b", `"`, `"a"`, `a "b" c`,
		"a,b", ", a", "a , on", "+", "a + b", "a  b", "none", "odometer", "at 5", "slient", "x slient", "\u00a0a", "a\u2028b", `\`, "ü", "5", "5 V"})
	s := rapid.OneOf(nasty, rapid.StringN(1, 12, 40)).Draw(t, "name")
	s = strings.TrimSpace(strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) && !unicode.IsSpace(r) || unicode.IsControl(r) {
			return 'x' // not allowed in a name
		}
		return r
	}, s))
	if s == "" {
		return "x"
	}
	return s
}

func drawCode(t *rapid.T) fault.Code {
	switch rapid.IntRange(0, 3).Draw(t, "kind") {
	case 0:
		return fault.FromSAE2([2]byte{rapid.Byte().Draw(t, "b"), rapid.Byte().Draw(t, "b")})
	case 1:
		return fault.FromSAE3([3]byte{rapid.Byte().Draw(t, "b"), rapid.Byte().Draw(t, "b"), rapid.Byte().Draw(t, "b")})
	case 2:
		c, err := fault.FromSPN(rapid.Uint32Range(0, fault.MaxSPN).Draw(t, "spn"), rapid.Uint8Range(0, fault.MaxFMI).Draw(t, "fmi"))
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	text := rapid.OneOf(rapid.SampledFrom([]string{"9C41", "raw", "frame", "unit", "A,1", "1,2", `"1"`, `"`, "+", "status", "SPNX1", "+1", "ÄB", `\`}),
		rapid.StringMatching(`[A-Z0-9,"+]{1,6}`)).Draw(t, "maker")
	if c, err := fault.Maker(text); err == nil {
		return c
	}
	return fault.FromSAE2([2]byte{3, 2})
}

func drawTime(t *rapid.T) events.Time {
	return events.At(time.UnixMilli(rapid.Int64Range(0, 4e12).Draw(t, "ms")))
}

func drawDistance(t *rapid.T) quantity.Distance {
	unit := rapid.SampledFrom([]string{"km", "mi"}).Draw(t, "unit")
	d, err := quantity.ParseDistance(fmt.Sprintf("%d.%d %s", rapid.IntRange(0, 999999).Draw(t, "n"), rapid.IntRange(0, 99).Draw(t, "f"), unit))
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func drawStatus(t *rapid.T) *fault.Status {
	s := fault.Status(rapid.Byte().Draw(t, "status"))
	return &s
}

func drawHex(t *rapid.T, most int) string {
	return fmt.Sprintf("%X", rapid.SliceOfN(rapid.Byte(), 1, most).Draw(t, "hex"))
}

func drawUnit(t *rapid.T, i int) events.UnitReading {
	u := events.UnitReading{Unit: drawName(t), Reach: events.Reach(rapid.SampledFrom(events.Silent.Values()).Draw(t, "reach"))}
	u.Service = rapid.SampledFrom([]string{"", "19 02", "DM1 DM2", "03"}).Draw(t, "service")
	u.Address = maybe(t, "address", func() string { return drawHex(t, 4) })
	for range rapid.IntRange(0, 2).Draw(t, "software") {
		u.Software = append(u.Software, drawName(t))
	}
	u.Mask = maybe(t, "mask", func() *fault.Status { return drawStatus(t) })
	u.VIN = maybe(t, "vin", func() vin.VIN { v, _ := vin.Parse("11111111111111111"); return v })
	for range rapid.IntRange(0, 2).Draw(t, "frames") {
		u.Frames = append(u.Frames, drawHex(t, 9))
	}
	if u.Reach == events.Refused {
		u.Refusal = maybe(t, "refusal", func() string { return drawHex(t, 1) })
	}
	if u.Reach != events.Answered && u.Reach != events.Truncated {
		return u
	}
	u.Available = maybe(t, "available", func() *fault.Status { return drawStatus(t) })
	u.LampCommanded = maybe(t, "commanded", func() *bool { b := rapid.Bool().Draw(t, "on"); return &b })
	u.SinceErase = maybe(t, "since", func() *events.SinceErase {
		n := rapid.IntRange(0, 255).Draw(t, "n")
		return &events.SinceErase{WarmUps: &n, Distance: maybe(t, "distance", func() quantity.Distance { return drawDistance(t) }),
			Minutes: maybe(t, "minutes", func() *int { return &n })}
	})
	for _, v := range fault.Views() {
		if rapid.IntRange(0, 3).Draw(t, "view") == 0 {
			u.Views = append(u.Views, v)
		}
	}
	for _, m := range fault.Monitors() {
		if rapid.IntRange(0, 9).Draw(t, "monitor") == 0 {
			u.Monitors = append(u.Monitors, events.MonitorReading{Name: m, Complete: rapid.Bool().Draw(t, "complete")})
		}
	}
	seen := map[fault.Code]bool{}
	for range rapid.IntRange(0, 4).Draw(t, "codes") {
		c := events.CodeReading{Code: drawCode(t), State: fault.State(rapid.IntRange(0, 3).Draw(t, "state")), Permanent: rapid.Bool().Draw(t, "permanent")}
		if seen[c.Code] {
			continue
		}
		seen[c.Code] = true
		c.Status = maybe(t, "status?", func() *fault.Status { return drawStatus(t) })
		c.Count = maybe(t, "count", func() *int { n := rapid.IntRange(0, 300).Draw(t, "n"); return &n })
		c.Frame = maybe(t, "frame", func() *events.FreezeFrame {
			f := &events.FreezeFrame{At: maybe(t, "at", func() events.Time { return drawTime(t) }),
				Odometer: maybe(t, "odometer", func() quantity.Distance { return drawDistance(t) })}
			for range rapid.IntRange(0, 3).Draw(t, "values") {
				unit := rapid.SampledFrom([]string{"V", "1/min", "1/s", "kPa", "%", "°C", "a,b", "m+"}).Draw(t, "unit")
				m, err := quantity.NewMeasure(quantity.NumberFromInt(rapid.Int64Range(-9, 999).Draw(t, "value")), unit)
				if err != nil {
					t.Fatal(err)
				}
				f.Values = append(f.Values, events.FrameValue{Name: drawName(t), Value: m})
			}
			return f
		})
		u.Codes = append(u.Codes, c)
	}
	return u
}

func drawNote(t *rapid.T) Note {
	s := &events.ScanTaken{
		Odometer: maybe(t, "odometer", func() quantity.Distance { return drawDistance(t) }),
		Ignition: events.Ignition(rapid.SampledFrom([]string{"", "on", "off"}).Draw(t, "ignition")),
		Engine:   events.EngineState(rapid.SampledFrom([]string{"", "off", "running"}).Draw(t, "engine")),
		Battery:  maybe(t, "battery", func() quantity.Measure { m, _ := quantity.ParseMeasure("12.4 V"); return m }),
		By:       maybe(t, "by", func() string { return drawName(t) }),
		Note:     strings.Join(rapid.SliceOfN(rapid.SampledFrom([]string{"", "a # b", `"x"`, " a ", "\t", "plain words", "x,y", "z"}), 0, 4).Draw(t, "note"), "\n"),
	}
	lamps := map[string]bool{}
	for range rapid.IntRange(0, 2).Draw(t, "lamps") {
		l := events.Lamp{Name: drawName(t), State: events.LampState(rapid.SampledFrom(events.LampOn.Values()).Draw(t, "lamp"))}
		l.When = maybe(t, "when", func() string { return drawName(t) })
		if key := events.Fold(l.Name) + "\x00" + events.Fold(l.When); !lamps[key] {
			lamps[key] = true
			s.Lamps = append(s.Lamps, l)
		}
	}
	seen := map[string]bool{}
	for i := range rapid.IntRange(1, 3).Draw(t, "units") {
		u := drawUnit(t, i)
		if key := events.Fold(u.Unit) + "\x00" + u.Service; !seen[key] {
			seen[key] = true
			s.Units = append(s.Units, u)
		}
	}
	if err := s.Validate(); err != nil {
		t.Fatalf("the generator made an invalid scan: %v", err)
	}
	return Note{Scan: s, At: maybe(t, "at", func() events.Time { return drawTime(t) })}
}

func TestFormatReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := drawNote(t)
		text := Format(n)
		got, err := Parse(text, nil)
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		if !reflect.DeepEqual(got, n) {
			a, _ := events.EncodeData(got.Scan)
			b, _ := events.EncodeData(n.Scan)
			t.Fatalf("got  %s %s\nwant %s %s\n%s", got.At, a, n.At, b, text)
		}
		if again := Format(got); !bytes.Equal(again, text) {
			t.Fatalf("written again as\n%s\nfirst\n%s", again, text)
		}
	})
}

func TestTemplateIsNoNote(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := Template(drawNote(t).Scan)
		n, err := Parse(text, nil)
		if err == nil || n.Scan != nil {
			t.Fatalf("an untouched template was taken:\n%s", text)
		}
		for _, e := range err.(Errors) {
			if !strings.Contains(e.Text, "nothing stands below") && !strings.Contains(e.Text, "lists nothing") {
				t.Fatalf("%v\n%s", e, text)
			}
		}
	})
}

func checkNote(t *testing.T, text []byte) {
	n, err := Parse(text, nil)
	if err != nil {
		errs, ok := err.(Errors)
		if !ok || len(errs) == 0 || n.Scan != nil {
			t.Fatalf("got %v with a scan or without a place", err)
		}
		for _, e := range errs {
			if e.Line < 1 || e.Column < 1 || e.Text == "" {
				t.Fatalf("an error without a place: %+v", e)
			}
		}
		return
	}
	if err := n.Scan.Validate(); err != nil {
		t.Fatalf("an invalid scan was given: %v", err)
	}
	once := Format(n)
	again, err := Parse(once, nil)
	if err != nil {
		t.Fatalf("%v\n%s", err, once)
	}
	if !reflect.DeepEqual(again, n) {
		t.Fatalf("%q\ncame back different:\n%s", text, once)
	}
	if twice := Format(again); !bytes.Equal(once, twice) {
		t.Fatalf("not a fixed point:\n%s\nthen\n%s", once, twice)
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{designNote, manualExample(), string(Template(nil)), "unit a\n\"raw\" stored", "unit \"\\ud800\"\nno codes",
		"unit a\nP0302 listed\nframe P0302 \"at\" 5 V, x \"1 a,b\"", "note \"\nunit a silent", "unit a\nviews stored +pending\nno codes", "unit a\nframe"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) { checkNote(t, text) })
}

func FuzzFromFlags(f *testing.F) {
	f.Add("odometer 5 km", "engine: P0302 present, P0455 stored", "tailgate: silent")
	f.Add("lamp engine on", "engine at 7E8: service 19 02, mask FF", `"a: b": no codes`)
	f.Add("note \"a # b\"", "x: refused 22", "y refused: views a+b")
	f.Add("unit a", ":", ",")
	f.Fuzz(func(t *testing.T, top, one, two string) {
		text, err := FromFlags([]string{top}, []string{one, two})
		if err != nil {
			if text != nil || err.Error() == "" {
				t.Fatalf("%q beside %v", text, err)
			}
			return
		}
		if _, err := Parse(text, nil); err != nil {
			t.Fatalf("FromFlags gave what Parse refuses: %v\n%s", err, text)
		}
		checkNote(t, text)
	})
}
