package vin

import (
	"encoding/json"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Check digits of 49 CFR 565.15(c). The first two numbers are widely printed worked
// examples, their sums 351 and 89 computed from the table; the third is invented,
// computed the same way (282 = 25*11 + 7).
func TestCheckDigit(t *testing.T) {
	for _, c := range []struct {
		vin  string
		want byte
		ok   bool
	}{
		{"1M8GDM9AXKP042788", 'X', true},
		{"11111111111111111", '1', true},
		{"1M8GDM9A1KP042788", 'X', false},
		{"ZZZFNB001T1000001", '7', false},
		{"ZZZFNB007T1000001", '7', true},
	} {
		v, err := Parse(c.vin)
		if err != nil {
			t.Errorf("%s: %v", c.vin, err)
			continue
		}
		if want, ok := v.CheckDigit(); want != c.want || ok != c.ok {
			t.Errorf("%s: got %q, %v; want %q, %v", c.vin, want, ok, c.want, c.ok)
		}
	}
	if want, ok := (VIN{}).CheckDigit(); want != 0 || ok {
		t.Errorf("unset: got %q, %v", want, ok)
	}
}

// Values of the letters by 49 CFR 565.15(c), from memory. Each stands alone in
// position 17, which weighs 2, among zeros.
func TestLetterValues(t *testing.T) {
	want := map[byte]int{
		'A': 1, 'B': 2, 'C': 3, 'D': 4, 'E': 5, 'F': 6, 'G': 7, 'H': 8,
		'J': 1, 'K': 2, 'L': 3, 'M': 4, 'N': 5, 'P': 7, 'R': 9,
		'S': 2, 'T': 3, 'U': 4, 'V': 5, 'W': 6, 'X': 7, 'Y': 8, 'Z': 9,
	}
	for letter, v := range want {
		text := "0000000000000000" + string(letter)
		got, err := Parse(text)
		if err != nil {
			t.Errorf("%s: %v", text, err)
			continue
		}
		if digit, _ := got.CheckDigit(); digit != "0123456789X"[v*2%11] {
			t.Errorf("%c: check digit %q does not fit the value %d", letter, digit, v)
		}
	}
	if len(want) != 26-3 {
		t.Errorf("%d letters have values", len(want))
	}
}

// Weights by 49 CFR 565.15(c), from memory: a single 1 among zeros shows each.
func TestWeights(t *testing.T) {
	for i, w := range []int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2} {
		text := []byte(strings.Repeat("0", Length))
		text[i] = '1'
		v, err := Parse(string(text))
		if err != nil {
			t.Fatal(err)
		}
		if digit, _ := v.CheckDigit(); digit != "0123456789X"[w] {
			t.Errorf("position %d: got weight %q, want %d", i+1, digit, w)
		}
	}
}

// Form by ISO 3779: 17 characters, no I, O or Q.
func TestParse(t *testing.T) {
	if v, err := Parse("1m8gdm9axkp042788"); err != nil || v.String() != "1M8GDM9AXKP042788" {
		t.Errorf("small letters: got %s, %v", v, err)
	}
	for s, why := range map[string]string{
		"":                    "0 characters",
		"1M8GDM9AXKP04278":    "16 characters",
		"1M8GDM9AXKP0427888":  "18 characters",
		"IM8GDM9AXKP042788":   "position 1 is 'I'",
		"1M8GDM9AXKPO42788":   "position 12 is 'O'",
		"1M8GDM9AXKP04278q":   "position 17 is 'Q'",
		"1M8GDM9A-KP042788":   "position 9 is '-'",
		" 1M8GDM9AXKP042788":  "position 1 is ' '",
		"1M8GDM9AÄKP042788":   "position 9 is 'Ä'",
		"1M8GDM9A\xffKP04278": "position 9 is",
	} {
		v, err := Parse(s)
		if err == nil || !strings.Contains(err.Error(), why) {
			t.Errorf("%q: got %s, %v; want an error about %q", s, v, err, why)
		}
	}
}

// Markets by 49 CFR 565, CMVSS 115 and GB 16735, from memory.
func TestJudge(t *testing.T) {
	good, _ := Parse("ZZZFNB007T1000001")
	bad, _ := Parse("ZZZFNB001T1000001")
	for market, required := range map[string]bool{"US": true, "CA": true, "CN": true, "us": true, "DE": false, "GB": false, "JP": false, "": false} {
		if got := CheckRequired(market); got != required {
			t.Errorf("%s: required is %v", market, got)
		}
		if note, err := Judge(good, market); note != "" || err != nil {
			t.Errorf("%s: a right digit gave %q, %v", market, note, err)
		}
		note, err := Judge(bad, market)
		if required && (err == nil || note != "" || !strings.Contains(err.Error(), "must be '7'")) {
			t.Errorf("%s: a wrong digit gave %q, %v; want an error", market, note, err)
		}
		if !required && (err != nil || !strings.Contains(note, "would be '7'")) {
			t.Errorf("%s: a wrong digit gave %q, %v; want a note", market, note, err)
		}
	}
	if _, err := Judge(VIN{}, ""); err == nil {
		t.Error("an unset VIN gave no error")
	}
}

func TestText(t *testing.T) {
	var r struct {
		VIN VIN `json:"vin,omitzero"`
	}
	if got, err := json.Marshal(r); err != nil || string(got) != `{}` {
		t.Errorf("unset: got %s, %v", got, err)
	}
	if _, err := (VIN{}).MarshalText(); err == nil {
		t.Error("an unset VIN was written")
	}
	const stored = `{"vin":"ZZZFNB007T1000001"}`
	if err := json.Unmarshal([]byte(stored), &r); err != nil {
		t.Fatal(err)
	}
	if got, err := json.Marshal(r); err != nil || string(got) != stored {
		t.Errorf("got %s, %v", got, err)
	}
	kept := r.VIN
	for _, s := range []string{`{"vin":"zzzFNB007T1000001"}`, `{"vin":""}`, `{"vin":"ZZZFNB007T100000I"}`, `{"vin":17}`} {
		if err := json.Unmarshal([]byte(s), &r); err == nil || r.VIN != kept {
			t.Errorf("%s: got %s, %v", s, r.VIN, err)
		}
	}
}

const alphabet = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"

// A check digit modulo 11 finds every mistyped character whose value differs.
func TestOneWrongCharacterIsFound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := []byte(rapid.StringMatching(`[0-9A-HJ-NPR-Z]{17}`).Draw(t, "vin"))
		v, err := Parse(string(text))
		if err != nil {
			t.Fatal(err)
		}
		text[8], _ = v.CheckDigit()
		i := rapid.IntRange(0, Length-1).Draw(t, "position")
		other := rapid.SampledFrom([]byte(alphabet)).Draw(t, "other")
		if i == 8 || value(other) == value(text[i]) {
			return
		}
		text[i] = other
		if v, err = Parse(string(text)); err != nil {
			t.Fatal(err)
		}
		if _, ok := v.CheckDigit(); ok {
			t.Fatalf("%s passes with position %d changed", v, i+1)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"1M8GDM9AXKP042788", "1m8gdm9axkp042788", "", "ı", "1M8GDM9A\xffKP04278"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		v, err := Parse(s)
		if err == nil {
			if again, err := Parse(v.String()); err != nil || again != v || !strings.EqualFold(s, v.String()) {
				t.Errorf("%q gave %s, and that %s, %v", s, v, again, err)
			}
			for _, market := range []string{"US", ""} {
				if note, err := Judge(v, market); note != "" && err != nil {
					t.Errorf("%s: both a note and an error", v)
				}
			}
		}
		var u VIN
		if u.UnmarshalText([]byte(s)) == nil && u.String() != s {
			t.Errorf("%q was accepted and written back as %q", s, u)
		}
	})
}
