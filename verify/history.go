package verify

import (
	"fmt"
	"sort"
	"strings"
	"time"

	"mendbook/events"
	"mendbook/events/fault"
	"mendbook/events/vin"
)

// History is a vehicle's events, folded: voids applied, joined jobs and named
// units as one, in the order in which the work happened. It is a pure function
// of the set of events; the order they arrive in changes nothing.
type History struct {
	policy   Policy
	zone     *time.Location
	all      []events.Event // as given, for judging what was known at a closing
	vehicle  Vehicle
	names    map[string]string // folded name or address → folded unit
	shown    map[string]string // folded unit → as written
	line     []events.Event
	whole    *History // what this one was cut from, for what units are able to tell
	jobInto  map[events.ID]events.ID
	into     map[events.ID]events.ID // vehicle records joined into another
	jobs     []JobSpan
	unknown  []events.Event
	warnings []string
}

// JobSpan is one visit: a job with what it gathers.
type JobSpan struct {
	// ID of the job; zero for what came before the first opening.
	ID        events.ID
	Opened    events.Event
	Closed    events.Event // zero ID while the job is open
	Card      string
	Complaint string
}

// IsOpen reports whether the vehicle has not been handed over.
func (j JobSpan) IsOpen() bool { return !j.ID.IsZero() && j.Closed.ID.IsZero() }

// NewHistory folds the events of one vehicle (all records joined into it) and
// those of the workshop.
func NewHistory(evs []events.Event, p Policy) *History {
	zone, err := time.LoadLocation(p.TimeZone)
	if err != nil {
		zone = time.UTC
	}
	h := &History{policy: p, zone: zone, all: evs, names: map[string]string{}, shown: map[string]string{},
		jobInto: map[events.ID]events.ID{}, into: map[events.ID]events.ID{}}
	standing := Standing(evs)
	for _, e := range standing {
		if d, ok := e.Body.(*events.VehicleJoined); ok {
			h.into[e.Subject] = d.Into
		}
	}
	for _, e := range standing {
		h.take(e)
	}
	h.line = append(h.line, standing...)
	sort.Slice(h.line, func(i, j int) bool { return before(h.line[i], h.line[j]) })
	h.nameUnits(standing)
	h.findJobs()
	return h
}

func before(a, b events.Event) bool {
	ta, tb := a.Happened().Std(), b.Happened().Std()
	if !ta.Equal(tb) {
		return ta.Before(tb)
	}
	return a.ID.Compare(b.ID) < 0
}

func (h *History) take(e events.Event) {
	switch d := e.Body.(type) {
	case *events.Unknown:
		h.unknown = append(h.unknown, e)
	case *events.VehicleRegistered:
		// The earliest record gives the name unless it was joined into another.
		if h.vehicle.ID.IsZero() || h.given(h.vehicle.ID) && !h.given(e.ID) {
			h.vehicle = Vehicle{ID: e.ID, Label: d.Label, VIN: d.VIN.String(), Make: d.Make, Model: d.Model,
				Year: d.Year, Engine: d.Engine, Fuel: d.Fuel}
			if !d.VIN.IsZero() {
				h.vehicle.VINNote, _ = vin.Judge(d.VIN, d.Market)
			}
		}
	case *events.JobJoined:
		h.jobInto[d.Job] = d.Into
	}
}

func (h *History) given(vehicle events.ID) bool {
	return follow(h.into, vehicle, events.ID.Compare) != vehicle
}

// nameUnits learns which names and addresses are one unit. Standing is in order
// of id, so the last naming wins.
func (h *History) nameUnits(standing []events.Event) {
	for _, e := range standing {
		switch d := e.Body.(type) {
		case *events.UnitNamed:
			h.names[events.Fold(d.Known)] = events.Fold(d.Unit)
			h.shown[events.Fold(d.Unit)] = d.Unit
		case *events.ScanTaken:
			for _, u := range d.Units {
				h.show(u.Unit)
			}
		case *events.RepairDone:
			for _, t := range d.Targets {
				h.show(t.Unit)
			}
		}
	}
}

func (h *History) show(name string) {
	if _, ok := h.shown[events.Fold(name)]; !ok {
		h.shown[events.Fold(name)] = name
	}
}

// unit gives the one key of a unit by any of its names.
func (h *History) unit(name string) string {
	return follow(h.names, events.Fold(name), strings.Compare)
}

func (h *History) unitOf(u events.UnitReading) string {
	if u.Address != "" {
		if _, ok := h.names[events.Fold(u.Address)]; ok {
			return h.unit(u.Address)
		}
	}
	return h.unit(u.Unit)
}

func (h *History) unitName(key string) string {
	if s, ok := h.shown[key]; ok {
		return s
	}
	return key
}

func (h *History) job(id events.ID) events.ID {
	return follow(h.jobInto, id, events.ID.Compare)
}

// follow goes from name to name until one that leads nowhere. Where they lead
// round in a circle, all in it are the smallest, so that every start agrees.
func follow[K comparable](next map[K]K, from K, compare func(a, b K) int) K {
	seen := map[K]bool{}
	for {
		to, ok := next[from]
		if !ok || to == from {
			return from
		}
		if seen[from] {
			break
		}
		seen[from] = true
		from = to
	}
	least := from
	for to := next[from]; to != from; to = next[to] {
		if compare(to, least) < 0 {
			least = to
		}
	}
	return least
}

func (h *History) findJobs() {
	at := map[events.ID]int{}
	early := false
	for _, e := range h.line {
		switch d := e.Body.(type) {
		case *events.JobOpened:
			id := h.job(e.ID)
			i, ok := at[id]
			if !ok {
				at[id] = len(h.jobs)
				h.jobs = append(h.jobs, JobSpan{ID: id, Opened: e, Card: d.Card, Complaint: d.Complaint})
				continue
			}
			if e.ID == id { // the record that stays names the job
				if d.Card != "" {
					h.jobs[i].Card = d.Card
				}
				if d.Complaint != "" {
					h.jobs[i].Complaint = d.Complaint
				}
			}
		case *events.ScanTaken, *events.RepairDone:
			early = early || len(h.jobs) == 0
		}
	}
	for _, e := range h.line {
		d, ok := e.Body.(*events.JobClosed)
		if !ok {
			continue
		}
		if i, ok := at[h.job(d.Job)]; ok {
			h.jobs[i].Closed = e // the last closing counts
		}
	}
	// A visit joined of two is not closed while the second one is still open.
	for _, e := range h.line {
		if _, ok := e.Body.(*events.JobOpened); ok {
			if j := &h.jobs[at[h.job(e.ID)]]; !j.Closed.ID.IsZero() && before(j.Closed, e) {
				j.Closed = events.Event{}
			}
		}
	}
	if early {
		h.jobs = append([]JobSpan{{}}, h.jobs...)
	}
}

// Jobs are the visits in order. The first has a zero ID where scans or repairs
// stand before any opening.
func (h *History) Jobs() []JobSpan { return h.jobs }

// Units are the names of all units read so far, sorted.
func (h *History) Units() []string {
	seen := map[string]bool{}
	var out []string
	for _, e := range h.line {
		scan, ok := e.Body.(*events.ScanTaken)
		if !ok {
			continue
		}
		for _, u := range scan.Units {
			if key := h.unitOf(u); !seen[key] {
				seen[key] = true
				out = append(out, h.unitName(key))
			}
		}
	}
	sort.Strings(out)
	return out
}

// LastScan is the latest scan, nil where there is none.
func (h *History) LastScan() *events.Event {
	for i := len(h.line) - 1; i >= 0; i-- {
		if _, ok := h.line[i].Body.(*events.ScanTaken); ok {
			return &h.line[i]
		}
	}
	return nil
}

// Vehicle is the vehicle as registered.
func (h *History) Vehicle() Vehicle { return h.vehicle }

func (h *History) when(t events.Time) string { return t.Std().In(h.zone).Format("2006-01-02 15:04") }

// key is the identity of a fault: a unit and a code; no code is its silence.
type key struct {
	unit string
	code fault.Code
}

func (k key) silent() bool { return k.code.IsZero() }

func (k key) codeText() string {
	if k.silent() {
		return NoAnswer
	}
	return k.code.String()
}

func (h *History) text(k key) string { return fmt.Sprintf("%s/%s", h.unitName(k.unit), k.codeText()) }
