package events

import (
	"mendbook/events/vin"
)

// VehicleRegistered makes a vehicle. Its subject is its own ID, which names the
// vehicle from then on. Customers have no place here: the book keeps the
// number of the paper job card instead.
//
// Version history: v1, the first.
type VehicleRegistered struct {
	// Label is what the workshop calls the vehicle: fleet number or plate.
	Label string `json:"label"`
	// VIN has 17 characters (ISO 3779), where the vehicle has one.
	VIN vin.VIN `json:"vin,omitzero"`
	// Market is the country the vehicle was built for (ISO 3166 alpha-2); some
	// make the VIN's check digit mandatory.
	Market string `json:"market,omitempty"`
	Make   string `json:"make,omitempty"`
	Model  string `json:"model,omitempty"`
	// Year is the model year, 1886 to 2200.
	Year   int    `json:"year,omitempty"`
	Engine string `json:"engine,omitempty"`
	Fuel   string `json:"fuel,omitempty"`
	Note   string `json:"note,omitempty"`
}

// Type is "vehicle.registered.v1".
func (*VehicleRegistered) Type() string { return "vehicle.registered.v1" }

// Validate refuses a missing label, and a VIN whose check digit is wrong where
// the market requires it.
func (e *VehicleRegistered) Validate() error {
	var p Problems
	p.name("label", e.Label)
	p.optionalName("make", e.Make)
	p.optionalName("model", e.Model)
	p.optionalName("engine", e.Engine)
	p.optionalName("fuel", e.Fuel)
	p.text("note", e.Note)
	if e.Year != 0 && (e.Year < 1886 || e.Year > 2200) {
		p.Add("year", "%d: want 1886 to 2200", e.Year)
	}
	if e.Market != "" && !upperLetters(e.Market, 2) {
		p.Add("market", "%q: want two letters of ISO 3166, like DE", e.Market)
	}
	if !e.VIN.IsZero() {
		if _, err := vin.Judge(e.VIN, e.Market); err != nil {
			p.Add("vin", "%v", err)
		}
	}
	return p.Err()
}

func upperLetters(s string, n int) bool {
	if len(s) != n {
		return false
	}
	for _, r := range s {
		if r < 'A' || r > 'Z' {
			return false
		}
	}
	return true
}
