package events

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/oklog/ulid/v2"
)

// ID names an event, and with it the thing the event made: a vehicle is named
// by the event that registered it, a job by the event that opened it, a repair
// by the event that recorded it. It is a ULID: 48 bits of milliseconds since
// 1970, 80 bits that make it unique, written as 26 characters of Crockford's
// base 32 in upper case. The zero ID is no ID.
type ID [16]byte

// ParseID reads the 26 characters of an ID. Lower case, the look-alikes I, L, O
// and U, a time beyond 48 bits and the zero ID are refused: one ID has one spelling.
func ParseID(s string) (ID, error) {
	u, err := ulid.ParseStrict(s)
	if err != nil || u.String() != s || ID(u).IsZero() {
		return ID{}, fmt.Errorf("%q is not an event id: want 26 characters of 0-9 and A-Z without I, L, O, U", s)
	}
	return ID(u), nil
}

// MustID is ParseID for constants; it panics on a bad one.
func MustID(s string) ID {
	id, err := ParseID(s)
	if err != nil {
		panic(err)
	}
	return id
}

// NewID makes an ID of a time, in whole milliseconds, and ten bytes of entropy.
func NewID(at time.Time, entropy [10]byte) ID {
	var u ulid.ULID
	ms := at.UnixMilli()
	if ms < 0 {
		ms = 0
	}
	// The only error is a time beyond the year 10889, which counts as 1970 then.
	_ = u.SetTime(uint64(ms))
	copy(u[6:], entropy[:])
	return ID(u)
}

// String is the 26-character spelling; the zero ID is the empty string.
func (id ID) String() string {
	if id.IsZero() {
		return ""
	}
	return ulid.ULID(id).String()
}

// Short is the shortest form shown to people: the last six characters, which
// differ between events recorded in the same moment.
func (id ID) Short() string {
	s := id.String()
	if len(s) < 6 {
		return s
	}
	return s[len(s)-6:]
}

// IsZero reports whether id is no ID.
func (id ID) IsZero() bool { return id == ID{} }

// Time is the moment the ID was made, in UTC, to the millisecond.
func (id ID) Time() time.Time { return time.UnixMilli(int64(ulid.ULID(id).Time())).UTC() }

// Compare orders by time, then by the rest: -1, 0 or 1.
func (id ID) Compare(other ID) int { return strings.Compare(string(id[:]), string(other[:])) }

// MarshalText writes the 26 characters.
func (id ID) MarshalText() ([]byte, error) { return []byte(id.String()), nil }

// UnmarshalText reads what MarshalText wrote, and nothing else.
func (id *ID) UnmarshalText(b []byte) error {
	parsed, err := ParseID(string(b))
	if err != nil {
		return err
	}
	*id = parsed
	return nil
}

var _ json.Marshaler = (*Time)(nil)

// Time is a moment in UTC to the millisecond, written as RFC 3339 with the
// fraction only where there is one. The zero Time is unset.
type Time struct{ t time.Time }

// At makes a Time, dropping what is finer than a millisecond.
func At(t time.Time) Time {
	if t.IsZero() {
		return Time{}
	}
	return Time{t.UTC().Truncate(time.Millisecond)}
}

// ParseTime reads RFC 3339 with any offset, for typed input.
func ParseTime(s string) (Time, error) {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return Time{}, fmt.Errorf("%q is not a time: want a form like 2026-03-02T09:12:44Z (RFC 3339)", s)
	}
	if y := t.UTC().Year(); y < 1970 || y > 9999 {
		return Time{}, fmt.Errorf("%q is outside the years 1970 to 9999", s)
	}
	return At(t), nil
}

// Std is the time as the standard library has it, in UTC.
func (t Time) Std() time.Time { return t.t }

// IsZero reports whether t is unset.
func (t Time) IsZero() bool { return t.t.IsZero() }

// String is the RFC 3339 text; empty when unset.
func (t Time) String() string {
	if t.IsZero() {
		return ""
	}
	return t.t.Format(time.RFC3339Nano)
}

// MarshalJSON writes the text as a JSON string.
func (t Time) MarshalJSON() ([]byte, error) { return json.Marshal(t.String()) }

// UnmarshalJSON reads only the canonical text.
func (t *Time) UnmarshalJSON(b []byte) error {
	var s string
	if err := json.Unmarshal(b, &s); err != nil {
		return fmt.Errorf("a time is a string like \"2026-03-02T09:12:44Z\"")
	}
	parsed, err := ParseTime(s)
	if err != nil {
		return err
	}
	if parsed.String() != s {
		return fmt.Errorf("%q is not in the one form a time has here: want %q", s, parsed.String())
	}
	*t = parsed
	return nil
}
