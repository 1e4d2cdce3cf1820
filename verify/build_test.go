package verify

import (
	"encoding/json"
	"time"

	"mendbook/events"
	"mendbook/events/fault"
	"mendbook/events/quantity"
)

// tester is what tests and generated cases have in common.
type tester interface {
	Helper()
	Fatal(args ...any)
	Fatalf(format string, args ...any)
}

// book builds a vehicle's history for tests, an hour between events.
type book struct {
	tb      tester
	evs     []events.Event
	now     time.Time
	n       byte
	feed    string
	vehicle events.ID
	job     events.ID
	policy  Policy
}

func newBook(tb tester) *book {
	b := &book{tb: tb, now: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC), feed: "feedone", policy: DefaultPolicy()}
	b.vehicle = b.add(&events.VehicleRegistered{Label: "van-7"})
	b.open()
	return b
}

func (b *book) open() events.ID {
	b.job = b.add(&events.JobOpened{Complaint: "engine shakes"})
	return b.job
}

func (b *book) close() events.ID { return b.add(&events.JobClosed{Job: b.job}) }

func (b *book) add(d events.Data) events.ID {
	b.tb.Helper()
	b.now = b.now.Add(time.Hour)
	return b.addAt(b.now, d)
}

func (b *book) addAt(at time.Time, d events.Data) events.ID {
	b.tb.Helper()
	b.n++
	id := events.NewID(at, [10]byte{9: b.n})
	raw, err := events.EncodeData(d)
	if err != nil {
		b.tb.Fatalf("%T: %v", d, err)
	}
	subject := b.vehicle
	if _, ok := d.(*events.VehicleRegistered); ok {
		subject = id
	}
	b.evs = append(b.evs, events.Event{Envelope: events.Envelope{ID: id, Feed: b.feed, Type: d.Type(), Subject: subject,
		Time: events.At(at), FeedSeq: int64(len(b.evs) + 1), Data: json.RawMessage(raw)}, Body: d})
	return id
}

func (b *book) scan(units ...events.UnitReading) events.ID {
	return b.add(&events.ScanTaken{Units: units})
}

func (b *book) scanAt(odo string, units ...events.UnitReading) events.ID {
	return b.add(&events.ScanTaken{Odometer: km(odo), Units: units})
}

func (b *book) repair(targets ...events.Target) events.ID {
	return b.add(&events.RepairDone{Action: "replaced", Component: "sensor", Targets: targets})
}

func (b *book) erase(units ...string) events.ID {
	d := &events.CodesErased{}
	for _, u := range units {
		d.Units = append(d.Units, events.UnitErase{Unit: u, Result: events.EraseAccepted})
	}
	return b.add(d)
}

func (b *book) drive(distance string, minutes int) events.ID {
	return b.add(&events.DriveDone{Distance: km(distance), Minutes: minutes})
}

func (b *book) key() events.ID { return b.add(&events.KeyCycled{}) }

func (b *book) judge() *Report { return b.ask(Question{}) }

func (b *book) ask(q Question) *Report {
	b.tb.Helper()
	r, err := Judge(NewHistory(b.evs, b.policy), q)
	if err != nil {
		b.tb.Fatal(err)
	}
	return r
}

func km(s string) quantity.Distance {
	d, err := quantity.ParseDistance(s)
	if err != nil {
		panic(err)
	}
	return d
}

func measure(s string) quantity.Measure {
	m, err := quantity.ParseMeasure(s)
	if err != nil {
		panic(err)
	}
	return m
}

func code(s string) fault.Code {
	c, err := fault.Parse(s)
	if err != nil {
		panic(err)
	}
	return c
}

func at(unit, c string) events.Target {
	if c == NoAnswer {
		return events.Target{Unit: unit, NoAnswer: true}
	}
	return events.Target{Unit: unit, Code: code(c)}
}

type part func(*events.UnitReading)

// unit makes a reading; without parts that say otherwise it answers with the
// stored list.
func unit(name string, parts ...part) events.UnitReading {
	u := events.UnitReading{Unit: name, Reach: events.Answered}
	for _, p := range parts {
		p(&u)
	}
	if u.Reach == events.Answered && u.Views == nil && u.Mask == nil && u.Service == "" {
		u.Views = []fault.View{fault.ViewStored}
	}
	return u
}

func reach(r events.Reach) part { return func(u *events.UnitReading) { u.Reach = r } }

// uds is an answer to service 19 02 by a mask, with an availability mask.
func uds(mask, available fault.Status) part {
	return func(u *events.UnitReading) { u.Service, u.Mask, u.Available = "19 02", &mask, &available }
}

// supported is an answer to service 19 0A.
func supported(available fault.Status) part {
	return func(u *events.UnitReading) { u.Service, u.Available = "19 0A", &available }
}

// obd reads services 03 and 07, and more by name.
func obd(more ...fault.View) part {
	return func(u *events.UnitReading) {
		u.Views = append([]fault.View{fault.ViewStored, fault.ViewPending}, more...)
	}
}

func byte1(c string, s fault.Status) part {
	return func(u *events.UnitReading) {
		u.Codes = append(u.Codes, events.CodeReading{Code: code(c), Status: &s})
	}
}

func listed(c, word string) part {
	return func(u *events.UnitReading) {
		s, err := fault.ParseState(word)
		if err != nil {
			panic(err)
		}
		u.Codes = append(u.Codes, events.CodeReading{Code: code(c), State: s})
	}
}

// service names how the unit was asked; the lists follow from it.
func service(s string) part {
	return func(u *events.UnitReading) { u.Service = s }
}

func permanent(c string) part {
	return func(u *events.UnitReading) {
		u.Codes = append(u.Codes, events.CodeReading{Code: code(c), Permanent: true})
	}
}

func monitor(name string, complete bool) part {
	return func(u *events.UnitReading) {
		m, err := fault.ParseMonitor(name)
		if err != nil {
			panic(err)
		}
		u.Monitors = append(u.Monitors, events.MonitorReading{Name: m, Complete: complete})
	}
}

func since(distance string) part {
	return func(u *events.UnitReading) { u.SinceErase = &events.SinceErase{Distance: km(distance)} }
}

// fault finds a fault in a report.
func (r *Report) fault(tb tester, unit, code string) Fault {
	tb.Helper()
	for _, f := range r.Faults {
		if f.Unit == unit && f.Code == code {
			return f
		}
	}
	tb.Fatalf("no fault %s/%s in %+v", unit, code, r.Faults)
	return Fault{}
}
