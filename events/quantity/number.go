package quantity

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/cockroachdb/apd/v3"
)

// MaxDigits is the largest count of digits a number may have when it is read or
// stored: the precision of IEEE 754-2019 decimal128 (clause 3.5, table 3.6).
const MaxDigits = 34

// Number is an exact, finite decimal without a unit. The zero value is 0.
//
// A Number is immutable. It keeps its trailing zeros, so "84.50" and "84.5" are
// numerically Equal but not ==.
type Number struct {
	// text is the plain notation: an optional '-', digits without a leading
	// zero, and optionally '.' and digits. The number "0" is held as "", so that
	// it is the zero value.
	text string
}

// ParseNumber reads plain decimal notation: digits, optionally a leading '-',
// optionally a point with digits on both sides, at most MaxDigits digits.
// Exponents, NaN, Infinity, '+', spaces, thousands separators, leading zeros and
// a negative zero are refused; the error says which.
func ParseNumber(s string) (Number, error) {
	if err := checkNumber(s); err != nil {
		return Number{}, fmt.Errorf("number %.60q: %w", s, err)
	}
	return fromPlain(s), nil
}

// MustNumber is ParseNumber for constants in source text. It panics on an error.
func MustNumber(s string) Number {
	n, err := ParseNumber(s)
	if err != nil {
		panic(err)
	}
	return n
}

// NumberFromInt gives the whole number i.
func NumberFromInt(i int64) Number { return fromPlain(strconv.FormatInt(i, 10)) }

// NumberFromDecimal takes over a decimal as it stands, trailing zeros included.
// It is an error for d to be infinite or NaN, or to need more than MaxDigits
// digits in plain notation. d is not kept.
func NumberFromDecimal(d *apd.Decimal) (Number, error) {
	if d.Form != apd.Finite {
		return Number{}, fmt.Errorf("number %s: not a finite decimal", d)
	}
	if d.Exponent > MaxDigits || d.Exponent < -MaxDigits {
		return Number{}, fmt.Errorf("number %s: more than %d digits", d, MaxDigits)
	}
	n := fromDecimal(d)
	return n, n.storable()
}

func checkNumber(s string) error {
	if s == "" {
		return errors.New("empty; write digits such as 84.50")
	}
	rest := strings.TrimPrefix(s, "-")
	whole, fraction, hasPoint := strings.Cut(rest, ".")
	digits, zero := 0, true
	for i := 0; i < len(rest); i++ {
		switch c := rest[i]; {
		case c >= '0' && c <= '9':
			digits++
			zero = zero && c == '0'
		case c == '.':
		default:
			return badNumberByte(rest, c)
		}
	}
	switch {
	case whole == "" || hasPoint && fraction == "":
		return errors.New("a digit is needed on each side of the point")
	case strings.Contains(fraction, "."):
		return errors.New("more than one point")
	case len(whole) > 1 && whole[0] == '0':
		return errors.New("leading zeros; leave them out")
	case zero && len(rest) != len(s):
		return errors.New("negative zero; leave the sign out")
	case digits > MaxDigits:
		return fmt.Errorf("%d digits; at most %d are kept exactly", digits, MaxDigits)
	}
	return nil
}

func badNumberByte(rest string, c byte) error {
	switch lower := strings.ToLower(rest); {
	case strings.HasPrefix(lower, "nan") || strings.HasPrefix(lower, "inf"):
		return errors.New("not a finite number")
	case c == ',' || c == '\'' || c == '_':
		return fmt.Errorf("%q is not allowed; write no thousands separators, and a point before the fraction", c)
	case c == ' ' || c == '\t':
		return errors.New("spaces are not allowed inside a number")
	case (c == 'e' || c == 'E') && rest[0] >= '0' && rest[0] <= '9':
		return errors.New("exponents are not allowed; write all digits")
	case c == '+':
		return errors.New("a plus sign is not allowed; leave it out")
	case c == '-':
		return errors.New("a minus sign is only allowed in front")
	}
	return errors.New("only digits, one leading minus sign and one point are allowed")
}

func fromPlain(s string) Number {
	if s == "0" {
		s = ""
	}
	return Number{text: s}
}

func fromDecimal(d *apd.Decimal) Number {
	if d.IsZero() && d.Exponent >= 0 {
		return Number{} // apd would write 0E+2 as 000
	}
	s := d.Text('f')
	if d.IsZero() {
		s = strings.TrimPrefix(s, "-")
	}
	return fromPlain(s)
}

// storable refuses numbers that ParseNumber would not read back.
func (n Number) storable() error {
	if err := checkNumber(n.String()); err != nil {
		return fmt.Errorf("number %.60q: %w; round it first", n.String(), err)
	}
	return nil
}

// String gives plain notation without exponent, trailing zeros as given.
func (n Number) String() string {
	if n.text == "" {
		return "0"
	}
	return n.text
}

// Decimal gives a copy as an apd decimal, for calculations this package lacks.
func (n Number) Decimal() *apd.Decimal {
	d, _, err := apd.NewFromString(n.String())
	if err != nil {
		panic("quantity: a number holds what apd cannot read: " + n.text)
	}
	return d
}

// Cmp is -1, 0 or +1 as n is numerically less than, equal to or greater than m.
func (n Number) Cmp(m Number) int { return n.Decimal().Cmp(m.Decimal()) }

// Equal tells whether n and m are numerically equal: 84.5 equals 84.50.
func (n Number) Equal(m Number) bool { return n == m || n.Cmp(m) == 0 }

// Sign is -1, 0 or +1.
func (n Number) Sign() int { return n.Decimal().Sign() }

// IsZero tells whether n is numerically zero ("0", "0.00"). It does not mean
// "unset": a field that must tell 0 from unset is a *Number marked omitempty. The
// json option omitzero calls IsZero, through a pointer too, and would drop a 0 from
// a Number and from a *Number alike.
func (n Number) IsZero() bool { return n.Sign() == 0 }

// exact calculates without rounding: apd takes precision 0 as unlimited.
func exact() *apd.Context {
	return &apd.Context{MaxExponent: apd.MaxExponent, MinExponent: apd.MinExponent}
}

func must(_ apd.Condition, err error) {
	if err != nil {
		panic("quantity: decimal arithmetic left its bounds: " + err.Error())
	}
}

// Add gives n + m, exactly.
func (n Number) Add(m Number) Number {
	var d apd.Decimal
	must(exact().Add(&d, n.Decimal(), m.Decimal()))
	return fromDecimal(&d)
}

// Sub gives n - m, exactly.
func (n Number) Sub(m Number) Number {
	var d apd.Decimal
	must(exact().Sub(&d, n.Decimal(), m.Decimal()))
	return fromDecimal(&d)
}

// Mul gives n * m, exactly. The digits of the factors add up; a product of more
// than MaxDigits digits can be used further but must be rounded to be stored.
func (n Number) Mul(m Number) Number {
	var d apd.Decimal
	must(exact().Mul(&d, n.Decimal(), m.Decimal()))
	return fromDecimal(&d)
}

// Quo gives n / m with the given count of decimal places (held to 0..34), rounded
// once, half to even. A division by zero and a quotient of more than MaxDigits
// digits are errors.
func (n Number) Quo(m Number, places int) (Number, error) {
	places = clampPlaces(places)
	a, b := n.Decimal(), m.Decimal()
	if b.IsZero() {
		return Number{}, fmt.Errorf("number %s: division by zero", n)
	}
	// Rounding twice could turn 0.49... into 0.5 and then into 0 or 1. Round05Up
	// leaves a last digit that shows on which side the exact quotient lies (IBM
	// General Decimal Arithmetic, "round-05up: round zero or five away from 0").
	whole := a.NumDigits() + int64(a.Exponent) - b.NumDigits() - int64(b.Exponent) + 1
	wide := exact()
	wide.Precision = uint32(max(whole, 1)) + uint32(places) + 3
	wide.Rounding = apd.Round05Up
	var d apd.Decimal
	must(wide.Quo(&d, a, b))
	q := round(&d, places)
	if err := q.storable(); err != nil {
		return Number{}, err
	}
	return q, nil
}

// Round gives n with exactly the given count of decimal places (held to 0..34),
// half to even, padded with zeros where n has fewer.
func (n Number) Round(places int) Number { return round(n.Decimal(), clampPlaces(places)) }

func clampPlaces(places int) int { return min(max(places, 0), MaxDigits) }

func round(d *apd.Decimal, places int) Number {
	ctx := exact()
	ctx.Precision = uint32(d.NumDigits()) + uint32(places) + uint32(max(d.Exponent, 0)) + 1
	ctx.Rounding = apd.RoundHalfEven
	var out apd.Decimal
	must(ctx.Quantize(&out, d, int32(-places)))
	return fromDecimal(&out)
}

// Int64 gives n as an integer. It is false where n has a fraction other than
// zero or does not fit.
func (n Number) Int64() (int64, bool) {
	i, err := n.Decimal().Int64()
	return i, err == nil
}

// MarshalText gives String. It is an error for a calculated number to have more
// than MaxDigits digits.
func (n Number) MarshalText() ([]byte, error) {
	if err := n.storable(); err != nil {
		return nil, err
	}
	return []byte(n.String()), nil
}

// UnmarshalText reads what MarshalText writes, and nothing else.
func (n *Number) UnmarshalText(text []byte) error {
	v, err := ParseNumber(string(text))
	if err != nil {
		return err
	}
	*n = v
	return nil
}

// UnmarshalJSON takes a JSON string as MarshalText writes it. A bare JSON number
// is refused: many readers would make it a float.
func (n *Number) UnmarshalJSON(data []byte) error {
	return unmarshalJSON(data, "number", "84.50", n.UnmarshalText)
}
