package events

// VehicleJoined says that two records are one vehicle: a person decided it. The
// subject is the record that is given up; everything of it belongs to Into.
//
// Version history: v1, the first.
type VehicleJoined struct {
	// Into is the record that stays.
	Into ID     `json:"into"`
	Why  string `json:"why,omitempty"`
}

// Type is "vehicle.joined.v1".
func (*VehicleJoined) Type() string { return "vehicle.joined.v1" }

// Validate wants the vehicle joined into.
func (e *VehicleJoined) Validate() error {
	var p Problems
	p.id("into", e.Into)
	p.text("why", e.Why)
	return p.Err()
}
