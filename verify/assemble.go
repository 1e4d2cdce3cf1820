package verify

import (
	"fmt"
	"sort"
	"strings"
	"time"

	"mendbook/events"
	"mendbook/events/fault"
	"mendbook/events/quantity"
)

// report puts the judged faults and everything beside them into one model.
func (c *jobCase) report(faults map[key]*Fault) *Report {
	h := c.t.h
	span := h.jobs[c.n]
	r := &Report{Schema: Schema, Rules: Rules, Policy: h.policy.Values(), Vehicle: h.vehicle,
		Job:    Job{ID: span.ID, Card: span.Card, Complaint: span.Complaint},
		Faults: []Fault{}, Repairs: []Repair{}, Lamps: []Lamp{}, Measurements: []Measurement{}, Steps: []Step{},
		Cautions: []string{}, Warnings: []string{}}
	if d, ok := span.Opened.Body.(*events.JobOpened); ok {
		r.Job.Opened, r.Job.OdoIn = span.Opened.Happened(), d.Odometer
	}
	if d, ok := span.Closed.Body.(*events.JobClosed); ok {
		r.Job.Closed, r.Job.OdoOut, r.Job.HandedOver = span.Closed.Happened(), d.Odometer, d.HandedOver
		for _, s := range d.SignedOff {
			r.Job.SignedOff = append(r.Job.SignedOff, SignOff{Unit: s.Unit, Code: targetCode(s.Code, s.NoAnswer), Verdict: s.Verdict, By: s.By, Words: s.Words})
		}
	}
	keys := make([]key, 0, len(faults))
	for k := range faults {
		keys = append(keys, k)
	}
	sort.Slice(keys, func(i, j int) bool {
		if keys[i].unit != keys[j].unit {
			return keys[i].unit < keys[j].unit
		}
		return keys[i].code.String() < keys[j].code.String()
	})
	for _, k := range keys {
		f := faults[k]
		sort.Strings(f.Remarks)
		r.Faults = append(r.Faults, *f)
	}
	c.addRepairs(r)
	c.addLamps(r)
	c.addSteps(r)
	c.addWarnings(r)
	r.Outcome = outcome(r, len(h.unknown) > 0)
	r.Sentence = sentence(r)
	if len(h.unknown) > 0 {
		r.Sentence += " An event here is beyond this program, so nothing is called proven as a whole."
	}
	r.Cautions = cautions(r)
	return r
}

func targetCode(c fault.Code, silent bool) string {
	if silent {
		return NoAnswer
	}
	return c.String()
}

// outcome is bad where anything persisted, returned or is new; good where every
// targeted fault is cleared by a grade the policy accepts; else open. Without a
// targeted fault, or with an event this program cannot interpret, nothing more
// than open can be said.
func outcome(r *Report, unknown bool) Group {
	targeted, accepted := 0, 0
	for _, f := range r.Faults {
		if f.Verdict.Group() == Bad {
			return Bad
		}
		if f.Targeted {
			targeted++
			if f.Accepted {
				accepted++
			}
		}
	}
	if targeted > 0 && targeted == accepted && !unknown {
		return Good
	}
	return Open
}

func sentence(r *Report) string {
	if len(r.Faults) == 0 {
		return "No fault was read or targeted in this job, so there is nothing to prove."
	}
	count := map[Verdict]int{}
	driven, targeted := 0, 0
	for _, f := range r.Faults {
		count[f.Verdict]++
		if f.Grade == Driven {
			driven++
		}
		if f.Targeted {
			targeted++
		}
	}
	var parts []string
	for _, v := range Verdicts() {
		n := count[v]
		if n == 0 {
			continue
		}
		text := fmt.Sprintf("%d %s", n, v)
		if v == Cleared {
			text = fmt.Sprintf("%d of %d %s cleared", n, len(r.Faults), plural(len(r.Faults), "fault"))
			if driven > 0 {
				text += fmt.Sprintf(" (%d on a drive alone)", driven)
			}
		}
		parts = append(parts, text)
	}
	text := strings.Join(parts, ", ")
	if count[Cleared] == 0 {
		text = fmt.Sprintf("0 of %d %s cleared, ", len(r.Faults), plural(len(r.Faults), "fault")) + text
	}
	open := len(r.Faults) - count[Cleared]
	if r.Outcome == Good && open > 0 {
		text += ", which no repair was meant to cure"
	}
	if targeted == 0 {
		text += "; no repair names a fault, so no repair can be proven"
	}
	return text + "."
}

func plural(n int, word string) string {
	if n == 1 {
		return word
	}
	return word + "s"
}

func (c *jobCase) addRepairs(r *Report) {
	for _, rep := range c.own {
		out := Repair{ID: rep.ev.ID, At: rep.ev.Happened(), What: what(rep.d), By: rep.d.By, Targets: []string{},
			Score: c.score(rep), NewFaults: []string{}}
		touched := map[string]bool{}
		for _, target := range rep.d.Targets {
			k := key{c.t.h.unit(target.Unit), target.Code}
			out.Targets = append(out.Targets, c.t.h.text(k))
			touched[k.unit] = true
		}
		for _, n := range rep.d.Renewed {
			touched[c.t.h.unit(n.Unit)] = true
		}
		for _, p := range rep.d.Parts {
			out.Parts = append(out.Parts, partText(p))
		}
		for _, f := range r.Faults {
			if f.Verdict == New && touched[c.t.h.unit(f.Unit)] && c.foundAfter(f, rep.at) {
				out.NewFaults = append(out.NewFaults, f.Unit+"/"+f.Code)
			}
		}
		r.Repairs = append(r.Repairs, out)
	}
}

func (c *jobCase) foundAfter(f Fault, at int) bool {
	for k, res := range c.results {
		if res.fault.Unit != f.Unit || res.fault.Code != f.Code {
			continue
		}
		for _, r := range c.t.readings[k.unit] {
			if c.span.holds(r.at) && c.lists(k, r) {
				return r.at > at
			}
		}
	}
	return false
}

func partText(p events.Part) string {
	var words []string
	if p.Quantity != nil {
		words = append(words, p.Quantity.String()+" x")
	}
	for _, w := range []string{p.Name, p.Number} {
		if w != "" {
			words = append(words, w)
		}
	}
	if p.Serial != "" {
		words = append(words, "serial "+p.Serial)
	}
	if p.Batch != "" {
		words = append(words, "batch "+p.Batch)
	}
	if !p.Price.IsZero() {
		words = append(words, p.Price.String())
	}
	return strings.Join(words, " ")
}

// addLamps shows each lamp before the job's work and after it. A lamp that is
// out proves nothing: some go out by themselves.
func (c *jobCase) addLamps(r *Report) {
	type pair struct{ name, before, after string }
	var order []string
	seen := map[string]*pair{}
	note := func(i int, lamps []events.Lamp) {
		for _, l := range lamps {
			k := events.Fold(l.Name)
			p, ok := seen[k]
			if !ok {
				p = &pair{name: l.Name}
				seen[k] = p
				order = append(order, k)
			}
			text := string(l.State)
			if l.When != "" {
				text += " (" + l.When + ")"
			}
			if i < c.work {
				p.before = text
			} else {
				p.after = text
			}
		}
	}
	commanded := map[string]bool{}
	for i := c.span.from; i < c.span.to && i < len(c.t.ev); i++ {
		switch d := c.t.ev[i].Body.(type) {
		case *events.JobOpened:
			note(i, d.Lamps)
		case *events.ScanTaken:
			note(i, d.Lamps)
			for _, u := range d.Units {
				if u.LampCommanded != nil {
					commanded[c.t.h.unitName(c.t.h.unitOf(u))] = *u.LampCommanded
				}
			}
		}
	}
	sort.Strings(order)
	for _, k := range order {
		p := seen[k]
		l := Lamp{Name: p.name, Before: orNotRead(p.before), After: orNotRead(p.after)}
		if strings.HasPrefix(p.after, "off") && p.before != "" && !strings.HasPrefix(p.before, "off") {
			l.Note = "a lamp that went out proves nothing: its fault can stay stored"
		}
		r.Lamps = append(r.Lamps, l)
	}
	var units []string
	for u := range commanded {
		units = append(units, u)
	}
	sort.Strings(units)
	for _, u := range units {
		state := "not asked for"
		if commanded[u] {
			state = "asked for"
		}
		r.Lamps = append(r.Lamps, Lamp{Name: "engine lamp, as the " + u + " unit commands it", Before: "", After: state})
	}
}

func orNotRead(s string) string {
	if s == "" {
		return "not noted"
	}
	return s
}

func (c *jobCase) addSteps(r *Report) {
	for i := c.span.from; i < c.span.to && i < len(c.t.ev); i++ {
		e := c.t.ev[i]
		s := Step{Event: e.ID, At: e.Happened(), Odometer: c.t.odo[i]}
		switch d := e.Body.(type) {
		case *events.JobOpened:
			s.Kind, s.Text = "opened", d.Complaint
		case *events.JobClosed:
			s.Kind, s.Text = "closed", d.HandedOver
		case *events.ScanTaken:
			s.Kind, s.Text = "scan", scanText(d)
		case *events.RepairDone:
			s.Kind, s.Text = "repair", what(d)
		case *events.CodesErased:
			s.Kind, s.Text = "erase", eraseText(d)
		case *events.DriveDone:
			s.Kind, s.Text = "drive", driveText(d)
		case *events.KeyCycled:
			s.Kind, s.Text = "key", "ignition off and on"
		case *events.FileAttached:
			s.Kind, s.Text = "file", d.Name
		case *events.MeasureTaken:
			s.Kind, s.Text = "measure", d.Name+" "+d.Value.String()
			r.Measurements = append(r.Measurements, Measurement{ID: e.ID, At: e.Happened(), Name: d.Name, Value: d.Value,
				Low: d.Low, High: d.High, Source: d.Source, Unit: d.Unit, Within: within(d)})
		case *events.Unknown:
			s.Kind, s.Text = "unknown", d.Typ
		default:
			continue
		}
		r.Steps = append(r.Steps, s)
	}
}

func within(d *events.MeasureTaken) string {
	switch {
	case d.Low != nil && d.Value.Value().Cmp(*d.Low) < 0:
		return "below"
	case d.High != nil && d.Value.Value().Cmp(*d.High) > 0:
		return "above"
	case d.Low == nil && d.High == nil:
		return "no limit"
	}
	return "within"
}

func scanText(d *events.ScanTaken) string {
	codes, silent := 0, 0
	for _, u := range d.Units {
		codes += len(u.Codes)
		if u.Reach == events.Silent {
			silent++
		}
	}
	text := fmt.Sprintf("%d %s, %d %s", len(d.Units), plural(len(d.Units), "unit"), codes, plural(codes, "code"))
	if silent > 0 {
		text += fmt.Sprintf(", %d silent", silent)
	}
	return text
}

func eraseText(d *events.CodesErased) string {
	var parts []string
	for _, u := range d.Units {
		parts = append(parts, u.Unit+" "+string(u.Result))
	}
	return strings.Join(parts, ", ")
}

func driveText(d *events.DriveDone) string {
	var parts []string
	if !d.Distance.IsZero() {
		parts = append(parts, d.Distance.String())
	}
	if d.Minutes > 0 {
		parts = append(parts, fmt.Sprintf("%d min", d.Minutes))
	}
	if d.ColdStart {
		parts = append(parts, "cold start")
	}
	if d.Where != "" {
		parts = append(parts, string(d.Where))
	}
	return strings.Join(parts, ", ")
}

func (c *jobCase) addWarnings(r *Report) {
	t, h := c.t, c.t.h
	var out []string
	for unit, why := range t.quirks {
		out = append(out, fmt.Sprintf("%s: its status bits break the standard (%s); they count as failures but never as a pass", h.unitName(unit), why))
	}
	for _, e := range h.unknown {
		u := e.Body.(*events.Unknown)
		text := fmt.Sprintf("event %s of kind %s cannot be interpreted here", e.ID.Short(), u.Typ)
		if u.Why == nil {
			text += ": it was recorded by a newer program"
		}
		out = append(out, text)
	}
	var last quantity.Distance
	backdated, first := 0, ""
	for i := c.span.from; i < c.span.to && i < len(t.ev); i++ {
		e := t.ev[i]
		if late := e.Recorded().Std().Sub(e.Happened().Std()); late >= backdatedFrom && kindWord(e) != "" {
			if backdated++; backdated == 1 {
				first = fmt.Sprintf("the %s of %s was recorded %s later", kindWord(e), h.when(e.Happened()), days(late))
			}
		}
		if odo := t.odo[i]; !odo.IsZero() {
			if !last.IsZero() && odo.Cmp(last) < 0 {
				out = append(out, fmt.Sprintf("the odometer falls from %s to %s on %s", last, odo, h.when(e.Happened())))
			}
			last = odo
		}
		scan, ok := e.Body.(*events.ScanTaken)
		if !ok {
			continue
		}
		if low := quantity.MustNumber("11.8"); !scan.Battery.IsZero() && scan.Battery.Value().Cmp(low) < 0 {
			out = append(out, fmt.Sprintf("the battery had %s at the scan of %s: a low one makes units silent and sets codes of its own", scan.Battery, h.when(e.Happened())))
		}
		for _, u := range scan.Units {
			if !u.VIN.IsZero() && h.vehicle.VIN != "" && u.VIN.String() != h.vehicle.VIN {
				out = append(out, fmt.Sprintf("%s: the unit gives VIN %s, the vehicle has %s", u.Unit, u.VIN, h.vehicle.VIN))
			}
			if u.Reach == events.Truncated && len(u.Codes) > 0 {
				out = append(out, fmt.Sprintf("%s: the answer of %s was cut; what it listed before the cut was not judged", u.Unit, h.when(e.Happened())))
			}
		}
	}
	if backdated > 1 {
		first += fmt.Sprintf("; so were %d more of this job, each a day or more after it happened", backdated-1)
	}
	if backdated > 0 {
		out = append(out, first)
	}
	out = append(out, t.warnings...)
	out = append(out, h.warnings...)
	sort.Strings(out)
	for i, w := range out {
		if i == 0 || out[i-1] != w {
			r.Warnings = append(r.Warnings, w)
		}
	}
}

// backdatedFrom is how late a record must be to be told; what is typed at the end
// of a day is not worth a word.
const backdatedFrom = 24 * time.Hour

// kindWord is what judgement weighs, in a word; empty for other kinds.
func kindWord(e events.Event) string {
	switch e.Body.(type) {
	case *events.ScanTaken:
		return "scan"
	case *events.RepairDone:
		return "repair"
	case *events.CodesErased:
		return "erase"
	case *events.DriveDone:
		return "drive"
	case *events.KeyCycled:
		return "key cycle"
	}
	return ""
}

func days(d time.Duration) string {
	n := int(d / (24 * time.Hour))
	return fmt.Sprintf("%d %s", n, plural(n, "day"))
}

// atClose adds what stood when the job was closed: the same judgement of what
// was recorded by then.
func atClose(h *History, span JobSpan, today *Report) {
	var known []events.Event
	for _, e := range h.all {
		if e.ID.Compare(span.Closed.ID) <= 0 && !e.Happened().Std().After(span.Closed.Happened().Std()) {
			known = append(known, e)
		}
	}
	p := h.policy
	for _, e := range h.all {
		if _, ok := e.Body.(*events.PolicySet); ok {
			p, _ = PolicyFrom(known)
			break
		}
	}
	then := NewHistory(known, p)
	n, err := then.jobIndex(span.ID)
	if err != nil {
		return
	}
	stood := map[string]Fault{}
	for _, f := range judgeJob(then, n).Faults {
		stood[h.unit(f.Unit)+"/"+f.Code] = f
	}
	for i := range today.Faults {
		f := &today.Faults[i]
		was, ok := stood[h.unit(f.Unit)+"/"+f.Code]
		if !ok {
			today.ChangedSinceClose = true
			continue
		}
		f.AtClose = &Stood{was.Verdict, was.Grade, was.Reason}
		if was.Verdict != f.Verdict || was.Grade != f.Grade {
			today.ChangedSinceClose = true
		}
	}
}
