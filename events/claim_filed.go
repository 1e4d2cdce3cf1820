package events

import (
	"time"

	"mendbook/events/quantity"
)

// ClaimFiled is a warranty claim sent out. The event's ID names the claim.
//
// Version history: v1, the first.
type ClaimFiled struct {
	Job ID `json:"job"`
	// Reference is the number the claim has with whoever pays.
	Reference string `json:"reference"`
	// Against is who is asked to pay: "part supplier".
	Against string `json:"against"`
	// OldPart is the serial number of the part that failed.
	OldPart string `json:"oldPart,omitempty"`
	// ReturnBy is the last day to send the old part back, as 2026-03-31.
	ReturnBy string         `json:"returnBy,omitempty"`
	Amount   quantity.Money `json:"amount,omitzero"`
	By       string         `json:"by,omitempty"`
	Note     string         `json:"note,omitempty"`
}

// Type is "claim.filed.v1".
func (*ClaimFiled) Type() string { return "claim.filed.v1" }

// Validate wants a job, a reference and whom it is against.
func (e *ClaimFiled) Validate() error {
	var p Problems
	p.id("job", e.Job)
	p.name("reference", e.Reference)
	p.name("against", e.Against)
	p.optionalName("oldPart", e.OldPart)
	if e.ReturnBy != "" {
		if _, err := time.Parse(time.DateOnly, e.ReturnBy); err != nil {
			p.Add("returnBy", "%q: want a day like 2026-03-31", e.ReturnBy)
		}
	}
	p.optionalName("by", e.By)
	p.text("note", e.Note)
	return p.Err()
}
