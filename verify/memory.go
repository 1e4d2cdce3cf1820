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
	from  int
	how   string // recorded, renewed, shown
	whole bool   // readiness and counters began anew too, not one code alone
}

// erased finds the latest E for a fault after the work at w and before the
// reading r. An erase before the work proves nothing about the work.
func (t *timeline) erased(k key, w int, r *reading) (erasure, bool) {
	best, found := erasure{from: -1}, false
	for i := 0; i < r.at; i++ {
		switch d := t.ev[i].Body.(type) {
		case *events.CodesErased:
			if i > w && t.reached(i, d, k, r) && !(whole(d) && t.didNotTake(i, k.unit)) {
				best, found = erasure{i, "recorded", whole(d)}, true
			}
		case *events.RepairDone:
			for _, n := range d.Renewed {
				if i >= w && t.h.unit(n.Unit) == k.unit {
					best, found = erasure{i, "renewed", true}, true
				}
			}
		}
	}
	if e, ok := t.shownErase(k, w, r); ok && e.from >= best.from {
		best, found = e, true
	}
	return best, found
}

// whole tells whether an erase resets readiness and counters, or one code alone.
func whole(d *events.CodesErased) bool {
	switch d.Group {
	case "", "FFFFFF", "FFFF33", "FF00", "FFFF":
		return d.Service != "DM11" && d.Service != "DM3"
	}
	return false
}

// accepted tells whether a unit accepted an erase.
func (t *timeline) accepted(d *events.CodesErased, unit string) bool {
	for _, u := range d.Units {
		name := u.Unit
		if _, ok := t.h.names[events.Fold(u.Address)]; ok && u.Address != "" {
			name = u.Address
		}
		if t.h.unit(name) == unit && u.Result == events.EraseAccepted {
			return true
		}
	}
	return false
}

// reached tells whether the erase at index i covers the fault in its unit: only a
// unit that accepted it was reached, and only in what the service and group cover.
func (t *timeline) reached(i int, d *events.CodesErased, k key, r *reading) bool {
	if !t.accepted(d, k.unit) || !fault.GroupCovers(d.Service, d.Group, k.code) {
		return false
	}
	// SAE J1939-73: DM11 clears the active list, DM3 the previously active one. A
	// listing or an absence tells of a new memory only where the list that the fault
	// stood in, or stands in now, was cleared.
	other := fault.State(0)
	switch d.Service {
	case "DM11":
		other = fault.StateStored
	case "DM3":
		other = fault.StatePresent
	default:
		return true
	}
	stood := false
	for _, earlier := range t.readings[k.unit] {
		if earlier.at < i && len(earlier.matches(k)) > 0 {
			stood = t.listedAs(k, earlier, other)
		}
	}
	return !stood && !t.listedAs(k, r, other)
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
	var last *reading
	drove := quantity.NumberFromInt(2)
	for _, r := range t.readings[unit] {
		counter, counted := r.counterKm()
		if r.at <= e {
			if counted {
				last = r
			}
			continue
		}
		now := t.odo[r.at]
		if counted && (!ok || now.IsZero()) && last != nil {
			// No odometer: a counter that did not fall, and counts more than was driven.
			for i := e + 1; i < r.at; i++ {
				if d, is := t.ev[i].Body.(*events.DriveDone); is && !d.Distance.IsZero() {
					drove = drove.Add(d.Distance.Km())
				}
			}
			if was, _ := last.counterKm(); counter.Cmp(was) >= 0 && counter.Cmp(drove) > 0 {
				t.warn(fmt.Sprintf("%s: the erase of %s did not take: the unit counted %s km since its last erase before it, and %s km after",
					t.h.unitName(unit), t.h.when(t.ev[e].Happened()), was, counter))
				return true
			}
			return false
		}
		if !counted || !ok || now.IsZero() {
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
		sign, on := "", fault.Code{}
		if last != nil && last.at < next.at {
			sign, on = t.eraseSign(last, next)
		}
		if sign != "" && !t.explained(k.unit, on, last.at, next.at) {
			t.warn(fmt.Sprintf("%s: erased outside the book between %s and %s: %s", t.h.unitName(k.unit),
				t.h.when(t.ev[last.at].Happened()), t.h.when(t.ev[next.at].Happened()), sign))
			if last.at > w || last.at == w && t.isScan(w) || t.placedAfter(w, next) {
				best, found = erasure{next.at, "shown", true}, true
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
func (t *timeline) eraseSign(a, b *reading) (sign string, on fault.Code) {
	for _, ca := range a.codes {
		sa, ka := a.status(ca)
		if !ka.Has(fault.NotCompletedSinceClear) || sa.Has(fault.NotCompletedSinceClear) {
			continue
		}
		for _, cb := range b.codes {
			sb, _ := b.status(cb)
			if cb.Code == ca.Code && sb.Has(fault.NotCompletedSinceClear) && t.quirks[a.unit] == "" {
				return fmt.Sprintf("%s was tested since its erase (%s), now it is not (%s)", ca.Code, ca.Status, cb.Status), ca.Code
			}
		}
	}
	if x, ok := a.counterKm(); ok {
		if y, ok := b.counterKm(); ok && y.Cmp(x) < 0 {
			return fmt.Sprintf("distance since erase fell from %s to %s km", x, y), on
		}
	}
	if x, ok := a.counterWarmUps(); ok {
		if y, ok := b.counterWarmUps(); ok && y < x {
			return fmt.Sprintf("warm-ups since erase fell from %d to %d", x, y), on
		}
	}
	if x, ok := a.counterMinutes(); ok {
		if y, ok := b.counterMinutes(); ok && y < x {
			return fmt.Sprintf("minutes since erase fell from %d to %d", x, y), on
		}
	}
	for _, m := range fault.Monitors() {
		if complete, ok := a.mons[m]; ok && complete {
			if now, ok := b.mons[m]; ok && !now {
				return fmt.Sprintf("the %s monitor was complete, now it is not", m), on
			}
		}
	}
	return "", on
}

// explained tells whether the book has an erase between two readings that the
// sign can come from: one that the unit accepted and that covers the code the sign
// stands on (any, for counters and monitors), or a renewal of the unit.
func (t *timeline) explained(unit string, sign fault.Code, a, b int) bool {
	for i := a + 1; i < b; i++ {
		switch d := t.ev[i].Body.(type) {
		case *events.CodesErased:
			if t.accepted(d, unit) && (sign.IsZero() || fault.GroupCovers(d.Service, d.Group, sign)) {
				return true
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

// counterFell tells whether the unit's distance since erase is smaller than the
// last one read before the erase; where none was read, there is nothing against it.
func (t *timeline) counterFell(r *reading, e int) bool {
	now, _ := r.counterKm()
	fell := true
	for _, o := range t.readings[r.unit] {
		if c, ok := o.counterKm(); ok && o.at < e {
			fell = now.Cmp(c) < 0
		}
	}
	return fell
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
	if counted && e.how == "recorded" && e.whole && t.counterFell(r, e.from) && counter.Cmp(km) > 0 {
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
	end, known := quantity.Number{}, false
	for i := e.from + 1; i <= r.at; i++ {
		if _, drove := t.ev[i].Body.(*events.DriveDone); drove {
			known = false
		}
		if !t.odo[i].IsZero() {
			end, known = t.odo[i].Km(), true
		}
	}
	if start, ok := t.kmUpTo(e.from); ok && known {
		grown := end.Sub(start)
		if grown.Sign() >= 0 && grown.Add(quantity.NumberFromInt(1)).Cmp(km) < 0 {
			km, capped = grown, true
		}
	}
	return km, minutes, capped
}
