package events

// EventVoided takes an event back: from then on it counts as never recorded,
// though history shows both. Voiding a void restores what it took back.
//
// Version history: v1, the first.
type EventVoided struct {
	Event ID     `json:"event"`
	Why   string `json:"why"`
	// Again is the event that stands in its place, where it was recorded anew on
	// the right vehicle or job.
	Again ID     `json:"again,omitzero"`
	By    string `json:"by,omitempty"`
}

// Type is "event.voided.v1".
func (*EventVoided) Type() string { return "event.voided.v1" }

// Validate wants the event and a reason.
func (e *EventVoided) Validate() error {
	var p Problems
	p.id("event", e.Event)
	p.name("why", e.Why)
	p.optionalName("by", e.By)
	return p.Err()
}
