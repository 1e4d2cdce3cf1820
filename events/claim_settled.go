package events

import "mendbook/events/quantity"

// ClaimSettled is the end of a claim.
//
// Version history: v1, the first.
type ClaimSettled struct {
	// Claim is the event that filed it.
	Claim   ID             `json:"claim"`
	Outcome ClaimOutcome   `json:"outcome"`
	Amount  quantity.Money `json:"amount,omitzero"`
	By      string         `json:"by,omitempty"`
	Note    string         `json:"note,omitempty"`
}

// ClaimOutcome is how a claim ended.
type ClaimOutcome string

// Values are the outcomes.
func (ClaimOutcome) Values() []string {
	return []string{"paid", "paid in part", "refused", "withdrawn"}
}

// Type is "claim.settled.v1".
func (*ClaimSettled) Type() string { return "claim.settled.v1" }

// Validate wants the claim and its outcome.
func (e *ClaimSettled) Validate() error {
	var p Problems
	p.id("claim", e.Claim)
	word(&p, "outcome", e.Outcome)
	p.optionalName("by", e.By)
	p.text("note", e.Note)
	return p.Err()
}
