package fault

import (
	"fmt"
	"slices"
	"strings"
)

// State is the word a unit, or the person reading it, uses for a listed code. The
// zero value means that no word was given.
type State uint8

// The states.
const (
	StatePresent State = iota + 1 // the fault is there now
	StatePending                  // seen, not yet confirmed
	StateStored                   // in memory
)

func stateNames() []string { return []string{"present", "pending", "stored"} }

// ParseState reads present, pending or stored.
func ParseState(s string) (State, error) {
	i, err := nameIndex("state", s, stateNames())
	return State(i), err
}

// String gives the word, "" for the zero value.
func (s State) String() string { return nameAt(uint8(s), stateNames()) }

// MarshalText gives String. The zero value is an error: leave it out with omitzero.
func (s State) MarshalText() ([]byte, error) { return nameText("state", uint8(s), stateNames()) }

// UnmarshalText reads what ParseState reads.
func (s *State) UnmarshalText(text []byte) error {
	v, err := ParseState(string(text))
	if err == nil {
		*s = v
	}
	return err
}

// View is a list of codes that a unit keeps and can be asked for. The zero value is
// invalid.
type View uint8

// The views.
const (
	ViewStored           View = iota + 1 // confirmed codes (SAE J1979 service 03, ISO 14229-1 service 19)
	ViewPending                          // SAE J1979 service 07
	ViewPermanent                        // SAE J1979 service 0A
	ViewActive                           // SAE J1939-73 DM1
	ViewPreviouslyActive                 // SAE J1939-73 DM2
	ViewSupported                        // all codes a unit can set (ISO 14229-1 service 19 0A)
)

func viewNames() []string {
	return []string{"stored", "pending", "permanent", "active", "previously-active", "supported"}
}

// Views gives all views in order.
func Views() []View {
	return []View{ViewStored, ViewPending, ViewPermanent, ViewActive, ViewPreviouslyActive, ViewSupported}
}

// ParseView reads stored, pending, permanent, active, previously-active or supported.
func ParseView(s string) (View, error) {
	i, err := nameIndex("view", s, viewNames())
	return View(i), err
}

// String gives the word, "" for the zero value.
func (v View) String() string { return nameAt(uint8(v), viewNames()) }

// MarshalText gives String. The zero value is an error.
func (v View) MarshalText() ([]byte, error) { return nameText("view", uint8(v), viewNames()) }

// UnmarshalText reads what ParseView reads.
func (v *View) UnmarshalText(text []byte) error {
	w, err := ParseView(string(text))
	if err == nil {
		*v = w
	}
	return err
}

// The name functions serve enums that count their names from 1.

func nameIndex(what, s string, names []string) (uint8, error) {
	if i := slices.Index(names, s); i >= 0 {
		return uint8(i + 1), nil
	}
	return 0, fmt.Errorf("%s %.40q: unknown; write one of %s", what, s, strings.Join(names, ", "))
}

func nameAt(v uint8, names []string) string {
	if v == 0 || int(v) > len(names) {
		return ""
	}
	return names[v-1]
}

func nameText(what string, v uint8, names []string) ([]byte, error) {
	if name := nameAt(v, names); name != "" {
		return []byte(name), nil
	}
	if v == 0 {
		return nil, fmt.Errorf("%s is not set", what)
	}
	return nil, fmt.Errorf("%s %d: unknown", what, v)
}
