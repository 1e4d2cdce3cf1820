package quantity

import (
	"encoding/json"
	"math/big"
	"strings"
	"testing"

	"github.com/cockroachdb/apd/v3"
	"pgregory.net/rapid"
)

func TestParseNumberKeepsWhatWasGiven(t *testing.T) {
	for _, s := range []string{"0", "0.00", "84.50", "-84.50", "214880", "-0.5", "0.001",
		"1234567890123456789012345678901234", "0.123456789012345678901234567890123"} {
		n, err := ParseNumber(s)
		if err != nil || n.String() != s {
			t.Errorf("%s: got %q, %v", s, n, err)
		}
	}
}

func TestParseNumberRefuses(t *testing.T) {
	for s, why := range map[string]string{
		"":                                      "empty",
		"1e5":                                   "exponent",
		"1E-5":                                  "exponent",
		"NaN":                                   "not a finite number",
		"-NaN":                                  "not a finite number",
		"Infinity":                              "not a finite number",
		"-inf":                                  "not a finite number",
		"+1":                                    "plus sign",
		"1-2":                                   "minus sign",
		"--1":                                   "minus sign",
		" 1":                                    "spaces",
		"1 000":                                 "spaces",
		"1,000":                                 "thousands separators",
		"84,50":                                 "point before the fraction",
		"1'000":                                 "thousands separators",
		"1_000":                                 "thousands separators",
		".5":                                    "each side of the point",
		"5.":                                    "each side of the point",
		"-":                                     "each side of the point",
		".":                                     "each side of the point",
		"1.2.3":                                 "more than one point",
		"007":                                   "leading zeros",
		"00.5":                                  "leading zeros",
		"-0":                                    "negative zero",
		"-0.00":                                 "negative zero",
		"0x10":                                  "only digits",
		"١":                                     "only digits",
		"12345678901234567890123456789012345":   "35 digits",
		"0.1234567890123456789012345678901234":  "35 digits",
		"1" + strings.Repeat("0", 1000) + ".25": "1003 digits",
	} {
		_, err := ParseNumber(s)
		if err == nil || !strings.Contains(err.Error(), why) {
			t.Errorf("%.40q: got error %v, want one about %q", s, err, why)
		}
	}
}

// The rounding rule is that of the IBM General Decimal Arithmetic specification,
// "round-half-even"; the tie cases are computed from the rule.
func TestRoundHalfEven(t *testing.T) {
	for _, c := range []struct {
		in     string
		places int
		want   string
	}{
		{"0.5", 0, "0"}, {"1.5", 0, "2"}, {"2.5", 0, "2"}, {"-2.5", 0, "-2"}, {"-3.5", 0, "-4"},
		{"2.51", 0, "3"}, {"2.49", 0, "2"}, {"1.005", 2, "1.00"}, {"1.015", 2, "1.02"},
		{"-0.4", 0, "0"}, {"-0.001", 2, "0.00"}, {"7", 2, "7.00"}, {"99.995", 2, "100.00"},
		{"9999999999999999999999999999999999", 0, "9999999999999999999999999999999999"},
		{"9.5", -3, "10"}, {"1", 40, "1." + strings.Repeat("0", 34)},
	} {
		if got := MustNumber(c.in).Round(c.places).String(); got != c.want {
			t.Errorf("%s to %d places: got %s, want %s", c.in, c.places, got, c.want)
		}
	}
}

func TestQuo(t *testing.T) {
	for _, c := range []struct {
		a, b   string
		places int
		want   string
	}{
		{"1", "3", 4, "0.3333"}, {"2", "3", 4, "0.6667"}, {"-2", "3", 4, "-0.6667"},
		{"1", "8", 2, "0.12"}, {"3", "8", 2, "0.38"}, {"0", "7", 3, "0.000"},
		{"84.50", "0.25", 2, "338.00"}, {"1", "1000000", 3, "0.000"},
		// Just under a tie: rounding first to 34 digits would make it one.
		{"2.499999999999999999999999999999999", "1", 0, "2"},
		{"4999999999999999999999999999999999", "9999999999999999999999999999999999", 0, "0"},
		{"5000000000000000000000000000000000", "9999999999999999999999999999999999", 0, "1"},
	} {
		got, err := MustNumber(c.a).Quo(MustNumber(c.b), c.places)
		if err != nil || got.String() != c.want {
			t.Errorf("%s/%s to %d places: got %s, %v; want %s", c.a, c.b, c.places, got, err, c.want)
		}
	}
	if _, err := MustNumber("1").Quo(Number{}, 2); err == nil || !strings.Contains(err.Error(), "division by zero") {
		t.Errorf("division by zero: got error %v", err)
	}
	if _, err := MustNumber("1234567890123456789012345678901234").Quo(MustNumber("0.1"), 0); err == nil {
		t.Error("a quotient of 35 digits gave no error")
	}
}

func TestArithmeticIsExact(t *testing.T) {
	big34 := MustNumber("9999999999999999999999999999999999")
	product := big34.Mul(big34)
	if got, want := product.String(), "99999999999999999999999999999999980000000000000000000000000000000001"; got != want {
		t.Errorf("product: got %s, want %s", got, want)
	}
	if _, err := product.MarshalText(); err == nil || !strings.Contains(err.Error(), "round it first") {
		t.Errorf("a product of 68 digits was stored: %v", err)
	}
	if got := MustNumber("0.1").Add(MustNumber("0.2")).String(); got != "0.3" {
		t.Errorf("0.1 + 0.2: got %s", got)
	}
	if got := MustNumber("84.50").Sub(MustNumber("84.5")).String(); got != "0.00" {
		t.Errorf("84.50 - 84.5: got %s", got)
	}
	if got := MustNumber("-1").Mul(Number{}).String(); got != "0" {
		t.Errorf("-1 * 0: got %s", got)
	}
}

func TestNumberOrderAndZero(t *testing.T) {
	if MustNumber("84.50") == MustNumber("84.5") || !MustNumber("84.50").Equal(MustNumber("84.5")) {
		t.Error("84.50 and 84.5 must be equal in size and differ in spelling")
	}
	if MustNumber("0") != (Number{}) || !MustNumber("0.00").IsZero() || MustNumber("0.01").IsZero() {
		t.Error("zero is wrong")
	}
	if MustNumber("-1").Sign() != -1 || (Number{}).Sign() != 0 || MustNumber("2").Sign() != 1 {
		t.Error("sign is wrong")
	}
	if MustNumber("10").Cmp(MustNumber("9")) != 1 || MustNumber("-10").Cmp(MustNumber("9")) != -1 {
		t.Error("order is that of text, not of numbers")
	}
}

func TestInt64(t *testing.T) {
	for s, want := range map[string]int64{"0": 0, "84.00": 84, "-7": -7, "9223372036854775807": 1<<63 - 1, "-9223372036854775808": -1 << 63} {
		if got, ok := MustNumber(s).Int64(); !ok || got != want {
			t.Errorf("%s: got %d, %v", s, got, ok)
		}
	}
	for _, s := range []string{"84.5", "9223372036854775808", "-9223372036854775809"} {
		if got, ok := MustNumber(s).Int64(); ok {
			t.Errorf("%s: got %d", s, got)
		}
	}
	if got := NumberFromInt(-1 << 63).String(); got != "-9223372036854775808" {
		t.Errorf("from int: got %s", got)
	}
	if NumberFromInt(0) != (Number{}) {
		t.Error("from int 0 is not the zero value")
	}
}

func TestNumberFromDecimal(t *testing.T) {
	for in, want := range map[string]string{"84.50": "84.50", "1E+3": "1000", "-0": "0", "0E+5": "0", "25E-3": "0.025"} {
		d, _, err := apd.NewFromString(in)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := NumberFromDecimal(d); err != nil || got.String() != want {
			t.Errorf("%s: got %s, %v; want %s", in, got, err, want)
		}
	}
	for _, in := range []string{"NaN", "Infinity", "1E+34", "1E+90000", "1E-90000"} {
		d, _, err := apd.NewFromString(in)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := NumberFromDecimal(d); err == nil {
			t.Errorf("%s: got %s", in, got)
		}
	}
}

func TestMustNumberPanics(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("no panic")
		}
	}()
	MustNumber("1e5")
}

// 1 mi = 1.609344 km exactly: international yard and pound agreement of 1959. The
// reading 133520.4 mi is computed from it.
func TestDistance(t *testing.T) {
	for _, c := range []struct{ in, text, km, mi string }{
		{"214880 km", "214880 km", "214880", "133520.242"},
		{"214880km", "214880 km", "214880", "133520.242"},
		{"1 mi", "1 mi", "1.609344", "1"},
		{"133520.4 mi", "133520.4 mi", "214880.2546176", "133520.4"},
		{"0 km", "0 km", "0", "0.000"},
		{" 12.5  km ", "12.5 km", "12.5", "7.767"},
		{"1.609344 km", "1.609344 km", "1.609344", "1.000"},
	} {
		d, err := ParseDistance(c.in)
		if err != nil {
			t.Errorf("%s: %v", c.in, err)
			continue
		}
		km, err1 := d.In("km")
		mi, err2 := d.In("mi")
		if err1 != nil || err2 != nil {
			t.Errorf("%s: %v, %v", c.in, err1, err2)
		}
		if d.String() != c.text || d.Km().String() != c.km || km != d.Km() || mi.String() != c.mi {
			t.Errorf("%s: got %s = %s km = %s mi, want %s = %s km = %s mi", c.in, d, d.Km(), mi, c.text, c.km, c.mi)
		}
	}
	a, _ := ParseDistance("1 mi")
	b, _ := ParseDistance("1.6 km")
	if a.Cmp(b) != 1 || b.Cmp(a) != -1 || a.Cmp(Kilometres(MustNumber("1.6093440"))) != 0 {
		t.Error("distances are not compared by their kilometres")
	}
	if _, err := a.In("m"); err == nil {
		t.Error("distance in metres gave no error")
	}
	if _, err := (Distance{}).In("km"); err == nil {
		t.Error("unset distance in km gave no error")
	}
	if _, err := Kilometres(MustNumber("-3")).MarshalText(); err == nil {
		t.Error("a negative distance was stored")
	}
}

func TestParseDistanceRefuses(t *testing.T) {
	for s, why := range map[string]string{
		"": "empty", "   ": "empty", "214880": "unit is missing", "214880 ": "unit is missing",
		"km": "only digits", "-1 km": "negative", "5 m": "write km or mi", "5 KM": "write km or mi",
		"214,880 km": "thousands", "214 880 km": "unknown unit", "1e5km": "exponents", "1e5 km": "exponents",
		"5 km/h": "write km or mi", "5\tkm": "write km or mi",
	} {
		_, err := ParseDistance(s)
		if err == nil || !strings.Contains(err.Error(), why) {
			t.Errorf("%q: got error %v, want one about %q", s, err, why)
		}
	}
}

func TestMoney(t *testing.T) {
	m, err := ParseMoney("84.50 EUR")
	if err != nil || m.Amount() != MustNumber("84.50") || m.Currency() != "EUR" {
		t.Fatalf("got %s, %v", m, err)
	}
	if sum, err := m.Add(m); err != nil || sum.String() != "169.00 EUR" {
		t.Errorf("sum: got %s, %v", sum, err)
	}
	if sum, err := (Money{}).Add(m); err != nil || sum != m {
		t.Errorf("sum from unset: got %s, %v", sum, err)
	}
	if sum, err := m.Add(Money{}); err != nil || sum != m {
		t.Errorf("sum with unset: got %s, %v", sum, err)
	}
	other, _ := ParseMoney("1 USD")
	if _, err := m.Add(other); err == nil || !strings.Contains(err.Error(), "different currencies") {
		t.Errorf("mixed sum: got error %v", err)
	}
	if got := m.Mul(MustNumber("1.19")); got.String() != "100.5550 EUR" || got.Round(2).String() != "100.56 EUR" {
		t.Errorf("product: got %s, rounded %s", got, got.Round(2))
	}
	if got := (Money{}).Mul(MustNumber("2")).Round(2); !got.IsZero() {
		t.Errorf("unset times 2: got %q", got)
	}
	if got, err := ParseMoney("-12EUR"); err != nil || got.String() != "-12 EUR" {
		t.Errorf("credit: got %s, %v", got, err)
	}
	for s, why := range map[string]string{
		"84.50": "unit is missing", "84.50 eur": "three capital letters", "84.50 EU": "three capital",
		"84.50 EURO": "three capital", "EUR 84.50": "only digits", "84,50 EUR": "point", "1 ÄÖ": "three capital",
	} {
		if _, err := ParseMoney(s); err == nil || !strings.Contains(err.Error(), why) {
			t.Errorf("%q: got error %v, want one about %q", s, err, why)
		}
	}
}

func TestMeasure(t *testing.T) {
	for in, want := range map[string]string{
		"12.6 V": "12.6 V", "12.6V": "12.6 V", "-4 °C": "-4 °C", "850 1/min": "850 1/min", "55%": "55 %",
		"1.2 m3/h": "1.2 m3/h", "4.7 kΩ": "4.7 kΩ", "0 V": "0 V",
	} {
		if m, err := ParseMeasure(in); err != nil || m.String() != want {
			t.Errorf("%s: got %q, %v", in, m, err)
		}
	}
	for s, why := range map[string]string{
		"12.6": "unit is missing", "V": "only digits", "12,6V": "point", "12,6 V": "point", "1e5V": "exponents",
		"12 V DC": "not allowed", "12 ,V": "must begin with", "12 500": "must begin with", "12 500 V": "must begin with", "850 1/": "must begin with", "850 1min": "must begin with", "5 ٣x": "must begin with", "12 V\u00a0x": "not allowed", "12 V\x00": "not allowed",
		"1 a<b": "not allowed", `1 a"b`: "not allowed", "1 a\xff": "UTF-8",
		"1 abcdefghijklmnopq": "longer than 16",
	} {
		if _, err := ParseMeasure(s); err == nil || !strings.Contains(err.Error(), why) {
			t.Errorf("%q: got error %v, want one about %q", s, err, why)
		}
	}
	m, err := NewMeasure(MustNumber("13.80"), "V")
	if err != nil || m.Value() != MustNumber("13.80") || m.Unit() != "V" {
		t.Errorf("got %s, %v", m, err)
	}
}

type record struct {
	Count    *Number  `json:"count,omitempty"`
	Odometer Distance `json:"odometer,omitzero"`
	Price    Money    `json:"price,omitzero"`
	Battery  Measure  `json:"battery,omitzero"`
}

func TestJSON(t *testing.T) {
	for _, s := range []string{
		`{}`,
		`{"count":"0","odometer":"0 km","price":"0 EUR","battery":"0 V"}`,
		`{"count":"84.50","odometer":"133520.4 mi","price":"-84.50 EUR","battery":"-4 °C"}`,
	} {
		var r record
		if err := json.Unmarshal([]byte(s), &r); err != nil {
			t.Errorf("%s: %v", s, err)
			continue
		}
		if got, err := json.Marshal(r); err != nil || string(got) != s {
			t.Errorf("%s: got %s, %v", s, got, err)
		}
	}
	for s, why := range map[string]string{
		`{"count":84.5}`:                "write it as a string",
		`{"odometer":214880}`:           "write it as a string",
		`{"odometer":null}`:             "write it as a string",
		`{"odometer":"214880km"}`:       "one way only",
		`{"odometer":" 214880 km"}`:     "one way only",
		`{"odometer":"214880  km"}`:     "one way only",
		`{"odometer":"214880 \u006bm"}`: "without escapes",
		`{"odometer":""}`:               "empty",
		`{"odometer":"-1 km"}`:          "negative",
		`{"price":"84.50EUR"}`:          "one way only",
		`{"price":84.5}`:                "write it as a string",
		`{"battery":"12.6V"}`:           "one way only",
		`{"battery":12.6}`:              "write it as a string",
	} {
		r := record{Odometer: Kilometres(MustNumber("7"))}
		if err := json.Unmarshal([]byte(s), &r); err == nil || !strings.Contains(err.Error(), why) {
			t.Errorf("%s: got error %v, want one about %q", s, err, why)
		}
		if r.Odometer != Kilometres(MustNumber("7")) {
			t.Errorf("%s: half-written: %s", s, r.Odometer)
		}
	}
	for _, v := range []any{Distance{}, Money{}, Measure{}, Money{amount: NumberFromInt(1 << 62).Mul(NumberFromInt(1 << 62)), currency: "EUR"},
		Measure{value: NumberFromInt(1 << 62).Mul(NumberFromInt(1 << 62)), unit: "V"}} {
		if got, err := json.Marshal(v); err == nil {
			t.Errorf("%T: an unset or too long value was written as %s", v, got)
		}
	}
}

// encoding/json asks IsZero through a pointer as well: the reason why a *Number is
// marked omitempty.
func TestOmitzeroDropsANumberThatIsZero(t *testing.T) {
	zero := Number{}
	for want, v := range map[string]any{
		`{}`: struct {
			N *Number `json:",omitzero"`
		}{&zero},
		`{"N":"0"}`: struct {
			N *Number `json:",omitempty"`
		}{&zero},
	} {
		if got, err := json.Marshal(v); err != nil || string(got) != want {
			t.Errorf("got %s, %v; want %s", got, err, want)
		}
	}
}

func numbers() *rapid.Generator[Number] {
	return rapid.Custom(func(t *rapid.T) Number {
		return MustNumber(rapid.StringMatching(`(0|-?[1-9][0-9]{0,15})|-?(0|[1-9][0-9]{0,10})\.[0-9]{0,8}[1-9]0{0,3}`).Draw(t, "number"))
	})
}

func rat(n Number) *big.Rat {
	r, ok := new(big.Rat).SetString(n.String())
	if !ok {
		panic(n.String())
	}
	return r
}

// The reference is math/big's rational arithmetic.
func TestArithmeticAgreesWithRationals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := numbers().Draw(t, "a"), numbers().Draw(t, "b")
		places := rapid.IntRange(0, 12).Draw(t, "places")
		if rat(a.Add(b)).Cmp(new(big.Rat).Add(rat(a), rat(b))) != 0 ||
			rat(a.Sub(b)).Cmp(new(big.Rat).Sub(rat(a), rat(b))) != 0 ||
			rat(a.Mul(b)).Cmp(new(big.Rat).Mul(rat(a), rat(b))) != 0 ||
			a.Cmp(b) != rat(a).Cmp(rat(b)) {
			t.Fatalf("%s and %s: sum %s, difference %s, product %s, order %d", a, b, a.Add(b), a.Sub(b), a.Mul(b), a.Cmp(b))
		}
		if got, want := a.Round(places), halfEven(rat(a), places); rat(got).Cmp(want) != 0 || scale(got) != places {
			t.Fatalf("%s to %d places: got %s, want %s", a, places, got, want.FloatString(places))
		}
		if b.IsZero() {
			return
		}
		got, err := a.Quo(b, places)
		if err != nil {
			if len(new(big.Rat).Quo(rat(a), rat(b)).FloatString(places)) < MaxDigits {
				t.Fatalf("%s/%s: %v", a, b, err)
			}
			return
		}
		if want := halfEven(new(big.Rat).Quo(rat(a), rat(b)), places); rat(got).Cmp(want) != 0 || scale(got) != places {
			t.Fatalf("%s/%s to %d places: got %s, want %s", a, b, places, got, want.FloatString(places))
		}
	})
}

func scale(n Number) int {
	_, fraction, _ := strings.Cut(n.String(), ".")
	return len(fraction)
}

func halfEven(r *big.Rat, places int) *big.Rat {
	unit := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil))
	scaled := new(big.Rat).Mul(r, unit)
	low := new(big.Int).Div(scaled.Num(), scaled.Denom()) // Euclidean: towards minus infinity here
	rest := new(big.Rat).Sub(scaled, new(big.Rat).SetInt(low))
	if c := rest.Cmp(big.NewRat(1, 2)); c > 0 || c == 0 && low.Bit(0) == 1 {
		low.Add(low, big.NewInt(1))
	}
	return new(big.Rat).Quo(new(big.Rat).SetInt(low), unit)
}

func TestValuesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := numbers().Draw(t, "n")
		in := record{Count: &n}
		if n.Sign() >= 0 {
			unit := rapid.SampledFrom([]string{"km", "mi"}).Draw(t, "unit")
			in.Odometer = Distance{number: n, unit: unit}
		}
		in.Price = Money{amount: n, currency: rapid.StringMatching(`[A-Z]{3}`).Draw(t, "currency")}
		in.Battery = Measure{value: n, unit: rapid.StringMatching(`([a-zA-Z%°µΩ]|1/[a-z])[a-zA-Z0-9/²³·]{0,13}`).Draw(t, "measure unit")}
		bytes, err := json.Marshal(in)
		if err != nil {
			t.Fatal(err)
		}
		var out record
		if err := json.Unmarshal(bytes, &out); err != nil {
			t.Fatalf("%s: %v", bytes, err)
		}
		if *out.Count != n || out.Odometer != in.Odometer || out.Price != in.Price || out.Battery != in.Battery {
			t.Fatalf("%s came back as %+v", bytes, out)
		}
	})
}
