package verify

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"mendbook/events"
	"mendbook/events/fault"
)

// truth is a vehicle whose unit keeps its status bits exactly by ISO 14229-1
// Annex D.2 (fault.Memory): a fault that is really there or not, a test that
// really runs or not, and a neighbour code whose test hardly ever runs.
type truth struct {
	b        *book
	mem      *fault.Memory
	quiet    *fault.Memory
	there    bool // the fault is really there
	monitor  bool // the unit has a readiness monitor, by services 03, 07 and 01
	bits     fault.Status
	code     string
	failed   bool // the test failed since the last repair
	repaired bool
	catalyst bool // the monitor is complete since the last whole erase
	sinceKm  int  // the unit's own counter since the last whole erase
	odo      int
}

func (v *truth) test() {
	v.mem.Report(v.there)
	v.catalyst = true
	if v.there {
		v.failed = true
	}
}

func (v *truth) cycle() {
	v.mem.NewCycle()
	v.quiet.NewCycle()
}

func (v *truth) clear() {
	v.mem.Clear()
	v.quiet.Clear()
	v.catalyst, v.sinceKm = false, 0
}

// scan records a reading, at times with the odometer and the unit's own counter.
func (v *truth) scan(t *rapid.T) {
	u := v.read(t)
	if rapid.IntRange(0, 2).Draw(t, "counter read") == 0 {
		u.SinceErase = &events.SinceErase{Distance: km(fmt.Sprintf("%d km", v.sinceKm))}
	}
	s := &events.ScanTaken{Units: []events.UnitReading{u}}
	if rapid.Bool().Draw(t, "odometer read") {
		s.Odometer = km(fmt.Sprintf("%d km", v.odo))
	}
	v.b.add(s)
}

// read answers as the standard says: by a mask, only records that match it.
func (v *truth) read(t *rapid.T) events.UnitReading {
	if v.monitor {
		parts := []part{obd(), monitor("catalyst", v.catalyst)}
		switch s := v.mem.Status(); {
		case s.Has(fault.Confirmed):
			parts = append(parts, listed(v.code, "stored"))
		case s.Has(fault.Pending):
			parts = append(parts, listed(v.code, "pending"))
		}
		return unit("engine", parts...)
	}
	if rapid.IntRange(0, 3).Draw(t, "supported") == 0 {
		return unit("engine", supported(v.bits), byte1(v.code, v.mem.Status()&v.bits), byte1("P2522-1F", v.quiet.Status()&v.bits))
	}
	mask := rapid.SampledFrom([]fault.Status{0xFF, 0xFF, 0xFF, 0x2F, 0x0C, 0x08, 0x84}).Draw(t, "mask")
	parts := []part{uds(mask, v.bits)}
	if s := v.mem.Status() & v.bits; s&mask != 0 {
		parts = append(parts, byte1(v.code, s))
	}
	if s := v.quiet.Status() & v.bits; s&mask != 0 {
		parts = append(parts, byte1("P2522-1F", s))
	}
	return unit("engine", parts...)
}

// Property 6. A fault that is still there and fails every test is never called
// cleared by grades answered, tested or monitored; a fault that is gone and was
// never failing after the work is never called persisted or returned.
func TestTruth(t *testing.T) {
	counts := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		v := &truth{b: newBook(t), there: true, code: "P0A9B-17", odo: 50000, sinceKm: 400, catalyst: true}
		v.monitor = rapid.IntRange(0, 2).Draw(t, "with monitor") == 0
		if v.monitor {
			v.code = "P0420"
		}
		v.bits = rapid.SampledFrom([]fault.Status{0xFF, 0xFF, 0x7F, 0xAF, 0x2F, 0xBF, 0xEF, 0x0F}).Draw(t, "bits")
		threshold := rapid.IntRange(1, 2).Draw(t, "threshold")
		keeps := rapid.Bool().Draw(t, "keeps bit 0")
		v.mem, v.quiet = fault.NewMemory(threshold, 40, keeps), fault.NewMemory(1, 40, keeps)
		v.test()
		v.failed = false
		v.scan(t)
		for range rapid.IntRange(2, 14).Draw(t, "steps") {
			switch rapid.SampledFrom([]string{"scan", "scan", "repair", "erase", "quiet erase", "refused erase", "own erase", "other erase", "drive", "drive", "key", "quiet key", "test"}).Draw(t, "step") {
			case "scan":
				v.scan(t)
			case "repair":
				v.b.repair(at("engine", v.code))
				v.there = rapid.Bool().Draw(t, "still there")
				v.repaired, v.failed = true, false
			case "erase":
				v.b.erase("engine")
				v.clear()
			case "quiet erase": // nobody wrote it down
				v.clear()
			case "refused erase":
				v.b.add(&events.CodesErased{Units: []events.UnitErase{{Unit: "engine", Result: events.EraseRefused}}})
			case "own erase": // one code alone: monitors and counters go on
				if !v.monitor {
					v.b.add(&events.CodesErased{Service: "14", Group: "0A9B17", Units: []events.UnitErase{{Unit: "engine", Result: events.EraseAccepted}}})
					v.mem.Clear()
				}
			case "other erase":
				v.b.add(&events.CodesErased{Service: "14", Group: "25221F", Units: []events.UnitErase{{Unit: "engine", Result: events.EraseAccepted}}})
				v.quiet.Clear()
			case "drive":
				v.cycle()
				v.odo, v.sinceKm = v.odo+12, v.sinceKm+12
				if rapid.IntRange(0, 3).Draw(t, "test runs") > 0 {
					v.test()
				}
				v.b.drive("12 km", 20)
			case "key":
				v.cycle()
				v.b.key()
				if rapid.Bool().Draw(t, "test runs") {
					v.test()
				}
			case "quiet key": // nobody wrote it down
				v.cycle()
			case "test": // the engine runs in the yard
				v.test()
			}
		}
		if !v.repaired {
			return
		}
		v.scan(t)
		f := v.b.judge().fault(t, "engine", v.code)
		counts[string(f.Verdict)+" "+string(f.Grade)]++
		if v.there && f.Verdict == Cleared {
			if f.Grade != Driven {
				t.Fatalf("still there, and called cleared (%s): %s\n%+v", f.Grade, f.Reason, f.Observations)
			}
			counts["wrongly driven"]++
		}
		if !v.there && !v.failed && f.Verdict.Group() == Bad {
			t.Fatalf("gone and never failing since, and called %s: %s\n%+v", f.Verdict, f.Reason, f.Observations)
		}
	})
	for _, want := range []string{"cleared tested", "cleared monitored", "cleared driven", "persisted ", "unproven ", "unread "} {
		if counts[want] == 0 {
			t.Errorf("the simulated vehicle never got verdict %q: the test does not reach", want)
		}
	}
	t.Logf("verdicts of %v; wrong among \"driven\": %d of %d", counts, counts["wrongly driven"], counts["cleared driven"])
}
