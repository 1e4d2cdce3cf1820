package quantity

import (
	"encoding/json"
	"fmt"
	"testing"
)

// text is what each value does: String, and a JSON form of one spelling.
type text[T any] interface {
	*T
	json.Unmarshaler
}

// checkParser holds for any input: what is parsed prints so that it parses to the same
// value, and JSON that is accepted is written back byte for byte.
func checkParser[T interface {
	comparable
	fmt.Stringer
}, P text[T]](t *testing.T, s string, parse func(string) (T, error)) {
	if v, err := parse(s); err == nil {
		again, err := parse(v.String())
		if err != nil || again != v {
			t.Errorf("%q printed as %q, which gave %q, %v", s, v, again, err)
		}
		if _, err := json.Marshal(v); err != nil {
			t.Errorf("%q was parsed but cannot be stored: %v", s, err)
		}
	}
	for _, data := range []string{s, `"` + s + `"`} {
		var v T
		if json.Unmarshal([]byte(data), P(&v)) != nil || !json.Valid([]byte(data)) {
			continue
		}
		out, err := json.Marshal(v)
		if err != nil || string(out) != trimJSON(data) {
			t.Errorf("%s was accepted and written back as %s, %v", data, out, err)
		}
	}
}

// trimJSON drops the white space that JSON allows around a value.
func trimJSON(s string) string {
	var raw json.RawMessage
	if err := json.Unmarshal([]byte(s), &raw); err != nil {
		return s
	}
	return string(raw)
}

func FuzzNumber(f *testing.F) {
	for _, s := range []string{"84.50", "-0", "007", "1e5", `"84.50"`, `"\u0031"`, "84.5", "null", "NaN"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) { checkParser[Number](t, s, ParseNumber) })
}

func FuzzDistance(f *testing.F) {
	for _, s := range []string{"214880 km", "214880km", "1 mi", " 1  km", "-1 km", `"1 km"`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) { checkParser[Distance](t, s, ParseDistance) })
}

func FuzzMoney(f *testing.F) {
	for _, s := range []string{"84.50 EUR", "84.50EUR", "-1 EUR", `"1 USD"`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) { checkParser[Money](t, s, ParseMoney) })
}

func FuzzMeasure(f *testing.F) {
	for _, s := range []string{"12.6 V", "12.6V", "-4 °C", "850 1/min", "1 a\u2028b", "1 <", "1 \xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) { checkParser[Measure](t, s, ParseMeasure) })
}
