package verify

import (
	"fmt"
	"sort"
	"strconv"
	"strings"
	"time"

	"mendbook/events"
	"mendbook/events/quantity"
)

// Policy are the numbers that judgement uses. The defaults are common practice,
// not a standard; a workshop sets its own with policy.set events, and every
// result prints those it used.
type Policy struct {
	// DriveDistance and DriveMinutes are what a drive since the erase must reach,
	// in sum, before a code's absence counts as driven (10 km, 15 min).
	DriveDistance quantity.Distance
	DriveMinutes  int
	// Accept are the grades that let verify end with "every target is cleared".
	Accept []Grade
	// ClockTolerance is how near in time two events of different machines must be
	// for their order to be unknown (2 min).
	ClockTolerance time.Duration
	// RecentWarmUps and RecentDistance are counters since erase below which a
	// unit's list says little about what was there before (3; 50 km).
	RecentWarmUps  int
	RecentDistance quantity.Distance
	// WindowDays is how long a repair is watched for a comeback (90).
	WindowDays int
	// TimeZone is the workshop's, an IANA name, for days and for typed times.
	TimeZone string
	// Currency is the workshop's own, for amounts typed without one (ISO 4217).
	Currency string
}

// DefaultPolicy is what holds before anything was set.
func DefaultPolicy() Policy {
	return Policy{
		DriveDistance:  mustDistance("10 km"),
		DriveMinutes:   15,
		Accept:         []Grade{Answered, Tested, Monitored, Driven},
		ClockTolerance: 2 * time.Minute,
		RecentWarmUps:  3,
		RecentDistance: mustDistance("50 km"),
		WindowDays:     90,
		TimeZone:       "UTC",
		Currency:       "EUR",
	}
}

func mustDistance(s string) quantity.Distance {
	d, err := quantity.ParseDistance(s)
	if err != nil {
		panic(err)
	}
	return d
}

type setting struct {
	name string
	doc  string
	get  func(Policy) string
	set  func(*Policy, string) error
}

func settings() []setting {
	return []setting{
		{"accept", "grades that count as cleared, of answered, tested, monitored, driven",
			func(p Policy) string { return joinGrades(p.Accept) }, setAccept},
		{"clock-tolerance", "minutes within which the order of two machines' events is unknown, 0 to 60",
			func(p Policy) string { return strconv.Itoa(int(p.ClockTolerance / time.Minute)) },
			setInt(0, 60, func(p *Policy, n int) { p.ClockTolerance = time.Duration(n) * time.Minute })},
		{"currency", "three letters (ISO 4217) for amounts typed without one",
			func(p Policy) string { return p.Currency }, setCurrency},
		{"drive-distance", "distance since the erase that a drive must reach, like 10 km",
			func(p Policy) string { return p.DriveDistance.String() },
			setDistance(func(p *Policy, d quantity.Distance) { p.DriveDistance = d })},
		{"drive-minutes", "minutes since the erase that a drive must reach, 0 to 1000",
			func(p Policy) string { return strconv.Itoa(p.DriveMinutes) },
			setInt(0, 1000, func(p *Policy, n int) { p.DriveMinutes = n })},
		{"recent-distance", "distance since erase below which a unit's list says little about before",
			func(p Policy) string { return p.RecentDistance.String() },
			setDistance(func(p *Policy, d quantity.Distance) { p.RecentDistance = d })},
		{"recent-warm-ups", "warm-ups since erase below which a unit's list says little about before, 0 to 254",
			func(p Policy) string { return strconv.Itoa(p.RecentWarmUps) },
			setInt(0, 254, func(p *Policy, n int) { p.RecentWarmUps = n })},
		{"time-zone", "the workshop's time zone, an IANA name like Europe/Vienna",
			func(p Policy) string { return p.TimeZone }, setZone},
		{"window-days", "days a repair is watched for a comeback, 1 to 3650",
			func(p Policy) string { return strconv.Itoa(p.WindowDays) },
			setInt(1, 3650, func(p *Policy, n int) { p.WindowDays = n })},
	}
}

// Set changes one setting by its name; the error says what the name or value
// must be.
func (p *Policy) Set(name, value string) error {
	for _, s := range settings() {
		if s.name == name {
			if err := s.set(p, value); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			return nil
		}
	}
	return fmt.Errorf("no setting is called %q: want one of %s", name, strings.Join(SettingNames(), ", "))
}

// SettingNames are the names of all settings, sorted.
func SettingNames() []string {
	var out []string
	for _, s := range settings() {
		out = append(out, s.name)
	}
	sort.Strings(out)
	return out
}

// SettingDoc is what a setting means, in one line.
func SettingDoc(name string) string {
	for _, s := range settings() {
		if s.name == name {
			return s.doc
		}
	}
	return ""
}

// Values are all settings as they stand, sorted by name.
func (p Policy) Values() []PolicyValue {
	var out []PolicyValue
	for _, s := range settings() {
		out = append(out, PolicyValue{s.name, s.get(p)})
	}
	return out
}

// Accepts reports whether a grade counts as cleared.
func (p Policy) Accepts(g Grade) bool {
	for _, a := range p.Accept {
		if a == g {
			return true
		}
	}
	return false
}

// PolicyFrom folds the policy.set events of a book, the last by ID winning, into
// the defaults. What it cannot use comes back as warnings.
func PolicyFrom(evs []events.Event) (Policy, []string) {
	p := DefaultPolicy()
	var warnings []string
	last := map[string]events.Event{}
	for _, e := range Standing(evs) {
		set, ok := e.Body.(*events.PolicySet)
		if !ok {
			continue
		}
		if have, ok := last[set.Name]; !ok || have.ID.Compare(e.ID) < 0 {
			last[set.Name] = e
		}
	}
	names := make([]string, 0, len(last))
	for name := range last {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		if err := p.Set(name, last[name].Body.(*events.PolicySet).Value); err != nil {
			warnings = append(warnings, fmt.Sprintf("setting not used: %v", err))
		}
	}
	return p, warnings
}

func joinGrades(list []Grade) string {
	words := make([]string, len(list))
	for i, g := range list {
		words[i] = string(g)
	}
	return strings.Join(words, ", ")
}

func setAccept(p *Policy, value string) error {
	var out []Grade
	chosen := map[Grade]bool{}
	for _, w := range strings.FieldsFunc(value, func(r rune) bool { return r == ',' || r == ' ' }) {
		chosen[Grade(w)] = true
	}
	for _, g := range Grades() {
		if chosen[g] {
			out = append(out, g)
			delete(chosen, g)
		}
	}
	if len(chosen) > 0 || len(out) == 0 {
		return fmt.Errorf("%q: want some of %s", value, joinGrades(Grades()))
	}
	p.Accept = out
	return nil
}

func setCurrency(p *Policy, value string) error {
	if _, err := quantity.ParseMoney("0 " + value); err != nil {
		return fmt.Errorf("%q: want three letters like EUR (ISO 4217)", value)
	}
	p.Currency = value
	return nil
}

func setZone(p *Policy, value string) error {
	if _, err := time.LoadLocation(value); err != nil || value == "" || value == "Local" {
		return fmt.Errorf("%q is not a time zone: want an IANA name like Europe/Vienna, or UTC", value)
	}
	p.TimeZone = value
	return nil
}

func setInt(low, high int, set func(*Policy, int)) func(*Policy, string) error {
	return func(p *Policy, value string) error {
		n, err := strconv.Atoi(value)
		if err != nil || n < low || n > high {
			return fmt.Errorf("%q: want a whole number from %d to %d", value, low, high)
		}
		set(p, n)
		return nil
	}
}

func setDistance(set func(*Policy, quantity.Distance)) func(*Policy, string) error {
	return func(p *Policy, value string) error {
		d, err := quantity.ParseDistance(value)
		if err != nil {
			return err
		}
		set(p, d)
		return nil
	}
}
