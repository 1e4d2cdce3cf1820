package events

import (
	"mendbook/events/fault"
	"mendbook/events/quantity"
)

// JobClosed ends a job: the vehicle is handed over. The verdicts that stood by
// then are the job's own; what is read later is told beside them.
//
// Version history: v1, the first.
type JobClosed struct {
	Job      ID                `json:"job"`
	Odometer quantity.Distance `json:"odometer,omitzero"`
	// HandedOver is what was handed over, in words: "van, two keys, old sensor".
	HandedOver string `json:"handedOver,omitempty"`
	// SignedOff are the verdicts that were open and whose handing over a person
	// put their name to.
	SignedOff []SignOff `json:"signedOff,omitempty"`
	By        string    `json:"by,omitempty"`
	Note      string    `json:"note,omitempty"`
}

// SignOff is a person's name under one verdict that was not good at closing.
type SignOff struct {
	Unit string     `json:"unit"`
	Code fault.Code `json:"code,omitzero"`
	// NoAnswer is true where the fault is the unit's silence instead of a code.
	NoAnswer bool `json:"noAnswer,omitempty"`
	// Verdict is the word that stood: "unproven", "awaited".
	Verdict string `json:"verdict"`
	By      string `json:"by"`
	// Words are what was agreed: "handed over unproven, customer told".
	Words string `json:"words"`
}

// Type is "job.closed.v1".
func (*JobClosed) Type() string { return "job.closed.v1" }

// Validate wants the job, and a name and words with every sign-off.
func (e *JobClosed) Validate() error {
	var p Problems
	p.id("job", e.Job)
	p.text("handedOver", e.HandedOver)
	p.size("signedOff", len(e.SignedOff))
	for i, s := range e.SignedOff {
		at := p.In("signedOff", i)
		at.name("unit", s.Unit)
		if s.Code.IsZero() != s.NoAnswer {
			at.Add("code", "want a code, or noAnswer, and not both")
		}
		at.name("verdict", s.Verdict)
		at.name("by", s.By)
		at.name("words", s.Words)
	}
	p.optionalName("by", e.By)
	p.text("note", e.Note)
	return p.Err()
}
