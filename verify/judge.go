package verify

import (
	"fmt"
	"sort"
	"strings"

	"mendbook/events"
	"mendbook/events/fault"
)

// Question is what is asked of a vehicle's history.
type Question struct {
	// Job to judge; zero: the latest.
	Job events.ID
	// Before and After judge two scans instead of a job.
	Before, After events.ID
}

// Judge answers a question about a history. The only errors are questions about
// jobs or scans that the history does not have.
func Judge(h *History, q Question) (*Report, error) {
	if !q.Before.IsZero() || !q.After.IsZero() {
		return judgeScans(h, q)
	}
	n, err := h.jobIndex(q.Job)
	if err != nil {
		return nil, err
	}
	r := judgeJob(h, n)
	span := h.jobs[n]
	if !span.Closed.ID.IsZero() {
		atClose(h, span, r)
	}
	return r, nil
}

func (h *History) jobIndex(id events.ID) (int, error) {
	if len(h.jobs) == 0 {
		return 0, fmt.Errorf("vehicle %s has no job and no scan yet", h.vehicle.Label)
	}
	if id.IsZero() {
		return len(h.jobs) - 1, nil
	}
	for i, j := range h.jobs {
		if j.ID == h.job(id) {
			return i, nil
		}
	}
	return 0, fmt.Errorf("vehicle %s has no job %s", h.vehicle.Label, id)
}

// judgeScans judges what two scans show: the history without the other scans of
// the vehicle, and with what was done between the two.
func judgeScans(h *History, q Question) (*Report, error) {
	at := map[events.ID]int{}
	for i, e := range h.line {
		if _, ok := e.Body.(*events.ScanTaken); ok {
			at[e.ID] = i
		}
	}
	b, okB := at[q.Before]
	a, okA := at[q.After]
	switch {
	case !okB:
		return nil, fmt.Errorf("vehicle %s has no scan %s", h.vehicle.Label, q.Before)
	case !okA:
		return nil, fmt.Errorf("vehicle %s has no scan %s", h.vehicle.Label, q.After)
	case b >= a:
		return nil, fmt.Errorf("scan %s is not earlier than scan %s", q.Before, q.After)
	}
	cut := *h
	cut.line = nil
	for i, e := range h.line {
		switch e.Body.(type) {
		case *events.ScanTaken:
			if i != b && i != a {
				continue
			}
		case *events.JobOpened, *events.JobClosed:
			continue
		}
		if i >= b && i <= a {
			cut.line = append(cut.line, e)
		}
	}
	cut.jobs = []JobSpan{{}}
	cut.whole = h
	cut.jobInto = map[events.ID]events.ID{}
	r := judgeJob(&cut, 0)
	r.Job.Before, r.Job.After = q.Before, q.After
	return r, nil
}

// judgeJob judges a job in the recorded order and, where clocks of two machines
// leave an order in doubt, in the other orders too; the weaker verdict stands.
func judgeJob(h *History, n int) *Report {
	t := newTimeline(h, h.line)
	c := newCase(t, n)
	faults := c.judgeAll()
	for _, alt := range h.doubts(t) {
		other := newCase(newTimeline(h, alt.order), n)
		for k, f := range other.judgeAll() {
			have, ok := faults[k]
			if !ok || weaker(f, have) {
				f.Remarks = append(f.Remarks, alt.why)
				faults[k] = f
				if res, ok := c.results[k]; ok {
					res.fault = f // scores follow the verdict that stands
				}
			}
		}
	}
	return c.report(faults)
}

func weaker(a, b *Fault) bool { return standing(a) < standing(b) }

func standing(f *Fault) int {
	switch f.Verdict.Group() {
	case Bad:
		return 0
	case Open:
		return 1
	}
	return 1 + f.Grade.strength()
}

// doubt is another order in which events of two machines may have happened.
type doubt struct {
	order []events.Event
	why   string
}

// maxDoubts bounds the orders tried; a workshop's clocks are seldom so wrong.
const maxDoubts = 32

func (h *History) doubts(t *timeline) []doubt {
	var out []doubt
	for i := range t.ev {
		for j := i + 1; j < len(t.ev); j++ {
			a, b := t.ev[i], t.ev[j]
			gap := b.Happened().Std().Sub(a.Happened().Std())
			if gap >= h.policy.ClockTolerance {
				break
			}
			if a.Feed == b.Feed || !weighs(a) || !weighs(b) || refers(b, a) {
				continue
			}
			if len(out) >= maxDoubts {
				t.warn("more events of two machines are too near in time than can be judged in every order")
				return out
			}
			why := fmt.Sprintf(
				"recorded by two machines within %s of each other at %s: judged in both orders, the weaker verdict stands",
				gap.Round(1e9), h.when(a.Happened()))
			// What one machine recorded keeps its order: a goes after b with what its
			// own machine recorded in between, or b goes before a likewise.
			for _, moved := range []func(events.Event) bool{
				func(e events.Event) bool { return e.Feed == a.Feed },
				func(e events.Event) bool { return e.Feed != b.Feed },
			} {
				order := append(make([]events.Event, 0, len(t.ev)), t.ev[:i]...)
				var late []events.Event
				for _, e := range t.ev[i : j+1] {
					if moved(e) {
						late = append(late, e)
					} else {
						order = append(order, e)
					}
				}
				order = append(append(order, late...), t.ev[j+1:]...)
				out = append(out, doubt{order, why})
			}
		}
	}
	return out
}

func weighs(e events.Event) bool { return kindWord(e) != "" }

func refers(b, a events.Event) bool { return strings.Contains(string(b.Data), a.ID.String()) }

// repairAt is a repair with its place.
type repairAt struct {
	at  int
	ev  events.Event
	d   *events.RepairDone
	job events.ID
}

func (t *timeline) targets(r repairAt, k key) bool {
	for _, target := range r.d.Targets {
		if t.h.unit(target.Unit) != k.unit {
			continue
		}
		if k.silent() && target.NoAnswer || !k.silent() && !target.NoAnswer && target.Code.Covers(k.code) {
			return true
		}
	}
	return false
}

// jobCase is one job being judged in one order.
type jobCase struct {
	t       *timeline
	n       int
	span    extent
	repairs []repairAt // all of the vehicle
	own     []repairAt // those of the job
	work    int        // the job's first repair or erase; len(ev) where there is none
	results map[key]*result
}

// result is a fault's verdict with what later steps need.
type result struct {
	fault   *Fault
	w       int
	good    *reading // the first good reading after w
	before  *reading
	targets []repairAt
}

func newCase(t *timeline, n int) *jobCase {
	c := &jobCase{t: t, n: n, span: t.spans[n], work: len(t.ev), results: map[key]*result{}}
	for i, e := range t.ev {
		if d, ok := e.Body.(*events.RepairDone); ok {
			r := repairAt{i, e, d, t.jobOf(i, d)}
			c.repairs = append(c.repairs, r)
			if r.job == t.h.jobs[n].ID {
				c.own = append(c.own, r)
			}
		}
	}
	for _, r := range c.own {
		c.work = min(c.work, r.at)
	}
	for i := c.span.from; i < c.span.to; i++ {
		d, ok := t.ev[i].Body.(*events.CodesErased)
		if !ok {
			continue
		}
		for _, u := range d.Units {
			if u.Result == events.EraseAccepted {
				c.work = min(c.work, i)
			}
		}
	}
	return c
}

// jobOf is the job a repair belongs to: the one it names, else the one whose
// stretch it stands in.
func (t *timeline) jobOf(i int, d *events.RepairDone) events.ID {
	if !d.Job.IsZero() {
		id := t.h.job(d.Job)
		for _, j := range t.h.jobs {
			if j.ID == id {
				return id
			}
		}
	}
	for j, x := range t.spans {
		if x.holds(i) {
			return t.h.jobs[j].ID
		}
	}
	return events.ID{}
}

// faults are all faults of the job: those its readings list, the units that are
// silent while others answer, and what its repairs target.
func (c *jobCase) faults() []key {
	seen := map[key]bool{}
	for _, list := range c.t.readings {
		for _, r := range list {
			if !c.span.holds(r.at) {
				continue
			}
			if r.reach == events.Silent && r.others && !r.elsewhere {
				seen[key{unit: r.unit}] = true
			}
			for _, code := range r.codes {
				if r.isFault(code) {
					seen[key{r.unit, code.Code}] = true
				}
			}
		}
	}
	for _, r := range c.own {
		for _, target := range r.d.Targets {
			seen[key{c.t.h.unit(target.Unit), target.Code}] = true
		}
	}
	out := make([]key, 0, len(seen))
	for k := range seen {
		out = append(out, k)
	}
	sort.Slice(out, func(i, j int) bool {
		if out[i].unit != out[j].unit {
			return out[i].unit < out[j].unit
		}
		return out[i].code.String() < out[j].code.String()
	})
	return out
}

func (c *jobCase) judgeAll() map[key]*Fault {
	out := map[key]*Fault{}
	for _, k := range c.faults() {
		res := c.judge(k)
		c.results[k] = res
		out[k] = res.fault
	}
	for k, res := range c.results {
		c.relate(k, res)
	}
	return out
}

func (c *jobCase) judge(k key) *result {
	res := &result{fault: &Fault{Unit: c.t.h.unitName(k.unit), Code: k.codeText(), Means: means(k),
		Before: "not read", After: "not read", Credit: []Credit{}, Evidence: []events.ID{}, Observations: []Seen{}}}
	for _, r := range c.own {
		if c.t.targets(r, k) {
			res.targets = append(res.targets, r)
		}
	}
	if len(res.targets) > 0 {
		res.fault.Targeted = true
		res.w = res.targets[len(res.targets)-1].at
		res.before = c.lastInformative(k, res.targets[0].at)
		c.conclude(k, res)
	} else {
		c.judgeUntargeted(k, res)
	}
	c.credit(k, res)
	if res.before != nil {
		res.fault.Before = res.before.seen(k)
	}
	res.fault.Accepted = res.fault.Verdict.Group() == Good && c.t.h.policy.Accepts(res.fault.Grade)
	return res
}

// informative tells whether a reading says anything about a fault.
func (t *timeline) informative(k key, r *reading) bool {
	if k.silent() {
		return answered(r.reach) || r.reach == events.Silent && r.others
	}
	if r.reach != events.Answered {
		return false
	}
	if len(r.matches(k)) > 0 {
		return true
	}
	ok, _, _ := r.couldShow(k, needs{})
	return ok && !r.baseListed(k)
}

func (c *jobCase) lastInformative(k key, ahead int) *reading {
	var last *reading
	for _, r := range c.t.readings[k.unit] {
		if last != nil && last.at == r.at && len(last.matches(k)) > 0 && len(r.matches(k)) == 0 {
			continue // the list of that scan that held it says more
		}
		if r.at < ahead && c.t.informative(k, r) {
			last = r
		}
	}
	return last
}

// judgeUntargeted judges a fault that no repair of the job was meant to cure.
func (c *jobCase) judgeUntargeted(k key, res *result) {
	var first, found *reading // the job's first informative reading, the first that lists the fault
	for _, r := range c.t.readings[k.unit] {
		if !c.span.holds(r.at) {
			continue
		}
		if first == nil && c.t.informative(k, r) {
			first = r
		}
		if found == nil && c.lists(k, r) {
			found = r
		}
	}
	if found == nil { // only by the other of two orders; nothing to say
		res.fault.Verdict, res.fault.Reason = Unread, "no reading of this job lists it"
		return
	}
	if found.at < c.work {
		res.before, res.w = found, found.at
		c.conclude(k, res)
		return
	}
	base, why := c.baseline(k, first, found)
	if base != nil && len(base.matches(k)) > 0 && !k.silent() && anyFault(base, k) {
		res.before, res.w = base, base.at
		c.conclude(k, res)
		return
	}
	if base != nil {
		res.before, res.w = base, base.at
		c.conclude(k, res)
		f := res.fault
		f.Verdict, f.Grade, f.Contrast, f.Next = New, NoGrade, false, "diagnose it as a new fault; record a repair for it, or erase, drive and scan again"
		f.Reason = fmt.Sprintf("found on %s (%s); the reading of %s could have shown it and did not",
			c.t.h.when(c.t.ev[found.at].Happened()), found.seen(k), c.t.h.when(c.t.ev[base.at].Happened()))
		if k.silent() {
			f.Reason = fmt.Sprintf("silent on %s while others answer; it answered on %s",
				c.t.h.when(c.t.ev[found.at].Happened()), c.t.h.when(c.t.ev[base.at].Happened()))
			f.Next = "check the unit's supply and wiring, then scan it again"
		}
		res.good = nil
		return
	}
	res.before, res.w = nil, found.at
	c.conclude(k, res)
	f := res.fault
	f.Before = "not read"
	f.After = c.lastSeen(k, found)
	if f.Verdict == Cleared {
		return
	}
	f.Verdict, f.Grade = Unbaselined, NoGrade
	f.Reason = fmt.Sprintf("found on %s (%s), after the work; %s", c.t.h.when(c.t.ev[found.at].Happened()), found.seen(k), why)
	f.Next = "judge it as a fault of its own: record a repair for it, or erase, drive and scan again"
	f.Evidence = appendID([]events.ID{found.scan}, f.Evidence...)
}

func anyFault(r *reading, k key) bool {
	for _, c := range r.matches(k) {
		if r.isFault(c) {
			return true
		}
	}
	return false
}

// lists tells whether a reading lists the fault as one.
func (c *jobCase) lists(k key, r *reading) bool {
	if k.silent() {
		return r.reach == events.Silent && r.others && !r.elsewhere
	}
	for _, code := range r.codes {
		if code.Code == k.code && r.isFault(code) {
			return true
		}
	}
	return false
}

// baseline gives the job's first informative reading of the unit where it stands
// ahead of the work, could have shown the fault as it was found, and bears no
// sign of a recent erase; else the reason why there is none.
func (c *jobCase) baseline(k key, first, found *reading) (*reading, string) {
	if first == nil || first.at >= c.work {
		return nil, "no reading before the work could have shown it"
	}
	if k.silent() {
		return first, ""
	}
	if ok, why := alike(k, first, found); !ok {
		return nil, why
	}
	if sign := c.t.recentErase(k, first); sign != "" {
		return nil, "the reading before the work says little: " + sign
	}
	return first, ""
}

// alike tells whether the question asked in base could have listed the
// fault as it stands in found.
func alike(k key, base, found *reading) (bool, string) {
	a, b := family(base.service), family(found.service)
	if a != b && a != "" && b != "" {
		return false, fmt.Sprintf("before the work the unit was read by service %s, now by %s, which lists other codes", base.service, found.service)
	}
	for _, c := range found.matches(k) {
		s, known := found.status(c)
		switch {
		case base.mask != nil && c.Status != nil:
			bits := *base.mask
			if base.avail != nil {
				bits &= *base.avail
			}
			if s&bits == 0 {
				return false, fmt.Sprintf("the reading before the work asked with mask %s, which does not show it as it is now (%s)", base.mask, s)
			}
		case base.mask == nil && !base.views[fault.ViewSupported]:
			pendingOnly := c.State == fault.StatePending ||
				c.State.String() == "" && c.Status != nil && known.Has(fault.Confirmed) && s&(fault.Confirmed|fault.TestFailed) == 0
			if pendingOnly && !base.views[fault.ViewPending] {
				return false, "the pending list was not read before the work"
			}
			if c.State.String() == "" && c.Status == nil && c.Permanent && !base.views[fault.ViewPermanent] {
				return false, "the permanent list was not read before the work"
			}
		}
	}
	ok, why, _ := base.couldShow(k, needs{})
	return ok, why
}

// recentErase names a sign that a unit's memory was new when it was read, so
// that a code missing from it says little about what was there.
func (t *timeline) recentErase(k key, r *reading) string {
	for _, c := range r.matches(k) {
		if s, _ := r.status(c); s.Has(fault.NotCompletedSinceClear) {
			return "its test had not run since the last erase"
		}
	}
	for _, m := range fault.MonitorsFor(k.code) {
		if complete, ok := r.mons[m]; ok && !complete {
			return "the " + m.String() + " monitor was incomplete"
		}
	}
	p := t.h.policy
	if n, ok := r.counterWarmUps(); ok && n < p.RecentWarmUps {
		return fmt.Sprintf("only %d warm-ups since its last erase", n)
	}
	if km, ok := r.counterKm(); ok && km.Cmp(p.RecentDistance.Km()) < 0 {
		return fmt.Sprintf("only %s km since its last erase", km)
	}
	if e, ok := t.erased(k, -1, r); ok {
		km, minutes, _ := t.driven(e, r)
		if km.Cmp(p.DriveDistance.Km()) < 0 || minutes < p.DriveMinutes {
			return "its memory was new since " + t.h.when(t.ev[e.from].Happened())
		}
	}
	return ""
}

// end is where the stretch of a fault ends: the next repair that targets it in
// another, later job.
func (c *jobCase) end(k key, w int) int {
	for _, r := range c.repairs {
		if r.at > w && r.job != c.t.h.jobs[c.n].ID && c.t.targets(r, k) {
			return r.at
		}
	}
	return len(c.t.ev)
}

func (c *jobCase) lastSeen(k key, fallback *reading) string {
	text := fallback.seen(k)
	end := c.end(k, fallback.at)
	for _, r := range c.t.readings[k.unit] {
		if r.at > fallback.at && r.at < end {
			text = r.seen(k)
		}
	}
	return text
}

// stretchView is what the readings between the work and the end say.
type stretchView struct {
	seen       []finding
	readings   []*reading
	failing    int // index of the first failing, -1
	goodBefore bool
	best       int  // index of the best good one, -1
	firstGood  int  // index of the first good one, -1
	permanent  bool // the permanent list held it when last read
}

func (t *timeline) view(k key, w, end int, ref *reading) stretchView {
	v := stretchView{failing: -1, best: -1, firstGood: -1, permanent: ref != nil && listedPermanent(k, ref)}
	for _, r := range t.readings[k.unit] {
		if r.at <= w || r.at >= end {
			continue
		}
		f := t.observe(k, w, ref, r)
		i := len(v.seen)
		v.seen, v.readings = append(v.seen, f), append(v.readings, r)
		if f.permanentRead {
			v.permanent = f.obs == ObsPermanent
			if f.obs == ObsStored || f.obs == ObsListedUntested || f.obs == ObsFailing {
				v.permanent = listedPermanent(k, r)
			}
		}
		if f.obs == ObsPassed {
			v.permanent = false
		}
		if f.obs == ObsFailing && v.failing < 0 {
			v.failing, v.goodBefore = i, v.firstGood >= 0
		}
		if g := f.obs.grade(); g != NoGrade {
			if v.firstGood < 0 {
				v.firstGood = i
			}
			if v.best < 0 || g.strength() > v.seen[v.best].obs.grade().strength() {
				v.best = i
			}
		}
	}
	return v
}

func listedPermanent(k key, r *reading) bool {
	for _, c := range r.matches(k) {
		if c.Permanent {
			return true
		}
	}
	return false
}

// conclude gives the verdict of the stretch after res.w.
func (c *jobCase) conclude(k key, res *result) {
	t, f := c.t, res.fault
	end := c.end(k, res.w)
	v := t.view(k, res.w, end, res.before)
	f.Contrast = res.before != nil && t.failingBefore(k, res.before) || c.failedBetween(k, res)
	if res.before != nil {
		f.Evidence = appendID(f.Evidence, res.before.scan)
	}
	for _, r := range res.targets {
		f.Evidence = appendID(f.Evidence, r.ev.ID)
	}
	for i, s := range v.seen {
		r := v.readings[i]
		f.Observations = append(f.Observations, Seen{Scan: r.scan, At: t.ev[r.at].Happened(), Obs: s.obs, Text: r.seen(k)})
		f.After = r.seen(k)
		f.Evidence = appendID(f.Evidence, r.scan)
	}
	if len(v.seen) > 0 {
		last := v.readings[len(v.readings)-1]
		if e, ok := t.erased(k, res.w, last); ok {
			f.Evidence = appendID(f.Evidence, t.ev[e.from].ID)
		}
	}
	defer func() {
		f.Evidence = t.inOrder(f.Evidence)
		if end < len(t.ev) && f.Verdict.Group() != Good {
			f.Next = "it was repaired again on " + t.h.when(t.ev[end].Happened()) + ": that job tells the rest"
		}
	}()
	day := func(i int) string { return t.h.when(t.ev[v.readings[i].at].Happened()) }
	switch {
	case v.failing >= 0:
		f.Verdict = Persisted
		f.Reason = v.seen[v.failing].why + ": " + day(v.failing) + " (" + v.readings[v.failing].seen(k) + ")"
		if v.goodBefore {
			f.Verdict = Returned
			f.Reason = fmt.Sprintf("was good on %s, then %s", day(v.firstGood), f.Reason)
		}
		if last := v.seen[len(v.seen)-1]; last.obs.grade() != NoGrade && len(v.seen)-1 > v.failing {
			f.Reason += fmt.Sprintf("; failed on %s, passes now", day(v.failing))
			f.Next = "it stays failed until another repair of it is recorded and proven"
		} else {
			f.Next = "repair it and record the repair"
			if v.seen[v.failing].why == "failed since the erase" && t.passesNow(k, v.readings[v.failing]) {
				f.Reason += "; failed since the erase, passes now"
			}
		}
		if !k.silent() && f.Next == "repair it and record the repair" {
			f.Next += ": it is still there"
		}
	case v.best >= 0 && !(v.permanent && v.seen[v.best].obs != ObsPassed):
		f.Verdict, f.Grade = Cleared, v.seen[v.best].obs.grade()
		if k.silent() {
			f.Grade = Answered
		}
		f.Reason = v.seen[v.best].why + " (" + day(v.best) + ")"
		res.good = v.readings[v.firstGood]
		if !f.Contrast {
			f.Remarks = append(f.Remarks, "it was not failing before the work either; watch it over the distance at which it used to come")
		}
		if !f.Targeted {
			f.Remarks = append(f.Remarks, "went without a repair: likely to return")
		}
	case v.permanent && len(v.seen) > 0:
		f.Verdict = Unproven
		f.Reason = "permanent: the vehicle's own test has not passed yet"
		f.Next = "drive until the vehicle's own test has passed (an erase does not remove a permanent code), then read the permanent list"
	case len(v.seen) == 0:
		c.awaited(k, res, end)
	default:
		i := telling(v.seen)
		f.Verdict = Unproven
		if v.seen[i].obs == ObsUnread {
			f.Verdict = Unread
		}
		f.Reason = v.seen[i].why + " (" + day(i) + ")"
		f.Next = v.seen[i].next
	}
}

// telling picks the observation that an open verdict is explained by: the last
// one that is not unread, else the last.
func telling(seen []finding) int {
	for i := len(seen) - 1; i >= 0; i-- {
		if seen[i].obs != ObsUnread {
			return i
		}
	}
	return len(seen) - 1
}

// passesNow tells whether a failing record's last test passed all the same.
func (t *timeline) passesNow(k key, r *reading) bool {
	for _, c := range r.matches(k) {
		s, known := r.status(c)
		if !known.Has(fault.TestFailed) || s.Has(fault.TestFailed) || known.Has(fault.NotCompletedThisCycle) && s.Has(fault.NotCompletedThisCycle) {
			return false
		}
	}
	return len(r.matches(k)) > 0
}

// awaited is the verdict where the unit was not read after the work: no scan at
// all, or scans that left it out.
func (c *jobCase) awaited(k key, res *result, end int) {
	t, f := c.t, res.fault
	unit := t.h.unitName(k.unit)
	for _, i := range t.scans {
		if i > res.w && i < end {
			f.Verdict = Unread
			f.Reason = fmt.Sprintf("the scan of %s did not include the %s unit", t.h.when(t.ev[i].Happened()), unit)
			f.Next = "scan the " + unit + " unit"
			f.Evidence = appendID(f.Evidence, t.ev[i].ID)
			f.Observations = append(f.Observations, Seen{Scan: t.ev[i].ID, At: t.ev[i].Happened(), Obs: ObsUnread, Text: "not scanned"})
		}
	}
	if f.Verdict == Unread {
		return
	}
	f.Verdict, f.Reason = Awaited, "no scan since the work"
	if !f.Targeted {
		f.Reason = "no scan since it was read"
	}
	if k.silent() {
		f.Next = "scan the vehicle again"
		return
	}
	last := &reading{at: len(t.ev), unit: k.unit, views: map[fault.View]bool{}}
	if res.before != nil {
		last.mask = res.before.mask
	}
	if _, ok := t.erased(k, res.w, last); ok {
		f.Next = t.proofStep(k, res.w, last, true)
		return
	}
	f.Next = "erase the " + unit + " unit, " + t.proofStep(k, res.w, last, true)
}

// failingBefore tells whether the fault was failing when it was read: bit 0 where
// the unit has it, else the words present and pending. What is only stored may
// have gone by itself.
func (t *timeline) failingBefore(k key, r *reading) bool {
	if k.silent() {
		return r.reach == events.Silent
	}
	for _, c := range r.matches(k) {
		s, known := r.status(c)
		if known.Has(fault.TestFailed) {
			if s.Has(fault.TestFailed) {
				return true
			}
			continue
		}
		if c.State == fault.StatePresent || c.State == fault.StatePending || s&(fault.TestFailedThisCycle|fault.Pending) != 0 {
			return true
		}
	}
	return false
}

// failedBetween tells whether the fault was read failing between the job's first
// repair of it and its last.
func (c *jobCase) failedBetween(k key, res *result) bool {
	if len(res.targets) < 2 {
		return false
	}
	for _, r := range c.t.readings[k.unit] {
		if r.at > res.targets[0].at && r.at < res.w && c.t.informative(k, r) && c.t.failingBefore(k, r) {
			return true
		}
	}
	return false
}

func appendID(list []events.ID, ids ...events.ID) []events.ID {
	for _, id := range ids {
		dup := false
		for _, have := range list {
			dup = dup || have == id
		}
		if !dup {
			list = append(list, id)
		}
	}
	return list
}

func (t *timeline) inOrder(ids []events.ID) []events.ID {
	at := map[events.ID]int{}
	for i, e := range t.ev {
		at[e.ID] = i
	}
	sort.SliceStable(ids, func(i, j int) bool { return at[ids[i]] < at[ids[j]] })
	return ids
}

// relate adds what a fault has to do with others of the job.
func (c *jobCase) relate(k key, res *result) {
	if k.silent() {
		return
	}
	for other, o := range c.results {
		if other == k || other.silent() {
			continue
		}
		if other.unit == k.unit && fault.SameComponent(other.code, k.code) &&
			(o.fault.Before != "not listed" && o.fault.Before != "not read") && res.fault.Verdict.Group() != Good &&
			(res.fault.Before == "not listed" || res.fault.Before == "not read") {
			res.fault.Remarks = append(res.fault.Remarks, "same component as "+other.code.String()+", different failure")
		}
	}
	if res.fault.Verdict != New && res.fault.Verdict != Unbaselined {
		return
	}
	var units []string
	for unit, list := range c.t.readings {
		if unit == k.unit {
			continue
		}
		for _, r := range list {
			if r.at < c.work && len(r.matches(k)) > 0 {
				units = append(units, c.t.h.unitName(unit))
				break
			}
		}
	}
	sort.Strings(units)
	for _, u := range units {
		res.fault.Remarks = append(res.fault.Remarks, "seen in the "+u+" unit before")
	}
}

// means is what the standards say of a code, in plain words.
func means(k key) string {
	if ftb, ok := k.code.FailureType(); ok && ftb != 0 {
		return fault.FailureTypeText(ftb)
	}
	if _, fmi, ok := k.code.SPN(); ok {
		return fault.FMIText(fmi)
	}
	return ""
}
