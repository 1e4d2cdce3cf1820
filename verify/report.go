package verify

import (
	"mendbook/events"
	"mendbook/events/quantity"
)

// Rules is the version of the evidence rules. It changes when the same events
// could get another verdict; results carry it.
const Rules = "1"

// Schema is the name of the JSON form of a Report.
const Schema = "mendbook.verify/1"

// NoAnswer is the code shown for the fault of a unit that is silent.
const NoAnswer = "no answer"

// Report is the judgement of one job (or of one pair of scans): one model that
// the terminal, the JSON and the sheet all show. Its JSON form is documented in
// cmd/cli/JSON.md; readers ignore fields they do not know.
type Report struct {
	Schema  string        `json:"schema"`
	Rules   string        `json:"rules"`
	Policy  []PolicyValue `json:"policy"`
	Vehicle Vehicle       `json:"vehicle"`
	Job     Job           `json:"job"`
	// Outcome is good, bad or open for the whole job; see Report.Judge.
	Outcome Group `json:"outcome"`
	// Sentence is the whole answer in one sentence.
	Sentence     string        `json:"sentence"`
	Faults       []Fault       `json:"faults"`
	Repairs      []Repair      `json:"repairs"`
	Lamps        []Lamp        `json:"lamps"`
	Measurements []Measurement `json:"measurements"`
	// Steps is what happened, in order: the time line of the sheet.
	Steps    []Step   `json:"steps"`
	Cautions []string `json:"cautions"`
	Warnings []string `json:"warnings"`
	// ChangedSinceClose is true where the verdicts of today are not those that
	// stood when the vehicle was handed over.
	ChangedSinceClose bool `json:"changedSinceClose"`
}

// PolicyValue is one setting that judgement used.
type PolicyValue struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

// Vehicle as it is shown.
type Vehicle struct {
	ID     events.ID `json:"id"`
	Label  string    `json:"label"`
	VIN    string    `json:"vin,omitempty"`
	Make   string    `json:"make,omitempty"`
	Model  string    `json:"model,omitempty"`
	Year   int       `json:"year,omitempty"`
	Engine string    `json:"engine,omitempty"`
	Fuel   string    `json:"fuel,omitempty"`
	// VINNote says where the VIN's check digit does not fit, which is no error
	// outside the markets that require it.
	VINNote string `json:"vinNote,omitempty"`
}

// Job as it is shown. The ID is zero for a judgement of two scans, and for what
// was recorded before the first job was opened.
type Job struct {
	ID        events.ID         `json:"id,omitzero"`
	Card      string            `json:"card,omitempty"`
	Complaint string            `json:"complaint,omitempty"`
	Opened    events.Time       `json:"opened,omitzero"`
	Closed    events.Time       `json:"closed,omitzero"`
	OdoIn     quantity.Distance `json:"odometerIn,omitzero"`
	OdoOut    quantity.Distance `json:"odometerOut,omitzero"`
	// HandedOver and SignedOff are from the closing.
	HandedOver string    `json:"handedOver,omitempty"`
	SignedOff  []SignOff `json:"signedOff,omitempty"`
	// Before and After name the two scans of a judgement by scans.
	Before events.ID `json:"before,omitzero"`
	After  events.ID `json:"after,omitzero"`
}

// SignOff is a name under a verdict that was not good at closing.
type SignOff struct {
	Unit    string `json:"unit"`
	Code    string `json:"code"`
	Verdict string `json:"verdict"`
	By      string `json:"by"`
	Words   string `json:"words"`
}

// Fault is one fault with its verdict.
type Fault struct {
	Unit string `json:"unit"`
	// Code is the trouble code, or "no answer".
	Code string `json:"code"`
	// Means is what the standards say of the code or its failure type, if anything.
	Means string `json:"means,omitempty"`
	// Before and After are what was read, shortest form: "2F", "present",
	// "stored", "not listed", "silent", "not read".
	Before  string  `json:"before"`
	After   string  `json:"after"`
	Verdict Verdict `json:"verdict"`
	Grade   Grade   `json:"grade"`
	// Contrast is true where the fault was failing before the work.
	Contrast bool `json:"contrast"`
	// Targeted is true where a repair of the job was meant to cure it.
	Targeted bool `json:"targeted"`
	// Accepted is true for a good verdict whose grade the policy accepts.
	Accepted bool   `json:"accepted"`
	Reason   string `json:"reason"`
	// Next is the step that would settle an open verdict.
	Next string `json:"next"`
	// Evidence are the events the verdict rests on, in order of time.
	Evidence []events.ID `json:"evidence"`
	Credit   []Credit    `json:"credit"`
	// Observations are what each reading after the work said.
	Observations []Seen `json:"observations"`
	// AtClose is what stood when the job was closed, where it was.
	AtClose *Stood   `json:"atClose,omitempty"`
	Remarks []string `json:"remarks,omitempty"`
}

// Stood is a verdict as it stood at a closing.
type Stood struct {
	Verdict Verdict `json:"verdict"`
	Grade   Grade   `json:"grade"`
	Reason  string  `json:"reason"`
}

// Seen is one observation.
type Seen struct {
	Scan events.ID   `json:"scan"`
	At   events.Time `json:"at"`
	Obs  Observation `json:"observation"`
	// Text is what was read: "2F", "not listed".
	Text string `json:"text"`
}

// Credit is a repair's share in a fault's turning good.
type Credit struct {
	Repair events.ID `json:"repair"`
	// Share of 1, to 4 decimals; the last repair takes what rounding leaves, so
	// that the shares of a fault add to exactly 1.
	Share quantity.Number `json:"share"`
}

// Repair is one repair of the job with its score.
type Repair struct {
	ID      events.ID   `json:"id"`
	At      events.Time `json:"at"`
	What    string      `json:"what"`
	By      string      `json:"by,omitempty"`
	Targets []string    `json:"targets"`
	Parts   []string    `json:"parts,omitempty"`
	Score   Score       `json:"score"`
	// NewFaults are those that appeared after it in units it touched.
	NewFaults []string `json:"newFaults"`
}

// Score is the range of targets a repair cured, from 0 to 1, to 4 decimals half
// to even. Low counts what is proven, with contrast, by the repair's share of
// the credit; High adds what is open or without contrast. A repair without
// targets has no score.
type Score struct {
	Low  *quantity.Number `json:"low"`
	High *quantity.Number `json:"high"`
}

// Lamp is a warning lamp before and after. It proves nothing by itself.
type Lamp struct {
	Name   string `json:"name"`
	Before string `json:"before"`
	After  string `json:"after"`
	Note   string `json:"note,omitempty"`
}

// Measurement is a measurement of the job against its limits.
type Measurement struct {
	ID     events.ID        `json:"id"`
	At     events.Time      `json:"at"`
	Name   string           `json:"name"`
	Value  quantity.Measure `json:"value"`
	Low    *quantity.Number `json:"low,omitempty"`
	High   *quantity.Number `json:"high,omitempty"`
	Source string           `json:"source,omitempty"`
	Unit   string           `json:"unit,omitempty"`
	// Within is "within", "below", "above" or "no limit".
	Within string `json:"within"`
}

// Step is one thing that happened, for the time line.
type Step struct {
	Event events.ID   `json:"event"`
	At    events.Time `json:"at"`
	// Kind is scan, repair, erase, drive, key, measure, file, opened, closed.
	Kind     string            `json:"kind"`
	Text     string            `json:"text"`
	Odometer quantity.Distance `json:"odometer,omitzero"`
}
