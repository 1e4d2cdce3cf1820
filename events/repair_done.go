package events

import (
	"mendbook/events/fault"
	"mendbook/events/quantity"
)

// RepairDone is work on the vehicle. The event's ID names the repair.
//
// Version history: v1, the first.
type RepairDone struct {
	// Job is the job it belongs to; unset, the one that was open by then.
	Job ID `json:"job,omitzero"`
	// Action and Component are what was done to what: "replaced", "coil 2".
	Action    string `json:"action"`
	Component string `json:"component"`
	// Targets are the faults the repair was meant to cure. Without one nothing
	// can be proven by it.
	Targets []Target `json:"targets,omitempty"`
	// Renewed are units that were replaced or reprogrammed: a new memory begins.
	Renewed []Renewal `json:"renewed,omitempty"`
	Parts   []Part    `json:"parts,omitempty"`
	// Hours worked, and what the labour cost.
	Hours  *quantity.Number `json:"hours,omitempty"`
	Labour quantity.Money   `json:"labour,omitzero"`
	By     string           `json:"by,omitempty"`
	Note   string           `json:"note,omitempty"`
}

// Target is a fault of a unit: a code, or the unit's silence.
type Target struct {
	Unit string     `json:"unit"`
	Code fault.Code `json:"code,omitzero"`
	// NoAnswer is true where the fault is that the unit did not answer.
	NoAnswer bool `json:"noAnswer,omitempty"`
}

// Renewal is a unit whose memory began anew with the repair.
type Renewal struct {
	Unit string  `json:"unit"`
	How  Renewed `json:"how"`
}

// Renewed is how a unit got a new memory.
type Renewed string

// Values are the words for a renewal.
func (Renewed) Values() []string { return []string{"replaced", "reprogrammed"} }

// Part is a part used in a repair.
type Part struct {
	Name   string `json:"name,omitempty"`
	Number string `json:"number,omitempty"`
	Serial string `json:"serial,omitempty"`
	Batch  string `json:"batch,omitempty"`
	// Quantity is how many; unset is one.
	Quantity *quantity.Number `json:"quantity,omitempty"`
	// Price of one.
	Price quantity.Money `json:"price,omitzero"`
}

// Type is "repair.done.v1".
func (*RepairDone) Type() string { return "repair.done.v1" }

// Validate wants an action and a component, and every target, unit and part whole.
func (e *RepairDone) Validate() error {
	var p Problems
	p.name("action", e.Action)
	p.name("component", e.Component)
	validateTargets(&p, e.Targets)
	for i, r := range e.Renewed {
		at := p.In("renewed", i)
		at.name("unit", r.Unit)
		word(at, "how", r.How)
	}
	p.size("renewed", len(e.Renewed))
	p.size("parts", len(e.Parts))
	for i, part := range e.Parts {
		at := p.In("parts", i)
		if part.Name == "" && part.Number == "" {
			at.Add("number", "a part has a name or a number")
		}
		at.optionalName("name", part.Name)
		at.optionalName("number", part.Number)
		at.optionalName("serial", part.Serial)
		at.optionalName("batch", part.Batch)
		if part.Quantity != nil && part.Quantity.Sign() <= 0 {
			at.Add("quantity", "%s: want more than 0", part.Quantity)
		}
	}
	if e.Hours != nil && e.Hours.Sign() < 0 {
		p.Add("hours", "%s: want 0 or more", e.Hours)
	}
	p.optionalName("by", e.By)
	p.text("note", e.Note)
	return p.Err()
}

func validateTargets(p *Problems, targets []Target) {
	p.size("targets", len(targets))
	type key struct {
		unit string
		code fault.Code
	}
	seen := map[key]bool{}
	for i, t := range targets {
		at := p.In("targets", i)
		at.name("unit", t.Unit)
		if t.Code.IsZero() != t.NoAnswer {
			at.Add("code", "want a code, or noAnswer, and not both")
		}
		k := key{Fold(t.Unit), t.Code}
		if seen[k] {
			at.Add("code", "the fault is targeted twice")
		}
		seen[k] = true
	}
}
