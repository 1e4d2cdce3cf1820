package events

import "mendbook/events/quantity"

// JobOpened opens a job: the visit of a vehicle, from its complaint to its
// handing over. The event's ID names the job.
//
// Version history: v1, the first.
type JobOpened struct {
	// Card is the number of the paper job card, the way to the customer.
	Card      string            `json:"card,omitempty"`
	Odometer  quantity.Distance `json:"odometer,omitzero"`
	Complaint string            `json:"complaint,omitempty"`
	// Lamps are those seen lit or not when the vehicle came in.
	Lamps []Lamp `json:"lamps,omitempty"`
	By    string `json:"by,omitempty"`
	Note  string `json:"note,omitempty"`
}

// Type is "job.opened.v1".
func (*JobOpened) Type() string { return "job.opened.v1" }

// Validate checks the lengths of text and the lamps.
func (e *JobOpened) Validate() error {
	var p Problems
	p.optionalName("card", e.Card)
	p.text("complaint", e.Complaint)
	validateLamps(&p, e.Lamps)
	p.optionalName("by", e.By)
	p.text("note", e.Note)
	return p.Err()
}
