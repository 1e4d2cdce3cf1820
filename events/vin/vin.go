// Package vin reads vehicle identification numbers.
//
// The form is that of ISO 3779: seventeen characters, digits and capital letters
// without I, O and Q. The check digit in position 9 is a rule of some markets only
// (49 CFR 565.15 in the United States), so a wrong one is an error there and a
// remark elsewhere. Vehicles older than 1981 have no such number.
//
// The package is pure: no files, clock, network or randomness.
package vin

import (
	"errors"
	"fmt"
	"strings"
)

// Length is the count of characters of a VIN (ISO 3779).
const Length = 17

// VIN is a well-formed vehicle identification number. Values are comparable; the
// zero value is unset.
type VIN struct{ text string }

// Parse reads a VIN, turning small letters into capitals. The error names the
// position (1..17) and the character at fault. The check digit is not judged here:
// see Judge.
func Parse(s string) (VIN, error) {
	up := make([]byte, 0, Length)
	pos := 0
	for _, r := range s {
		pos++
		if r >= 'a' && r <= 'z' {
			r -= 'a' - 'A'
		}
		switch {
		case pos > Length:
			// Counted, so that the error can tell the length.
		case r == 'I' || r == 'O' || r == 'Q':
			return VIN{}, fmt.Errorf("vin %.40q: position %d is %q; the letters I, O and Q are never used, look for 1 or 0", s, pos, r)
		case r >= '0' && r <= '9' || r >= 'A' && r <= 'Z':
			up = append(up, byte(r))
		default:
			return VIN{}, fmt.Errorf("vin %.40q: position %d is %q; only digits and letters are allowed", s, pos, r)
		}
	}
	if pos != Length {
		return VIN{}, fmt.Errorf("vin %.40q: %d characters; a VIN has %d", s, pos, Length)
	}
	return VIN{text: string(up)}, nil
}

// String gives the seventeen characters, or "" for an unset VIN.
func (v VIN) String() string { return v.text }

// IsZero tells whether v is unset.
func (v VIN) IsZero() bool { return v.text == "" }

// letterValues holds the value of each letter A..Z; I, O and Q never occur. Values
// and weights are those of 49 CFR 565.15(c), from memory of the tables.
const letterValues = "12345678012345070923456789"

func weights() [Length]int {
	return [Length]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}
}

func value(c byte) int {
	if c <= '9' {
		return int(c - '0')
	}
	return int(letterValues[c-'A'] - '0')
}

// CheckDigit gives the character that 49 CFR 565.15(c) wants in position 9 (a digit,
// or X for a remainder of 10) and whether v has it. An unset VIN gives 0, false.
func (v VIN) CheckDigit() (want byte, ok bool) {
	if v.IsZero() {
		return 0, false
	}
	sum := 0
	for i, weight := range weights() {
		sum += value(v.text[i]) * weight
	}
	want = "0123456789X"[sum%11]
	return want, v.text[8] == want
}

// CheckRequired tells whether the market, an ISO 3166-1 alpha-2 code in either
// case, makes the check digit mandatory: US (49 CFR 565.15), CA (CMVSS 115) and CN
// (GB 16735). The list is from memory of those rules; ISO 3779 itself asks for no
// check digit.
func CheckRequired(market string) bool {
	switch strings.ToUpper(market) {
	case "US", "CA", "CN":
		return true
	}
	return false
}

// Judge looks at the check digit for a vehicle sold in the market (ISO 3166-1
// alpha-2, "" where unknown). A wrong digit is an error where CheckRequired says
// so, else a note to show; a right one gives neither. An unset VIN is an error.
func Judge(v VIN, market string) (note string, err error) {
	want, ok := v.CheckDigit()
	switch {
	case v.IsZero():
		return "", errors.New("vin is not set")
	case ok:
		return "", nil
	case CheckRequired(market):
		return "", fmt.Errorf("vin %s: position 9 is %q, the check digit must be %q in %s; look for a mistyped character",
			v, v.text[8], want, strings.ToUpper(market))
	}
	return fmt.Sprintf("position 9 is %q, a check digit would be %q; not every market uses one", v.text[8], want), nil
}

// MarshalText gives String. An unset VIN is an error.
func (v VIN) MarshalText() ([]byte, error) {
	if v.IsZero() {
		return nil, errors.New("vin is not set")
	}
	return []byte(v.text), nil
}

// UnmarshalText reads what MarshalText writes: capitals only.
func (v *VIN) UnmarshalText(text []byte) error {
	got, err := Parse(string(text))
	if err != nil {
		return err
	}
	if got.text != string(text) {
		return fmt.Errorf("vin %.40q: stored VINs are in capitals: %q", text, got.text)
	}
	*v = got
	return nil
}
