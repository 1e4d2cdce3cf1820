package events

// UnitNamed says that an address or another name is this unit of this vehicle.
// It holds for all readings of the vehicle, earlier ones too.
//
// Version history: v1, the first.
type UnitNamed struct {
	// Known is the address or name that readings use: "7E8", "ECM".
	Known string `json:"known"`
	// Unit is the name it has from now on: "engine".
	Unit string `json:"unit"`
}

// Type is "unit.named.v1".
func (*UnitNamed) Type() string { return "unit.named.v1" }

// Validate wants two different names.
func (e *UnitNamed) Validate() error {
	var p Problems
	p.name("known", e.Known)
	p.name("unit", e.Unit)
	if Fold(e.Known) == Fold(e.Unit) && e.Unit != "" {
		p.Add("unit", "%q names itself", e.Unit)
	}
	return p.Err()
}
