package verify

import (
	"fmt"

	"mendbook/events"
	"mendbook/events/fault"
	"mendbook/events/quantity"
)

// erasure is an E: from which index on the unit's memory is new, and how that
// is known. Drives count from then.
type erasure struct {
	from int
	how  string // recorded, renewed, shown
}

// erased finds the latest E for a fault after the work at w and before the
// reading r. An erase before the work proves nothing about the work.
func (t *timeline) erased(k key, w int, r *reading) (erasure, bool) {
	best, found := erasure{from: -1}, false
	for i := 0; i < r.at; i++ {
		switch d := t.ev[i].Body.(type) {
		case *events.CodesErased:
			if i > w && t.reached(d, k, r) && !t.didNotTake(i, k.unit) {
				best, found = erasure{i, "recorded"}, true
			}
		case *events.RepairDone:
			for _, n := range d.Renewed {
				if i >= w && t.h.unit(n.Unit) == k.unit {
					best, found = erasure{i, "renewed"}, true
				}
			}
		}
	}
	if e, ok := t.shownErase(k, w, r); ok && e.from >= best.from {
		best, found = e, true
	}
	return best, found
}

// reached tells whether an erase covers the fault in its unit: only a unit that
// accepted it was reached, and only in what the service and group cover.
func (t *timeline) reached(d *events.CodesErased, k key, r *reading) bool {
	for _, u := range d.Units {
		name := u.Unit
		if _, ok := t.h.names[events.Fold(u.Address)]; ok && u.Address != "" {
			name = u.Address
		}
		if t.h.unit(name) != k.unit || u.Result != events.EraseAccepted {
			continue
		}
		if !fault.GroupCovers(d.Service, d.Group, k.code) {
			continue
		}
		// SAE J1939-73: DM11 clears the active list, DM3 the previously active one.
		// A listing proves a new failure only where its own list was cleared.
		switch d.Service {
		case "DM11":
			return !t.listedAs(k, r, fault.StateStored)
		case "DM3":
			return !t.listedAs(k, r, fault.StatePresent)
		}
		return true
	}
	return false
}

func (t *timeline) listedAs(k key, r *reading, state fault.State) bool {
	for _, c := range r.matches(k) {
		if c.State == state {
			return true
		}
	}
	return false
}

// didNotTake tells whether a recorded erase is contradicted by the unit's own
// distance counter: it shows more than was driven since, by the odometer.
func (t *timeline) didNotTake(e int, unit string) bool {
	start, ok := t.kmUpTo(e)
	if !ok {
		return false
	}
	for _, r := range t.readings[unit] {
		if r.at <= e {
			continue
		}
		counter, ok := r.counterKm()
		now, known := t.odo[r.at], !t.odo[r.at].IsZero()
		if !ok || !known {
			continue
		}
		// Both counters show whole kilometres, so two may be lost to rounding.
		if allowed := now.Km().Sub(start).Add(quantity.NumberFromInt(2)); counter.Cmp(allowed) > 0 {
			t.warn(fmt.Sprintf("%s: the erase of %s did not take: the unit counts %s km since its last erase, the odometer allows %s km",
				t.h.unitName(unit), t.h.when(t.ev[e].Happened()), counter, now.Km().Sub(start)))
			return true
		}
		return false // the first reading after it decides
	}
	return false
}

// shownErase finds an erase that was not recorded but shows between two readings
// of the unit, and is placed after the work: by the earlier reading standing
// after it, or by counter and odometer.
func (t *timeline) shownErase(k key, w int, r *reading) (erasure, bool) {
	best, found := erasure{}, false
	var last *reading
	for _, next := range t.readings[k.unit] {
		if next.at > r.at {
			break
		}
		if next.reach != events.Answered {
			continue
		}
		sign := ""
		if last != nil && last.at < next.at {
			sign = t.eraseSign(last, next)
		}
		if sign != "" && !t.recordedBetween(k.unit, last.at, next.at) {
			t.warn(fmt.Sprintf("%s: erased outside the book between %s and %s: %s", t.h.unitName(k.unit),
				t.h.when(t.ev[last.at].Happened()), t.h.when(t.ev[next.at].Happened()), sign))
			if last.at > w || last.at == w && t.isScan(w) || t.placedAfter(w, next) {
				best, found = erasure{next.at, "shown"}, true
			}
		}
		last = next
	}
	return best, found
}

func (t *timeline) isScan(i int) bool {
	_, ok := t.ev[i].Body.(*events.ScanTaken)
	return ok
}

// eraseSign names what of two readings of one unit can only come from an erase
// in between: a code's bit 4 going to 1 (ISO 14229-1 Annex D.2: set by a clear
// only), a counter since erase that falls (SAE J1979 PIDs 30, 31, 4E), a monitor
// that was complete and is not. Bit 5 going to 0 may be ageing.
func (t *timeline) eraseSign(a, b *reading) string {
	for _, ca := range a.codes {
		sa, ka := a.status(ca)
		if !ka.Has(fault.NotCompletedSinceClear) || sa.Has(fault.NotCompletedSinceClear) {
			continue
		}
		for _, cb := range b.codes {
			sb, _ := b.status(cb)
			if cb.Code == ca.Code && sb.Has(fault.NotCompletedSinceClear) && t.quirks[a.unit] == "" {
				return fmt.Sprintf("%s was tested since its erase (%s), now it is not (%s)", ca.Code, ca.Status, cb.Status)
			}
		}
	}
	if x, ok := a.counterKm(); ok {
		if y, ok := b.counterKm(); ok && y.Cmp(x) < 0 {
			return fmt.Sprintf("distance since erase fell from %s to %s km", x, y)
		}
	}
	if x, ok := a.counterWarmUps(); ok {
		if y, ok := b.counterWarmUps(); ok && y < x {
			return fmt.Sprintf("warm-ups since erase fell from %d to %d", x, y)
		}
	}
	if x, ok := a.counterMinutes(); ok {
		if y, ok := b.counterMinutes(); ok && y < x {
			return fmt.Sprintf("minutes since erase fell from %d to %d", x, y)
		}
	}
	for _, m := range fault.Monitors() {
		if complete, ok := a.mons[m]; ok && complete {
			if now, ok := b.mons[m]; ok && !now {
				return fmt.Sprintf("the %s monitor was complete, now it is not", m)
			}
		}
	}
	return ""
}

// recordedBetween tells whether the book has an erase or a renewal of the unit
// that explains the sign.
func (t *timeline) recordedBetween(unit string, a, b int) bool {
	for i := a + 1; i < b; i++ {
		switch d := t.ev[i].Body.(type) {
		case *events.CodesErased:
			for _, u := range d.Units {
				if t.h.unit(u.Unit) == unit && u.Result != events.EraseSilent {
					return true
				}
			}
		case *events.RepairDone:
			for _, n := range d.Renewed {
				if t.h.unit(n.Unit) == unit {
					return true
				}
			}
		}
	}
	return false
}

// placedAfter tells whether the unit's distance since erase and the odometer put
// the erase after the work at w: it happened at a higher odometer than any the
// vehicle can have had at the work.
func (t *timeline) placedAfter(w int, r *reading) bool {
	counter, ok := r.counterKm()
	if !ok || t.odo[r.at].IsZero() {
		return false
	}
	atWork, ok := t.kmAfter(w-1, r.at-1) // the first odometer at or after the work
	if !ok {
		return false
	}
	at := t.odo[r.at].Km().Sub(counter).Sub(quantity.NumberFromInt(1))
	return at.Cmp(atWork) >= 0
}

// newCycle tells whether the ignition was off and on between the work and the
// reading: recorded as a drive or a key cycle, or shown by the fault's own bit 6
// (not tested this cycle) read as 1 after the work and as 0 now.
func (t *timeline) newCycle(k key, w int, r *reading) bool {
	for i := w + 1; i < r.at; i++ {
		switch t.ev[i].Body.(type) {
		case *events.DriveDone, *events.KeyCycled:
			return true
		}
	}
	now := r.matches(k)
	if len(now) != 1 {
		return false
	}
	s, known := r.status(now[0])
	if !known.Has(fault.NotCompletedThisCycle) || s.Has(fault.NotCompletedThisCycle) {
		return false
	}
	for _, earlier := range t.readings[k.unit] {
		if earlier.at <= w || earlier.at >= r.at || earlier.reach != events.Answered {
			continue
		}
		for _, c := range earlier.codes {
			if s, _ := earlier.status(c); c.Code == now[0].Code && s.Has(fault.NotCompletedThisCycle) {
				return true
			}
		}
	}
	return false
}

// driven sums what is known to have been driven since an E. Recorded drives,
// odometer growth and the unit's own counters count; the latter two also cap
// what a recorded drive may claim.
func (t *timeline) driven(e erasure, r *reading) (km quantity.Number, minutes int, capped bool) {
	for i := e.from + 1; i < r.at; i++ {
		if d, ok := t.ev[i].Body.(*events.DriveDone); ok {
			if !d.Distance.IsZero() {
				km = km.Add(d.Distance.Km())
			}
			minutes += d.Minutes
		}
	}
	if first, ok := t.kmAfter(e.from, r.at); ok {
		if last, ok := t.kmUpTo(r.at); ok {
			if grown := last.Sub(first); grown.Cmp(km) > 0 {
				km = grown
			}
		}
	}
	counter, counted := r.counterKm()
	if counted && e.how == "recorded" && counter.Cmp(km) > 0 {
		km = counter
	}
	if counted && e.how != "recorded" {
		km = counter // it counts from that very erase
	}
	if n, ok := r.counterMinutes(); ok {
		if n > minutes {
			minutes = n
		} else if n < minutes {
			minutes, capped = n, true
		}
	}
	if counted && counter.Add(quantity.NumberFromInt(1)).Cmp(km) < 0 {
		km, capped = counter, true
	}
	if start, ok := t.kmUpTo(e.from); ok && !t.odo[r.at].IsZero() {
		grown := t.odo[r.at].Km().Sub(start)
		if grown.Sign() >= 0 && grown.Add(quantity.NumberFromInt(1)).Cmp(km) < 0 {
			km, capped = grown, true
		}
	}
	return km, minutes, capped
}
