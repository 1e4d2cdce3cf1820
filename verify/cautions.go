package verify

import (
	"strings"

	"mendbook/events"
)

// caution is a row of the table of cautions: what it is about, what calls for
// it, and the words. The words are short and general and defer to the maker's
// procedure, local rules and licensed people; they name no figure that a maker
// sets. Which words call for which caution is common practice of the trade; the
// code families are hints from memory of SAE J2012 (check-values 1.2).
type caution struct {
	about string
	// words in a unit, a component or a lamp, folded; a whole word or a run of words.
	words []string
	// codes are the beginnings of trouble codes.
	codes []string
	// suffixes are failure types that call for it by themselves.
	suffixes []string
	// when is a condition of the whole report.
	when func(*Report) bool
	text string
}

func cautionTable() []caution {
	return []caution{
		{about: "restraint systems",
			words: []string{"airbag", "air bag", "restraint", "belt", "belt tensioner", "pretensioner", "srs", "igniter", "clock spring"},
			codes: []string{"B00"},
			text:  "Restraint systems: work by trained people only, by the maker's procedure for making the system safe; no resistance measurement at an igniter."},
		{about: "high voltage",
			words: []string{"high voltage", "hv", "hybrid", "traction battery", "inverter", "electric drive", "dc dc converter", "on board charger"},
			codes: []string{"P0A", "P0B", "P0C", "P0D", "P0E", "P0F", "P1A", "P3"},
			text:  "High voltage: qualified people only; isolate, secure against re-connection, verify absence of voltage, by the maker's procedure and local rules."},
		{about: "brakes",
			words: []string{"brake", "brakes", "abs", "esp", "stability", "parking brake", "wheel speed", "wheel sensor"},
			codes: []string{"C003", "C004", "C01", "C02"},
			text:  "Brakes: check pedal and low-speed stop in the yard before any road test; follow the maker's procedure and local rules."},
		{about: "steering",
			words: []string{"steering", "steer", "power steering", "eps", "steering angle"},
			codes: []string{"C04", "C05", "C06"},
			text:  "Steering: no road test while its warning lamp is lit or its function is in doubt; calibrations by the maker's procedure."},
		{about: "fuel",
			words: []string{"fuel", "injector", "injection", "rail", "fuel pump", "tank", "lpg", "cng", "evaporative"},
			codes: []string{"P0087", "P0088", "P0089", "P0190", "P0191", "P0192", "P0193", "P0442", "P0455", "P0456", "P0457"},
			text:  "Fuel: under pressure and flammable; release pressure and check for leaks by the maker's procedure, no ignition source."},
		{about: "leaks", suffixes: []string{"7A", "7B"},
			text: "A leak or a low fluid is reported: find it before the vehicle is driven; brake, steering, fuel and coolant leaks by the maker's procedure."},
		{about: "road test",
			when: func(r *Report) bool { return hasStep(r, "drive") || nextHas(r, "drive ") },
			text: "Road test: by a licensed driver, within local rules; a second person operates any equipment; never with a red brake or steering lamp lit."},
		{about: "emissions inspection",
			when: func(r *Report) bool { return hasStep(r, "erase") || nextHas(r, "erase ") },
			text: "Erasing codes makes readiness monitors incomplete and deletes freeze frames: save the reading first; a vehicle so prepared is not ready for an emissions inspection until its monitors have run."},
	}
}

func hasStep(r *Report, kind string) bool {
	for _, s := range r.Steps {
		if s.Kind == kind {
			return true
		}
	}
	return false
}

func nextHas(r *Report, word string) bool {
	for _, f := range r.Faults {
		if strings.Contains(f.Next, word) {
			return true
		}
	}
	return false
}

// cautions are the rows of the table that the report calls for.
func cautions(r *Report) []string {
	out := []string{}
	for _, c := range cautionTable() {
		if c.calledFor(r) {
			out = append(out, c.text)
		}
	}
	return out
}

func (c caution) calledFor(r *Report) bool {
	if c.when != nil && c.when(r) {
		return true
	}
	for _, f := range r.Faults {
		if c.inWords(f.Unit) {
			return true
		}
		for _, p := range c.codes {
			if strings.HasPrefix(f.Code, p) {
				return true
			}
		}
		for _, s := range c.suffixes {
			if strings.HasSuffix(f.Code, "-"+s) {
				return true
			}
		}
	}
	for _, rep := range r.Repairs {
		if c.inWords(rep.What) {
			return true
		}
	}
	for _, m := range r.Measurements {
		if c.inWords(m.Unit) || c.inWords(m.Name) {
			return true
		}
	}
	for _, l := range r.Lamps {
		if c.inWords(l.Name) {
			return true
		}
	}
	return false
}

func (c caution) inWords(text string) bool {
	split := func(r rune) bool { return r == ' ' || r == '-' || r == '/' || r == ',' || r == '(' || r == ')' }
	have := " " + strings.Join(strings.FieldsFunc(events.Fold(text), split), " ") + " "
	for _, w := range c.words {
		if strings.Contains(have, " "+w+" ") {
			return true
		}
	}
	return false
}
