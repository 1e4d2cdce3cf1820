package verify

import (
	"strings"
	"testing"
	"time"

	"mendbook/events"
	"mendbook/events/fault"
)

// Rules beyond the worked examples, one case each.
func TestRules(t *testing.T) {
	const dtc = "P0A9B-17"
	target := at("engine", dtc)
	failing := unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x2F))
	quiet := unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x2F), byte1("P2522-1F", 0x50))
	count := func(c string, s fault.Status, n int) part {
		return func(u *events.UnitReading) {
			u.Codes = append(u.Codes, events.CodeReading{Code: code(c), Status: &s, Count: &n})
		}
	}
	tests := []struct {
		name    string
		do      func(b *book)
		unit    string
		code    string
		verdict Verdict
		grade   Grade
		says    string
	}{
		{"a pending fault needs the pending list", func(b *book) {
			b.scan(unit("engine", obd(), listed("P0302", "pending")))
			b.repair(at("engine", "P0302"))
			b.erase("engine")
			b.drive("40 km", 50)
			b.scan(unit("engine"))
		}, "engine", "P0302", Unread, NoGrade, "pending list was not read"},
		{"active codes alone do not show what is stored (J1939-73 DM1)", func(b *book) {
			b.scan(unit("brakes", func(u *events.UnitReading) { u.Service = "DM1 DM2" }, listed("SPN 1208 FMI 3", "present")))
			b.repair(at("brakes", "SPN 1208 FMI 3"))
			b.add(&events.CodesErased{Service: "DM11", Units: []events.UnitErase{{Unit: "brakes", Result: events.EraseAccepted}}})
			b.drive("40 km", 50)
			b.scan(unit("brakes", func(u *events.UnitReading) { u.Service = "DM1" }))
		}, "brakes", "SPN 1208 FMI 3", Unread, NoGrade, "previously active"},
		{"a cut answer is unread", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.erase("engine")
			b.drive("40 km", 50)
			b.scan(unit("engine", reach(events.Truncated), supported(0xFF), byte1(dtc, 0x00)))
		}, "engine", dtc, Unread, NoGrade, "cut"},
		{"a base code without failure type", func(b *book) {
			b.scan(unit("engine", listed(dtc, "present")))
			b.repair(target)
			b.erase("engine")
			b.drive("40 km", 50)
			b.scan(unit("engine", listed("P0A9B", "stored")))
		}, "engine", dtc, Unread, NoGrade, "without its failure type"},
		{"a word after an erase is a failure", func(b *book) {
			b.scan(unit("engine", listed("P0302", "present")))
			b.repair(at("engine", "P0302"))
			b.erase("engine")
			b.scan(unit("engine", listed("P0302", "stored")))
		}, "engine", "P0302", Persisted, NoGrade, "since the erase"},
		{"a word without an erase is memory", func(b *book) {
			b.scan(unit("engine", listed("P0302", "present")))
			b.repair(at("engine", "P0302"))
			b.drive("40 km", 50)
			b.scan(unit("engine", listed("P0302", "stored")))
		}, "engine", "P0302", Unproven, NoGrade, "still listed"},
		{"present now, only stored before, no erase", func(b *book) {
			b.scan(unit("engine", listed("P0302", "stored")))
			b.repair(at("engine", "P0302"))
			b.scan(unit("engine", listed("P0302", "present")))
		}, "engine", "P0302", Unproven, NoGrade, "failed since that reading"},
		{"bit 1 in a new cycle, passed by now", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.key()
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x2E)))
		}, "engine", dtc, Persisted, NoGrade, "new cycle"},
		{"bit 1 without a new cycle may be older", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x2F)))
		}, "engine", dtc, Unproven, NoGrade, ""},
		{"the counter rose between two readings after the work", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.scan(unit("engine", uds(0xFF, 0xFF), count(dtc, 0x28, 3)))
			b.scan(unit("engine", uds(0xFF, 0xFF), count(dtc, 0x28, 4)))
		}, "engine", dtc, Persisted, NoGrade, "counter rose"},
		{"the counter rose since the reading before the work, nothing ran between", func(b *book) {
			b.scan(unit("engine", uds(0xFF, 0xFF), count(dtc, 0x2F, 3)))
			b.repair(target)
			b.scan(unit("engine", uds(0xFF, 0xFF), count(dtc, 0x28, 4)))
		}, "engine", dtc, Persisted, NoGrade, "counter rose"},
		{"the counter may have risen on a drive before the work", func(b *book) {
			b.scan(unit("engine", uds(0xFF, 0xFF), count(dtc, 0x2F, 3)))
			b.drive("3 km", 9)
			b.repair(target)
			b.scan(unit("engine", uds(0xFF, 0xFF), count(dtc, 0x28, 4)))
		}, "engine", dtc, Unproven, NoGrade, ""},
		{"a full counter says nothing (SAE J1939-73: 126)", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.scan(unit("engine", uds(0xFF, 0xFF), count(dtc, 0x28, 3)))
			b.scan(unit("engine", uds(0xFF, 0xFF), count(dtc, 0x28, 126)))
		}, "engine", dtc, Unproven, NoGrade, ""},
		{"an earlier full counter says nothing", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.scan(unit("engine", uds(0xFF, 0xFF), count(dtc, 0x28, 3)))
			b.scan(unit("engine", uds(0xFF, 0xFF), count(dtc, 0x28, 127)))
			b.scan(unit("engine", uds(0xFF, 0xFF), count(dtc, 0x28, 3)))
		}, "engine", dtc, Unproven, NoGrade, ""},
		{"a rise seen across a counter that was not available", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.scan(unit("engine", uds(0xFF, 0xFF), count(dtc, 0x28, 3)))
			b.scan(unit("engine", uds(0xFF, 0xFF), count(dtc, 0x28, 127)))
			b.scan(unit("engine", uds(0xFF, 0xFF), count(dtc, 0x28, 4)))
		}, "engine", dtc, Persisted, NoGrade, "counter rose"},
		{"a drive is a new cycle", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.drive("3 km", 9)
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x2C)))
		}, "engine", dtc, Cleared, Tested, "passed this cycle"},
		{"permanent caps a monitor that is complete later", func(b *book) {
			b.scan(unit("engine", obd(), listed("P0420", "stored")))
			b.repair(at("engine", "P0420"))
			b.erase("engine")
			b.scan(unit("engine", obd(fault.ViewPermanent), permanent("P0420"), monitor("catalyst", false)))
			b.scan(unit("engine", obd(), monitor("catalyst", true)))
		}, "engine", "P0420", Unproven, NoGrade, "permanent"},
		{"permanent caps a monitor that was complete before", func(b *book) {
			b.scan(unit("engine", obd(), listed("P0420", "stored")))
			b.repair(at("engine", "P0420"))
			b.erase("engine")
			b.scan(unit("engine", obd(), monitor("catalyst", true)))
			b.scan(unit("engine", obd(fault.ViewPermanent), permanent("P0420"), monitor("catalyst", true)))
		}, "engine", "P0420", Unproven, NoGrade, "permanent"},
		{"no longer permanent lifts the cap", func(b *book) {
			b.scan(unit("engine", obd(), listed("P0420", "stored")))
			b.repair(at("engine", "P0420"))
			b.erase("engine")
			b.scan(unit("engine", obd(fault.ViewPermanent), permanent("P0420"), monitor("catalyst", true)))
			b.scan(unit("engine", obd(fault.ViewPermanent), monitor("catalyst", true)))
		}, "engine", "P0420", Cleared, Monitored, ""},
		{"a unit renewed before the work proves nothing about the work", func(b *book) {
			b.scan(failing)
			b.add(&events.RepairDone{Action: "reprogrammed", Component: "engine unit", Renewed: []events.Renewal{{Unit: "engine", How: "reprogrammed"}}})
			b.repair(target)
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x00)))
		}, "engine", dtc, Unproven, NoGrade, ""},
		{"J1979 lists do not show a three-byte code", func(b *book) {
			b.scan(unit("door", uds(0xFF, 0xFF), byte1("B1A12-13", 0x2F)))
			b.repair(at("door", "B1A12-13"))
			b.erase("door")
			b.drive("40 km", 50)
			b.scan(unit("door", service("03 07")))
		}, "door", "B1A12-13", Unread, NoGrade, "does not list codes of this form"},
		{"another protocol lists other codes", func(b *book) {
			b.scan(unit("engine", service("03 07"), listed("P0420", "stored")))
			b.repair(at("engine", "P0420"))
			b.erase("engine")
			b.drive("40 km", 50)
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1("P1345-00", 0x50)))
		}, "engine", "P0420", Unread, NoGrade, "another protocol"},
		{"half of the J1979 lists", func(b *book) {
			b.scan(unit("engine", service("03 07"), listed("P0302", "stored")))
			b.repair(at("engine", "P0302"))
			b.erase("engine")
			b.drive("40 km", 50)
			b.scan(unit("engine", service("03")))
		}, "engine", "P0302", Unread, NoGrade, "pending list too"},
		{"an unknown erase that the bits show", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x28)))
			b.add(&events.CodesErased{Units: []events.UnitErase{{Unit: "engine", Result: events.EraseUnknown}}})
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x50)))
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x28)))
		}, "engine", dtc, Persisted, NoGrade, "since the erase"},
		{"an erase of one other code is no erase of this one", func(b *book) {
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x2F), byte1("P2522-1F", 0x28)))
			b.repair(target)
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x28), byte1("P2522-1F", 0x28)))
			b.add(&events.CodesErased{Service: "14", Group: "25221F", Units: []events.UnitErase{{Unit: "engine", Result: events.EraseAccepted}}})
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x28), byte1("P2522-1F", 0x50)))
		}, "engine", dtc, Unproven, NoGrade, ""},
		{"a group passes only as a whole", func(b *book) {
			b.scan(unit("gearbox", uds(0xFF, 0xFF), byte1("P0741-07", 0x2F), byte1("P0741-92", 0x27)))
			b.repair(at("gearbox", "P0741"))
			b.key()
			b.scan(unit("gearbox", uds(0x08, 0xFF), byte1("P0741-07", 0x2C)))
		}, "gearbox", "P0741", Unread, NoGrade, "mask 08"},
		{"an erase of one code does not reset monitors", func(b *book) {
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1("P0420-00", 0x2F), monitor("catalyst", true)))
			b.repair(at("engine", "P0420-00"))
			b.add(&events.CodesErased{Service: "14", Group: "042000", Units: []events.UnitErase{{Unit: "engine", Result: events.EraseAccepted}}})
			b.scan(unit("engine", uds(0xFF, 0xFF), monitor("catalyst", true)))
		}, "engine", "P0420-00", Unproven, NoGrade, ""},
		{"a counter that did not fall is no distance since the erase", func(b *book) {
			b.scan(unit("door", listed("B1A12-13", "present"), since("400 km")))
			b.repair(at("door", "B1A12-13"))
			b.add(&events.CodesErased{Service: "14", Group: "FFFFFF", Units: []events.UnitErase{{Unit: "door", Result: events.EraseAccepted}}})
			b.drive("1 km", 20)
			b.scan(unit("door", since("401 km")))
		}, "door", "B1A12-13", Unproven, NoGrade, ""},
		{"a counter that may have gone on is no distance since the erase", func(b *book) {
			b.scanAt("1000 km", unit("door", listed("B1A12-13", "present"), since("5 km")))
			b.repair(at("door", "B1A12-13"))
			b.erase("door")
			b.add(&events.DriveDone{Minutes: 30})
			b.scanAt("1020 km", unit("door", since("22 km")))
		}, "door", "B1A12-13", Unproven, NoGrade, ""},
		{"a counter of its own since the erase is distance", func(b *book) {
			b.scan(unit("door", listed("B1A12-13", "present"), since("400 km")))
			b.repair(at("door", "B1A12-13"))
			b.erase("door")
			b.drive("1 km", 20)
			b.scan(unit("door", since("31 km")))
		}, "door", "B1A12-13", Cleared, Driven, ""},
		{"permanent before the work and not read since", func(b *book) {
			b.scan(unit("engine", obd(fault.ViewPermanent), permanent("P0302")))
			b.repair(at("engine", "P0302"))
			b.erase("engine")
			b.drive("40 km", 50)
			b.scan(unit("engine", obd()))
		}, "engine", "P0302", Unproven, NoGrade, "permanent"},
		{"a two-byte permanent code caps its three-byte fault", func(b *book) {
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1("P0420-11", 0x2F)))
			b.repair(at("engine", "P0420-11"))
			b.erase("engine")
			b.drive("40 km", 50)
			b.scan(unit("engine", uds(0xFF, 0xFF), monitor("catalyst", true)), unit("engine", service("0A"), permanent("P0420")))
		}, "engine", "P0420-11", Unproven, NoGrade, "permanent"},
		{"a counter read by another service of the scan caps a drive", func(b *book) {
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x2F)))
			b.repair(target)
			b.erase("engine")
			b.drive("40 km", 50)
			b.scan(unit("engine", uds(0xFF, 0xFF)), unit("engine", service("01"), since("2 km")))
		}, "engine", dtc, Unproven, NoGrade, "allows no more"},
		{"the odometer after a drive caps it", func(b *book) {
			b.scanAt("1000 km", unit("door", listed("B1A12-13", "present")))
			b.repair(at("door", "B1A12-13"))
			b.erase("door")
			b.add(&events.DriveDone{Distance: km("40 km"), Minutes: 50, Odometer: km("1003 km")})
			b.scan(unit("door"))
		}, "door", "B1A12-13", Unproven, NoGrade, "allows no more"},
		{"DM11 does not reach what was only previously active", func(b *book) {
			b.scan(unit("brakes", service("DM1 DM2"), listed("SPN 1208 FMI 3", "stored")))
			b.repair(at("brakes", "SPN 1208 FMI 3"))
			b.add(&events.CodesErased{Service: "DM11", Units: []events.UnitErase{{Unit: "brakes", Result: events.EraseAccepted}}})
			b.drive("40 km", 50)
			b.scan(unit("brakes", service("DM1 DM2")))
		}, "brakes", "SPN 1208 FMI 3", Unproven, NoGrade, ""},
		{"silent to one service, answering another", func(b *book) {
			b.scan(unit("gearbox"), unit("engine", service("03 07"), listed("P0302", "stored")))
			b.repair(at("engine", NoAnswer))
			b.scan(unit("gearbox"), unit("engine", service("03 07")), unit("engine", reach(events.Silent), func(u *events.UnitReading) { u.Service = "0A" }))
		}, "engine", NoAnswer, Cleared, Answered, "answers"},
		{"a two-byte listing where its three-byte code stood", func(b *book) {
			b.scan(unit("gearbox", listed("P0741-07", "present")))
			b.repair(at("gearbox", "P0741-07"))
			b.erase("gearbox")
			b.scan(unit("gearbox", listed("P0741", "stored")))
		}, "gearbox", "P0741", Persisted, NoGrade, "since the erase"},
		{"a refused erase is no work", func(b *book) {
			b.scan(unit("engine", obd()))
			b.add(&events.CodesErased{Units: []events.UnitErase{{Unit: "engine", Result: events.EraseRefused}}})
			b.scan(unit("engine", obd(), listed("P0302", "stored")))
		}, "engine", "P0302", Awaited, NoGrade, ""},
		{"a freeze frame of the future", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.scan(unit("engine", uds(0xFF, 0xFF), func(u *events.UnitReading) {
				s := fault.Status(0x28)
				u.Codes = append(u.Codes, events.CodeReading{Code: code(dtc), Status: &s,
					Frame: &events.FreezeFrame{At: events.At(time.Date(2035, 3, 2, 12, 30, 0, 0, time.UTC))}})
			}))
		}, "engine", dtc, Unproven, NoGrade, ""},
		{"a code without a word beside supported codes", func(b *book) {
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x2F)), unit("engine", func(u *events.UnitReading) {
				u.Views = []fault.View{fault.ViewStored}
				u.Codes = []events.CodeReading{{Code: code("P0302")}}
			}))
		}, "engine", "P0302", Awaited, NoGrade, ""},
		{"a freeze frame dated after the work", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.scan(unit("engine", uds(0xFF, 0xFF), func(u *events.UnitReading) {
				s := fault.Status(0x28)
				u.Codes = append(u.Codes, events.CodeReading{Code: code(dtc), Status: &s,
					Frame: &events.FreezeFrame{At: events.At(time.Date(2026, 3, 2, 12, 30, 0, 0, time.UTC))}})
			}))
		}, "engine", dtc, Persisted, NoGrade, "freeze frame"},
		{"a bit outside the availability mask is unknown", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.erase("engine")
			b.scan(unit("engine", supported(0xEF), byte1(dtc, 0x00)))
		}, "engine", dtc, Unproven, NoGrade, ""},
		{"without an availability mask a 0 is unknown", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.erase("engine")
			b.scan(unit("engine", func(u *events.UnitReading) { u.Service = "19 0A" }, byte1(dtc, 0x00)))
		}, "engine", dtc, Unproven, NoGrade, "not available"},
		{"impossible pairs never pass (bits 4 and 5, ISO 14229-1 Annex D.2)", func(b *book) {
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x2F), byte1("P2522-1F", 0x30)))
			b.repair(target)
			b.erase("engine")
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x00)))
		}, "engine", dtc, Unproven, NoGrade, ""},
		{"absence needs the proviso", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.erase("engine")
			b.scan(unit("engine", uds(0xFF, 0xFF)))
		}, "engine", dtc, Unproven, NoGrade, ""},
		{"absence with the proviso, seen before", func(b *book) {
			b.scan(quiet)
			b.repair(target)
			b.key()
			b.scan(unit("engine", uds(0xFF, 0xFF)))
		}, "engine", dtc, Cleared, Tested, "new cycle"},
		{"monitored needs the pending list", func(b *book) {
			b.scan(unit("engine", listed("P0420", "stored")))
			b.repair(at("engine", "P0420"))
			b.erase("engine")
			b.scan(unit("engine", monitor("catalyst", true)))
		}, "engine", "P0420", Unproven, NoGrade, ""},
		{"a continuous monitor that was incomplete after the erase", func(b *book) {
			b.scan(unit("engine", obd(), listed("P0302", "present")))
			b.repair(at("engine", "P0302"))
			b.erase("engine")
			b.scan(unit("engine", obd(), monitor("misfire", false)))
			b.key()
			b.scan(unit("engine", obd(), monitor("misfire", true)))
		}, "engine", "P0302", Cleared, Monitored, "misfire"},
		{"driven: far but not long", func(b *book) {
			b.scan(unit("door", listed("B1A12-13", "present")))
			b.repair(at("door", "B1A12-13"))
			b.erase("door")
			b.drive("40 km", 5)
			b.scan(unit("door"))
		}, "door", "B1A12-13", Unproven, NoGrade, "10 min more"},
		{"driven: long but not far", func(b *book) {
			b.scan(unit("door", listed("B1A12-13", "present")))
			b.repair(at("door", "B1A12-13"))
			b.erase("door")
			b.drive("4 km", 50)
			b.scan(unit("door"))
		}, "door", "B1A12-13", Unproven, NoGrade, "6 km more"},
		{"driven: not where the unit tells whether its test ran", func(b *book) {
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x6F)))
			b.repair(target)
			b.erase("engine")
			b.drive("40 km", 50)
			b.scan(unit("engine", uds(0x2F, 0xFF)))
		}, "engine", dtc, Unproven, NoGrade, "all supported codes"},
		{"the odometer caps what a drive claims", func(b *book) {
			b.scanAt("1000 km", unit("door", listed("B1A12-13", "present")))
			b.repair(at("door", "B1A12-13"))
			b.erase("door")
			b.drive("40 km", 50)
			b.scanAt("1003 km", unit("door"))
		}, "door", "B1A12-13", Unproven, NoGrade, "allows no more"},
		{"odometer growth counts as distance", func(b *book) {
			b.scan(unit("door", listed("B1A12-13", "present")))
			b.repair(at("door", "B1A12-13"))
			b.erase("door")
			b.scanAt("1000 km", unit("engine"))
			b.drive("1 km", 50)
			b.scanAt("1030 km", unit("door"))
		}, "door", "B1A12-13", Cleared, Driven, ""},
		{"an erase before the repair proves nothing", func(b *book) {
			b.scan(failing)
			b.erase("engine")
			b.repair(target)
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x00)))
		}, "engine", dtc, Unproven, NoGrade, ""},
		{"a refused erase reached nothing", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.add(&events.CodesErased{Units: []events.UnitErase{{Unit: "engine", Result: events.EraseRefused, Refusal: "22"}}})
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x00)))
		}, "engine", dtc, Unproven, NoGrade, ""},
		{"an erase reaches what its group covers (FFFF33: emissions)", func(b *book) {
			b.scan(unit("door", supported(0xFF), byte1("B1A12-13", 0x2F)))
			b.repair(at("door", "B1A12-13"))
			b.add(&events.CodesErased{Service: "14", Group: "FFFF33", Units: []events.UnitErase{{Unit: "door", Result: events.EraseAccepted}}})
			b.scan(unit("door", supported(0xFF), byte1("B1A12-13", 0x00)))
		}, "door", "B1A12-13", Unproven, NoGrade, ""},
		{"a counter larger than the odometer allows: the erase did not take", func(b *book) {
			b.scanAt("1000 km", failing)
			b.repair(target)
			b.erase("engine")
			b.scanAt("1020 km", unit("engine", supported(0xFF), byte1(dtc, 0x00), since("400 km")))
		}, "engine", dtc, Unproven, NoGrade, ""},
		{"a full distance counter says nothing", func(b *book) {
			b.scanAt("1000 km", failing)
			b.repair(target)
			b.erase("engine")
			b.scanAt("1020 km", unit("engine", supported(0xFF), byte1(dtc, 0x00), since("65535 km")))
		}, "engine", dtc, Cleared, Tested, ""},
		{"a replaced unit has a new memory", func(b *book) {
			b.scan(failing)
			b.add(&events.RepairDone{Action: "replaced", Component: "engine unit", Targets: []events.Target{target},
				Renewed: []events.Renewal{{Unit: "engine", How: "replaced"}}})
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x00)))
		}, "engine", dtc, Cleared, Tested, ""},
		{"an erase outside the book, shown after the work", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x28)))
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x50)))
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x00)))
		}, "engine", dtc, Cleared, Tested, "since the erase"},
		{"an erase outside the book that may lie before the work", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x10)))
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x00)))
		}, "engine", dtc, Unproven, NoGrade, ""},
		{"placed after the work by counter and odometer", func(b *book) {
			b.scanAt("1000 km", unit("engine", supported(0xFF), byte1(dtc, 0x2F), since("300 km")))
			b.repair(target)
			b.scanAt("1010 km", unit("door"))
			b.scanAt("1100 km", unit("engine", supported(0xFF), byte1(dtc, 0x00), since("50 km")))
		}, "engine", dtc, Cleared, Tested, ""},
		{"bit 6 read as 1 after the work shows the new cycle", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x6D)))
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x2C)))
		}, "engine", dtc, Cleared, Tested, "passed this cycle"},
		{"silence with nobody answering says nothing", func(b *book) {
			b.scan(unit("engine"), unit("tailgate", reach(events.Silent)))
			b.repair(at("tailgate", NoAnswer))
			b.scan(unit("engine", reach(events.Silent)), unit("tailgate", reach(events.Silent)))
		}, "tailgate", NoAnswer, Unread, NoGrade, "no unit answered"},
		{"good, then failing again", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.erase("engine")
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x00)))
			b.drive("40 km", 50)
			b.scan(failing)
		}, "engine", dtc, Returned, NoGrade, "was good on"},
		{"found after an erase that came just before the baseline", func(b *book) {
			b.erase("engine")
			b.scan(unit("engine", obd()))
			b.repair(at("engine", "P0420"))
			b.scan(unit("engine", obd(), listed("P0302", "stored")))
		}, "engine", "P0302", Unbaselined, NoGrade, ""},
		{"a young memory is no baseline", func(b *book) {
			b.scan(unit("engine", obd(), since("7 km")))
			b.repair(at("engine", "P0420"))
			b.scan(unit("engine", obd(), listed("P0302", "stored")))
		}, "engine", "P0302", Unbaselined, NoGrade, "7 km since its last erase"},
		{"a fault after the work that would have been seen", func(b *book) {
			b.scan(unit("engine", obd()))
			b.repair(at("engine", "P0420"))
			b.scan(unit("engine", obd(), listed("P0302", "stored")))
		}, "engine", "P0302", New, NoGrade, "could have shown it"},
		{"two protocols list different things", func(b *book) {
			b.scan(unit("engine", obd(), func(u *events.UnitReading) { u.Service = "03 07" }))
			b.repair(at("engine", "P0420"))
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1("B1A12-13", 0x2F)))
		}, "engine", "B1A12-13", Unbaselined, NoGrade, "no reading before the work"},
		{"another protocol before the work", func(b *book) {
			b.scan(unit("engine", service("03 07")))
			b.repair(at("engine", "P0420"))
			b.scan(unit("engine", service("18"), listed("P1345", "stored")))
		}, "engine", "P1345", Unbaselined, NoGrade, "lists other codes"},
		{"the mask before would not have shown it", func(b *book) {
			b.scan(unit("engine", uds(0x0C, 0xFF)))
			b.repair(target)
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1("P2522-1F", 0x20)))
		}, "engine", "P2522-1F", Unbaselined, NoGrade, "mask 0C"},
		{"a scan that leaves the unit out", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.scan(unit("door"))
		}, "engine", dtc, Unread, NoGrade, "did not include the engine unit"},
		{"no scan yet", func(b *book) {
			b.scan(failing)
			b.repair(target)
		}, "engine", dtc, Awaited, NoGrade, "no scan since the work"},
		{"a group: any failing fails it", func(b *book) {
			b.scan(unit("gearbox", listed("P0741-07", "present")))
			b.repair(at("gearbox", "P0741"))
			b.erase("gearbox")
			b.drive("40 km", 50)
			b.scan(unit("gearbox", supported(0xFF), byte1("P0741-07", 0x00), byte1("P0741-92", 0x2F)))
		}, "gearbox", "P0741", Persisted, NoGrade, ""},
		{"a group: all must clear", func(b *book) {
			b.scan(unit("gearbox", listed("P0741-07", "present")))
			b.repair(at("gearbox", "P0741"))
			b.erase("gearbox")
			b.drive("40 km", 50)
			b.scan(unit("gearbox", supported(0xFF), byte1("P0741-07", 0x00), byte1("P0741-92", 0x50)))
		}, "gearbox", "P0741", Unproven, NoGrade, "has not run"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			b := newBook(t)
			test.do(b)
			f := b.judge().fault(t, test.unit, test.code)
			if f.Verdict != test.verdict || f.Grade != test.grade {
				t.Errorf("got %s (%s), want %s (%s)\nreason: %s\nobservations: %+v", f.Verdict, f.Grade, test.verdict, test.grade, f.Reason, f.Observations)
			}
			if all := f.Reason + "\n" + f.Next + "\n" + strings.Join(f.Remarks, "\n"); !strings.Contains(all, test.says) {
				t.Errorf("want %q in:\n%s", test.says, all)
			}
		})
	}
}

func TestWarnings(t *testing.T) {
	b := newBook(t)
	b.scanAt("1000 km", unit("engine", uds(0xFF, 0xFF), byte1("P0A9B-17", 0x2F), byte1("P2522-1F", 0x30)))
	b.repair(at("engine", "P0A9B-17"))
	b.erase("engine")
	b.scanAt("990 km", unit("engine", supported(0xFF), byte1("P0A9B-17", 0x00)))
	b.add(&events.ScanTaken{Battery: measure("11.1 V"), Units: []events.UnitReading{unit("engine", since("9 km"))}})
	b.addAt(b.now.Add(time.Minute), &events.KeyCycled{})
	b.evs[len(b.evs)-1].At = events.At(b.now.Add(-50 * time.Hour))
	b.addAt(b.now.Add(2*time.Minute), &events.CodesErased{Units: []events.UnitErase{{Unit: "engine", Result: events.EraseAccepted}}})
	b.evs[len(b.evs)-1].At = events.At(b.now.Add(-time.Minute - 48*time.Hour))
	for i := range b.evs[:3] { // the job is older than what was recorded late
		b.evs[i].At = events.At(b.now.Add(-100 * time.Hour))
	}
	got := strings.Join(b.judge().Warnings, "\n")
	for _, want := range []string{"break the standard (bits 4 and 5", "the odometer falls from 1000 km to 990 km", "the battery had 11.1 V",
		"the scan of 2026-02-26 11:00 was recorded 4 days later; so were 2 more of this job"} {
		if !strings.Contains(got, want) {
			t.Errorf("no warning %q in:\n%s", want, got)
		}
	}
}

// What stood at the closing stays, and what is read later is told beside it.
func TestAtCloseAndToday(t *testing.T) {
	b := newBook(t)
	failing := unit("engine", uds(0xFF, 0xFF), byte1("P0A9B-17", 0x2F))
	b.scan(failing)
	b.repair(at("engine", "P0A9B-17"))
	b.erase("engine")
	b.drive("14 km", 20)
	b.scan(unit("engine", supported(0xFF), byte1("P0A9B-17", 0x00)))
	first := b.job
	b.close()
	if r := b.judge(); r.ChangedSinceClose || r.Outcome != Good {
		t.Errorf("closed: %s changed %t", r.Outcome, r.ChangedSinceClose)
	}
	b.open()
	b.scan(failing)
	r := b.ask(Question{Job: first})
	f := r.fault(t, "engine", "P0A9B-17")
	if !r.ChangedSinceClose || f.Verdict != Returned || f.AtClose == nil || f.AtClose.Verdict != Cleared {
		t.Errorf("after the comeback: %s, at close %+v, changed %t", f.Verdict, f.AtClose, r.ChangedSinceClose)
	}
	// The next repair of the same fault ends the first one's stretch.
	b.repair(at("engine", "P0A9B-17"))
	b.erase("engine")
	b.scan(unit("engine", supported(0xFF), byte1("P0A9B-17", 0x00)))
	if f := b.ask(Question{Job: first}).fault(t, "engine", "P0A9B-17"); f.Verdict != Returned || len(f.Observations) != 2 {
		t.Errorf("first job after the second repair: %s, %d observations", f.Verdict, len(f.Observations))
	}
	if f := b.judge().fault(t, "engine", "P0A9B-17"); f.Verdict != Cleared {
		t.Errorf("second job: %s", f.Verdict)
	}
}

// Repairs without a scan between them share the credit; the shares add to 1.
func TestSharedCredit(t *testing.T) {
	b := newBook(t)
	target := at("engine", "P0A9B-17")
	b.scan(unit("engine", uds(0xFF, 0xFF), byte1("P0A9B-17", 0x2F)))
	b.repair(target)
	b.repair(target)
	b.repair(target)
	b.erase("engine")
	b.scan(unit("engine", supported(0xFF), byte1("P0A9B-17", 0x00)))
	r := b.judge()
	f := r.fault(t, "engine", "P0A9B-17")
	var shares []string
	for _, c := range f.Credit {
		shares = append(shares, c.Share.String())
	}
	if got := strings.Join(shares, " "); got != "0.3333 0.3333 0.3334" {
		t.Errorf("shares %s", got)
	}
	if !strings.Contains(strings.Join(f.Remarks, "\n"), "no scan between") {
		t.Errorf("the missing scan is not named: %v", f.Remarks)
	}
	for _, rep := range r.Repairs {
		if rep.Score.Low.Cmp(*rep.Score.High) >= 0 || rep.Score.High.String() != "1.0000" {
			t.Errorf("score %s to %s", rep.Score.Low, rep.Score.High)
		}
	}
}

// A repair that another one followed has failed, whatever the other is still
// waiting for.
func TestFollowedRepairHasFailed(t *testing.T) {
	b := newBook(t)
	bad := unit("engine", uds(0xFF, 0xFF), byte1("P0A9B-17", 0x2F))
	b.scan(bad)
	b.repair(at("engine", "P0A9B-17"))
	b.erase("engine")
	b.scan(bad)
	b.repair(at("engine", "P0A9B-17"))
	r := b.judge()
	if first := r.Repairs[0].Score; !first.High.IsZero() {
		t.Errorf("the first repair: %s to %s, want 0", first.Low, first.High)
	}
	if second := r.Repairs[1].Score; !second.Low.IsZero() || second.High.IsZero() {
		t.Errorf("the second repair: %s to %s, want 0 to 1", second.Low, second.High)
	}
}

// A fault that was not failing before the work does not enter a score's low end.
func TestScoreNeedsContrast(t *testing.T) {
	b := newBook(t)
	b.scan(unit("engine", uds(0xFF, 0xFF), byte1("P0A9B-17", 0x28)))
	b.repair(at("engine", "P0A9B-17"))
	b.erase("engine")
	b.scan(unit("engine", supported(0xFF), byte1("P0A9B-17", 0x00)))
	s := b.judge().Repairs[0].Score
	if !s.Low.IsZero() || s.High.String() != "1.0000" {
		t.Errorf("score %s to %s, want 0 to 1", s.Low, s.High)
	}
}

func TestOutcome(t *testing.T) {
	target := at("door", "B1A12-13")
	build := func(then func(b *book)) *book {
		b := newBook(t)
		b.scan(unit("door", listed("B1A12-13", "present")))
		b.repair(target)
		b.erase("door")
		b.drive("40 km", 50)
		b.scan(unit("door"))
		then(b)
		return b
	}
	if r := build(func(*book) {}).judge(); r.Outcome != Good || !strings.Contains(r.Sentence, "1 on a drive alone") {
		t.Errorf("%s: %s", r.Outcome, r.Sentence)
	}
	also := newBook(t)
	also.scan(unit("door", listed("B1A12-13", "present")), unit("engine", listed("P0302", "stored")))
	also.repair(target)
	also.erase("door")
	also.drive("40 km", 50)
	also.scan(unit("door"), unit("engine", listed("P0302", "stored")))
	if r := also.judge(); r.Outcome != Good || !strings.Contains(r.Sentence, "1 unproven, which no repair was meant to cure") {
		t.Errorf("%s: %s", r.Outcome, r.Sentence)
	}
	if r := build(func(b *book) { b.policy.Accept = []Grade{Tested} }).judge(); r.Outcome != Open {
		t.Errorf("driven not accepted: %s", r.Outcome)
	}
	if r := build(func(b *book) { b.scan(unit("door", listed("C0035", "present"))) }).judge(); r.Outcome != Bad {
		t.Errorf("a new fault: %s", r.Outcome)
	}
	unknown := build(func(b *book) {
		b.key()
		b.evs[len(b.evs)-1].Body = &events.Unknown{Typ: "unit.poked.v9"}
	})
	if r := unknown.judge(); r.Outcome != Open || !strings.Contains(strings.Join(r.Warnings, "\n"), "newer program") {
		t.Errorf("an unknown event: %s %v", r.Outcome, r.Warnings)
	}
	b := newBook(t)
	b.scan(unit("door", listed("B1A12-13", "present")))
	if r := b.judge(); r.Outcome != Open {
		t.Errorf("no target: %s", r.Outcome)
	}
}

// Two scans are judged by themselves, whatever else was read.
func TestTwoScans(t *testing.T) {
	b := newBook(t)
	failing := unit("engine", uds(0xFF, 0xFF), byte1("P0A9B-17", 0x2F))
	first := b.scan(failing)
	b.repair(at("engine", "P0A9B-17"))
	b.erase("engine")
	b.scan(failing)
	last := b.scan(unit("engine", supported(0xFF), byte1("P0A9B-17", 0x00)))
	if f := b.judge().fault(t, "engine", "P0A9B-17"); f.Verdict != Persisted {
		t.Errorf("whole job: %s", f.Verdict)
	}
	r := b.ask(Question{Before: first, After: last})
	if f := r.fault(t, "engine", "P0A9B-17"); f.Verdict != Cleared {
		t.Errorf("two scans: %s: %s", f.Verdict, f.Reason)
	}
	if _, err := Judge(NewHistory(b.evs, b.policy), Question{Before: last, After: first}); err == nil {
		t.Error("scans in the wrong order are no question")
	}
}

// Names and joins that lead in a circle end in one place from every start.
func TestCircles(t *testing.T) {
	next := map[string]string{"c": "a", "a": "b", "b": "c", "d": "b", "e": "e"}
	for from, want := range map[string]string{"a": "a", "b": "a", "c": "a", "d": "a", "e": "e", "f": "f"} {
		if got := follow(next, from, strings.Compare); got != want {
			t.Errorf("from %s to %s, want %s", from, got, want)
		}
	}
}

// Two scans of a unit that elsewhere told whether its test ran.
func TestTwoScansKeepWhatTheUnitCanTell(t *testing.T) {
	b := newBook(t)
	b.scan(unit("engine", uds(0xFF, 0xFF), byte1("P0A9B-17", 0x6F)))
	first := b.scan(unit("engine", uds(0xFF, 0xFF), byte1("P0A9B-17", 0x2F)))
	b.repair(at("engine", "P0A9B-17"))
	b.erase("engine")
	b.drive("40 km", 50)
	last := b.scan(unit("engine", uds(0x2F, 0xFF)))
	if f := b.ask(Question{Before: first, After: last}).fault(t, "engine", "P0A9B-17"); f.Verdict != Unproven {
		t.Errorf("%s (%s): %s", f.Verdict, f.Grade, f.Reason)
	}
}

// A closing recorded late does not take in what was read after the vehicle went.
func TestLateClosing(t *testing.T) {
	b := newBook(t)
	b.scan(unit("engine", uds(0xFF, 0xFF), byte1("P0A9B-17", 0x2F)))
	b.repair(at("engine", "P0A9B-17"))
	b.erase("engine")
	gone := b.now.Add(time.Minute)
	b.scan(unit("engine", supported(0xFF), byte1("P0A9B-17", 0x00)))
	b.close()
	b.evs[len(b.evs)-1].At = events.At(gone)
	f := b.judge().fault(t, "engine", "P0A9B-17")
	if f.AtClose == nil || f.AtClose.Verdict != Awaited || f.Verdict != Cleared {
		t.Errorf("at close %+v, today %s", f.AtClose, f.Verdict)
	}
}

// One machine's own order is never in doubt.
func TestClockToleranceKeepsEachMachinesOrder(t *testing.T) {
	b := newBook(t)
	b.now = b.now.Add(time.Hour)
	start := b.now
	b.addAt(start, &events.ScanTaken{Units: []events.UnitReading{unit("engine", uds(0xFF, 0xFF), byte1("P0A9B-17", 0x2F))}})
	b.addAt(start.Add(20*time.Second), &events.RepairDone{Action: "replaced", Component: "sensor", Targets: []events.Target{at("engine", "P0A9B-17")}})
	b.feed = "feedtwo"
	b.addAt(start.Add(time.Minute), &events.CodesErased{Units: []events.UnitErase{{Unit: "engine", Result: events.EraseAccepted}}})
	b.feed = "feedone"
	b.drive("14 km", 20)
	b.scan(unit("engine", supported(0xFF), byte1("P0A9B-17", 0x00)))
	r := b.judge()
	if f := r.fault(t, "engine", "P0A9B-17"); f.Verdict == Persisted {
		t.Errorf("%s: %s", f.Verdict, f.Reason)
	} else if s := r.Repairs[0].Score; f.Verdict.Group() != Good && !s.Low.IsZero() {
		t.Errorf("verdict %s with score %s to %s", f.Verdict, s.Low, s.High)
	}
}

// A visit joined of a closed job and an open one is not closed.
func TestJoinedJobStillOpen(t *testing.T) {
	b := newBook(t)
	first := b.job
	b.close()
	second := b.open()
	b.add(&events.JobJoined{Job: second, Into: first})
	if jobs := NewHistory(b.evs, b.policy).Jobs(); len(jobs) != 1 || !jobs[0].IsOpen() {
		t.Errorf("%+v", jobs)
	}
}

// Jobs opened apart are one visit once joined, and named units are one.
func TestJoinedJobsAndNamedUnits(t *testing.T) {
	b := newBook(t)
	first := b.job
	b.scan(unit("7E8", listed("P0302", "present")))
	second := b.open()
	b.add(&events.RepairDone{Job: second, Action: "replaced", Component: "coil 2", Targets: []events.Target{at("engine", "P0302")}})
	b.erase("Engine")
	b.drive("40 km", 50)
	b.scan(unit("engine"))
	b.add(&events.UnitNamed{Known: "7E8", Unit: "engine"})
	b.add(&events.JobJoined{Job: second, Into: first})
	h := NewHistory(b.evs, b.policy)
	if len(h.Jobs()) != 1 || h.Jobs()[0].ID != first {
		t.Fatalf("jobs %+v", h.Jobs())
	}
	r := b.judge()
	if f := r.fault(t, "engine", "P0302"); f.Verdict != Cleared || f.Before != "present" || len(r.Repairs) != 1 {
		t.Errorf("%s, before %s, %d repairs", f.Verdict, f.Before, len(r.Repairs))
	}
}

// Same component with another failure type is a second fault, and says so; the
// same code in another unit is told.
func TestRelatedFaults(t *testing.T) {
	b := newBook(t)
	b.scan(unit("gearbox", uds(0xFF, 0xFF), byte1("P0741-07", 0x2F)), unit("engine", listed("U0101", "stored")))
	b.repair(at("gearbox", "P0741-07"))
	b.erase("gearbox")
	b.drive("40 km", 50)
	b.scan(unit("gearbox", uds(0xFF, 0xFF), byte1("P0741-92", 0x2F), byte1("U0101", 0x2F)))
	r := b.judge()
	if f := r.fault(t, "gearbox", "P0741-92"); f.Verdict != New || !strings.Contains(strings.Join(f.Remarks, "\n"), "same component as P0741-07") {
		t.Errorf("%s %v", f.Verdict, f.Remarks)
	}
	if f := r.fault(t, "gearbox", "U0101"); !strings.Contains(strings.Join(f.Remarks, "\n"), "seen in the engine unit before") {
		t.Errorf("%v", f.Remarks)
	}
	if got := r.Repairs[0].NewFaults; len(got) != 2 {
		t.Errorf("new faults %v", got)
	}
}
