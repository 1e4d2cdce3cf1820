package fault

// Memory simulates the status byte of one code in a control unit that keeps all
// eight bits by ISO 14229-1 Annex D.2 (from memory of the annex). It is a model to
// test against, not a decoder: real units deviate.
type Memory struct {
	threshold   int
	agingCycles int
	keepsFailed bool
	lamp        bool

	bits  Status // all but the warning indicator
	trips int    // cycles with a failure since the last clean cycle
	clean int    // clean cycles since the last failure
}

// NewMemory gives the memory of a code just cleared, status 50. threshold is the
// count of failed cycles after which the code is confirmed (below 1 counts as 1).
// agingCycles is the count of clean cycles after which a confirmed code is dropped
// (below 1: only Age drops it). keepsTestFailedAcrossCycles says whether bit 0
// survives the start of a cycle, which the standard leaves to the maker.
func NewMemory(threshold int, agingCycles int, keepsTestFailedAcrossCycles bool) *Memory {
	m := &Memory{threshold: max(threshold, 1), agingCycles: agingCycles, keepsFailed: keepsTestFailedAcrossCycles}
	m.Clear()
	return m
}

// Clear is an accepted erase: status 50, counters at 0. The lamp rule stays as set.
func (m *Memory) Clear() {
	m.bits = NotCompletedSinceClear | NotCompletedThisCycle
	m.trips, m.clean = 0, 0
}

// NewCycle ends the operation cycle and starts the next. If the test completed in the
// cycle that ends and never failed, pending is reset, the trip count starts anew and
// the code ages by one cycle.
func (m *Memory) NewCycle() {
	if m.bits&(NotCompletedThisCycle|TestFailedThisCycle) == 0 {
		m.bits &^= Pending
		m.trips = 0
		m.clean++
		if m.agingCycles > 0 && m.clean >= m.agingCycles {
			m.Age()
		}
	}
	m.bits &^= TestFailedThisCycle
	m.bits |= NotCompletedThisCycle
	if !m.keepsFailed {
		m.bits &^= TestFailed
	}
}

// Report is the result of one completed test.
func (m *Memory) Report(failed bool) {
	m.bits &^= NotCompletedSinceClear | NotCompletedThisCycle
	if !failed {
		m.bits &^= TestFailed
		return
	}
	if !m.bits.Has(TestFailedThisCycle) {
		m.trips++
	}
	m.clean = 0
	m.bits |= TestFailed | TestFailedThisCycle | Pending | FailedSinceClear
	if m.trips >= m.threshold {
		m.bits |= Confirmed
	}
}

// RequestLamp sets whether the unit asks for a lamp while the code is confirmed. The
// rule is the maker's or the regulation's; the standard does not give one.
func (m *Memory) RequestLamp(on bool) { m.lamp = on }

// Age drops a confirmed code as ageing does (the standard's example is 40 warm-up
// cycles). A code whose last test failed, or that failed in this cycle, does not age.
// Bits 4 and 5 stay: only a clear resets them here.
func (m *Memory) Age() {
	if m.bits&(TestFailed|TestFailedThisCycle) == 0 {
		m.bits &^= Confirmed
		m.clean = 0
	}
}

// Status gives the status byte.
func (m *Memory) Status() Status {
	if m.lamp && m.bits.Has(Confirmed) {
		return m.bits | WarningIndicator
	}
	return m.bits
}
