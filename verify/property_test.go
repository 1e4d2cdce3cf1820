package verify

import (
	"encoding/json"
	"fmt"
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"

	"mendbook/events"
	"mendbook/events/fault"
	"mendbook/events/quantity"
)

// Property 4, and the reach of the generator: every fault of every reading in a
// job gets exactly one verdict, and generated histories reach every observation,
// verdict and grade.
func TestEveryFaultHasOneVerdict(t *testing.T) {
	obs := map[Observation]int{}
	verdicts := map[Verdict]int{}
	grades := map[Grade]int{}
	rapid.Check(t, func(t *rapid.T) {
		b := genHistory(t)
		h := NewHistory(b.evs, b.policy)
		for _, job := range h.Jobs() {
			r := b.ask(Question{Job: job.ID})
			seen := map[string]int{}
			for _, f := range r.Faults {
				seen[f.Unit+"/"+f.Code]++
				verdicts[f.Verdict]++
				grades[f.Grade]++
				for _, o := range f.Observations {
					obs[o.Obs]++
				}
				if f.Verdict.Group() == "" || f.Reason == "" {
					t.Fatalf("%s/%s: verdict %q, reason %q", f.Unit, f.Code, f.Verdict, f.Reason)
				}
				if f.Verdict.Group() == Open && f.Next == "" {
					t.Fatalf("%s/%s is open without a next step: %s", f.Unit, f.Code, f.Reason)
				}
				if (f.Grade != NoGrade) != (f.Verdict == Cleared) {
					t.Fatalf("%s/%s: %s with grade %q", f.Unit, f.Code, f.Verdict, f.Grade)
				}
			}
			expected := expectedFaults(b, job)
			for name := range expected {
				if seen[name] != 1 {
					t.Fatalf("fault %s has %d verdicts", name, seen[name])
				}
			}
			for name := range seen {
				if !expected[name] {
					t.Fatalf("%s has a verdict and is no fault of the job", name)
				}
			}
		}
	})
	for _, o := range Observations() {
		if obs[o] == 0 {
			t.Errorf("no generated history reached observation %q", o)
		}
	}
	for _, v := range Verdicts() {
		if verdicts[v] == 0 {
			t.Errorf("no generated history reached verdict %q", v)
		}
	}
	for _, g := range Grades() {
		if grades[g] == 0 {
			t.Errorf("no generated history reached grade %q", g)
		}
	}
}

// expectedFaults says again, in the plainest way, what is a fault of a job.
func expectedFaults(b *book, job JobSpan) map[string]bool {
	out := map[string]bool{}
	in := false
	for _, e := range b.evs {
		if e.ID == job.ID {
			in = true
		} else if e.Type == "job.opened.v1" {
			in = false
		}
		if !in {
			continue
		}
		switch d := e.Body.(type) {
		case *events.RepairDone:
			for _, target := range d.Targets {
				out[target.Unit+"/"+targetCode(target.Code, target.NoAnswer)] = true
			}
		case *events.ScanTaken:
			for i, u := range d.Units {
				others := false
				for j, o := range d.Units {
					others = others || i != j && (o.Reach == events.Answered || o.Reach == events.Refused || o.Reach == events.Truncated)
				}
				if u.Reach == events.Silent && others {
					out[u.Unit+"/"+NoAnswer] = true
				}
				for _, c := range u.Codes {
					bits := fault.Status(0)
					if c.Status != nil {
						bits = *c.Status & *u.Available
					}
					if c.State != 0 || c.Permanent || bits&0xAF != 0 {
						out[u.Unit+"/"+c.Code.String()] = true
					}
				}
			}
		}
	}
	return out
}

// Property 5: the credits of one fault add to exactly 1 or to 0, and scores are
// ranges within 0 and 1.
func TestCreditsAddUp(t *testing.T) {
	one := quantity.NumberFromInt(1)
	given := 0
	rapid.Check(t, func(t *rapid.T) {
		b := genHistory(t)
		r := b.judge()
		for _, f := range r.Faults {
			sum := quantity.NumberFromInt(0)
			for _, c := range f.Credit {
				sum = sum.Add(c.Share)
			}
			if !sum.IsZero() && !sum.Equal(one) {
				t.Fatalf("%s/%s: credits add to %s", f.Unit, f.Code, sum)
			}
			if len(f.Credit) > 0 {
				given++
			}
		}
		for _, rep := range r.Repairs {
			if s := rep.Score; s.Low != nil && (s.Low.Sign() < 0 || s.Low.Cmp(*s.High) > 0 || s.High.Cmp(one) > 0) {
				t.Fatalf("score from %s to %s", s.Low, s.High)
			}
		}
	})
	if given == 0 {
		t.Error("no generated history gave credit")
	}
}

// Property 3: the order in which events arrive changes nothing, and a voided
// event is as if it had not been recorded.
func TestArrivalAndVoids(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := genHistory(t)
		want := judged(t, b.evs, b.policy)
		order := rapid.Permutation(append([]events.Event(nil), b.evs...)).Draw(t, "arrival")
		order = append(order, order[0]) // a second copy from another machine
		if got := judged(t, order, b.policy); got != want {
			t.Fatalf("another arrival gives another report:\n%s\n%s", want, got)
		}
		victim := b.evs[rapid.IntRange(1, len(b.evs)-1).Draw(t, "voided")]
		without := append([]events.Event(nil), b.evs...)
		for i, e := range without {
			if e.ID == victim.ID {
				without = append(without[:i:i], without[i+1:]...)
				break
			}
		}
		clean := judged(t, without, b.policy)
		void := b.add(&events.EventVoided{Event: victim.ID, Why: "typed on the wrong vehicle"})
		if got := judged(t, b.evs, b.policy); got != clean {
			t.Fatalf("voiding %s leaves a trace:\n%s\n%s", victim.Type, clean, got)
		}
		b.add(&events.EventVoided{Event: void, Why: "it was the right vehicle"})
		if got := judged(t, b.evs, b.policy); got != want {
			t.Fatalf("voiding the void does not restore:\n%s\n%s", want, got)
		}
	})
}

// judged is the report of today as text; what stood at a closing depends on when
// a void was recorded, as it must.
func judged(t *rapid.T, evs []events.Event, p Policy) string {
	h := NewHistory(evs, p)
	r, err := Judge(h, Question{})
	if err != nil {
		return err.Error()
	}
	for i := range r.Faults {
		r.Faults[i].AtClose = nil
	}
	r.ChangedSinceClose = false
	out, err := json.MarshalIndent(r, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// Property 2: a failing observation after the work leaves the fault bad until
// another repair, whatever is read later.
func TestAFailureStands(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := genHistory(t)
		u := rapid.SampledFrom(styleUnits).Draw(t, "unit")
		c := rapid.SampledFrom(styleCodes[u]).Draw(t, "code")
		b.repair(at(u, c))
		b.erase(u)
		bad := unit(u, listed(c, "present"))
		if u == "engine" {
			bad = unit(u, uds(0xFF, 0xFF), byte1(c, 0x2F))
		}
		b.scan(bad)
		check := func(what string) {
			if f := b.judge().fault(t, u, c); f.Verdict.Group() != Bad {
				t.Fatalf("%s/%s is %s %s: %s", u, c, f.Verdict, what, f.Reason)
			}
		}
		check("after a failure")
		b.erase(u)
		b.drive("80 km", 90)
		good := unit(u, obd(), monitor("catalyst", true))
		if u == "engine" {
			good = unit(u, supported(0xFF), byte1(c, 0x00))
		}
		b.scan(good)
		check("after a later pass")
	})
}

// Property 1: taking proving evidence away never turns an open or bad verdict
// into a good one, nor raises a grade. Knowing what a unit is able to tell is not
// proof (a unit without monitors is judged by the drive), and what shows a
// failure, contradicts an erase or marks a unit as breaking the standard is not
// proving evidence: cases that change those are set aside, as are those where what
// is left looks like an erase (a monitor that was complete and now is not).
func TestLessProofProvesLess(t *testing.T) {
	changed := 0
	rapid.Check(t, func(t *rapid.T) {
		b := genHistory(t)
		h := NewHistory(b.evs, b.policy)
		n := len(h.jobs) - 1
		was := newCase(newTimeline(h, h.line), n)
		before := was.judgeAll()
		i := rapid.IntRange(0, len(b.evs)-1).Draw(t, "event")
		less, what := takeAway(t, b.evs, i)
		if less == nil {
			return
		}
		g := NewHistory(less, b.policy)
		if len(g.jobs) != len(h.jobs) {
			return
		}
		now := newCase(newTimeline(g, g.line), n)
		after := now.judgeAll()
		place := map[events.ID]int{}
		for i, e := range h.line {
			place[e.ID] = i
		}
		for k, f := range after {
			old, ok := before[k]
			if !ok || !sameGround(was, now, k, place[b.evs[i].ID]) {
				continue
			}
			if old.Verdict != f.Verdict || old.Grade != f.Grade {
				changed++
			}
			if old.Verdict.Group() != Good && f.Verdict.Group() == Good {
				t.Fatalf("%s: %s turned %s into cleared (%s)\nwas: %s\nnow: %s\n%+v", what, h.text(k), old.Verdict, f.Grade, old.Reason, f.Reason, f.Observations)
			}
			if old.Verdict == Cleared && f.Verdict == Cleared && f.Grade.strength() > old.Grade.strength() {
				t.Fatalf("%s: %s raised the grade of %s from %s to %s", what, h.text(k), old.Reason, old.Grade, f.Grade)
			}
		}
	})
	if changed == 0 {
		t.Error("nothing taken away ever changed a verdict: the test does not reach")
	}
}

// sameGround tells whether what was taken away lies after the work, and all that
// is not proof of a fault stayed as it was.
func sameGround(was, now *jobCase, k key, place int) bool {
	a, b := was.results[k], now.results[k]
	if a == nil || b == nil || place <= a.w || was.t.ev[a.w].ID != now.t.ev[b.w].ID {
		return false
	}
	if (a.before == nil) != (b.before == nil) || a.before != nil && a.before.scan != b.before.scan {
		return false
	}
	for text := range now.t.told {
		if !was.t.told[text] {
			return false // a sign of an erase, or against one, came up
		}
	}
	if was.t.testInfo(k) != now.t.testInfo(k) || was.t.quirks[k.unit] != now.t.quirks[k.unit] {
		return false
	}
	return reflect.DeepEqual(failures(a.fault), failures(b.fault))
}

func failures(f *Fault) []events.ID {
	out := []events.ID{}
	for _, o := range f.Observations {
		if o.Obs == ObsFailing {
			out = append(out, o.Scan)
		}
	}
	return out
}

// takeAway gives the events with one piece of proving evidence of event i less.
func takeAway(t *rapid.T, evs []events.Event, i int) ([]events.Event, string) {
	out := append([]events.Event(nil), evs...)
	switch d := evs[i].Body.(type) {
	case *events.DriveDone:
		return append(out[:i:i], out[i+1:]...), "without a drive"
	case *events.ScanTaken:
		scan := *d
		scan.Units = append([]events.UnitReading(nil), d.Units...)
		u := &scan.Units[rapid.IntRange(0, len(scan.Units)-1).Draw(t, "unit")]
		what := ""
		switch rapid.SampledFrom([]string{"bits", "monitor", "view", "reading"}).Draw(t, "take") {
		case "bits":
			if u.Available == nil {
				return nil, ""
			}
			less := *u.Available &^ rapid.SampledFrom([]fault.Status{0x10, 0x40, 0x50}).Draw(t, "bits")
			u.Available, what = &less, "without test bits"
		case "monitor":
			if len(u.Monitors) == 0 {
				return nil, ""
			}
			if rapid.Bool().Draw(t, "all of it") {
				u.Monitors, what = nil, "without monitors"
			} else {
				u.Monitors = append([]events.MonitorReading(nil), u.Monitors...)
				u.Monitors[0].Complete, what = false, "with a monitor incomplete"
			}
		case "view":
			if len(u.Views) == 0 {
				return nil, ""
			}
			var views []fault.View
			drop := rapid.SampledFrom([]fault.View{fault.ViewStored, fault.ViewPending}).Draw(t, "view")
			for _, v := range u.Views {
				if v != drop {
					views = append(views, v)
				}
			}
			u.Views, what = views, "without the "+drop.String()+" list"
		case "reading":
			if u.SinceErase != nil {
				return nil, ""
			}
			for _, c := range u.Codes {
				if c.Permanent {
					return nil, ""
				}
			}
			*u, what = unit("other"), "without a reading"
		}
		out[i].Body = &scan
		return out, what
	}
	return nil, ""
}

// The weaker verdict stands where two machines' clocks leave the order in doubt.
func TestClockTolerance(t *testing.T) {
	build := func(feed string, gap time.Duration) Fault {
		b := newBook(t)
		b.scan(unit("engine", uds(0xFF, 0xFF), byte1("P0A9B-17", 0x2F)))
		b.repair(at("engine", "P0A9B-17"))
		b.key()
		b.now = b.now.Add(time.Hour)
		b.addAt(b.now, &events.CodesErased{Units: []events.UnitErase{{Unit: "engine", Result: events.EraseAccepted}}})
		b.feed = feed
		b.addAt(b.now.Add(gap), &events.ScanTaken{Units: []events.UnitReading{unit("engine", supported(0xFF), byte1("P0A9B-17", 0x24))}})
		return b.judge().fault(t, "engine", "P0A9B-17")
	}
	// With the erase first, 24 means failed since it; with the scan first, it is a
	// pass of this cycle over memory from before.
	if f := build("feedone", time.Minute); f.Verdict != Persisted {
		t.Errorf("one machine: %s", f.Verdict)
	}
	two := build("feedtwo", time.Minute)
	if two.Verdict != Persisted {
		t.Errorf("two machines: %s: %s", two.Verdict, two.Reason)
	}
	b := newBook(t)
	b.scan(unit("engine", uds(0xFF, 0xFF), byte1("P0A9B-17", 0x2F)))
	b.repair(at("engine", "P0A9B-17"))
	b.now = b.now.Add(time.Hour)
	b.addAt(b.now, &events.KeyCycled{})
	b.feed = "feedtwo"
	b.addAt(b.now.Add(time.Minute), &events.ScanTaken{Units: []events.UnitReading{unit("engine", supported(0xFF), byte1("P0A9B-17", 0x2C))}})
	f := b.judge().fault(t, "engine", "P0A9B-17")
	if f.Verdict != Unproven || len(f.Remarks) == 0 {
		t.Errorf("key cycle and scan of two machines within a minute: %s %v, want unproven and a remark", f.Verdict, f.Remarks)
	}
	b.policy.ClockTolerance = 30 * time.Second
	if f := b.judge().fault(t, "engine", "P0A9B-17"); f.Verdict != Cleared {
		t.Errorf("outside the tolerance: %s: %s", f.Verdict, f.Reason)
	}
}

func ExampleVerdict_Means() {
	fmt.Println(Unproven.Means())
	// Output: nothing failing was read, but nothing proves the fault gone
}
