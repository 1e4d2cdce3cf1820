package quantity

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// MaxUnitRunes is the length limit of a measure's unit, in Unicode characters.
const MaxUnitRunes = 16

// Measure is a measured value with the unit that was read beside it, such as
// "12.6 V" or "-4 °C". Units are free text and are never converted. The zero value
// is unset.
type Measure struct {
	value Number
	unit  string
}

// ParseMeasure reads "12.6 V", or "12.6V" where the unit has no digits. The unit
// is required: 1 to MaxUnitRunes printable characters without spaces, beginning
// with a letter, '%', '°' or "1/", and free of quotation marks, '<', '>', '&' and
// '\' (they would need escapes in JSON or HTML). Another digit in front is refused,
// so that "12 500" is not 12 of a unit "500".
func ParseMeasure(s string) (Measure, error) {
	n, unit, err := splitUnit("measure", "12.6 V", s)
	if err != nil {
		return Measure{}, err
	}
	return NewMeasure(n, unit)
}

// NewMeasure joins a value and a unit; see ParseMeasure for the units allowed.
func NewMeasure(value Number, unit string) (Measure, error) {
	if err := checkUnit(unit); err != nil {
		return Measure{}, fmt.Errorf("measure unit %.60q: %w", unit, err)
	}
	return Measure{value: value, unit: unit}, nil
}

func checkUnit(unit string) error {
	first, _ := utf8.DecodeRuneInString(unit)
	switch {
	case unit == "":
		return errors.New("the unit is missing")
	case !utf8.ValidString(unit):
		return errors.New("not valid UTF-8")
	case utf8.RuneCountInString(unit) > MaxUnitRunes:
		return fmt.Errorf("longer than %d characters", MaxUnitRunes)
	case !unicode.IsLetter(first) && first != '%' && first != '°' && !(strings.HasPrefix(unit, "1/") && len(unit) > 2):
		return errors.New("must begin with a letter, %, ° or 1/")
	}
	for _, r := range unit {
		if r == ' ' || !unicode.IsPrint(r) {
			return fmt.Errorf("%q is not allowed in a unit", r)
		}
		if strings.ContainsRune(`"'<>&\`, r) {
			return fmt.Errorf("%q is not allowed in a unit", r)
		}
	}
	return nil
}

// Value gives the number, in the unit Unit tells.
func (m Measure) Value() Number { return m.value }

// Unit gives the unit as read, or "" for an unset measure.
func (m Measure) Unit() string { return m.unit }

// IsZero tells whether m is unset; "0 V" is set. It is what the json option
// omitzero asks for.
func (m Measure) IsZero() bool { return m.unit == "" }

// String gives "12.6 V", and "" for an unset measure.
func (m Measure) String() string {
	if m.IsZero() {
		return ""
	}
	return m.value.String() + " " + m.unit
}

// MarshalText gives String. An unset measure, and a value of more than MaxDigits
// digits, is an error.
func (m Measure) MarshalText() ([]byte, error) {
	if m.IsZero() {
		return nil, errors.New("measure is not set")
	}
	if err := m.value.storable(); err != nil {
		return nil, err
	}
	return []byte(m.String()), nil
}

// UnmarshalText reads what MarshalText writes, and nothing else.
func (m *Measure) UnmarshalText(text []byte) error {
	v, err := ParseMeasure(string(text))
	if err != nil {
		return err
	}
	if v.String() != string(text) {
		return notCanonical("measure", string(text), v.String())
	}
	*m = v
	return nil
}

// UnmarshalJSON takes a JSON string as MarshalText writes it.
func (m *Measure) UnmarshalJSON(data []byte) error {
	return unmarshalJSON(data, "measure", "12.6 V", m.UnmarshalText)
}
