package events

import "fmt"

// LampState is how a person saw a warning lamp.
type LampState string

// The lamp states.
const (
	LampOn       LampState = "on"
	LampOff      LampState = "off"
	LampFlashing LampState = "flashing"
)

// Values are the words for a lamp.
func (LampState) Values() []string { return []string{"on", "off", "flashing"} }

// Lamp is a warning lamp as a person saw it. It is an observation of the lamp
// alone, never a proof about a fault.
type Lamp struct {
	// Name is the lamp in plain words: engine, brake, airbag, glow.
	Name  string    `json:"name"`
	State LampState `json:"state"`
	// When is the circumstance it was seen in: "key on, engine off".
	When string `json:"when,omitempty"`
}

func validateLamps(p *Problems, lamps []Lamp) {
	p.size("lamps", len(lamps))
	seen := map[string]bool{}
	for i, l := range lamps {
		at := p.In("lamps", i)
		at.name("name", l.Name)
		word(at, "state", l.State)
		at.optionalName("when", l.When)
		key := Fold(l.Name) + "\x00" + Fold(l.When)
		if seen[key] {
			at.Add("name", "%s", fmt.Sprintf("lamp %q is given twice", l.Name))
		}
		seen[key] = true
	}
}
