package quantity

import (
	"bytes"
	"fmt"
	"strings"
)

// unmarshalJSON hands the inside of a JSON string to take. The values of this
// package never need an escape, so one would be a second spelling and is refused.
func unmarshalJSON(data []byte, what, example string, take func([]byte) error) error {
	if len(data) < 2 || data[0] != '"' || data[len(data)-1] != '"' {
		return fmt.Errorf("%s %.60s: write it as a string, such as %q", what, data, example)
	}
	inside := data[1 : len(data)-1]
	if bytes.ContainsRune(inside, '\\') {
		return fmt.Errorf("%s %.60s: write it without escapes, such as %q", what, data, example)
	}
	return take(inside)
}

// splitUnit parts "84.50 EUR" or "84.50EUR" into its number and its unit. Without
// a space the unit must be free of digits, so that "1e5V" or "12,6V" is not taken
// for a number with a strange unit.
func splitUnit(what, example, s string) (Number, string, error) {
	trimmed := strings.Trim(s, " ")
	head, unit, spaced := strings.Cut(trimmed, " ")
	if spaced {
		unit = strings.TrimLeft(unit, " ")
	} else {
		end := strings.IndexFunc(trimmed, func(r rune) bool {
			return !strings.ContainsRune("-.0123456789", r)
		})
		if end > 0 && !strings.ContainsAny(trimmed[end:], "0123456789") {
			head, unit = trimmed[:end], trimmed[end:]
		}
	}
	n, err := ParseNumber(head)
	switch {
	case trimmed == "":
		return Number{}, "", fmt.Errorf("%s %.60q: empty; write it like %q", what, s, example)
	case err != nil:
		return Number{}, "", fmt.Errorf("%s %.60q: %w", what, s, err)
	case unit == "":
		return Number{}, "", fmt.Errorf("%s %.60q: the unit is missing; write it like %q", what, s, example)
	}
	return n, unit, nil
}

func notCanonical(what, got, want string) error {
	return fmt.Errorf("%s %.60q: stored values are spelt in one way only: %q", what, got, want)
}
