package verify

import (
	"fmt"
	"strings"

	"mendbook/events"
	"mendbook/events/fault"
)

// finding is an observation with what explains it.
type finding struct {
	obs  Observation
	why  string // half a sentence: "its test has not run since the erase"
	next string // what would settle it; may be empty
	// permanentRead is whether the permanent list was read, for the cap.
	permanentRead bool
}

// needs is the lists that must have been read for a fault's absence to mean
// anything: those it was listed in before.
type needs struct {
	pendingOnly bool
	family      string // protocol of the list it stood in; empty where not known
}

func (t *timeline) needsOf(k key, ref *reading) needs {
	if ref == nil {
		return needs{}
	}
	found := ref.matches(k)
	only := len(found) > 0
	for _, c := range found {
		s, _ := ref.status(c)
		if c.State != fault.StatePending || s.Has(fault.Confirmed) {
			only = false
		}
	}
	fam := ""
	if len(found) > 0 {
		fam = family(ref.service)
	}
	return needs{only, fam}
}

// couldShow tells whether a reading could have listed the fault had it failed,
// and if not, why and what to read instead.
func (r *reading) couldShow(k key, n needs) (bool, string, string) {
	// SAE J1979 lists two-byte codes, SAE J1939-73 SPN and FMI, and nothing else.
	kind, fam := k.code.Kind(), family(r.service)
	if fam == "obd" && kind != fault.KindSAE2 || fam == "j1939" && kind != fault.KindSPN {
		return false, "service " + r.service + " does not list codes of this form", "read it by the service that listed it"
	}
	if n.family != "" && fam != "" && n.family != fam {
		return false, "it was listed by another protocol before, which lists other codes", "read it by the service that listed it"
	}
	if r.mask != nil {
		bits := *r.mask
		if r.avail != nil {
			bits &= *r.avail
		}
		// A failure since the erase sets bits 2 and 5 for certain; bit 0 falls with
		// the next pass and bit 3 waits for the threshold (ISO 14229-1 Annex D.2).
		if bits&(fault.Pending|fault.FailedSinceClear) == 0 {
			return false, fmt.Sprintf("mask %s cannot show a pending or untested code", r.mask),
				"read it again with mask FF, or ask for all supported codes"
		}
		return true, "", ""
	}
	if r.views[fault.ViewSupported] {
		return true, "", ""
	}
	if n.pendingOnly {
		if r.views[fault.ViewPending] && (r.views[fault.ViewStored] || fam != "obd") {
			return true, "", ""
		}
		if r.views[fault.ViewPending] {
			return false, "only the pending list was read, and it may stand in the stored one by now", "read the stored list too"
		}
		return false, "it was pending before, and the pending list was not read", "read the pending list too"
	}
	if fam == "obd" && r.views[fault.ViewStored] && !r.views[fault.ViewPending] {
		return false, "only the stored list was read, and a failure since the erase is pending first", "read the pending list too"
	}
	if r.views[fault.ViewStored] || r.views[fault.ViewActive] && r.views[fault.ViewPreviouslyActive] {
		return true, "", ""
	}
	if r.views[fault.ViewActive] {
		return false, "the list of active codes does not show what is only stored", "read the previously active codes too"
	}
	return false, "the list that would show it was not read", "read the stored and the pending list"
}

// observe says what one reading tells about a fault, seen from the work at w:
// the first row of the table that matches. ref is the reading before the work.
func (t *timeline) observe(k key, w int, ref, r *reading) finding {
	unit := t.h.unitName(k.unit)
	if k.silent() {
		return observeSilence(unit, r)
	}
	if r.reach != events.Answered {
		return unreached(unit, r)
	}
	found := r.matches(k)
	perm := r.views[fault.ViewPermanent]
	for _, c := range found {
		perm = perm || c.Permanent
	}
	if len(found) == 0 {
		f := t.observeAbsent(k, w, ref, r)
		f.permanentRead = perm
		return f
	}
	// A group is as bad as the worst of its codes.
	worst := finding{}
	for _, c := range found {
		f := t.observeListed(k, w, ref, r, c)
		if worst.obs == "" || listedRank(f.obs) < listedRank(worst.obs) {
			worst = f
		}
	}
	if ref != nil { // and all codes of the group that stood there must clear
		for _, c := range ref.matches(k) {
			if c.Code == k.code || len(r.matches(key{k.unit, c.Code})) > 0 {
				continue
			}
			if f := t.observeAbsent(key{k.unit, c.Code}, w, ref, r); listedRank(f.obs) < listedRank(worst.obs) {
				worst = f
			}
		}
	}
	worst.permanentRead = perm
	return worst
}

func listedRank(o Observation) int {
	for i, x := range []Observation{ObsFailing, ObsPermanent, ObsStored, ObsListedUntested, ObsUnread, ObsAbsent, ObsDriven, ObsMonitored, ObsPassed} {
		if x == o {
			return i
		}
	}
	return -1
}

func observeSilence(unit string, r *reading) finding {
	switch {
	case answered(r.reach) || r.elsewhere:
		return finding{obs: ObsPassed, why: "the unit answers"}
	case r.reach == events.Silent && r.others:
		return finding{obs: ObsFailing, why: "the unit is silent while others answer"}
	case r.reach == events.Silent:
		return finding{obs: ObsUnread, why: "no unit answered, so its silence says nothing",
			next: "check the connection and the battery, then scan the vehicle again"}
	}
	return finding{obs: ObsUnread, why: "the unit was not asked", next: "scan the " + unit + " unit"}
}

func unreached(unit string, r *reading) finding {
	f := finding{obs: ObsUnread, next: "scan the " + unit + " unit again"}
	switch r.reach {
	case events.Silent:
		f.why, f.next = "the unit is silent", "make the "+unit+" unit answer, then scan it"
	case events.Refused:
		f.why = "the unit refused to answer, which is not the same as no codes"
		if r.refusal != "" {
			f.why += " (" + r.refusal + ")"
		}
	case events.Skipped:
		f.why, f.next = "the unit was skipped", "scan the "+unit+" unit"
	case events.Truncated:
		f.why = "the answer was cut"
	}
	return f
}

func (t *timeline) observeListed(k key, w int, ref, r *reading, c events.CodeReading) finding {
	s, known := r.status(c)
	e, hasE := t.erased(k, w, r)
	cycle := t.newCycle(k, w, r)
	word := r.word(c)
	switch {
	case hasE && (s&failBits != 0 || word != ""):
		return finding{obs: ObsFailing, why: "failed since the erase"}
	case !hasE && cycle && s.Has(fault.TestFailedThisCycle):
		return finding{obs: ObsFailing, why: "failed in the new cycle"}
	case !hasE && cycle && s.Has(fault.TestFailed) && known.Has(fault.NotCompletedThisCycle) && !s.Has(fault.NotCompletedThisCycle):
		return finding{obs: ObsFailing, why: "its test ran in the new cycle and failed"}
	case !hasE && t.countRose(w, r, c):
		return finding{obs: ObsFailing, why: "its occurrence counter rose after the work"}
	case c.Frame != nil && !c.Frame.At.IsZero() && c.Frame.At.Std().After(t.ev[max(w, 0)].Happened().Std()) && !c.Frame.At.Std().After(t.ev[r.at].Happened().Std()):
		return finding{obs: ObsFailing, why: "its freeze frame is dated after the work"}
	}
	if t.passed(k.unit, s, known, hasE, cycle) {
		why := "its test ran since the erase and passed"
		if !hasE {
			why = "passed this cycle; the memory was not erased"
		}
		return finding{obs: ObsPassed, why: why}
	}
	if c.Permanent {
		return finding{obs: ObsPermanent, why: "still in the permanent list: the vehicle's own test has not passed yet",
			next: "drive until the vehicle's own test has passed (an erase does not remove a permanent code), then read the permanent list"}
	}
	if s&faultBits != 0 || word != "" {
		why := "still listed, from before the work or stale: its test has not run again"
		if word == fault.StatePresent.String() && ref != nil && !t.failingBefore(k, ref) && len(ref.matches(k)) > 0 {
			why = "present now and only stored before: it failed since that reading, but nothing shows that it was after the work"
		}
		if cycle && known.Has(fault.NotCompletedThisCycle) && s.Has(fault.NotCompletedThisCycle) {
			why = "stale: its test has not run again since the work"
		} else if !hasE && !cycle && c.Status != nil && !s.Has(fault.TestFailed) && known.Has(fault.TestFailed) {
			why = "the pass may be older than the work: no new key cycle since"
		}
		return finding{obs: ObsStored, why: why, next: t.proofStep(k, w, r, hasE)}
	}
	// Listed at 00 by a unit without test bits: as good as not listed.
	if hasE && r.avail != nil && *r.avail&untestedBit == 0 && s == 0 {
		if ok, _, _ := t.drivenEnough(k, e, r); ok {
			return finding{obs: ObsDriven, why: t.driveWords(e, r)}
		}
	}
	why := "its test has not run since the erase"
	switch {
	case !hasE:
		why = "its test has not run since the work, or ran before it"
	case s&untestedBit == 0:
		why = "the bits that would tell are not available"
	}
	return finding{obs: ObsListedUntested, why: why, next: t.proofStep(k, w, r, hasE)}
}

// passed is the second row: bit 0 known and 0, and either an erase with bits 4
// and 5 known and 0, or a new cycle with bit 6 known and 0.
func (t *timeline) passed(unit string, s, known fault.Status, hasE, cycle bool) bool {
	if t.quirks[unit] != "" {
		return false
	}
	zero := func(bits fault.Status) bool { return known.Has(bits) && s&bits == 0 }
	return zero(fault.TestFailed) &&
		(hasE && zero(fault.NotCompletedSinceClear|fault.FailedSinceClear) || cycle && zero(fault.NotCompletedThisCycle))
}

// countRose compares the occurrence counter with an earlier one: of a reading
// after the work, or of the last one before it where nothing ran in between. A
// counter of 126 and above is full or not available (SAE J1939-73).
func (t *timeline) countRose(w int, r *reading, c events.CodeReading) bool {
	if c.Count == nil || *c.Count >= 126 {
		return false
	}
	var last *int
	for _, earlier := range t.readings[r.unit] {
		if earlier.at >= r.at {
			break
		}
		for _, ec := range earlier.codes {
			if ec.Code != c.Code || ec.Count == nil || *ec.Count >= 126 {
				continue
			}
			if earlier.at > w || !t.ranBetween(earlier.at, w) {
				last = ec.Count
			} else {
				last = nil
			}
		}
	}
	return last != nil && *c.Count > *last
}

// ranBetween tells whether the vehicle is known to have run between two events.
func (t *timeline) ranBetween(a, b int) bool {
	for i := a + 1; i < b; i++ {
		switch t.ev[i].Body.(type) {
		case *events.DriveDone, *events.KeyCycled:
			return true
		}
	}
	from, ok := t.kmUpTo(a)
	to, ok2 := t.kmUpTo(b)
	return ok && ok2 && to.Cmp(from) > 0
}

func (t *timeline) observeAbsent(k key, w int, ref, r *reading) finding {
	unit := t.h.unitName(k.unit)
	if r.baseListed(k) && listedPermanent(key{k.unit, k.code.Base()}, r) {
		return finding{obs: ObsPermanent, why: k.code.Base().String() + " stands in the permanent list", next: "drive until the vehicle's own test has passed, then read the permanent list"}
	}
	if r.baseListed(k) {
		return finding{obs: ObsUnread, why: k.code.Base().String() + " is listed without its failure type",
			next: "read the " + unit + " unit with failure types (service 19 02, mask FF)"}
	}
	if ok, why, next := r.couldShow(k, t.needsOf(k, ref)); !ok {
		return finding{obs: ObsUnread, why: why, next: next}
	}
	e, hasE := t.erased(k, w, r)
	// Absence under a mask, by a unit known to list untested codes: all bits asked
	// for are 0.
	if r.mask != nil && r.avail != nil && t.listsUntested(r) {
		known := *r.mask & *r.avail
		if t.passed(k.unit, 0, known, hasE, t.newCycle(k, w, r)) {
			why := "its test ran since the erase and passed: the unit lists untested codes, and this one is not among them"
			if !hasE {
				why = "its test ran in the new cycle and passed: the unit lists untested codes, and this one is not among them"
			}
			return finding{obs: ObsPassed, why: why}
		}
	}
	if !hasE {
		return finding{obs: ObsAbsent, why: "not listed, but its memory is not known to have been erased since the work, so nothing shows that it was tested",
			next: t.proofStep(k, w, r, false)}
	}
	monitor, complete, covered := t.monitored(k, e, r)
	if complete {
		return finding{obs: ObsMonitored, why: "not stored, not pending, and the " + monitor + " monitor, which may cover it, is complete since the erase"}
	}
	ok, why, next := t.drivenEnough(k, e, r)
	if ok {
		return finding{obs: ObsDriven, why: t.driveWords(e, r)}
	}
	if covered != "" {
		return finding{obs: ObsAbsent, why: covered, next: "drive until the " + monitor + " monitor is complete, then read the stored and the pending list of the " + unit + " unit"}
	}
	return finding{obs: ObsAbsent, why: why, next: next}
}

// listsUntested tells whether this unit, asked by this service and mask, has
// been seen to list a record only because its test has not run.
func (t *timeline) listsUntested(r *reading) bool {
	for _, o := range t.info[r.unit] {
		if o.mask == nil || *o.mask != *r.mask || o.service != r.service || o.avail == nil {
			continue
		}
		for _, c := range o.codes {
			if c.Status == nil {
				continue
			}
			shown := *c.Status & *o.mask & *o.avail
			if shown != 0 && shown&^untestedBit == 0 {
				return true
			}
		}
	}
	return false
}

// monitored is the row of that name. It gives the monitor it speaks of, whether
// the row holds, and if not, why the monitor does not help.
func (t *timeline) monitored(k key, e erasure, r *reading) (name string, holds bool, why string) {
	read := r.views[fault.ViewStored] && r.views[fault.ViewPending] || r.views[fault.ViewSupported] ||
		r.mask != nil && r.mask.Has(fault.Pending|fault.Confirmed)
	qualifies := false
	var names []string
	for _, m := range fault.MonitorsFor(k.code) {
		complete, supported := r.mons[m]
		if !supported {
			continue
		}
		if !complete {
			return m.String(), false, "the " + m.String() + " monitor, which may cover it, has not run since the erase"
		}
		names = append(names, m.String())
		qualifies = qualifies || !m.Continuous() && e.whole || t.wasIncomplete(m, e, r)
	}
	if len(names) == 0 || !read {
		return "", false, ""
	}
	return strings.Join(names, " and "), qualifies, ""
}

func (t *timeline) wasIncomplete(m fault.Monitor, e erasure, r *reading) bool {
	for _, o := range t.readings[r.unit] {
		if complete, ok := o.mons[m]; ok && !complete && (o.at > e.from || o.at == e.from && e.how == "shown") && o.at < r.at {
			return true
		}
	}
	return false
}

// testInfo names test information that this unit has given for the code at any
// time; absence after a drive means nothing in a unit that could say more.
func (t *timeline) testInfo(k key) string {
	for _, r := range t.info[k.unit] {
		for _, c := range r.matches(k) {
			if s, _ := r.status(c); s&untestedBit != 0 {
				return "the unit tells by itself whether the test of this code ran"
			}
			if r.views[fault.ViewSupported] && r.avail != nil && *r.avail&untestedBit != 0 {
				return "the unit lists this code among its supported ones with its test bits"
			}
		}
		for _, m := range fault.MonitorsFor(k.code) {
			if complete, ok := r.mons[m]; ok && (!m.Continuous() || !complete) {
				return "the unit has a readiness monitor (" + m.String() + ") that may cover it"
			}
		}
	}
	return ""
}

// drivenEnough is the row "driven", without the absence itself.
func (t *timeline) drivenEnough(k key, e erasure, r *reading) (ok bool, why, next string) {
	unit := t.h.unitName(k.unit)
	if info := t.testInfo(k); info != "" {
		return false, "not listed, but " + info + ", and that was not read here",
			"ask the " + unit + " unit for all supported codes (19 0A) or with mask FF, and read its monitors"
	}
	km, minutes, capped := t.driven(e, r)
	p := t.h.policy
	missing := p.DriveDistance.Km().Sub(km)
	if missing.Sign() <= 0 && minutes >= p.DriveMinutes {
		return true, "", ""
	}
	why = fmt.Sprintf("not listed, but not driven far enough since the erase: %s km and %d min of %s and %d min", km, minutes, p.DriveDistance, p.DriveMinutes)
	if capped {
		why += " (the odometer or the unit's counter allows no more)"
	}
	for _, m := range fault.MonitorsFor(k.code) {
		if _, ok := r.mons[m]; ok && m.Continuous() {
			why += fmt.Sprintf("; the %s monitor is continuous and proves nothing by itself", m)
		}
	}
	var more []string
	if missing.Sign() > 0 {
		more = append(more, missing.String()+" km")
	}
	if minutes < p.DriveMinutes {
		more = append(more, fmt.Sprintf("%d min", p.DriveMinutes-minutes))
	}
	return false, why, fmt.Sprintf("drive %s more, then scan the %s unit again; or ask it for all supported codes", strings.Join(more, " and "), unit)
}

func (t *timeline) driveWords(e erasure, r *reading) string {
	km, minutes, _ := t.driven(e, r)
	return fmt.Sprintf("not listed after %s km and %d min since the erase; it rests on the drive alone", km, minutes)
}

// proofStep is what would settle a fault that is listed or absent without proof.
func (t *timeline) proofStep(k key, w int, r *reading, hasE bool) string {
	unit := t.h.unitName(k.unit)
	p := t.h.policy
	again := "scan the " + unit + " unit again"
	if t.testInfo(k) != "" || r.mask != nil {
		again = "read the " + unit + " unit again with mask FF or all supported codes"
	}
	drive := fmt.Sprintf("drive at least %s and %d min so that its test can run", p.DriveDistance, p.DriveMinutes)
	if hasE {
		return drive + ", then " + again
	}
	return "save this reading, erase the " + unit + " unit, " + drive + ", then " + again
}
