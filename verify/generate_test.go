package verify

import (
	"fmt"

	"pgregory.net/rapid"

	"mendbook/events"
	"mendbook/events/fault"
)

// A generated history has three units of three styles: one that answers with
// status bytes (ISO 14229-1), one with lists and monitors (SAE J1979), one typed
// in words.
var (
	styleCodes = map[string][]string{
		"engine":  {"P0A9B-17", "P2522-1F", "P0805"},
		"exhaust": {"P0420", "P0302"},
		"door":    {"B1A12-13", "C0035"},
	}
	styleUnits = []string{"engine", "exhaust", "door"}
	someBytes  = []fault.Status{0x00, 0x10, 0x40, 0x50, 0x2F, 0x2C, 0x24, 0x27, 0x6D, 0x28, 0x68, 0xAF, 0x65, 0x20, 0x2E}
)

func genHistory(t *rapid.T) *book {
	b := newBook(t)
	odo := 100000
	since := 400
	steps := rapid.IntRange(3, 18).Draw(t, "steps")
	available := rapid.SampledFrom([]fault.Status{0xFF, 0xFF, 0xFF, 0xAF, 0x2F, 0xEF}).Draw(t, "available")
	b.policy.ClockTolerance = 0
	if rapid.IntRange(0, 9).Draw(t, "two machines") == 0 {
		b.policy.ClockTolerance = DefaultPolicy().ClockTolerance
	}
	for range steps {
		switch rapid.SampledFrom([]string{"scan", "scan", "scan", "scan", "repair", "erase", "erase", "drive", "drive", "key", "job", "renew"}).Draw(t, "step") {
		case "scan":
			scan := &events.ScanTaken{}
			if rapid.Bool().Draw(t, "odometer") {
				scan.Odometer = km(fmt.Sprintf("%d km", odo))
			}
			for _, name := range styleUnits {
				if rapid.IntRange(0, 5).Draw(t, "left out") > 0 {
					scan.Units = append(scan.Units, genReading(t, name, available, since))
				}
			}
			if len(scan.Units) == 0 {
				scan.Units = append(scan.Units, unit("other"))
			}
			b.add(scan)
		case "repair":
			b.repair(genTarget(t))
		case "renew":
			target := genTarget(t)
			b.add(&events.RepairDone{Action: "replaced", Component: "unit", Targets: []events.Target{target},
				Renewed: []events.Renewal{{Unit: target.Unit, How: "replaced"}}})
			since = 0
		case "erase":
			d := &events.CodesErased{Units: []events.UnitErase{{Unit: rapid.SampledFrom(styleUnits).Draw(t, "erased"),
				Result: rapid.SampledFrom([]events.EraseResult{events.EraseAccepted, events.EraseAccepted, events.EraseAccepted, events.EraseRefused}).Draw(t, "result")}}}
			if rapid.Bool().Draw(t, "all") {
				d.Units = nil
				for _, u := range styleUnits {
					d.Units = append(d.Units, events.UnitErase{Unit: u, Result: events.EraseAccepted})
				}
			}
			b.add(d)
			since = 0
		case "drive":
			n := rapid.SampledFrom([]int{2, 6, 12, 40}).Draw(t, "km")
			b.drive(fmt.Sprintf("%d km", n), n*2)
			odo += n
			since += n
		case "key":
			b.key()
		case "job":
			b.close()
			b.open()
		}
	}
	return b
}

func genTarget(t *rapid.T) events.Target {
	u := rapid.SampledFrom(styleUnits).Draw(t, "target unit")
	if rapid.IntRange(0, 6).Draw(t, "silence") == 0 {
		return at(u, NoAnswer)
	}
	return at(u, rapid.SampledFrom(styleCodes[u]).Draw(t, "target code"))
}

func genReading(t *rapid.T, name string, available fault.Status, sinceKm int) events.UnitReading {
	reached := rapid.SampledFrom([]events.Reach{events.Answered, events.Answered, events.Answered, events.Answered,
		events.Answered, events.Answered, events.Silent, events.Skipped, events.Refused, events.Truncated}).Draw(t, "reach")
	if reached != events.Answered {
		return unit(name, reach(reached))
	}
	var parts []part
	switch name {
	case "engine":
		if rapid.Bool().Draw(t, "supported") {
			parts = append(parts, supported(available))
		} else {
			parts = append(parts, uds(rapid.SampledFrom([]fault.Status{0xFF, 0xFF, 0x2F, 0x08}).Draw(t, "mask"), available))
		}
		for _, c := range styleCodes[name] {
			if rapid.Bool().Draw(t, "listed") {
				parts = append(parts, byte1(c, rapid.SampledFrom(someBytes).Draw(t, "status")))
			}
		}
		if rapid.IntRange(0, 3).Draw(t, "counter") == 0 {
			parts = append(parts, since(fmt.Sprintf("%d km", sinceKm)))
		}
	case "exhaust":
		var more []fault.View
		perm := rapid.IntRange(0, 3).Draw(t, "permanent read") == 0
		if perm {
			more = append(more, fault.ViewPermanent)
		}
		if rapid.IntRange(0, 5).Draw(t, "stored only") > 0 {
			parts = append(parts, obd(more...))
		}
		for _, c := range styleCodes[name] {
			switch rapid.SampledFrom([]string{"", "", "", "stored", "pending", "present", "permanent"}).Draw(t, "listed") {
			case "stored":
				parts = append(parts, listed(c, "stored"))
			case "pending":
				parts = append(parts, listed(c, "pending"))
			case "present":
				parts = append(parts, listed(c, "present"))
			case "permanent":
				if perm {
					parts = append(parts, permanent(c))
				}
			}
		}
		if rapid.Bool().Draw(t, "monitors") {
			parts = append(parts, monitor("catalyst", rapid.Bool().Draw(t, "catalyst")), monitor("misfire", true))
		}
	case "door":
		for _, c := range styleCodes[name] {
			if w := rapid.SampledFrom([]string{"", "", "", "stored", "present", "pending"}).Draw(t, "listed"); w != "" {
				parts = append(parts, listed(c, w))
			}
		}
	}
	return unit(name, parts...)
}
