package quantity

import (
	"errors"
	"fmt"
)

// Units of a Distance.
const (
	Kilometre = "km"
	Mile      = "mi"
)

// kmPerMile is exact: the yard is 0.9144 m by the international yard and pound
// agreement of 1959, and a mile is 1760 yards.
func kmPerMile() Number { return MustNumber("1.609344") }

// Distance is a length of road in kilometres or miles, as it was given. The zero
// value is unset.
type Distance struct {
	number Number
	unit   string
}

// ParseDistance reads "214880 km", "214880km" or "133520.4 mi". The unit is
// required, and the number must not be negative.
func ParseDistance(s string) (Distance, error) {
	n, unit, err := splitUnit("distance", "214880 km", s)
	if err != nil {
		return Distance{}, err
	}
	if unit != Kilometre && unit != Mile {
		return Distance{}, fmt.Errorf("distance %.60q: unknown unit %.20q; write km or mi", s, unit)
	}
	d := Distance{number: n, unit: unit}
	if err := d.storable(); err != nil {
		return Distance{}, err
	}
	return d, nil
}

// Kilometres gives n km. A negative n, as the difference of two readings may be,
// can be compared and shown but not stored: MarshalText refuses it.
func Kilometres(n Number) Distance { return Distance{number: n, unit: Kilometre} }

func (d Distance) storable() error {
	if d.IsZero() {
		return errors.New("distance is not set")
	}
	if d.number.Sign() < 0 {
		return fmt.Errorf("distance %.60q: must not be negative", d.String())
	}
	return d.number.storable()
}

// String gives the distance as given, "214880 km", and "" for an unset one.
func (d Distance) String() string {
	if d.IsZero() {
		return ""
	}
	return d.number.String() + " " + d.unit
}

// IsZero tells whether d is unset; "0 km" is set. It is what the json option
// omitzero asks for.
func (d Distance) IsZero() bool { return d.unit == "" }

// Number gives the number as given, in the unit Unit tells.
func (d Distance) Number() Number { return d.number }

// Unit is "km", "mi", or "" for an unset distance.
func (d Distance) Unit() string { return d.unit }

// Km gives the exact kilometres (1 mi = 1.609344 km); 0 for an unset distance.
func (d Distance) Km() Number {
	if d.unit == Mile {
		return d.number.Mul(kmPerMile())
	}
	return d.number
}

// In gives the number in "km" or "mi". It is exact, except that kilometres turned
// into miles are rounded to 3 places, half to even. Another unit, and an unset
// distance, is an error.
func (d Distance) In(unit string) (Number, error) {
	switch {
	case d.IsZero():
		return Number{}, errors.New("distance is not set")
	case unit == d.unit:
		return d.number, nil
	case unit == Kilometre:
		return d.Km(), nil
	case unit == Mile:
		return d.number.Quo(kmPerMile(), 3)
	}
	return Number{}, fmt.Errorf("distance unit %.20q: unknown; write km or mi", unit)
}

// Cmp compares the exact kilometres; an unset distance counts as 0.
func (d Distance) Cmp(e Distance) int { return d.Km().Cmp(e.Km()) }

// MarshalText gives String. An unset or negative distance is an error.
func (d Distance) MarshalText() ([]byte, error) {
	if err := d.storable(); err != nil {
		return nil, err
	}
	return []byte(d.String()), nil
}

// UnmarshalText reads what MarshalText writes, and nothing else.
func (d *Distance) UnmarshalText(text []byte) error {
	v, err := ParseDistance(string(text))
	if err != nil {
		return err
	}
	if v.String() != string(text) {
		return notCanonical("distance", string(text), v.String())
	}
	*d = v
	return nil
}

// UnmarshalJSON takes a JSON string as MarshalText writes it.
func (d *Distance) UnmarshalJSON(data []byte) error {
	return unmarshalJSON(data, "distance", "214880 km", d.UnmarshalText)
}
