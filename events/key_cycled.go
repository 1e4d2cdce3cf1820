package events

// KeyCycled is the ignition turned off and on again, without a drive: a new
// operation cycle for tests that run at key-on.
//
// Version history: v1, the first.
type KeyCycled struct {
	By   string `json:"by,omitempty"`
	Note string `json:"note,omitempty"`
}

// Type is "key.cycled.v1".
func (*KeyCycled) Type() string { return "key.cycled.v1" }

// Validate checks the lengths of text.
func (e *KeyCycled) Validate() error {
	var p Problems
	p.optionalName("by", e.By)
	p.text("note", e.Note)
	return p.Err()
}
