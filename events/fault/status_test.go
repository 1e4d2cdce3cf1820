package fault

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Bit order by ISO 14229-1 Annex D.2; the decoded bytes are those of the service 19
// examples of ISO 14229-1, after a public walk-through, and computed from the table.
func TestStatusBits(t *testing.T) {
	for mask, bit := range map[uint8]Status{
		0x01: TestFailed, 0x02: TestFailedThisCycle, 0x04: Pending, 0x08: Confirmed,
		0x10: NotCompletedSinceClear, 0x20: FailedSinceClear, 0x40: NotCompletedThisCycle, 0x80: WarningIndicator,
	} {
		if uint8(bit) != mask {
			t.Errorf("bit %02X is %02X", mask, uint8(bit))
		}
	}
	for _, c := range []struct {
		text      string
		available Status
		bits      Status
		words     []string
	}{
		{"24", 0xFF, Pending | FailedSinceClear, []string{"pending", "failed since clear"}},
		{"26", 0xFF, Pending | FailedSinceClear | TestFailedThisCycle, []string{"failed this cycle", "pending", "failed since clear"}},
		{"2F", 0xFF, TestFailed | TestFailedThisCycle | Pending | Confirmed | FailedSinceClear,
			[]string{"last test failed", "failed this cycle", "pending", "confirmed", "failed since clear"}},
		{"50", 0xFF, NotCompletedSinceClear | NotCompletedThisCycle, []string{"not tested since clear", "not tested this cycle"}},
		{"AF", 0x7F, 0xAF, []string{"last test failed", "failed this cycle", "pending", "confirmed", "failed since clear"}},
		{"80", 0xFF, WarningIndicator, []string{"lamp requested"}},
		{"00", 0xFF, 0, nil},
		{"FF", 0x00, 0xFF, nil},
	} {
		s, err := ParseStatus(c.text)
		if err != nil || s != c.bits || s.String() != c.text {
			t.Errorf("%s: got %s, %v", c.text, s, err)
		}
		if got := s.Words(c.available); !slices.Equal(got, c.words) {
			t.Errorf("%s of available %s: got %q", c.text, c.available, got)
		}
	}
	if s := Status(0x2F); !s.Has(Pending|Confirmed) || s.Has(Pending|NotCompletedThisCycle) || s.Has(WarningIndicator) {
		t.Error("Has is wrong")
	}
}

func TestParseStatus(t *testing.T) {
	for in, want := range map[string]Status{"2f": 0x2F, "0x2F": 0x2F, "0X2f": 0x2F, "00": 0} {
		if got, err := ParseStatus(in); err != nil || got != want {
			t.Errorf("%s: got %s, %v", in, got, err)
		}
	}
	for _, s := range []string{"", "2", "2FF", "0x2", "0x2FF", "2G", "+2", "-2", " 2", "x2F1", "1x2F"} {
		if got, err := ParseStatus(s); err == nil {
			t.Errorf("%q: got %s", s, got)
		}
	}
	for _, s := range []string{"2f", "0x2F", ""} {
		got := Status(0x11)
		if err := got.UnmarshalText([]byte(s)); err == nil || got != 0x11 {
			t.Errorf("%q: got %s, %v", s, got, err)
		}
	}
	for i := range 256 {
		text, err := json.Marshal(Status(i))
		var back Status
		if err != nil || json.Unmarshal(text, &back) != nil || back != Status(i) {
			t.Errorf("%02X came back as %s, %v", i, back, err)
		}
	}
}

// Each step names its place in ISO 14229-1 Annex D.2 (from memory). The sequence is
// computed from the tables of the annex; it is not one the standard prints.
func TestTransitions(t *testing.T) {
	type step struct {
		do     func(*Memory)
		what   string
		want   Status
		clause string
	}
	clear, cycle, age := (*Memory).Clear, (*Memory).NewCycle, (*Memory).Age
	fails := func(m *Memory) { m.Report(true) }
	passes := func(m *Memory) { m.Report(false) }
	lamp := func(m *Memory) { m.RequestLamp(true) }
	nothing := func(*Memory) {}
	for name, c := range map[string]struct {
		memory *Memory
		steps  []step
	}{
		"passing": {NewMemory(1, 0, true), []step{
			{nothing, "new memory", 0x50, "state after initialisation equals that after a clear"},
			{clear, "after clear", 0x50, "all bits 0 but 4 and 6"},
			{passes, "test passes, same cycle", 0x00, "bits 4 and 6 reset by the first completed test"},
			{cycle, "next cycle begins", 0x40, "bit 6 set by a new cycle; bit 4 by clear only"},
			{passes, "test passes", 0x00, "bit 6 reset"},
		}},
		"threshold 1": {NewMemory(1, 0, true), []step{
			{fails, "after clear, test fails", 0x2F, "bits 0, 1, 2, 5 by a failed test, bit 3 by the trip count"},
			{lamp, "server requests a lamp", 0xAF, "bit 7 by the maker's rule, with confirmed"},
			{cycle, "next cycle begins", 0xED, "bit 7 kept"},
			{clear, "clear", 0x50, "bit 7 reset by clear"},
		}},
		"threshold 2": {NewMemory(2, 0, true), []step{
			{fails, "after clear, test fails", 0x27, "bit 3 waits for the trip count"},
			{fails, "fails again in the same cycle", 0x27, "one cycle is one trip"},
			{cycle, "new cycle begins, bit 0 kept", 0x65, "bit 1 reset, bit 2 kept, bit 6 set"},
			{fails, "test fails again", 0x2F, "second trip: confirmed"},
			{cycle, "new cycle, not yet tested", 0x6D, "bit 3 kept"},
			{passes, "same cycle, passes", 0x2C, "bit 2 drops only at the end of a clean cycle"},
			{cycle, "after the clean cycle, a new one starts", 0x68, "bit 2 reset"},
			{passes, "passes again", 0x28, "bit 3 kept until ageing"},
			{age, "after ageing", 0x20, "bit 3 reset by ageing, bit 5 stays"},
		}},
		"threshold 2, bit 0 not kept": {NewMemory(2, 0, false), []step{
			{fails, "after clear, test fails", 0x27, "as above"},
			{cycle, "new cycle begins, maker resets bit 0", 0x64, "bit 0 may be reset by the maker"},
			{fails, "test fails again", 0x2F, "second trip: confirmed"},
		}},
		"untested cycle": {NewMemory(2, 0, true), []step{
			{fails, "test fails", 0x27, "first trip"},
			{cycle, "new cycle", 0x65, "bit 2 kept"},
			{cycle, "a cycle without a test ends", 0x65, "bit 2 kept: the test did not complete"},
			{fails, "test fails", 0x2F, "the untested cycle did not break the trip count"},
		}},
		"clean cycle between": {NewMemory(2, 0, true), []step{
			{fails, "test fails", 0x27, "first trip"},
			{cycle, "new cycle", 0x65, ""},
			{passes, "test passes", 0x24, "bit 0 reset by a pass"},
			{cycle, "new cycle", 0x60, "bit 2 reset"},
			{fails, "test fails", 0x27, "trips are counted anew after a clean cycle"},
		}},
		"fails then passes": {NewMemory(2, 0, true), []step{
			{fails, "test fails", 0x27, ""},
			{passes, "passes in the same cycle", 0x26, "bit 1 stays for the cycle"},
			{cycle, "new cycle", 0x64, "bit 2 kept: the test failed in the cycle that ended"},
		}},
		"ageing by cycles": {NewMemory(1, 2, true), []step{
			{fails, "test fails", 0x2F, ""},
			{age, "ageing while failed", 0x2F, "a failed code does not age"},
			{cycle, "new cycle", 0x6D, ""},
			{passes, "passes", 0x2C, ""},
			{cycle, "first clean cycle over", 0x68, "one of two"},
			{cycle, "untested cycle over", 0x68, "does not count"},
			{passes, "passes", 0x28, ""},
			{cycle, "second clean cycle over", 0x60, "aged: bit 3 reset, bits 4 and 5 stay"},
		}},
		"a failure restarts ageing": {NewMemory(1, 2, true), []step{
			{fails, "test fails", 0x2F, ""},
			{cycle, "new cycle", 0x6D, ""},
			{passes, "passes", 0x2C, ""},
			{cycle, "first clean cycle over", 0x68, "one of two"},
			{fails, "test fails", 0x2F, "ageing starts anew"},
			{cycle, "new cycle", 0x6D, ""},
			{passes, "passes", 0x2C, ""},
			{cycle, "one clean cycle over", 0x68, "not yet aged"},
		}},
		"lamp without confirmed": {NewMemory(2, 0, true), []step{
			{lamp, "lamp asked for", 0x50, "no lamp before the code is confirmed"},
			{fails, "test fails", 0x27, ""},
			{func(m *Memory) { m.NewCycle(); m.Report(true) }, "second trip", 0xAF, ""},
			{func(m *Memory) { m.RequestLamp(false) }, "healed", 0x2F, "bit 7 reset by the healing rule, bit 3 stays"},
		}},
		"threshold below 1": {NewMemory(0, 0, true), []step{{fails, "test fails", 0x2F, "counts as 1"}}},
	} {
		for i, s := range c.steps {
			s.do(c.memory)
			if got := c.memory.Status(); got != s.want {
				t.Errorf("%s, step %d, %s: got %s, want %s (ISO 14229-1 Annex D.2, from memory: %s)", name, i+1, s.what, got, s.want, s.clause)
			}
		}
	}
}

// What Annex D.2 of ISO 14229-1 says of the bits at any time, over random histories.
func TestMemoryProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := NewMemory(rapid.IntRange(0, 3).Draw(t, "threshold"), rapid.IntRange(0, 3).Draw(t, "aging"), rapid.Bool().Draw(t, "keeps"))
		ops := rapid.SliceOfN(rapid.SampledFrom([]string{"clear", "cycle", "fail", "pass", "age", "lamp", "dark"}), 1, 40).Draw(t, "ops")
		for _, op := range ops {
			before := m.Status()
			switch op {
			case "clear":
				m.Clear()
			case "cycle":
				m.NewCycle()
			case "fail", "pass":
				m.Report(op == "fail")
			case "age":
				m.Age()
			case "lamp", "dark":
				m.RequestLamp(op == "lamp")
			}
			s := m.Status()
			for _, pair := range []Status{TestFailedThisCycle | NotCompletedThisCycle, TestFailed | NotCompletedSinceClear, NotCompletedSinceClear | FailedSinceClear} {
				if s.Has(pair) {
					t.Fatalf("%s after %s: impossible pair %s", s, op, pair)
				}
			}
			if s.Has(NotCompletedSinceClear) && s&^WarningIndicator != 0x50 {
				t.Fatalf("%s after %s: untested since clear, yet marked", s, op)
			}
			if s.Has(WarningIndicator) && !s.Has(Confirmed) {
				t.Fatalf("%s after %s: lamp without confirmed", s, op)
			}
			if !before.Has(NotCompletedSinceClear) && s.Has(NotCompletedSinceClear) && op != "clear" ||
				before.Has(FailedSinceClear) && !s.Has(FailedSinceClear) && op != "clear" {
				t.Fatalf("%s to %s by %s: bits 4 and 5 change back by clear only", before, s, op)
			}
			if op == "cycle" && !s.Has(NotCompletedThisCycle) {
				t.Fatalf("%s after a new cycle: bit 6 is 0", s)
			}
		}
	})
}

func TestNames(t *testing.T) {
	for s, want := range map[State]string{0: "", StatePresent: "present", StatePending: "pending", StateStored: "stored", StateStored + 1: ""} {
		checkName(t, s, want, ParseState, func(v *State, b []byte) error { return v.UnmarshalText(b) })
	}
	wantViews := map[View]string{0: "", ViewStored: "stored", ViewPending: "pending", ViewPermanent: "permanent",
		ViewActive: "active", ViewPreviouslyActive: "previously-active", ViewSupported: "supported", ViewSupported + 1: ""}
	for v, want := range wantViews {
		checkName(t, v, want, ParseView, func(v *View, b []byte) error { return v.UnmarshalText(b) })
	}
	if len(Views()) != len(wantViews)-2 {
		t.Errorf("views: got %v", Views())
	}
	wantMonitors := map[Monitor]string{
		0: "", MonitorMisfire: "misfire", MonitorFuelSystem: "fuel-system", MonitorComponents: "components",
		MonitorCatalyst: "catalyst", MonitorHeatedCatalyst: "heated-catalyst", MonitorEvaporative: "evaporative",
		MonitorSecondaryAir: "secondary-air", MonitorACRefrigerant: "ac-refrigerant", MonitorOxygenSensor: "oxygen-sensor",
		MonitorOxygenSensorHeater: "oxygen-sensor-heater", MonitorEGRVVT: "egr-vvt", MonitorNMHCCatalyst: "nmhc-catalyst",
		MonitorNOxSCR: "nox-scr", MonitorBoostPressure: "boost-pressure", MonitorExhaustGasSensor: "exhaust-gas-sensor",
		MonitorPMFilter: "pm-filter", MonitorPMFilter + 1: "",
	}
	for m, want := range wantMonitors {
		checkName(t, m, want, ParseMonitor, func(v *Monitor, b []byte) error { return v.UnmarshalText(b) })
		// SAE J1979 PID 01 byte B: misfire, fuel system and components are continuous.
		if got := m.Continuous(); got != slices.Contains([]string{"misfire", "fuel-system", "components"}, want) {
			t.Errorf("%s: continuous is %v", want, got)
		}
	}
	if len(Monitors()) != len(wantMonitors)-2 {
		t.Errorf("monitors: got %v", Monitors())
	}
}

func checkName[T interface {
	comparable
	String() string
	MarshalText() ([]byte, error)
}](t *testing.T, v T, want string, parse func(string) (T, error), unmarshal func(*T, []byte) error) {
	t.Helper()
	var zero T
	if v.String() != want {
		t.Errorf("%v is called %q, want %q", v, v.String(), want)
	}
	text, err := v.MarshalText()
	if want == "" {
		if err == nil {
			t.Errorf("%T without a name was written as %q", v, text)
		}
		if got, err := parse(""); err == nil || got != zero {
			t.Errorf("%T: empty text gave %v, %v", v, got, err)
		}
		return
	}
	if err != nil || string(text) != want {
		t.Errorf("%s: written as %q, %v", want, text, err)
	}
	if got, err := parse(want); err != nil || got != v {
		t.Errorf("%s: parsed as %v, %v", want, got, err)
	}
	var back T
	if err := unmarshal(&back, []byte(want)); err != nil || back != v {
		t.Errorf("%s: unmarshalled as %v, %v", want, back, err)
	}
	if err := unmarshal(&back, []byte(strings.ToUpper(want))); err == nil || back != v {
		t.Errorf("%s in capitals: got %v, %v", want, back, err)
	}
}

func FuzzStatus(f *testing.F) {
	for _, s := range []string{"2F", "2f", "0x2F", "", "2G", "+F"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		v, err := ParseStatus(s)
		if err == nil && !strings.EqualFold(strings.ToUpper(s)[len(s)-2:], v.String()) {
			t.Errorf("%q gave %s", s, v)
		}
		var u Status
		if u.UnmarshalText([]byte(s)) == nil && u.String() != s {
			t.Errorf("%q was accepted and written back as %q", s, u)
		}
	})
}

func FuzzWords(f *testing.F) {
	for _, s := range []string{"present", "Stored", "previously-active", "misfire", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if v, err := ParseState(s); (err == nil) != (v != 0) || err == nil && v.String() != s {
			t.Errorf("state %q gave %q, %v", s, v, err)
		}
		if v, err := ParseView(s); (err == nil) != (v != 0) || err == nil && v.String() != s {
			t.Errorf("view %q gave %q, %v", s, v, err)
		}
		if v, err := ParseMonitor(s); (err == nil) != (v != 0) || err == nil && v.String() != s {
			t.Errorf("monitor %q gave %q, %v", s, v, err)
		}
	})
}
