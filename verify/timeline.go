package verify

import (
	"strings"

	"mendbook/events"
	"mendbook/events/fault"
	"mendbook/events/quantity"
)

// timeline is a history in one order. Every question of "before" and "after" is
// asked by the index of an event in it, so that an order in doubt can be judged
// both ways.
type timeline struct {
	h        *History
	ev       []events.Event
	spans    []extent // beside h.jobs
	readings map[string][]*reading
	info     map[string][]*reading // readings that tell what a unit is able to say
	scans    []int
	odo      []quantity.Distance // what the event says of the odometer; unset where nothing
	quirks   map[string]string   // units whose status bits contradict the standard, and how
	told     map[string]bool     // warnings already given
	warnings []string
}

// extent is the part of the timeline that a job gathers: from, to exclusive.
type extent struct{ from, to int }

func (x extent) holds(i int) bool { return i >= x.from && i < x.to }

// reading is what one unit answered in one scan to one kind of question. Lists
// read without a status mask are one question together.
type reading struct {
	at        int // the scan's index
	scan      events.ID
	unit      string
	reach     events.Reach
	refusal   string
	service   string
	mask      *fault.Status
	avail     *fault.Status
	views     map[fault.View]bool
	codes     []events.CodeReading
	mons      map[fault.Monitor]bool // supported → complete, of the whole scan
	since     events.SinceErase
	others    bool // another unit answered in the scan
	elsewhere bool // this unit answered another question of the scan
}

func newTimeline(h *History, order []events.Event) *timeline {
	t := &timeline{h: h, ev: order, readings: map[string][]*reading{}, quirks: map[string]string{}, told: map[string]bool{}}
	opened := make([]int, len(h.jobs))
	for i := range opened {
		opened[i] = len(order)
	}
	for i, e := range order {
		odo := quantity.Distance{}
		switch d := e.Body.(type) {
		case *events.JobOpened:
			odo = d.Odometer
			for j := range h.jobs {
				if h.jobs[j].ID == h.job(e.ID) {
					opened[j] = min(opened[j], i)
				}
			}
		case *events.JobClosed:
			odo = d.Odometer
		case *events.DriveDone:
			odo = d.Odometer
		case *events.ScanTaken:
			odo = d.Odometer
			t.scans = append(t.scans, i)
			t.addScan(i, d)
		}
		t.odo = append(t.odo, odo)
	}
	for j := range h.jobs {
		x := extent{opened[j], len(order)}
		if h.jobs[j].ID.IsZero() {
			x.from = 0
		}
		if j+1 < len(h.jobs) {
			x.to = opened[j+1]
		}
		t.spans = append(t.spans, x)
	}
	t.info = t.readings
	if h.whole != nil {
		t.info = newTimeline(h.whole, h.whole.line).readings
	}
	t.findQuirks()
	return t
}

func (t *timeline) warn(text string) {
	if !t.told[text] {
		t.told[text] = true
		t.warnings = append(t.warnings, text)
	}
}

func answered(r events.Reach) bool {
	return r == events.Answered || r == events.Truncated || r == events.Refused
}

func (t *timeline) addScan(i int, scan *events.ScanTaken) {
	answering := map[string]bool{}
	mons := map[string]map[fault.Monitor]bool{}
	for _, u := range scan.Units {
		k := t.h.unitOf(u)
		if answered(u.Reach) {
			answering[k] = true
		}
		for _, m := range u.Monitors {
			if mons[k] == nil {
				mons[k] = map[fault.Monitor]bool{}
			}
			mons[k][m.Name] = m.Complete
		}
	}
	counters := map[string]*reading{} // of the whole scan, as the monitors are
	for _, u := range scan.Units {
		if u.SinceErase == nil {
			continue
		}
		k, one := t.h.unitOf(u), &reading{since: *u.SinceErase}
		if have, ok := counters[k]; ok {
			have.merge(one)
		} else {
			counters[k] = one
		}
	}
	lists := map[string]*reading{}
	for _, u := range scan.Units {
		k := t.h.unitOf(u)
		r := &reading{at: i, scan: t.ev[i].ID, unit: k, reach: u.Reach, refusal: u.Refusal, service: u.Service,
			mask: u.Mask, avail: u.Available, views: map[fault.View]bool{}, mons: mons[k]}
		for _, v := range u.Views {
			r.views[v] = true
		}
		for v := range impliedViews(u.Service) {
			r.views[v] = true
		}
		for _, c := range u.Codes {
			if r.word(c) == fault.StateStored.String() {
				c.State = fault.StateStored
			}
			r.codes = append(r.codes, c)
		}
		if c, ok := counters[k]; ok {
			r.since = c.since
		}
		others := len(answering)
		if answering[k] {
			others--
		}
		r.others = others > 0
		r.elsewhere = answering[k] && !answered(u.Reach)
		// Lists of one unit without a mask, in one scan, are one answer.
		if have, ok := lists[k+"\x00"+family(u.Service)]; ok && u.Mask == nil && have.reach == u.Reach && u.Reach == events.Answered {
			for v := range r.views {
				have.views[v] = true
			}
			have.merge(r)
			continue
		}
		if u.Mask == nil {
			lists[k+"\x00"+family(u.Service)] = r
		}
		t.readings[k] = append(t.readings[k], r)
	}
}

// merge takes another list of the same unit and scan in. A code in both keeps
// the more telling word.
func (r *reading) merge(o *reading) {
	for _, c := range o.codes {
		found := false
		for i := range r.codes {
			have := &r.codes[i]
			if have.Code != c.Code {
				continue
			}
			found = true
			if have.State.String() == "" || c.State.String() == "present" {
				have.State = c.State
			}
			have.Permanent = have.Permanent || c.Permanent
			if have.Status == nil {
				have.Status = c.Status
			}
			if have.Count == nil {
				have.Count = c.Count
			}
			if have.Frame == nil {
				have.Frame = c.Frame
			}
		}
		if !found {
			r.codes = append(r.codes, c)
		}
	}
	if r.avail == nil {
		r.avail = o.avail
	}
	if o.service != "" && r.service != o.service {
		r.service = strings.TrimSpace(r.service + " " + o.service)
	}
	if r.since.WarmUps == nil {
		r.since.WarmUps = o.since.WarmUps
	}
	if r.since.Minutes == nil {
		r.since.Minutes = o.since.Minutes
	}
	if r.since.Distance.IsZero() {
		r.since.Distance = o.since.Distance
	}
}

// family is the protocol a service belongs to; services of different families
// list different things. Empty: not known.
func family(service string) string {
	first, _, _ := strings.Cut(service, " ")
	switch {
	case first == "":
		return ""
	case first == "19" || first == "59":
		return "uds" // ISO 14229-1
	case strings.HasPrefix(first, "DM"):
		return "j1939" // SAE J1939-73
	case first == "18" || first == "17" || first == "13":
		return "kwp" // ISO 14230-3
	case len(first) == 2 && first[0] == '0':
		return "obd" // SAE J1979
	}
	return first
}

// impliedViews are the lists that a service reads, by the standards' layout:
// SAE J1979 03 confirmed, 07 pending, 0A permanent; ISO 14229-1 0x19 0A
// supported codes, 0x19 15 permanent codes; SAE J1939-73 DM1 active, DM2
// previously active, DM6 pending, DM28 permanent.
func impliedViews(service string) map[fault.View]bool {
	out := map[fault.View]bool{}
	words := strings.Fields(service)
	switch family(service) {
	case "obd":
		for _, w := range words {
			switch w {
			case "03":
				out[fault.ViewStored] = true
			case "07":
				out[fault.ViewPending] = true
			case "0A":
				out[fault.ViewPermanent] = true
			}
		}
	case "uds":
		if len(words) > 1 && words[1] == "0A" {
			out[fault.ViewSupported] = true
		}
		if len(words) > 1 && words[1] == "15" {
			out[fault.ViewPermanent] = true
		}
	case "j1939":
		for _, w := range words {
			switch w {
			case "DM1":
				out[fault.ViewActive] = true
			case "DM2":
				out[fault.ViewPreviouslyActive] = true
			case "DM6":
				out[fault.ViewPending] = true
			case "DM28":
				out[fault.ViewPermanent] = true
			}
		}
	}
	return out
}

// status gives the known bits of a record: its value and which bits are known.
// Without an availability mask only the bits that are set are known to exist.
func (r *reading) status(c events.CodeReading) (s, known fault.Status) {
	if c.Status == nil {
		return 0, 0
	}
	s = *c.Status
	if r.avail == nil {
		return s, s
	}
	return s & *r.avail, *r.avail
}

const (
	faultBits   = fault.TestFailed | fault.TestFailedThisCycle | fault.Pending | fault.Confirmed | fault.FailedSinceClear | fault.WarningIndicator
	failBits    = fault.TestFailed | fault.TestFailedThisCycle | fault.Pending | fault.Confirmed | fault.FailedSinceClear
	untestedBit = fault.NotCompletedSinceClear | fault.NotCompletedThisCycle
)

// word is the state a code was listed with. A list that gives no word and no
// status byte still says that the code is in memory, unless it is the list of
// all codes the unit supports, or the permanent one alone.
func (r *reading) word(c events.CodeReading) string {
	if c.State.String() == "" && c.Status == nil && !c.Permanent && !r.views[fault.ViewSupported] {
		return fault.StateStored.String()
	}
	return c.State.String()
}

// isFault tells whether a listed code is a fault, not test information.
func (r *reading) isFault(c events.CodeReading) bool {
	s, _ := r.status(c)
	return r.word(c) != "" || c.Permanent || s&faultBits != 0
}

// findQuirks marks units that gave a pair of bits the standard makes
// impossible (ISO 14229-1 Annex D.2): failed this cycle but not tested this
// cycle; failed but not tested since the clear; failed since, but not tested
// since the clear.
func (t *timeline) findQuirks() {
	pairs := []struct {
		bits fault.Status
		text string
	}{
		{fault.TestFailedThisCycle | fault.NotCompletedThisCycle, "bits 1 and 6"},
		{fault.TestFailed | fault.NotCompletedSinceClear, "bits 0 and 4"},
		{fault.NotCompletedSinceClear | fault.FailedSinceClear, "bits 4 and 5"},
	}
	for unit, list := range t.info {
		for _, r := range list {
			for _, c := range r.codes {
				s, _ := r.status(c)
				for _, p := range pairs {
					if s.Has(p.bits) && t.quirks[unit] == "" {
						t.quirks[unit] = p.text + " set together on " + c.Code.String()
					}
				}
			}
		}
	}
}

// matches are the listed codes that are the fault or belong to its group.
func (r *reading) matches(k key) []events.CodeReading {
	var out []events.CodeReading
	for _, c := range r.codes {
		if k.code.Covers(c.Code) {
			out = append(out, c)
		}
	}
	return out
}

// baseListed tells whether a two-byte code is listed that could be the fault,
// which has a failure type, or another of the same component.
func (r *reading) baseListed(k key) bool {
	if k.code.Base() == k.code {
		return false
	}
	for _, c := range r.codes {
		if c.Code == k.code.Base() {
			return true
		}
	}
	return false
}

// seen is what was read of a fault, shortest form.
func (r *reading) seen(k key) string {
	if k.silent() || r.reach != events.Answered {
		return string(r.reach)
	}
	found := r.matches(k)
	if len(found) == 0 {
		return "not listed"
	}
	var words []string
	for _, c := range found {
		var w []string
		if c.State.String() != "" {
			w = append(w, c.State.String())
		}
		if c.Status != nil {
			w = append(w, c.Status.String())
		}
		if c.Permanent {
			w = append(w, "permanent")
		}
		if len(w) == 0 {
			w = append(w, "listed")
		}
		words = append(words, strings.Join(w, " "))
	}
	return strings.Join(words, ", ")
}

// kmAfter is the first odometer known after index i and not after j.
func (t *timeline) kmAfter(i, j int) (quantity.Number, bool) {
	for n := i + 1; n <= j && n < len(t.odo); n++ {
		if !t.odo[n].IsZero() {
			return t.odo[n].Km(), true
		}
	}
	return quantity.Number{}, false
}

// kmUpTo is the last odometer known up to index i.
func (t *timeline) kmUpTo(i int) (quantity.Number, bool) {
	for n := min(i, len(t.odo)-1); n >= 0; n-- {
		if !t.odo[n].IsZero() {
			return t.odo[n].Km(), true
		}
	}
	return quantity.Number{}, false
}

// counterKm is the unit's own distance since erase; a full counter (65535 km,
// SAE J1979 PID 31) says nothing.
func (r *reading) counterKm() (quantity.Number, bool) {
	if r.since.Distance.IsZero() {
		return quantity.Number{}, false
	}
	km := r.since.Distance.Km()
	return km, km.Cmp(quantity.NumberFromInt(65535)) < 0
}

// counterMinutes is the unit's own run time since erase; a full counter says nothing.
func (r *reading) counterMinutes() (int, bool) {
	if r.since.Minutes == nil || *r.since.Minutes >= 65535 {
		return 0, false
	}
	return *r.since.Minutes, true
}

func (r *reading) counterWarmUps() (int, bool) {
	if r.since.WarmUps == nil || *r.since.WarmUps >= 255 {
		return 0, false
	}
	return *r.since.WarmUps, true
}
