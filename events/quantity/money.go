package quantity

import (
	"errors"
	"fmt"
)

// Money is an amount in one currency. Amounts may be negative (a credit note).
// Currencies are never converted. The zero value is unset.
type Money struct {
	amount   Number
	currency string
}

// ParseMoney reads "84.50 EUR" or "84.50EUR": a number and a currency of three
// upper-case letters, the shape of an ISO 4217 code. The list of codes in force
// and the count of places customary for each are not checked.
func ParseMoney(s string) (Money, error) {
	n, unit, err := splitUnit("money", "84.50 EUR", s)
	if err != nil {
		return Money{}, err
	}
	if !currencyShape(unit) {
		return Money{}, fmt.Errorf("money %.60q: currency %.20q is not three capital letters; write it like %q", s, unit, "84.50 EUR")
	}
	return Money{amount: n, currency: unit}, nil
}

func currencyShape(s string) bool {
	if len(s) != 3 {
		return false
	}
	for i := range len(s) {
		if s[i] < 'A' || s[i] > 'Z' {
			return false
		}
	}
	return true
}

// Amount gives the number, in the currency Currency tells.
func (m Money) Amount() Number { return m.amount }

// Currency gives the three letters, or "" for unset money.
func (m Money) Currency() string { return m.currency }

// IsZero tells whether m is unset; "0 EUR" is set. It is what the json option
// omitzero asks for.
func (m Money) IsZero() bool { return m.currency == "" }

// Add gives m + o, exactly. Different currencies are an error. An unset value adds
// nothing, so that a sum can start from Money{}.
func (m Money) Add(o Money) (Money, error) {
	switch {
	case m.IsZero():
		return o, nil
	case o.IsZero():
		return m, nil
	case m.currency != o.currency:
		return Money{}, fmt.Errorf("money %s and %s: different currencies are not added", m, o)
	}
	return Money{amount: m.amount.Add(o.amount), currency: m.currency}, nil
}

// Mul gives m times n, exactly; round the amount before it is shown.
func (m Money) Mul(n Number) Money {
	if m.IsZero() {
		return m
	}
	return Money{amount: m.amount.Mul(n), currency: m.currency}
}

// Round gives m with that many places, half to even.
func (m Money) Round(places int) Money {
	if m.IsZero() {
		return m
	}
	return Money{amount: m.amount.Round(places), currency: m.currency}
}

// String gives "84.50 EUR", and "" for unset money.
func (m Money) String() string {
	if m.IsZero() {
		return ""
	}
	return m.amount.String() + " " + m.currency
}

// MarshalText gives String. Unset money, and an amount of more than MaxDigits
// digits, is an error.
func (m Money) MarshalText() ([]byte, error) {
	if m.IsZero() {
		return nil, errors.New("money is not set")
	}
	if err := m.amount.storable(); err != nil {
		return nil, err
	}
	return []byte(m.String()), nil
}

// UnmarshalText reads what MarshalText writes, and nothing else.
func (m *Money) UnmarshalText(text []byte) error {
	v, err := ParseMoney(string(text))
	if err != nil {
		return err
	}
	if v.String() != string(text) {
		return notCanonical("money", string(text), v.String())
	}
	*m = v
	return nil
}

// UnmarshalJSON takes a JSON string as MarshalText writes it.
func (m *Money) UnmarshalJSON(data []byte) error {
	return unmarshalJSON(data, "money", "84.50 EUR", m.UnmarshalText)
}
