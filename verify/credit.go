package verify

import (
	"fmt"

	"mendbook/events"
	"mendbook/events/quantity"
)

// credit gives the credit for a fault's last change to good: the repairs that
// target it and lie between the two readings around that change share it. The
// shares are rounded to 4 decimals, and the last repair takes what is left, so
// that they add to exactly 1.
func (c *jobCase) credit(k key, res *result) {
	if res.fault.Verdict != Cleared || res.good == nil {
		return
	}
	after := -1
	for _, r := range c.t.readings[k.unit] {
		if r.at < res.good.at && c.t.informative(k, r) {
			after = r.at
		}
	}
	// The change lies between the last reading ahead of the work and the first good
	// one; readings in between that prove nothing do not move it.
	if len(res.targets) > 0 {
		w := res.targets[len(res.targets)-1].at
		after = -1
		for _, r := range c.t.readings[k.unit] {
			if r.at < w && c.t.informative(k, r) {
				after = r.at
			}
		}
	}
	var share []repairAt
	for _, r := range c.repairs {
		if r.at > after && r.at < res.good.at && c.t.targets(r, k) {
			share = append(share, r)
		}
	}
	if len(share) == 0 {
		return
	}
	one := quantity.NumberFromInt(1)
	each, err := one.Quo(quantity.NumberFromInt(int64(len(share))), 4)
	if err != nil {
		return // the divisor is not 0
	}
	rest := one
	for i, r := range share {
		s := each
		if i == len(share)-1 {
			s = rest
		}
		rest = rest.Sub(s)
		res.fault.Credit = append(res.fault.Credit, Credit{r.ev.ID, s})
	}
	for i := 1; i < len(share); i++ {
		res.fault.Remarks = append(res.fault.Remarks, fmt.Sprintf("no scan between %q and %q: they share the credit",
			what(share[i-1].d), what(share[i].d)))
	}
}

func what(d *events.RepairDone) string { return d.Action + " " + d.Component }

// score is the range of a repair's targets that it cured. Each target is judged
// on the stretch until the next repair of the same fault: good ones count for
// the share of credit, low only with contrast; open ones count high. A target
// that another repair followed has failed, unless a reading in between was good;
// where no reading lies in between, the two share what is read later.
func (c *jobCase) score(r repairAt) Score {
	if len(r.d.Targets) == 0 {
		return Score{}
	}
	zero := quantity.NumberFromInt(0)
	low, high := zero, zero
	one := quantity.NumberFromInt(1)
	for _, target := range r.d.Targets {
		k := key{c.t.h.unit(target.Unit), target.Code}
		l, h := c.scoreTarget(r, k)
		low = low.Add(l)
		if h {
			high = high.Add(one)
		}
	}
	n := quantity.NumberFromInt(int64(len(r.d.Targets)))
	lo, err := low.Quo(n, 4)
	if err != nil {
		return Score{}
	}
	hi, err := high.Quo(n, 4)
	if err != nil {
		return Score{}
	}
	return Score{Low: &lo, High: &hi}
}

func (c *jobCase) scoreTarget(r repairAt, k key) (low quantity.Number, high bool) {
	res, ok := c.results[k]
	if !ok {
		return quantity.NumberFromInt(0), false
	}
	none := quantity.NumberFromInt(0)
	next := -1
	for _, other := range c.repairs {
		if other.at > r.at && c.t.targets(other, k) {
			next = other.at
			break
		}
	}
	if next >= 0 {
		v := c.t.view(k, r.at, next, res.before)
		good := v.failing < 0 && v.best >= 0 && !(v.permanent && v.seen[v.best].obs != ObsPassed)
		if good {
			if res.before != nil && c.t.failingBefore(k, res.before) {
				return quantity.NumberFromInt(1), true
			}
			return none, true
		}
		if c.readBetween(k, r.at, next) || !c.sameJob(r, next) {
			return none, false
		}
	}
	switch res.fault.Verdict.Group() {
	case Good:
		for _, credit := range res.fault.Credit {
			if credit.Repair == r.ev.ID {
				if res.fault.Contrast {
					return credit.Share, true
				}
				return none, true
			}
		}
		return none, false
	case Open:
		return none, true
	}
	return none, false
}

func (c *jobCase) sameJob(r repairAt, next int) bool {
	for _, o := range c.repairs {
		if o.at == next {
			return o.job == r.job
		}
	}
	return false
}

func (c *jobCase) readBetween(k key, a, b int) bool {
	for _, r := range c.t.readings[k.unit] {
		if r.at > a && r.at < b && c.t.informative(k, r) {
			return true
		}
	}
	return false
}
