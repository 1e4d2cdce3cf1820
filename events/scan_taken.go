package events

import (
	"encoding/hex"
	"fmt"
	"strings"

	"mendbook/events/fault"
	"mendbook/events/quantity"
	"mendbook/events/vin"
)

// ScanTaken is what the control units of a vehicle answered at one time.
//
// Version history: v1, the first.
type ScanTaken struct {
	Odometer quantity.Distance `json:"odometer,omitzero"`
	Ignition Ignition          `json:"ignition,omitempty"`
	Engine   EngineState       `json:"engine,omitempty"`
	// Battery is the voltage of the battery while scanning, as "12.4 V": a low
	// one makes units silent and sets codes of its own.
	Battery quantity.Measure `json:"battery,omitzero"`
	Lamps   []Lamp           `json:"lamps,omitempty"`
	Units   []UnitReading    `json:"units"`
	By      string           `json:"by,omitempty"`
	Note    string           `json:"note,omitempty"`
}

// Ignition is the position of the key.
type Ignition string

// Values are the words for the ignition.
func (Ignition) Values() []string { return []string{"off", "on"} }

// EngineState is whether the engine ran.
type EngineState string

// Values are the words for the engine.
func (EngineState) Values() []string { return []string{"off", "running"} }

// UnitReading is the answer of one unit to one kind of question. A unit asked
// by two services has two readings in the scan.
type UnitReading struct {
	// Unit is the unit in plain words, or its address where it has no name yet.
	Unit string `json:"unit"`
	// Address is where it answers, as hex digits: "7E8", "18DAF110".
	Address  string   `json:"address,omitempty"`
	Software []string `json:"software,omitempty"`
	Reach    Reach    `json:"reach"`
	// Refusal is the negative response code, two hex digits (ISO 14229-1, Annex
	// A.1; check-values 2.5), where the unit refused and the code was seen.
	Refusal string `json:"refusal,omitempty"`
	// Service is how it was asked: "19 02", "19 0A", "03 07 0A 01", "DM1 DM2".
	// Empty: not known, as in a list somebody typed.
	Service string `json:"service,omitempty"`
	// Mask is the status mask of the request, where the service has one.
	Mask *fault.Status `json:"mask,omitempty"`
	// Available is the status availability mask of the answer: a bit outside it
	// is unknown, never 0 (ISO 14229-1, 11.3.5.2).
	Available *fault.Status `json:"available,omitempty"`
	// Views are the lists that were read, whether or not they held anything.
	Views    []fault.View     `json:"views,omitempty"`
	Codes    []CodeReading    `json:"codes,omitempty"`
	Monitors []MonitorReading `json:"monitors,omitempty"`
	// SinceErase are the unit's own counters since its memory was last erased.
	SinceErase *SinceErase `json:"sinceErase,omitempty"`
	// LampCommanded is whether the unit asks for the engine warning lamp (SAE
	// J1979 service 01, PID 01, byte A bit 7); the lamp seen lit is another fact.
	LampCommanded *bool   `json:"lampCommanded,omitempty"`
	VIN           vin.VIN `json:"vin,omitzero"`
	// Frames are the raw answers, in hex, where there were any.
	Frames []string `json:"frames,omitempty"`
}

// Reach is whether a unit answered.
type Reach string

// The reaches.
const (
	Answered  Reach = "answered"
	Silent    Reach = "silent"    // asked, and nothing came
	Refused   Reach = "refused"   // a negative response: never "no codes"
	Skipped   Reach = "skipped"   // not asked
	Truncated Reach = "truncated" // the answer was cut, by its end or in the middle
)

// Values are the words for reach.
func (Reach) Values() []string {
	return []string{"answered", "silent", "refused", "skipped", "truncated"}
}

// CodeReading is one code in a unit's answer.
type CodeReading struct {
	Code fault.Code `json:"code"`
	// State is the word it was listed with; empty where only a status byte, or
	// only the permanent or supported list, had it.
	State fault.State `json:"state,omitzero"`
	// Status is the status byte (ISO 14229-1, Annex D.2).
	Status *fault.Status `json:"status,omitempty"`
	// Permanent is true where the permanent list held it (SAE J1979 service 0A,
	// J1939-73 DM28).
	Permanent bool `json:"permanent,omitempty"`
	// Count is the occurrence counter, from 0; 126 and above are saturated or
	// not available (SAE J1939-73), and so is 255 elsewhere.
	Count *int         `json:"count,omitempty"`
	Frame *FreezeFrame `json:"frame,omitempty"`
}

// FreezeFrame is what a unit kept of the moment a code was stored.
type FreezeFrame struct {
	At       Time              `json:"at,omitzero"`
	Odometer quantity.Distance `json:"odometer,omitzero"`
	Values   []FrameValue      `json:"values,omitempty"`
}

// FrameValue is one value in a freeze frame.
type FrameValue struct {
	Name  string           `json:"name"`
	Value quantity.Measure `json:"value"`
}

// MonitorReading is a readiness monitor (SAE J1979 service 01, PID 01): a test
// that the vehicle runs by itself.
type MonitorReading struct {
	Name fault.Monitor `json:"name"`
	// Complete is whether it has run since the memory was erased. A monitor the
	// unit does not support is not listed: not supported is not complete.
	Complete bool `json:"complete"`
}

// SinceErase are counters since the memory was erased (SAE J1979 PIDs 30, 31,
// 4E). A counter that is full (255, 65535) says nothing.
type SinceErase struct {
	WarmUps *int `json:"warmUps,omitempty"`
	// Distance is driven with the memory as it is, in whole kilometres.
	Distance quantity.Distance `json:"distance,omitzero"`
	Minutes  *int              `json:"minutes,omitempty"`
}

// Type is "scan.taken.v1".
func (*ScanTaken) Type() string { return "scan.taken.v1" }

// Validate checks every reading: names, words, hex, codes given once, and that a
// unit which did not answer lists nothing.
func (e *ScanTaken) Validate() error {
	var p Problems
	optionalWord(&p, "ignition", e.Ignition)
	optionalWord(&p, "engine", e.Engine)
	if !e.Battery.IsZero() && e.Battery.Unit() != "V" {
		p.Add("battery", "%q: want volts, like 12.4 V", e.Battery)
	}
	validateLamps(&p, e.Lamps)
	p.size("units", len(e.Units))
	if len(e.Units) == 0 {
		p.Add("units", "a scan has at least one unit")
	}
	seen := map[string]bool{}
	for i := range e.Units {
		u := &e.Units[i]
		at := p.In("units", i)
		u.validate(at)
		key := Fold(u.Unit) + "\x00" + u.Service
		if seen[key] {
			at.Add("unit", "unit %q is given twice with the same service: a second reading is a second scan", u.Unit)
		}
		seen[key] = true
	}
	p.optionalName("by", e.By)
	p.text("note", e.Note)
	return p.Err()
}

func (u *UnitReading) validate(p *Problems) {
	p.name("unit", u.Unit)
	if u.Address != "" && !hexText(u.Address, 1, 8) {
		p.Add("address", "%q: want 1 to 8 hex digits in upper case", u.Address)
	}
	p.size("software", len(u.Software))
	for i, s := range u.Software {
		p.optionalName(fmt.Sprintf("software[%d]", i), s)
	}
	word(p, "reach", u.Reach)
	if u.Refusal != "" {
		if !hexText(u.Refusal, 2, 2) {
			p.Add("refusal", "%q: want two hex digits in upper case", u.Refusal)
		}
		if u.Reach != Refused {
			p.Add("refusal", "stands with reach %q: only a refused unit has one", u.Reach)
		}
	}
	if !serviceText(u.Service) {
		p.Add("service", "%q: want words of A-Z and 0-9, like 19 02", u.Service)
	}
	if u.Reach != Answered && u.Reach != Truncated {
		if len(u.Codes) > 0 || len(u.Monitors) > 0 || len(u.Views) > 0 || u.Available != nil || u.SinceErase != nil || u.LampCommanded != nil {
			p.Add("reach", "a unit that is %s lists nothing", u.Reach)
		}
	}
	views := map[fault.View]bool{}
	for i, v := range u.Views {
		if v == 0 {
			p.Add(fmt.Sprintf("views[%d]", i), "missing")
		} else if views[v] {
			p.Add(fmt.Sprintf("views[%d]", i), "%q is given twice", v)
		}
		views[v] = true
	}
	p.size("codes", len(u.Codes))
	codes := map[fault.Code]bool{}
	for i := range u.Codes {
		c := &u.Codes[i]
		at := p.In("codes", i)
		if c.Code.IsZero() {
			at.Add("code", "missing")
		}
		if codes[c.Code] {
			at.Add("code", "%s is listed twice in one reading", c.Code)
		}
		codes[c.Code] = true
		if c.Count != nil && *c.Count < 0 {
			at.Add("count", "%d: want 0 or more", *c.Count)
		}
		if c.Frame != nil {
			at.size("frame.values", len(c.Frame.Values))
			for j, v := range c.Frame.Values {
				in := at.In("frame.values", j)
				in.name("name", v.Name)
				if v.Value.IsZero() {
					in.Add("value", "missing")
				}
			}
		}
	}
	monitors := map[fault.Monitor]bool{}
	for i, m := range u.Monitors {
		if m.Name == 0 {
			p.In("monitors", i).Add("name", "missing")
		} else if monitors[m.Name] {
			p.In("monitors", i).Add("name", "%q is given twice", m.Name)
		}
		monitors[m.Name] = true
	}
	if s := u.SinceErase; s != nil {
		at := p.In("sinceErase", -1)
		if s.WarmUps == nil && s.Minutes == nil && s.Distance.IsZero() {
			at.Add("warmUps", "no counter is given")
		}
		if s.WarmUps != nil && (*s.WarmUps < 0 || *s.WarmUps > 255) {
			at.Add("warmUps", "%d: want 0 to 255", *s.WarmUps)
		}
		if s.Minutes != nil && (*s.Minutes < 0 || *s.Minutes > 65535) {
			at.Add("minutes", "%d: want 0 to 65535", *s.Minutes)
		}
	}
	p.size("frames", len(u.Frames))
	for i, f := range u.Frames {
		if _, err := hex.DecodeString(f); err != nil || f == "" || strings.ToUpper(f) != f {
			p.Add(fmt.Sprintf("frames[%d]", i), "want hex digits in upper case, in pairs")
		}
	}
}

func hexText(s string, least, most int) bool {
	if len(s) < least || len(s) > most {
		return false
	}
	for _, r := range s {
		if (r < '0' || r > '9') && (r < 'A' || r > 'F') {
			return false
		}
	}
	return true
}

func serviceText(s string) bool {
	if len(s) > 40 || strings.Join(strings.Fields(s), " ") != s {
		return false
	}
	for _, r := range s {
		if (r < '0' || r > '9') && (r < 'A' || r > 'Z') && r != ' ' {
			return false
		}
	}
	return true
}
