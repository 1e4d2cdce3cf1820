package events

import "strings"

// Key is a word under which an event can be found, and what kind of word it is.
type Key struct {
	Kind string // label, vin, card, code, unit, work, part, serial, batch, claim
	Word string // folded: see Fold
}

// Keys are the words under which an event is found. They are a pure function
// of the event, so an index over them can always be rebuilt and compared.
func Keys(d Data) []Key {
	var out []Key
	add := func(kind, word string) {
		word = Fold(word)
		if word == "" {
			return
		}
		k := Key{kind, word}
		for _, have := range out {
			if have == k {
				return
			}
		}
		out = append(out, k)
	}
	targets := func(list []Target) {
		for _, t := range list {
			add("code", t.Code.String())
			add("unit", t.Unit)
		}
	}
	switch e := d.(type) {
	case *VehicleRegistered:
		add("label", e.Label)
		add("vin", e.VIN.String())
	case *JobOpened:
		add("card", e.Card)
	case *ScanTaken:
		for _, u := range e.Units {
			for _, c := range u.Codes {
				add("code", c.Code.String())
				add("code", c.Code.Base().String())
			}
		}
	case *RepairDone:
		targets(e.Targets)
		add("work", strings.TrimSpace(e.Action+" "+e.Component))
		for _, part := range e.Parts {
			add("part", part.Number)
			add("serial", part.Serial)
			add("batch", part.Batch)
		}
	case *ClaimFiled:
		add("claim", e.Reference)
		add("serial", e.OldPart)
	}
	return out
}
