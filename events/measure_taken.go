package events

import "mendbook/events/quantity"

// MeasureTaken is a measurement by hand, with the limits it is held against.
//
// Version history: v1, the first.
type MeasureTaken struct {
	Name  string           `json:"name"`
	Value quantity.Measure `json:"value"`
	// Low and High are the limits, in the value's unit; either may be unset.
	Low  *quantity.Number `json:"low,omitempty"`
	High *quantity.Number `json:"high,omitempty"`
	// Source is where the limits come from: "maker's manual", "EN 3".
	Source string `json:"source,omitempty"`
	// Unit is the control unit or system it belongs to.
	Unit string `json:"unit,omitempty"`
	By   string `json:"by,omitempty"`
	Note string `json:"note,omitempty"`
}

// Type is "measure.taken.v1".
func (*MeasureTaken) Type() string { return "measure.taken.v1" }

// Validate wants a name and a value, and limits in order.
func (e *MeasureTaken) Validate() error {
	var p Problems
	p.name("name", e.Name)
	if e.Value.IsZero() {
		p.Add("value", "missing")
	}
	if e.Low != nil && e.High != nil && e.Low.Cmp(*e.High) > 0 {
		p.Add("low", "%s is above the high limit %s", e.Low, e.High)
	}
	p.optionalName("source", e.Source)
	p.optionalName("unit", e.Unit)
	p.optionalName("by", e.By)
	p.text("note", e.Note)
	return p.Err()
}
