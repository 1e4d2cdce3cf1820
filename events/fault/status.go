package fault

import (
	"fmt"
	"strconv"
	"strings"
)

// Status is the status byte of one code, statusOfDTC of ISO 14229-1 Annex D.2. All
// 256 values are valid, 00 included: a field that may be absent is a *Status and
// never marked omitzero on a plain Status. Which bits a unit keeps is told by its
// status availability mask; a bit outside it is unknown, never 0.
type Status uint8

// The bits (ISO 14229-1 Annex D.2).
const (
	TestFailed             Status = 1 << iota // the last completed test failed
	TestFailedThisCycle                       // failed at least once this operation cycle
	Pending                                   // failed this or the last completed cycle
	Confirmed                                 // failed often enough to be stored; not "present now"
	NotCompletedSinceClear                    // no test completed since the last clear
	FailedSinceClear                          // failed at least once since the last clear
	NotCompletedThisCycle                     // no test completed this operation cycle
	WarningIndicator                          // the unit asks for a warning lamp
)

// ParseStatus reads two hex digits in either case, with or without "0x".
func ParseStatus(s string) (Status, error) {
	digits := s
	if len(s) == 4 && (s[:2] == "0x" || s[:2] == "0X") {
		digits = s[2:]
	}
	if len(digits) != 2 || !isHex(digits) {
		return 0, fmt.Errorf("status %.20q: not two hex digits; write it like 2F", s)
	}
	v, err := strconv.ParseUint(digits, 16, 8)
	return Status(v), err
}

// String gives two capital hex digits: "2F".
func (s Status) String() string { return fmt.Sprintf("%02X", uint8(s)) }

// Has tells whether all the given bits are set.
func (s Status) Has(bits Status) bool { return s&bits == bits }

// Words gives the set bits among the available ones in plain words, lowest bit first.
func (s Status) Words(available Status) []string {
	words := strings.Split(statusWords, "|")
	var out []string
	for i, w := range words {
		if (s & available).Has(1 << i) {
			out = append(out, w)
		}
	}
	return out
}

const statusWords = "last test failed|failed this cycle|pending|confirmed|not tested since clear|" +
	"failed since clear|not tested this cycle|lamp requested"

// MarshalText gives String.
func (s Status) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads two hex digits, in capitals only.
func (s *Status) UnmarshalText(text []byte) error {
	v, err := ParseStatus(string(text))
	if err != nil {
		return err
	}
	if v.String() != string(text) {
		return fmt.Errorf("status %.20q: stored status bytes are spelt %q", text, v)
	}
	*s = v
	return nil
}
