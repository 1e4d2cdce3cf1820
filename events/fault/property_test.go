package fault_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"mendbook/events/fault"
)

func anyCode() *rapid.Generator[fault.Code] {
	return rapid.OneOf(
		rapid.Custom(func(t *rapid.T) fault.Code {
			return fault.FromSAE2([2]byte{rapid.Byte().Draw(t, "high"), rapid.Byte().Draw(t, "low")})
		}),
		rapid.Custom(func(t *rapid.T) fault.Code {
			return fault.FromSAE3([3]byte{rapid.Byte().Draw(t, "high"), rapid.Byte().Draw(t, "middle"), rapid.Byte().Draw(t, "ftb")})
		}),
		rapid.Custom(func(t *rapid.T) fault.Code {
			c, err := fault.FromSPN(rapid.Uint32Range(0, fault.MaxSPN).Draw(t, "spn"), rapid.Uint8Range(0, fault.MaxFMI).Draw(t, "fmi"))
			if err != nil {
				t.Fatal(err)
			}
			return c
		}),
		rapid.Custom(func(t *rapid.T) fault.Code {
			// A leading digit keeps clear of what Parse takes for an SAE or SPN code.
			c, err := fault.Maker(rapid.StringMatching(`[0-9][0-9A-Za-zäß.:<"\\-]{0,20}`).Draw(t, "text"))
			if err != nil {
				t.Fatal(err)
			}
			return c
		}),
	)
}

func TestCodesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := anyCode().Draw(t, "code")
		if got, err := fault.Parse(c.String()); err != nil || got != c {
			t.Fatalf("%q, a %s: parsed as %q, a %s, %v", c, c.Kind(), got, got.Kind(), err)
		}
		if c.Kind() != fault.KindMaker {
			if got, err := fault.Parse(strings.ToLower(c.String())); err != nil || got != c {
				t.Fatalf("%q in small letters: parsed as %q, %v", c, got, err)
			}
		}
		data, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		var again fault.Code
		if err := json.Unmarshal(data, &again); err != nil || again != c {
			t.Fatalf("%s: read as %q, %v", data, again, err)
		}
		b, ok := c.Bytes()
		switch c.Kind() {
		case fault.KindSAE2:
			ok = ok && fault.FromSAE2([2]byte(b)) == c
		case fault.KindSAE3:
			ok = ok && fault.FromSAE3([3]byte(b)) == c
		case fault.KindSPN:
			// SPN low, SPN middle, high bits and FMI: SAE J1939-73, after the open
			// library juergenH87/python-can-j1939.
			spn := uint32(b[0]) | uint32(b[1])<<8 | uint32(b[2]&0xE0)<<11
			back, err := fault.FromSPN(spn, b[2]&0x1F)
			ok = ok && err == nil && back == c
		case fault.KindMaker:
			ok = !ok
		}
		if !ok {
			t.Fatalf("%q: bytes % X do not give it back", c, b)
		}
	})
}

// The formula of the open library pylessard/python-udsoncan for the three bytes as text.
func TestThreeBytesAgreeWithFormula(t *testing.T) {
	const hex = "0123456789ABCDEF"
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Uint32Range(0, 1<<24-1).Draw(t, "v")
		want := string([]byte{"PCBU"[v>>22], hex[v>>20&3], hex[v>>16&15], hex[v>>12&15], hex[v>>8&15], '-', hex[v>>4&15], hex[v&15]})
		c := fault.FromSAE3([3]byte{byte(v >> 16), byte(v >> 8), byte(v)})
		if c.String() != want || c.Base().String() != want[:5] || c.Letter() != want[0] {
			t.Fatalf("%06X: got %s with base %s, want %s", v, c, c.Base(), want)
		}
	})
}

func TestCoversAndBaseLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := anyCode().Draw(t, "a"), anyCode().Draw(t, "b"), anyCode().Draw(t, "c")
		if rapid.Bool().Draw(t, "related") { // unrelated codes seldom cover one another
			a, b = c.Base(), c
			if ftb := rapid.Byte().Draw(t, "ftb"); c.Kind() == fault.KindSAE3 {
				bytes, _ := c.Bytes()
				c = fault.FromSAE3([3]byte{bytes[0], bytes[1], ftb})
			}
		}
		if !a.Covers(a) || !a.Base().Covers(a) {
			t.Fatalf("%s is not covered by itself or by its base", a)
		}
		if a.Base().Base() != a.Base() || a.Base().Kind() == fault.KindSAE3 {
			t.Fatalf("%s: base %s is not a base", a, a.Base())
		}
		if a.Covers(b) && b.Covers(a) != (a == b) {
			t.Fatalf("%s and %s cover each other", a, b)
		}
		if a.Covers(b) && b.Covers(c) && !a.Covers(c) {
			t.Fatalf("%s covers %s, which covers %s, and the first does not", a, b, c)
		}
		if a.Covers(b) && a.Base() != b.Base() {
			t.Fatalf("%s covers %s of another base", a, b)
		}
		if fault.SameComponent(b, c) != fault.SameComponent(c, b) || fault.SameComponent(b, b) {
			t.Fatalf("%s and %s: same component is not mutual, or a code is its own sibling", b, c)
		}
		if fault.SameComponent(b, c) && (b.Covers(c) || c.Covers(b)) {
			t.Fatalf("%s and %s are different faults, and one covers the other", b, c)
		}
		if a.Covers(b) && fault.GroupCovers("14", "FFFF33", a) != fault.GroupCovers("14", "FFFF33", b) {
			t.Fatalf("%s and %s: an erase of a group reaches only one", a, b)
		}
	})
}

// An erase of one code by its three bytes reaches that code and no other.
func TestEraseOfOneCode(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Uint32Range(0, 0xFFFEFF).Draw(t, "v")
		if v>>8 == 0xFFFF {
			return
		}
		b := [3]byte{byte(v >> 16), byte(v >> 8), byte(v)}
		const hex = "0123456789ABCDEF"
		var group []byte
		for _, x := range b {
			group = append(group, hex[x>>4], hex[x&15])
		}
		if !fault.GroupCovers("14", string(group), fault.FromSAE3(b)) {
			t.Fatalf("%s does not cover %s", group, fault.FromSAE3(b))
		}
		other := anyCode().Draw(t, "other")
		if got := fault.GroupCovers("14", string(group), other); got != (other == fault.FromSAE3(b) || strings.EqualFold(other.String(), string(group))) {
			t.Fatalf("%s covers %s: %v", group, other, got)
		}
	})
}

func TestStatusRoundTrips(t *testing.T) {
	for i := range 256 {
		s := fault.Status(i)
		text, err := s.MarshalText()
		var again fault.Status
		if err != nil || again.UnmarshalText(text) != nil || again != s || len(text) != 2 {
			t.Errorf("%02X: written as %q, %v, read as %s", i, text, err, again)
		}
		if got, err := fault.ParseStatus(s.String()); err != nil || got != s {
			t.Errorf("%02X: parsed as %s, %v", i, got, err)
		}
	}
}

func FuzzCodeText(f *testing.F) {
	for _, s := range []string{
		"P0302", "p0741-07", "P0741-0a", "spn1208/3", "SPN 1208 FMI 3", "SPN 1208 FM\u0131 3", "SPN 524288 FMI 3", "9C41", "9c41",
		"P0FFF00", "A0123-00", "0x123456", "U012-300", "PO302", "C41F", "ſ0302", "P03\xff2", "", " ", "<&>", "\u2028",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		c, err := fault.Parse(s)
		if (err == nil) == c.IsZero() {
			t.Errorf("%q: got %q, %v", s, c, err)
		}
		if err == nil {
			if again, err := fault.Parse(c.String()); err != nil || again != c {
				t.Errorf("%q gave %q, and that %q, %v", s, c, again, err)
			}
			data, err := json.Marshal(c)
			var back fault.Code
			if err != nil || json.Unmarshal(data, &back) != nil || back != c {
				t.Errorf("%q: stored as %s, %v, and read as %q", s, data, err, back)
			}
		}
		if sae, err := fault.ParseSAE(s); err == nil && (sae != c || !strings.EqualFold(sae.String(), s)) {
			t.Errorf("%q: an SAE code %q, yet parsed as %q", s, sae, c)
		}
		if maker, err := fault.Maker(s); (err == nil) != (c.Kind() == fault.KindMaker) || err == nil && maker != c {
			t.Errorf("%q: a maker's code %q, %v, yet parsed as %q", s, maker, err, c)
		}
	})
}

// What a text decoder accepts, it writes back byte for byte; what it refuses leaves the
// value as it was.
func FuzzStoredText(f *testing.F) {
	for _, s := range []string{
		"P0302", "p0302", "P0741-07", "P0741-0a", "SPN 1208 FMI 3", "spn1208/3", "SPN 01 FMI 3", "9C41", "2F", "2f", "0x2F",
		"stored", "previously-active", "misfire", "present", "", "9C\xff",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		kept := fault.FromSAE2([2]byte{0xC1, 0x00})
		c, s, m, v, w := kept, fault.Status(0x50), fault.MonitorMisfire, fault.ViewActive, fault.StatePending
		if err := c.UnmarshalText(text); err == nil {
			sameText(t, text, c)
		} else if c != kept {
			t.Errorf("%q was refused, and left %q", text, c)
		}
		if err := s.UnmarshalText(text); err == nil {
			sameText(t, text, s)
		} else if s != 0x50 {
			t.Errorf("%q was refused, and left %s", text, s)
		}
		if err := m.UnmarshalText(text); err == nil {
			sameText(t, text, m)
		} else if m != fault.MonitorMisfire {
			t.Errorf("%q was refused, and left %s", text, m)
		}
		if err := v.UnmarshalText(text); err == nil {
			sameText(t, text, v)
		} else if v != fault.ViewActive {
			t.Errorf("%q was refused, and left %s", text, v)
		}
		if err := w.UnmarshalText(text); err == nil {
			sameText(t, text, w)
		} else if w != fault.StatePending {
			t.Errorf("%q was refused, and left %s", text, w)
		}
	})
}

func sameText(t *testing.T, text []byte, v interface{ MarshalText() ([]byte, error) }) {
	t.Helper()
	if got, err := v.MarshalText(); err != nil || !bytes.Equal(got, text) {
		t.Errorf("%q was accepted and written back as %q, %v", text, got, err)
	}
}

func FuzzStatusByte(f *testing.F) {
	for _, s := range []string{"2F", "2f", "0x2F", "0X00", "", "x", "²F"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		v, err := fault.ParseStatus(s)
		if err == nil && !strings.EqualFold(s[len(s)-2:], v.String()) {
			t.Errorf("%q gave %s", s, v)
		}
	})
}
