package events

// PolicySet changes one setting that judgement uses, for the whole workshop. The
// last one counts. What the names and values mean is the judgement's to say; a
// name or value it does not know is kept and shown.
//
// Version history: v1, the first.
type PolicySet struct {
	Name  string `json:"name"`
	Value string `json:"value"`
	By    string `json:"by,omitempty"`
	Why   string `json:"why,omitempty"`
}

// Type is "policy.set.v1".
func (*PolicySet) Type() string { return "policy.set.v1" }

// Validate wants a name and a value.
func (e *PolicySet) Validate() error {
	var p Problems
	p.name("name", e.Name)
	p.name("value", e.Value)
	p.optionalName("by", e.By)
	p.text("why", e.Why)
	return p.Err()
}
