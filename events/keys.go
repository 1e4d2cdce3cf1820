package events

import "strings"

// Key is a word under which an event can be found, and what kind of word it is.
type Key struct {
	Kind string // label, vin, card, code, unit, work, part, serial, batch, claim
	Word string // folded: see Fold
}

// mostTails bounds how many words of a component an event is found by.
const mostTails = 8

// Keys are the words under which an event is found. They are a pure function
// of the event, so an index over them can always be rebuilt and compared.
//
// Since the beginning of a word is enough to find it, work is listed whole, by
// its component, and by what remains of the component from each of its words on:
// "replaced ignition coil 2", "ignition coil 2", "coil 2", "2".
func Keys(d Data) []Key {
	var out []Key
	have := map[Key]bool{}
	eachWord(d, func(kind, word, _ string) {
		k := Key{kind, Fold(word)}
		if k.Word == "" || have[k] {
			return
		}
		have[k] = true
		out = append(out, k)
	})
	return out
}

// Recorded is what the event has recorded where it is found by a key, in its own
// capitals: the whole of the work where the key is a word of it. It is empty
// where the event has no such key.
func Recorded(d Data, k Key) string {
	found := ""
	eachWord(d, func(kind, word, whole string) {
		if found == "" && kind == k.Kind && Fold(word) == k.Word {
			found = whole
		}
	})
	return found
}

// eachWord gives the words of an event: the kind of the word, the word as it was
// recorded, and the text that it is part of.
func eachWord(d Data, give func(kind, word, whole string)) {
	add := func(kind, word string) { give(kind, word, strings.Join(strings.Fields(word), " ")) }
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
			add("unit", u.Unit)
			for _, c := range u.Codes {
				add("code", c.Code.String())
				add("code", c.Code.Base().String())
			}
		}
	case *CodesErased:
		for _, u := range e.Units {
			add("unit", u.Unit)
		}
	case *UnitNamed:
		add("unit", e.Known)
		add("unit", e.Unit)
	case *RepairDone:
		targets(e.Targets)
		whole := strings.Join(strings.Fields(e.Action+" "+e.Component), " ")
		give("work", whole, whole)
		words := strings.Fields(e.Component)
		for i := range min(len(words), mostTails) {
			give("work", strings.Join(words[i:], " "), whole)
		}
		for _, part := range e.Parts {
			add("part", part.Number)
			add("part", part.Name)
			add("serial", part.Serial)
			add("batch", part.Batch)
		}
	case *ClaimFiled:
		add("claim", e.Reference)
		add("serial", e.OldPart)
	}
}
