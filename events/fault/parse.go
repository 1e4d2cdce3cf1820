package fault

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// MaxMakerRunes is the length limit of a maker's own code, in Unicode characters.
const MaxMakerRunes = 32

// Parse reads a code as a person types it.
//
//   - SAE: "P0302", "p0741-07". A letter P, C, B or U, a digit 0..3, three hex
//     digits, and optionally '-' and two hex digits. Small letters are taken.
//   - SPN: "SPN 1208 FMI 3", "spn1208/3". SPN 0..524287, FMI 0..31.
//   - Anything else of 1 to MaxMakerRunes printable characters, without spaces and
//     '#', is a maker's code and kept as printed: "9C41", "A1B2", "A0123-00". Case
//     counts: "9c41" is another code.
//
// A text that seems to be an SAE code with a slip in it is an error rather than a
// maker's code:
//
//   - a whole SAE code with something else after it (P0741.07, P0302:);
//   - P, C, B or U followed by hex digits and '-' only, at least one of them a
//     decimal digit, in no valid form (P0FFF00, U012-300, P4123);
//   - an SAE code with the letter O or I for the digit 0 or 1 (PO302, P03O2).
//
// B and C are hex digits too: an even count of hex digits beginning with them (C41F,
// B7, C12345) is taken for whole bytes of a maker's code.
func Parse(s string) (Code, error) {
	if c, ok := parseSAE(s); ok {
		return c, nil
	}
	if isSPN(s) {
		return parseSPN(s)
	}
	return Maker(s)
}

// ParseSAE reads "P0302" or "P0741-07", in either case, and nothing else.
func ParseSAE(s string) (Code, error) {
	if c, ok := parseSAE(s); ok {
		return c, nil
	}
	return Code{}, notSAE(s)
}

// Maker gives a maker's own code, kept exactly as printed. Texts that Parse reads as
// an SAE or SPN code, or takes for a slip in one, are errors.
func Maker(s string) (Code, error) {
	if err := checkMaker(s); err != nil {
		return Code{}, err
	}
	return Code{kind: KindMaker, text: s}, nil
}

func checkMaker(s string) error {
	switch {
	case s == "":
		return errors.New("code: empty; write it as printed, such as P0302 or P0741-07")
	case !utf8.ValidString(s):
		return fmt.Errorf("code %.60q: not valid UTF-8", s)
	case isSPN(s):
		return fmt.Errorf("code %.60q: this is an SPN, not a maker's code", s)
	}
	if _, ok := parseSAE(s); ok {
		return fmt.Errorf("code %.60q: this is an SAE code, not a maker's code", s)
	}
	if fixed, ok := lettersForDigits(s); ok {
		return fmt.Errorf("code %.60q: a letter stands for a digit; was %s meant", s, fixed)
	}
	if slippedSAE(s) {
		return notSAE(s)
	}
	for _, r := range s {
		if r == ' ' || r == '#' || !unicode.IsPrint(r) {
			return fmt.Errorf("code %.60q: %q is not allowed in a code", s, r)
		}
	}
	if n := utf8.RuneCountInString(s); n > MaxMakerRunes {
		return fmt.Errorf("code %.60q: %d characters; at most %d are kept", s, n, MaxMakerRunes)
	}
	return nil
}

func notSAE(s string) error {
	return fmt.Errorf("code %.60q: not a letter P, C, B or U with a digit 0 to 3 and three hex digits, such as P0302, or P0741-07 with a failure type", s)
}

// upper turns a to z into capitals and leaves all else: strings.ToUpper would make
// an I of the dotless ı and so read another spelling.
func upper(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' {
			return r - 'a' + 'A'
		}
		return r
	}, s)
}

func parseSAE(s string) (Code, bool) {
	s = upper(s)
	if len(s) != 5 && len(s) != 8 {
		return Code{}, false
	}
	letter := strings.IndexByte(letters, s[0])
	if letter < 0 || s[1] < '0' || s[1] > '3' || !isHex(s[2:5]) {
		return Code{}, false
	}
	digits, _ := strconv.ParseUint(s[1:5], 16, 16)
	base := uint32(letter)<<14 | uint32(digits)
	if len(s) == 5 {
		return Code{kind: KindSAE2, value: base}, true
	}
	if s[5] != '-' || !isHex(s[6:]) {
		return Code{}, false
	}
	ftb, _ := strconv.ParseUint(s[6:], 16, 8)
	return Code{kind: KindSAE3, value: base<<8 | uint32(ftb)}, true
}

func isHex(s string) bool {
	for i := range len(s) {
		c := s[i] | 0x20
		if (s[i] < '0' || s[i] > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return s != ""
}

// lettersForDigits gives the SAE code that comes out when O and I are read as the
// digits they resemble.
func lettersForDigits(s string) (Code, bool) {
	if len(s) == 0 || !strings.ContainsAny(s, "OoIi") {
		return Code{}, false
	}
	return parseSAE(s[:1] + strings.NewReplacer("O", "0", "o", "0", "I", "1", "i", "1").Replace(s[1:]))
}

// slippedSAE tells whether s, which is no SAE code, was probably meant as one.
func slippedSAE(s string) bool {
	if len(s) < 2 || !strings.ContainsRune(letters, unicode.ToUpper(rune(s[0]))) {
		return false
	}
	if letter := s[0] &^ 0x20; (letter == 'B' || letter == 'C') && len(s)%2 == 0 && isHex(s) {
		return false
	}
	if len(s) > 5 {
		if _, whole := parseSAE(s[:5]); whole {
			return true
		}
	}
	rest := strings.ReplaceAll(s[1:], "-", "")
	return isHex(rest) && strings.ContainsAny(rest, "0123456789")
}

// isSPN tells whether s can only be meant as an SPN: the letters, followed by
// nothing, a space or a digit. A maker's code may begin with the letters otherwise.
func isSPN(s string) bool {
	if len(s) < 3 || !strings.EqualFold(s[:3], "SPN") {
		return false
	}
	return len(s) == 3 || s[3] == ' ' || s[3] >= '0' && s[3] <= '9'
}

func parseSPN(s string) (Code, error) {
	bad := fmt.Errorf("code %.60q: write an SPN with its FMI like \"SPN 1208 FMI 3\" or spn1208/3", s)
	rest := strings.TrimPrefix(upper(s)[3:], " ")
	number, mode, ok := strings.Cut(rest, "/")
	if !ok {
		if number, mode, ok = strings.Cut(rest, "FMI"); !ok {
			return Code{}, bad
		}
		number, mode = strings.TrimSuffix(number, " "), strings.TrimPrefix(mode, " ")
	}
	spn, ok1 := decimal(number, 6)
	fmi, ok2 := decimal(mode, 2)
	if !ok1 || !ok2 {
		return Code{}, bad
	}
	c, err := FromSPN(spn, uint8(fmi))
	if err != nil {
		return Code{}, fmt.Errorf("code %.60q: %w", s, err)
	}
	return c, nil
}

// decimal reads at most the given count of digits, without sign or leading zero.
func decimal(s string, digits int) (uint32, bool) {
	if len(s) == 0 || len(s) > digits || len(s) > 1 && s[0] == '0' {
		return 0, false
	}
	v, err := strconv.ParseUint(s, 10, 32)
	return uint32(v), err == nil
}
