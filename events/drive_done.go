package events

import "mendbook/events/quantity"

// DriveDone is a drive between scans: the chance for the vehicle's own tests to
// run. The key was turned off and on for it, so it is a new cycle too.
//
// Version history: v1, the first.
type DriveDone struct {
	Distance quantity.Distance `json:"distance,omitzero"`
	Minutes  int               `json:"minutes,omitempty"`
	// ColdStart is true where it began with a cold engine.
	ColdStart bool `json:"coldStart,omitempty"`
	// Where it went.
	Where    Road              `json:"where,omitempty"`
	Odometer quantity.Distance `json:"odometer,omitzero"`
	By       string            `json:"by,omitempty"`
	Note     string            `json:"note,omitempty"`
}

// Road is where a drive went.
type Road string

// Values are the words for a road.
func (Road) Values() []string { return []string{"town", "open road", "mixed"} }

// Type is "drive.done.v1".
func (*DriveDone) Type() string { return "drive.done.v1" }

// Validate wants a distance or a time.
func (e *DriveDone) Validate() error {
	var p Problems
	if e.Distance.IsZero() && e.Minutes == 0 {
		p.Add("distance", "a drive has a distance, minutes, or both")
	}
	if e.Minutes < 0 || e.Minutes > 100000 {
		p.Add("minutes", "%d: want 0 to 100000", e.Minutes)
	}
	optionalWord(&p, "where", e.Where)
	p.optionalName("by", e.By)
	p.text("note", e.Note)
	return p.Err()
}
