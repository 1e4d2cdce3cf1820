package events

// CodesErased is a request to erase trouble codes, and what each unit made of it.
// Erasing deletes freeze frames and readiness too; it proves nothing by itself.
//
// Version history: v1, the first.
type CodesErased struct {
	// Service is how: "14" (ISO 14229-1), "04" (SAE J1979), "DM11", "DM3" (SAE
	// J1939-73). Empty: all codes of the unit, as the person saw it.
	Service string `json:"service,omitempty"`
	// Group is what was asked to be erased, in hex: "FFFFFF" all (ISO 14229-1).
	Group string      `json:"group,omitempty"`
	Units []UnitErase `json:"units"`
	By    string      `json:"by,omitempty"`
	Note  string      `json:"note,omitempty"`
}

// UnitErase is one unit's answer to an erase.
type UnitErase struct {
	Unit    string      `json:"unit"`
	Address string      `json:"address,omitempty"`
	Result  EraseResult `json:"result"`
	// Refusal is the negative response code, two hex digits, where it was seen.
	Refusal string `json:"refusal,omitempty"`
}

// EraseResult is whether a unit erased.
type EraseResult string

// The results. Only an accepted erase reached the unit's memory.
const (
	EraseAccepted EraseResult = "accepted"
	EraseRefused  EraseResult = "refused"
	EraseSilent   EraseResult = "silent"
	EraseUnknown  EraseResult = "unknown"
)

// Values are the words for the result of an erase.
func (EraseResult) Values() []string { return []string{"accepted", "refused", "silent", "unknown"} }

// Type is "codes.erased.v1".
func (*CodesErased) Type() string { return "codes.erased.v1" }

// Validate wants at least one unit, each once.
func (e *CodesErased) Validate() error {
	var p Problems
	if !serviceText(e.Service) {
		p.Add("service", "%q: want words of A-Z and 0-9, like 14", e.Service)
	}
	if e.Group != "" && !hexText(e.Group, 4, 6) {
		p.Add("group", "%q: want 4 to 6 hex digits in upper case", e.Group)
	}
	if e.Group != "" && e.Service == "" {
		p.Add("group", "stands without a service")
	}
	p.size("units", len(e.Units))
	if len(e.Units) == 0 {
		p.Add("units", "name at least one unit")
	}
	seen := map[string]bool{}
	for i, u := range e.Units {
		at := p.In("units", i)
		at.name("unit", u.Unit)
		word(at, "result", u.Result)
		if u.Address != "" && !hexText(u.Address, 1, 8) {
			at.Add("address", "%q: want 1 to 8 hex digits in upper case", u.Address)
		}
		if u.Refusal != "" && (u.Result != EraseRefused || !hexText(u.Refusal, 2, 2)) {
			at.Add("refusal", "want two hex digits in upper case, and only where the unit refused")
		}
		if seen[Fold(u.Unit)] {
			at.Add("unit", "unit %q is given twice", u.Unit)
		}
		seen[Fold(u.Unit)] = true
	}
	p.optionalName("by", e.By)
	p.text("note", e.Note)
	return p.Err()
}
