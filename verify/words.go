package verify

// Verdict is what the evidence carries about one fault. The zero value is no
// verdict, so that a forgotten one cannot read as a pass.
type Verdict string

// The verdicts.
const (
	Cleared     Verdict = "cleared"     // no failure after the work, and a test, a monitor or a drive to show it
	Persisted   Verdict = "persisted"   // failed after the work
	Returned    Verdict = "returned"    // failed after the work, with good evidence before that
	New         Verdict = "new"         // not there before the work, though it would have been seen
	Unproven    Verdict = "unproven"    // read after the work: nothing failing, nothing that proves it gone
	Unread      Verdict = "unread"      // scanned after the work, but not so that this fault could be seen
	Awaited     Verdict = "awaited"     // no scan after the work yet
	Unbaselined Verdict = "unbaselined" // found after the work, and nothing before could have shown it
)

// Verdicts are all verdicts, in the order they are explained.
func Verdicts() []Verdict {
	return []Verdict{Cleared, Persisted, Returned, New, Unproven, Unread, Awaited, Unbaselined}
}

// Group is whether a verdict is good, bad or open.
type Group string

// The groups.
const (
	Good Group = "good"
	Bad  Group = "bad"
	Open Group = "open"
)

// Group of a verdict; empty for no verdict.
func (v Verdict) Group() Group {
	switch v {
	case Cleared:
		return Good
	case Persisted, Returned, New:
		return Bad
	case Unproven, Unread, Awaited, Unbaselined:
		return Open
	}
	return ""
}

// Means is the verdict explained in one line, for legends.
func (v Verdict) Means() string {
	switch v {
	case Cleared:
		return "no failure since the work, and evidence that it would have shown"
	case Persisted:
		return "failed after the work"
	case Returned:
		return "was good after the work, then failed again"
	case New:
		return "not there before the work, though it would have been seen"
	case Unproven:
		return "nothing failing was read, but nothing proves the fault gone"
	case Unread:
		return "scanned after the work, but not so that this fault could be seen"
	case Awaited:
		return "not scanned since the work"
	case Unbaselined:
		return "found after the work; nothing before could have shown it"
	}
	return ""
}

// Grade is what a good verdict rests on.
type Grade string

// The grades, strongest first. Answered is for a unit that had been silent.
const (
	NoGrade   Grade = ""
	Answered  Grade = "answered"
	Tested    Grade = "tested"    // the unit's own test for this code ran and passed
	Monitored Grade = "monitored" // the readiness monitor that may cover the code completed
	Driven    Grade = "driven"    // a drive of the set length, and the code did not come
)

// Grades are all grades, strongest first.
func Grades() []Grade { return []Grade{Answered, Tested, Monitored, Driven} }

func (g Grade) strength() int {
	switch g {
	case Answered:
		return 4
	case Tested:
		return 3
	case Monitored:
		return 2
	case Driven:
		return 1
	}
	return 0
}

// Observation is what one reading says about one fault, seen from the work on
// it: the first row of the table that matches, top to bottom.
type Observation string

// The observations, in the order of the table.
const (
	ObsUnread         Observation = "unread"
	ObsFailing        Observation = "failing"
	ObsPassed         Observation = "passed"
	ObsPermanent      Observation = "permanent"
	ObsStored         Observation = "stored"
	ObsListedUntested Observation = "listed, untested"
	ObsMonitored      Observation = "monitored"
	ObsDriven         Observation = "driven"
	ObsAbsent         Observation = "absent, untested"
)

// Observations are all observations, in the order of the table.
func Observations() []Observation {
	return []Observation{ObsUnread, ObsFailing, ObsPassed, ObsPermanent, ObsStored,
		ObsListedUntested, ObsMonitored, ObsDriven, ObsAbsent}
}

func (o Observation) grade() Grade {
	switch o {
	case ObsPassed:
		return Tested
	case ObsMonitored:
		return Monitored
	case ObsDriven:
		return Driven
	}
	return NoGrade
}
