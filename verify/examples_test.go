package verify

import (
	"strings"
	"testing"

	"mendbook/events"
	"mendbook/events/fault"
)

// The worked examples of the evidence rules, row by row. The status bytes are
// read by ISO 14229-1 Annex D.2 (check-values 2.3); the services 43, 47 and 4A
// are answers to SAE J1979 services 03, 07 and 0A (check-values 3.1).
func TestWorkedExamples(t *testing.T) {
	const dtc = "P0A9B-17" // bytes 0A 9B 17: ISO 14229-1:2020 example, tables 340/341
	failing := unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x2F))
	target := at("engine", dtc)
	far := func(b *book) { b.drive("14 km", 20) }
	p0420 := unit("engine", obd(), listed("P0420", "stored"))
	empty := func(parts ...part) events.UnitReading { return unit("engine", append([]part{obd()}, parts...)...) }
	tests := []struct {
		name     string
		do       func(b *book)
		unit     string
		code     string
		verdict  Verdict
		grade    Grade
		contrast bool
		says     string // in the reason, the next step or a remark
	}{
		{"listed at 50 after the erase", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.erase("engine")
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x50)))
		}, "engine", dtc, Unproven, NoGrade, true, "its test has not run since the erase"},
		{"supported codes list it at 00", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.erase("engine")
			far(b)
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x00)))
		}, "engine", dtc, Cleared, Tested, true, "passed"},
		{"not listed under FF where another stands at 50", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.erase("engine")
			far(b)
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1("P2522-1F", 0x50)))
		}, "engine", dtc, Cleared, Tested, true, "lists untested codes"},
		{"not listed under FF, unit never lists untested codes, driven", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.erase("engine")
			far(b)
			b.scan(unit("engine", uds(0xFF, 0xFF)))
		}, "engine", dtc, Cleared, Driven, true, "drive alone"},
		{"the same, not driven", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.erase("engine")
			b.drive("3 km", 5)
			b.scan(unit("engine", uds(0xFF, 0xFF)))
		}, "engine", dtc, Unproven, NoGrade, true, "all supported codes"},
		{"not listed under mask 08", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.erase("engine")
			far(b)
			b.scan(unit("engine", uds(0x08, 0xFF)))
		}, "engine", dtc, Unread, NoGrade, true, "mask 08 cannot show"},
		{"2C after the erase", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.erase("engine")
			far(b)
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x2C)))
		}, "engine", dtc, Persisted, NoGrade, true, "failed since the erase, passes now"},
		{"2C after a key cycle without an erase", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.key()
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x2C)))
		}, "engine", dtc, Cleared, Tested, true, "passed this cycle; the memory was not erased"},
		{"2C with the ignition left on", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x2C)))
		}, "engine", dtc, Unproven, NoGrade, true, "the pass may be older than the work"},
		{"6D with the key on, no erase", func(b *book) {
			b.scan(failing)
			b.repair(target)
			b.key()
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x6D)))
		}, "engine", dtc, Unproven, NoGrade, true, "stale"},
		{"2F after erase, then repair, then a key cycle", func(b *book) {
			b.scan(failing)
			b.erase("engine")
			b.repair(target)
			b.key()
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x2F)))
		}, "engine", dtc, Persisted, NoGrade, true, "new cycle"},
		{"40 after erase, drive at 00, then repair and key on", func(b *book) {
			b.scan(failing)
			b.erase("engine")
			far(b)
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x00)))
			b.repair(target)
			b.key()
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x40)))
		}, "engine", dtc, Unproven, NoGrade, false, "ran before it"},
		{"28 before, 00 after", func(b *book) {
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1(dtc, 0x28)))
			b.repair(target)
			b.erase("engine")
			far(b)
			b.scan(unit("engine", supported(0xFF), byte1(dtc, 0x00)))
		}, "engine", dtc, Cleared, Tested, false, "not failing before the work either"},
		{"catalyst monitor incomplete", func(b *book) {
			b.scan(p0420)
			b.repair(at("engine", "P0420"))
			b.erase("engine")
			b.drive("12 km", 20)
			b.scan(empty(monitor("catalyst", false)))
		}, "engine", "P0420", Unproven, NoGrade, false, "catalyst monitor"},
		{"catalyst monitor complete next day", func(b *book) {
			b.scan(p0420)
			b.repair(at("engine", "P0420"))
			b.erase("engine")
			b.drive("12 km", 20)
			b.scan(empty(monitor("catalyst", false)))
			b.scan(empty(monitor("catalyst", true)))
		}, "engine", "P0420", Cleared, Monitored, false, "catalyst monitor"},
		{"pending on the first day, empty and complete on the next", func(b *book) {
			b.scan(p0420)
			b.repair(at("engine", "P0420"))
			b.erase("engine")
			b.drive("12 km", 20)
			b.scan(empty(listed("P0420", "pending"), monitor("catalyst", false)))
			b.scan(empty(monitor("catalyst", true)))
		}, "engine", "P0420", Persisted, NoGrade, false, "passes now"},
		{"complete, but still in the permanent list", func(b *book) {
			b.scan(p0420)
			b.repair(at("engine", "P0420"))
			b.erase("engine")
			b.drive("12 km", 20)
			b.scan(empty(monitor("catalyst", false)))
			b.scan(unit("engine", obd(fault.ViewPermanent), permanent("P0420"), monitor("catalyst", true)))
		}, "engine", "P0420", Unproven, NoGrade, false, "permanent"},
		{"continuous monitor, not driven", func(b *book) {
			b.scan(unit("engine", obd(), listed("P0302", "present")))
			b.repair(at("engine", "P0302"))
			b.erase("engine")
			b.key()
			b.scan(empty(monitor("misfire", true)))
		}, "engine", "P0302", Unproven, NoGrade, true, "continuous"},
		{"stored in a unit without test bits, driven", func(b *book) {
			b.scan(unit("engine", listed("P0302", "stored")))
			b.repair(at("engine", "P0302"))
			b.erase("engine")
			far(b)
			b.scan(unit("engine"))
		}, "engine", "P0302", Cleared, Driven, false, "not failing before"},
		{"a silent unit answers", func(b *book) {
			b.scan(unit("engine"), unit("tailgate", reach(events.Silent)))
			b.repair(at("tailgate", NoAnswer))
			b.scan(unit("engine"), unit("tailgate", listed("C0035", "stored")))
		}, "tailgate", NoAnswer, Cleared, Answered, true, "answers"},
		{"what it then lists", func(b *book) {
			b.scan(unit("engine"), unit("tailgate", reach(events.Silent)))
			b.repair(at("tailgate", NoAnswer))
			b.scan(unit("engine"), unit("tailgate", listed("C0035", "stored")))
		}, "tailgate", "C0035", Unbaselined, NoGrade, false, "no reading before the work"},
		{"a unit falls silent: its code", func(b *book) {
			b.scan(unit("engine"), unit("door", listed("B1A12-13", "present")))
			b.repair(at("door", "B1A12-13"))
			b.scan(unit("engine"), unit("door", reach(events.Silent)))
		}, "door", "B1A12-13", Unread, NoGrade, true, "silent"},
		{"a unit falls silent: its silence", func(b *book) {
			b.scan(unit("engine"), unit("door", listed("B1A12-13", "present")))
			b.repair(at("door", "B1A12-13"))
			b.scan(unit("engine"), unit("door", reach(events.Silent)))
		}, "door", NoAnswer, New, NoGrade, false, "silent"},
		{"gone without a repair", func(b *book) {
			b.scan(unit("engine", obd(), listed("P0302", "present")))
			b.erase("engine")
			b.drive("12 km", 20)
			b.scan(empty(monitor("misfire", true)))
		}, "engine", "P0302", Cleared, Driven, true, "went without a repair: likely to return"},
		{"the second repair has the credit", func(b *book) {
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1("P0302-00", 0x2F)))
			b.repair(at("engine", "P0302-00"))
			b.erase("engine")
			far(b)
			b.scan(unit("engine", uds(0xFF, 0xFF), byte1("P0302-00", 0x2F)))
			b.repair(at("engine", "P0302-00"))
			b.erase("engine")
			far(b)
			b.scan(unit("engine", supported(0xFF), byte1("P0302-00", 0x00)))
		}, "engine", "P0302-00", Cleared, Tested, true, "passed"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			b := newBook(t)
			test.do(b)
			r := b.judge()
			f := r.fault(t, test.unit, test.code)
			if f.Verdict != test.verdict || f.Grade != test.grade || f.Contrast != test.contrast {
				t.Errorf("got %s (%s) contrast %t, want %s (%s) contrast %t\nreason: %s\nobservations: %+v",
					f.Verdict, f.Grade, f.Contrast, test.verdict, test.grade, test.contrast, f.Reason, f.Observations)
			}
			all := f.Reason + "\n" + f.Next + "\n" + strings.Join(f.Remarks, "\n")
			if !strings.Contains(all, test.says) {
				t.Errorf("want %q in:\n%s", test.says, all)
			}
			if f.Verdict.Group() == Open && f.Next == "" {
				t.Errorf("an open verdict has no next step: %s", f.Reason)
			}
		})
	}
}

// Repair 1 failed, repair 2 has the credit: the last row of the worked examples.
func TestCreditOfTwoRepairs(t *testing.T) {
	b := newBook(t)
	bad := unit("engine", uds(0xFF, 0xFF), byte1("P0302-00", 0x2F))
	b.scan(bad)
	first := b.repair(at("engine", "P0302-00"))
	b.erase("engine")
	b.drive("14 km", 20)
	b.scan(bad)
	second := b.repair(at("engine", "P0302-00"))
	b.erase("engine")
	b.drive("14 km", 20)
	b.scan(unit("engine", supported(0xFF), byte1("P0302-00", 0x00)))
	r := b.judge()
	f := r.fault(t, "engine", "P0302-00")
	if len(f.Credit) != 1 || f.Credit[0].Repair != second || f.Credit[0].Share.String() != "1" {
		t.Errorf("credit %+v, want all of it for %s", f.Credit, second)
	}
	for _, rep := range r.Repairs {
		want := "1.0000"
		if rep.ID == first {
			want = "0.0000"
		}
		if rep.Score.Low.Round(4).Decimal().Text('f') != want && rep.Score.Low.String() != want[:1] || rep.Score.High.Cmp(*rep.Score.Low) != 0 {
			t.Errorf("score of %s: %s to %s, want %s", rep.ID, rep.Score.Low, rep.Score.High, want)
		}
	}
	if r.Outcome != Good {
		t.Errorf("outcome %s, want good", r.Outcome)
	}
}
