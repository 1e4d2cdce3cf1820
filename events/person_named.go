package events

import "fmt"

// PersonNamed says under which other names one person of the workshop signs, so
// that their work counts under one. It is about staff, never customers.
//
// Version history: v1, the first.
type PersonNamed struct {
	Name    string   `json:"name"`
	Aliases []string `json:"aliases"`
}

// Type is "person.named.v1".
func (*PersonNamed) Type() string { return "person.named.v1" }

// Validate wants a name and at least one alias.
func (e *PersonNamed) Validate() error {
	var p Problems
	p.name("name", e.Name)
	p.size("aliases", len(e.Aliases))
	if len(e.Aliases) == 0 {
		p.Add("aliases", "name at least one")
	}
	for i, a := range e.Aliases {
		p.name(fmt.Sprintf("aliases[%d]", i), a)
	}
	return p.Err()
}
