package fault

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Two bytes to five characters, and the third byte: SAE J2012 / ISO 15031-6.
func TestSAEBytes(t *testing.T) {
	for _, c := range []struct {
		bytes  []byte
		text   string
		source string
	}{
		{[]byte{0x08, 0x05, 0x11}, "P0805-11", "ISO 14229-1:2013 examples, as cited in public study notes"},
		{[]byte{0x0A, 0x9B, 0x17}, "P0A9B-17", "ISO 14229-1:2013 examples, as cited in public study notes"},
		{[]byte{0x25, 0x22, 0x1F}, "P2522-1F", "ISO 14229-1:2013 examples, as cited in public study notes"},
		{[]byte{0x00, 0x00, 0x00}, "P0000-00", "the open library mdabrowski1990/uds"},
		{[]byte{0x56, 0x78, 0x9A}, "C1678-9A", "the open library mdabrowski1990/uds"},
		{[]byte{0xFF, 0xFF, 0xFF}, "U3FFF-FF", "the open library mdabrowski1990/uds"},
		{[]byte{0xBF, 0x4E, 0x5D}, "B3F4E-5D", "the open library mdabrowski1990/uds, tests"},
		{[]byte{0x81, 0x23, 0x45}, "B0123-45", "the open library mdabrowski1990/uds, tests"},
		{[]byte{0x01, 0x43}, "P0143", "ISO 15031-5 service 03 example, from memory; several public test files agree"},
		{[]byte{0x01, 0x96}, "P0196", "ISO 15031-5 service 03 example, from memory; several public test files agree"},
		{[]byte{0x02, 0x34}, "P0234", "ISO 15031-5 service 03 example, from memory; several public test files agree"},
		{[]byte{0x02, 0xCD}, "P02CD", "ISO 15031-5 service 03 example, from memory; several public test files agree"},
		{[]byte{0x03, 0x57}, "P0357", "ISO 15031-5 service 03 example, from memory; several public test files agree"},
		{[]byte{0x0A, 0x24}, "P0A24", "ISO 15031-5 service 03 example, from memory; several public test files agree"},
		{[]byte{0x40, 0x35}, "C0035", "several public test files agree; computed from the layout"},
		{[]byte{0x81, 0x00}, "B0100", "several public test files agree; computed from the layout"},
		{[]byte{0xC1, 0x58}, "U0158", "several public test files agree; computed from the layout"},
		{[]byte{0xC1, 0x00}, "U0100", "computed from the layout"},
		{[]byte{0xD6, 0x00}, "U1600", "computed from the layout"},
		{[]byte{0xE3, 0x00}, "U2300", "computed from the layout"},
		{[]byte{0x56, 0x00}, "C1600", "computed from the layout"},
		{[]byte{0x92, 0x34}, "B1234", "computed from the layout"},
	} {
		var code Code
		if len(c.bytes) == 2 {
			code = FromSAE2([2]byte(c.bytes))
		} else {
			code = FromSAE3([3]byte(c.bytes))
		}
		if code.String() != c.text {
			t.Errorf("% X: got %s, want %s (%s)", c.bytes, code, c.text, c.source)
		}
		for _, s := range []string{c.text, strings.ToLower(c.text)} {
			for name, parse := range map[string]func(string) (Code, error){"Parse": Parse, "ParseSAE": ParseSAE} {
				if got, err := parse(s); err != nil || got != code {
					t.Errorf("%s(%s): got %s, %v (%s)", name, s, got, err, c.source)
				}
			}
		}
		if got, ok := code.Bytes(); !ok || !bytes.Equal(got, c.bytes) {
			t.Errorf("%s: got bytes % X, want % X (%s)", c.text, got, c.bytes, c.source)
		}
		if got := code.Letter(); got != c.text[0] {
			t.Errorf("%s: got letter %q", c.text, got)
		}
		wantKind := KindSAE2
		if len(c.bytes) == 3 {
			wantKind = KindSAE3
		}
		if code.Kind() != wantKind {
			t.Errorf("%s: got kind %d", c.text, code.Kind())
		}
	}
}

// The reject list is that of the tests of the open library mdabrowski1990/uds.
func TestParseSAERefuses(t *testing.T) {
	for _, s := range []string{
		"P0FFF00", "A0123-00", "0x123456", "U012-300",
		"", "P", "P0302 ", " P0302", "P4123", "P03G2", "P0302-", "P0302-1", "P0302-1G", "P0302-111", "P0302_11",
		"SPN 1208 FMI 3", "9C41", "PO302", "P0302\x00", "ı0302", "P030ı", "Pı302-1",
	} {
		if got, err := ParseSAE(s); err == nil {
			t.Errorf("%q: got %s", s, got)
		}
	}
}

// What is a slip in an SAE code and what a maker's code is a rule of this package.
func TestParse(t *testing.T) {
	for in, want := range map[string]string{
		"p0000-00":                         "P0000-00", // small letters: the open library mdabrowski1990/uds
		"SPN 1208 FMI 3":                   "SPN 1208 FMI 3",
		"spn1208/3":                        "SPN 1208 FMI 3",
		"Spn 1208/3":                       "SPN 1208 FMI 3",
		"SPN1208FMI3":                      "SPN 1208 FMI 3",
		"spn 1208 fmi3":                    "SPN 1208 FMI 3",
		"SPN 0 FMI 0":                      "SPN 0 FMI 0",
		"SPN 524287/31":                    "SPN 524287 FMI 31",
		"9C41":                             "9C41",
		"9c41":                             "9c41",
		"A1B2":                             "A1B2",
		"A0123-00":                         "A0123-00",
		"0x123456":                         "0x123456",
		"1208/3":                           "1208/3",
		"C41F":                             "C41F",
		"b7":                               "b7",
		"C12345":                           "C12345",
		"BAD":                              "BAD",
		"COIL1":                            "COIL1",
		"PUMP-2":                           "PUMP-2",
		"SPNX":                             "SPNX",
		"SPN-4":                            "SPN-4",
		"U":                                "U",
		"Ölstand":                          "Ölstand",
		"1234567890123456789012345678901ä": "1234567890123456789012345678901ä",
	} {
		c, err := Parse(in)
		if err != nil || c.String() != want {
			t.Errorf("%q: got %q, %v; want %q", in, c, err, want)
		}
	}
	for s, why := range map[string]string{
		"":                      "empty",
		"P0FFF00":               "three hex digits",
		"U012-300":              "three hex digits",
		"P4123":                 "digit 0 to 3",
		"P030":                  "three hex digits",
		"p030":                  "three hex digits",
		"P03022":                "three hex digits",
		"U1":                    "three hex digits",
		"B1A12-1":               "three hex digits",
		"B1A12-111":             "three hex digits",
		"C01":                   "three hex digits",
		"BFA12":                 "digit 0 to 3",
		"C-123":                 "three hex digits",
		"P0741.07":              "with a failure type",
		"P0741_07":              "with a failure type",
		"P0302:":                "with a failure type",
		"P0741 07":              "with a failure type",
		"PO302":                 "was P0302 meant",
		"P03O2":                 "was P0302 meant",
		"p0I71-07":              "was P0171-07 meant",
		"SPN":                   "write an SPN",
		"SPN 1208":              "write an SPN",
		"SPN 1208 FMI":          "write an SPN",
		"SPN 1208 FMI x":        "write an SPN",
		"SPN -1 FMI 3":          "write an SPN",
		"SPN +1 FMI 3":          "write an SPN",
		"SPN 01208 FMI 3":       "write an SPN",
		"SPN 1208 FMI 003":      "write an SPN",
		"SPN 1208  FMI 3":       "write an SPN",
		"SPN  1208 FMI 3":       "write an SPN",
		"SPN 1208 FMI 3 ":       "write an SPN",
		"SPN 1208 FMı 3":        "write an SPN",
		"SPN 1208/3/1":          "write an SPN",
		"SPN 524288 FMI 3":      "larger than 524287",
		"SPN 1208 FMI 32":       "larger than 31",
		"SPN 99999999999/3":     "write an SPN",
		"9C 41":                 "' ' is not allowed",
		" 9C41":                 "' ' is not allowed",
		"9C41#1":                "'#' is not allowed",
		"9C41\n":                `'\n' is not allowed`,
		"9C41\x7f":              `'\x7f' is not allowed`,
		"9C41\u00a0":            `'\u00a0' is not allowed`,
		"9C41\xff":              "UTF-8",
		strings.Repeat("x", 33): "33 characters",
	} {
		c, err := Parse(s)
		if err == nil || !strings.Contains(err.Error(), why) {
			t.Errorf("%q: got %q, %v; want an error about %q", s, c, err, why)
		}
	}
}

func TestMaker(t *testing.T) {
	c, err := Maker("9C41")
	if err != nil || c.String() != "9C41" || c.Kind() != KindMaker {
		t.Errorf("got %s, %v", c, err)
	}
	if got, ok := c.Bytes(); ok {
		t.Errorf("a maker's code has bytes % X", got)
	}
	for s, why := range map[string]string{
		"P0302": "SAE code", "p0302-07": "SAE code", "SPN 1208 FMI 3": "SPN", "spn1208/3": "SPN", "P0FFF00": "three hex digits",
	} {
		if c, err := Maker(s); err == nil || !strings.Contains(err.Error(), why) {
			t.Errorf("%q: got %s, %v; want an error about %q", s, c, err, why)
		}
	}
}

// SAE J1939-73 code layout (5.2 of the check values): bytes 3 to 5 of DM1, the bits of
// the occurrence count left out.
func TestSPN(t *testing.T) {
	for _, c := range []struct {
		spn    uint32
		fmi    uint8
		bytes  []byte
		source string
	}{
		{1208, 3, []byte{0xB8, 0x04, 0x03}, "computed from the layout; from memory, the example of SAE J1939-73"},
		{110, 0, []byte{0x6E, 0x00, 0x00}, "computed from the layout"},
		{100, 1, []byte{0x64, 0x00, 0x01}, "computed from the layout"},
		{520192, 31, []byte{0x00, 0xF0, 0xFF}, "computed from the layout"},
		{65535, 31, []byte{0xFF, 0xFF, 0x1F}, "computed from the layout"},
	} {
		code, err := FromSPN(c.spn, c.fmi)
		if err != nil {
			t.Errorf("SPN %d: %v", c.spn, err)
			continue
		}
		if got, ok := code.Bytes(); !ok || !bytes.Equal(got, c.bytes) {
			t.Errorf("%s: got bytes % X, want % X (%s)", code, got, c.bytes, c.source)
		}
		if spn, fmi, ok := code.SPN(); !ok || spn != c.spn || fmi != c.fmi {
			t.Errorf("%s: got %d, %d, %v", code, spn, fmi, ok)
		}
		if got, err := Parse(code.String()); err != nil || got != code {
			t.Errorf("%s: got %s, %v", code, got, err)
		}
		if code.Letter() != 0 || code.Base() != code || code.Kind() != KindSPN {
			t.Errorf("%s: letter %q, base %s, kind %d", code, code.Letter(), code.Base(), code.Kind())
		}
	}
	if c, err := FromSPN(MaxSPN+1, 0); err == nil {
		t.Errorf("got %s", c)
	}
	if c, err := FromSPN(0, MaxFMI+1); err == nil {
		t.Errorf("got %s", c)
	}
	if _, _, ok := must(t, "P0302").SPN(); ok {
		t.Error("P0302 has an SPN")
	}
}

func must(t interface {
	Helper()
	Fatal(...any)
}, s string) Code {
	t.Helper()
	c, err := Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestZeroCode(t *testing.T) {
	var c Code
	if !c.IsZero() || c.Kind() != 0 || c.Kind().String() != "" || c.String() != "" || c.Letter() != 0 || c.Base() != c {
		t.Errorf("the zero code is %+v", c)
	}
	if must(t, "P0000").IsZero() || must(t, "SPN 0 FMI 0").IsZero() {
		t.Error("a code of zeros is taken for no code")
	}
	if _, ok := c.Bytes(); ok {
		t.Error("the zero code has bytes")
	}
	if _, err := c.MarshalText(); err == nil {
		t.Error("the zero code was written")
	}
}

func TestKindNames(t *testing.T) {
	seen := map[string]bool{}
	for k := KindSAE2; k <= KindMaker; k++ {
		if k.String() == "" || seen[k.String()] {
			t.Errorf("kind %d is called %q", k, k)
		}
		seen[k.String()] = true
	}
	if (KindMaker + 1).String() != "" {
		t.Error("an unknown kind has a name")
	}
}

// A two-byte code is a group of its three-byte codes (verification rules; SAE J2012: the
// failure type byte applies to three-byte codes only, and 00 is "no sub-type").
func TestCoversAndSameComponent(t *testing.T) {
	for _, c := range []struct {
		a, b                  string
		covers, sameComponent bool
	}{
		{"P0805", "P0805-11", true, false},
		{"P0805-11", "P0805", false, false},
		{"P0805", "P0805", true, false},
		{"P0805-11", "P0805-11", true, false},
		{"P0805", "P0805-00", true, false},
		{"P0805-00", "P0805", false, false},
		{"P0805-00", "P0805-11", false, true},
		{"P0805-11", "P0805-12", false, true},
		{"P0805", "P0806-11", false, false},
		{"P0805-11", "P0806-11", false, false},
		{"P0805", "C0805", false, false},
		{"SPN 1208 FMI 3", "SPN 1208 FMI 4", false, true},
		{"SPN 1208 FMI 3", "SPN 1208 FMI 3", true, false},
		{"SPN 1208 FMI 3", "SPN 1209 FMI 3", false, false},
		{"9C41", "9C41", true, false},
		{"9C41", "9c41", false, false},
		{"9C41", "9C42", false, false},
	} {
		a, b := must(t, c.a), must(t, c.b)
		if got := a.Covers(b); got != c.covers {
			t.Errorf("%s covers %s: got %v", a, b, got)
		}
		if SameComponent(a, b) != c.sameComponent || SameComponent(b, a) != c.sameComponent {
			t.Errorf("%s and %s same component: got %v, %v", a, b, SameComponent(a, b), SameComponent(b, a))
		}
	}
	var none Code
	if none.Covers(none) || none.Covers(must(t, "P0000")) || must(t, "P0000").Covers(none) || SameComponent(none, none) {
		t.Error("the zero code takes part")
	}
	if must(t, "P0000") == must(t, "P0000-00") {
		t.Error("P0000 and P0000-00 are one code")
	}
	if ftb, ok := must(t, "P0000-00").FailureType(); !ok || ftb != 0 {
		t.Errorf("failure type 00: got %02X, %v", ftb, ok)
	}
	if ftb, ok := must(t, "P0741-07").FailureType(); !ok || ftb != 7 {
		t.Errorf("failure type 07: got %02X, %v", ftb, ok)
	}
	for _, s := range []string{"P0741", "SPN 1208 FMI 3", "9C41"} {
		if _, ok := must(t, s).FailureType(); ok {
			t.Errorf("%s has a failure type byte", s)
		}
	}
}

// Ranges of SAE J2012 (2007 and 2016), from memory; certainty as in the doc comment.
func TestGeneric(t *testing.T) {
	for s, want := range map[string]Control{
		"P0000": ControlGeneric, "P0FFF": ControlGeneric,
		"P1000": ControlManufacturer, "P1FFF": ControlManufacturer,
		"P2000": ControlGeneric, "P2FFF": ControlGeneric,
		"P3000": ControlManufacturer, "P33FF": ControlManufacturer,
		"P3400": ControlGeneric, "P3FFF": ControlGeneric,
		"C0000": ControlGeneric, "B0FFF": ControlGeneric, "U0100": ControlGeneric,
		"C1000": ControlManufacturer, "C2FFF": ControlManufacturer,
		"B1000": ControlManufacturer, "B2FFF": ControlManufacturer,
		"U1000": ControlManufacturer, "U2FFF": ControlManufacturer,
		"C3000": ControlReserved, "B3FFF": ControlReserved,
		"U3000": ControlUnknown, "U3FFF": ControlUnknown,
		"P0302-07": ControlGeneric, "P1302-07": ControlManufacturer,
		"SPN 1208 FMI 3": ControlUnknown, "9C41": ControlUnknown,
	} {
		if got := must(t, s).Generic(); got != want {
			t.Errorf("%s: got %s, want %s", s, got, want)
		}
	}
	for c, want := range map[Control]string{0: "", ControlGeneric: "ISO/SAE", ControlManufacturer: "manufacturer",
		ControlReserved: "reserved", ControlUnknown: "unknown", ControlUnknown + 1: ""} {
		if c.String() != want {
			t.Errorf("control %d is called %q", c, c)
		}
	}
}

func codes() *rapid.Generator[Code] {
	return rapid.OneOf(
		rapid.Custom(func(t *rapid.T) Code { return FromSAE2([2]byte(rapid.SliceOfN(rapid.Byte(), 2, 2).Draw(t, "b"))) }),
		rapid.Custom(func(t *rapid.T) Code { return FromSAE3([3]byte(rapid.SliceOfN(rapid.Byte(), 3, 3).Draw(t, "b"))) }),
		rapid.Custom(func(t *rapid.T) Code {
			c, err := FromSPN(rapid.Uint32Range(0, MaxSPN).Draw(t, "spn"), rapid.Uint8Range(0, MaxFMI).Draw(t, "fmi"))
			if err != nil {
				t.Fatal(err)
			}
			return c
		}),
		rapid.Custom(func(t *rapid.T) Code {
			return must(t, rapid.StringMatching(`[AD-OQ-TV-Z0-9][A-Za-z0-9./-]{0,31}`).
				Filter(func(s string) bool { return !isSPN(s) }).Draw(t, "maker"))
		}),
	)
}

func TestCodesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := codes().Draw(t, "code")
		text, err := json.Marshal(map[Code]Code{c: c})
		if err != nil {
			t.Fatal(err)
		}
		var back map[Code]Code
		if err := json.Unmarshal(text, &back); err != nil || len(back) != 1 || back[c] != c {
			t.Fatalf("%s came back as %v, %v", text, back, err)
		}
		if b, ok := c.Bytes(); ok && c.Kind() != KindSPN {
			if len(b) == 2 && FromSAE2([2]byte(b)) != c || len(b) == 3 && FromSAE3([3]byte(b)) != c {
				t.Fatalf("%s does not come back from % X", c, b)
			}
		}
	})
}

func TestCoverProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := codes().Draw(t, "a"), codes().Draw(t, "b")
		if !a.Covers(a) || !a.Base().Covers(a) || a.Base().Base() != a.Base() {
			t.Fatalf("%s is not covered by itself and its base %s", a, a.Base())
		}
		if a.Covers(b) && b.Covers(a) && a != b {
			t.Fatalf("%s and %s cover each other", a, b)
		}
		if SameComponent(a, b) && (a.Covers(b) || b.Covers(a)) {
			t.Fatalf("%s and %s are both one fault and two", a, b)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"P0302", "p0741-07", "P0FFF00", "SPN 1208 FMI 3", "spn1208/3", "ſPN 1", "9C41", "PO302", "ı0302", "P\xff302", "C41F"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		c, err := Parse(s)
		if (err == nil) == c.IsZero() {
			t.Errorf("%q: got %q, %v", s, c, err)
		}
		if err == nil {
			if again, err := Parse(c.String()); err != nil || again != c {
				t.Errorf("%q gave %q, and that %q, %v", s, c, again, err)
			}
		}
		sae, errSAE := ParseSAE(s)
		if errSAE == nil && (sae != c || err != nil) {
			t.Errorf("%q: strictly %s, else %s", s, sae, c)
		}
		if m, err := Maker(s); err == nil && (m != c || m.Kind() != KindMaker) {
			t.Errorf("%q is both a maker's code and %s", s, c)
		}
		var u Code
		if u.UnmarshalText([]byte(s)) == nil && u.String() != s {
			t.Errorf("%q was accepted and written back as %q", s, u)
		}
	})
}

func TestUnmarshalTextTakesOneSpelling(t *testing.T) {
	for _, s := range []string{"p0302", "P0741-0a", "spn1208/3", "SPN 1208/3", "SPN1208 FMI 3", "", "P0FFF00"} {
		c := must(t, "P0001")
		if err := c.UnmarshalText([]byte(s)); err == nil || c != must(t, "P0001") {
			t.Errorf("%q: got %s, %v", s, c, err)
		}
	}
}
