package fault

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Words after a public wiki table of the failure type bytes of SAE J2012 / ISO 15031-6
// (00 to 3A; 11, 17 and 1F also as cited from ISO 14229-1:2013); those marked are from
// memory.
func TestFailureTypeText(t *testing.T) {
	known := map[byte]string{
		0x00: "no sub-type information",
		0x01: "general electrical failure", 0x02: "general signal failure", 0x03: "frequency or pulse-width signal failure",
		0x04: "failure inside the system", 0x05: "system programming failure", 0x06: "algorithm failure",
		0x07: "mechanical failure", 0x08: "bus signal or message failure", 0x09: "component failure",
		0x11: "circuit short to ground", 0x12: "circuit short to battery", 0x13: "circuit open",
		0x14: "circuit short to ground or open", 0x15: "circuit short to battery or open",
		0x16: "voltage below threshold", 0x17: "voltage above threshold",
		0x18: "current below threshold", 0x19: "current above threshold",
		0x1A: "resistance below threshold", 0x1B: "resistance above threshold",
		0x1C: "voltage out of range", 0x1D: "current out of range", 0x1E: "resistance out of range",
		0x1F: "circuit intermittent",
		0x21: "signal amplitude below minimum", 0x22: "signal amplitude above maximum",
		0x23: "signal stuck low", 0x24: "signal stuck high", 0x25: "signal waveform wrong",
		0x26: "signal changes too slowly", 0x27: "signal changes too fast",
		0x28: "signal offset or zero point out of range", 0x29: "signal invalid",
		0x2A: "signal stuck in range", 0x2B: "signal cross-coupled", 0x2F: "signal erratic",
		0x31: "no signal", 0x32: "signal low for too short a time", 0x33: "signal low for too long a time",
		0x34: "signal high for too short a time", 0x35: "signal high for too long a time",
		0x36: "signal frequency too low", 0x37: "signal frequency too high", 0x38: "signal frequency incorrect",
		0x39: "too few pulses", 0x3A: "too many pulses",
		0x64: "signal implausible",                 // from memory
		0x87: "message missing",                    // from memory
		0x92: "performance or operation incorrect", // from memory
		0x96: "failure inside the component",       // from memory
	}
	for i := range 256 {
		want, ok := known[byte(i)]
		if !ok {
			want = fmt.Sprintf("failure type 0x%02X", i)
		}
		if got := FailureTypeText(byte(i)); got != want {
			t.Errorf("%02X: got %q, want %q", i, got, want)
		}
	}
}

// Words of SAE J1939-73 failure modes after three public lists that agree; 22 to 30 are
// reserved in most lists and named in some, so shown as numbers.
func TestFMIText(t *testing.T) {
	known := map[uint8]string{
		0: "above normal, most severe", 1: "below normal, most severe", 2: "erratic, intermittent or incorrect",
		3: "voltage above normal or shorted high", 4: "voltage below normal or shorted low",
		5: "current below normal or circuit open", 6: "current above normal or circuit grounded",
		7: "mechanical part not responding", 8: "frequency, pulse width or period abnormal",
		9: "update rate abnormal", 10: "rate of change abnormal", 11: "root cause not known",
		12: "intelligent device or component bad", 13: "out of calibration", 14: "special instructions",
		15: "above normal, least severe", 16: "above normal, moderately severe",
		17: "below normal, least severe", 18: "below normal, moderately severe",
		19: "received network data in error", 20: "data drifted high", 21: "data drifted low",
		31: "condition exists",
	}
	for i := range 256 {
		want, ok := known[uint8(i)]
		if !ok {
			want = fmt.Sprintf("FMI %d", i)
		}
		if got := FMIText(uint8(i)); got != want {
			t.Errorf("%d: got %q, want %q", i, got, want)
		}
	}
}

// General knowledge from memory, not a standard: which monitor may cover which code. The
// ends of each range and the codes just outside are walked.
func TestMonitorsFor(t *testing.T) {
	for s, want := range map[string][]Monitor{
		"P0299": {MonitorBoostPressure},
		"P0300": {MonitorMisfire}, "P0302": {MonitorMisfire}, "P0316": {MonitorMisfire}, "P0317": nil, "P02FF": nil,
		"P0170": nil, "P0171": {MonitorFuelSystem}, "P0175": {MonitorFuelSystem}, "P0176": nil,
		"P2187": {MonitorFuelSystem}, "P2191": {MonitorFuelSystem}, "P2192": nil,
		"P0100": {MonitorComponents}, "P0128": {MonitorComponents}, "P0129": nil,
		"P0500": {MonitorComponents}, "P0562": {MonitorComponents}, "P0601": {MonitorComponents}, "P0741": {MonitorComponents}, "P0800": nil,
		"P0420": {MonitorCatalyst, MonitorNMHCCatalyst}, "P0434": {MonitorCatalyst, MonitorNMHCCatalyst},
		"P0425": {MonitorCatalyst, MonitorHeatedCatalyst, MonitorNMHCCatalyst},
		"P0435": {MonitorHeatedCatalyst}, "P0438": {MonitorHeatedCatalyst}, "P0439": nil,
		"P0440": {MonitorEvaporative}, "P0455": {MonitorEvaporative}, "P0469": {MonitorEvaporative}, "P0470": nil,
		"P0496": {MonitorEvaporative}, "P0499": {MonitorEvaporative},
		"P0410": {MonitorSecondaryAir}, "P0419": {MonitorSecondaryAir}, "P0491": {MonitorSecondaryAir}, "P0492": {MonitorSecondaryAir},
		"P0130": {MonitorOxygenSensor, MonitorExhaustGasSensor}, "P0166": {MonitorOxygenSensor, MonitorExhaustGasSensor}, "P0168": nil,
		"P0147": {MonitorOxygenSensorHeater, MonitorExhaustGasSensor}, "P0167": {MonitorOxygenSensorHeater, MonitorExhaustGasSensor},
		"P0146": {MonitorOxygenSensor, MonitorExhaustGasSensor}, "P0148": {MonitorOxygenSensor, MonitorExhaustGasSensor},
		"P2195": {MonitorOxygenSensor}, "P2198": {MonitorOxygenSensor}, "P2270": {MonitorOxygenSensor},
		"P0030": {MonitorOxygenSensorHeater}, "P0064": {MonitorOxygenSensorHeater},
		"P0135": {MonitorOxygenSensorHeater, MonitorExhaustGasSensor}, "P0141": {MonitorOxygenSensorHeater, MonitorExhaustGasSensor},
		"P0155": {MonitorOxygenSensorHeater, MonitorExhaustGasSensor}, "P0161": {MonitorOxygenSensorHeater, MonitorExhaustGasSensor},
		"P0010": {MonitorEGRVVT}, "P0025": {MonitorEGRVVT}, "P0400": {MonitorEGRVVT}, "P0409": {MonitorEGRVVT},
		"P0486": {MonitorEGRVVT}, "P0490": {MonitorEGRVVT}, "P0026": nil,
		"P2000": {MonitorNMHCCatalyst, MonitorNOxSCR}, "P2001": {MonitorNMHCCatalyst, MonitorNOxSCR}, "P2002": {MonitorPMFilter}, "P2003": {MonitorPMFilter}, "P2004": nil,
		"P203F": {MonitorNOxSCR}, "P20EE": {MonitorNOxSCR}, "P2209": {MonitorNOxSCR, MonitorExhaustGasSensor},
		"P220A": {MonitorNOxSCR, MonitorExhaustGasSensor},
		"P0234": {MonitorBoostPressure}, "P0236": {MonitorBoostPressure}, "P2262": {MonitorBoostPressure}, "P2263": {MonitorBoostPressure},
		"P2200": {MonitorNOxSCR, MonitorExhaustGasSensor}, "P2214": {MonitorExhaustGasSensor},
		"P0544": {MonitorComponents, MonitorExhaustGasSensor}, "P0549": {MonitorComponents, MonitorExhaustGasSensor},
		"P242F": {MonitorPMFilter}, "P2440": {MonitorPMFilter}, "P246F": {MonitorPMFilter},
		"P0420-00": {MonitorCatalyst, MonitorNMHCCatalyst},
		"C0302":    nil, "B0420": nil, "U0420": nil, "SPN 1208 FMI 3": nil, "9C41": nil, "P1302": nil,
	} {
		if got := MonitorsFor(must(t, s)); !slices.Equal(got, want) {
			t.Errorf("%s: got %v, want %v", s, got, want)
		}
	}
}

func TestMonitorsForGivesEachOnceInOrder(t *testing.T) {
	reached := map[Monitor]bool{}
	for v := range 0x4000 {
		got := MonitorsFor(FromSAE2([2]byte{byte(v >> 8), byte(v)}))
		for i, m := range got {
			reached[m] = true
			if i > 0 && got[i-1] >= m {
				t.Fatalf("P%04X: got %v", v, got)
			}
		}
	}
	for _, m := range Monitors() {
		// No generic code family is known for this one.
		if reached[m] != (m != MonitorACRefrigerant) {
			t.Errorf("%s: reached is %v", m, reached[m])
		}
	}
}

// Groups by ISO 14229-1 (groupOfDTC), ISO 14230-3 (from memory), ISO 15031-5 7.4 (from
// memory) and SAE J1939-73 (from memory), as the doc comment lists them.
func TestGroupCovers(t *testing.T) {
	all := []string{"P0302", "P1302", "P0741-07", "P1741-07", "C0035", "B1A12-13", "U0100", "U3FFF-33", "SPN 1208 FMI 3", "9C41", "9C4107"}
	for _, c := range []struct {
		service, group string
		covered        []string
	}{
		{"", "", all},
		{"", "FFFFFF", nil},
		{"14", "FFFFFF", all},
		{"14", "ffffff", all},
		{"14", "", nil},
		{"14", "FFFF33", []string{"P0302", "P0741-07"}},
		{"14", "FFFFD0", nil},
		{"14", "FFFFFE", nil},
		{"14", "074107", []string{"P0741-07"}},
		{"14", "074100", nil},
		{"14", "030200", nil},
		{"14", "9c4107", []string{"9C4107"}},
		{"14", "0000", []string{"P0302", "P1302", "P0741-07", "P1741-07"}},
		{"14", "4000", []string{"C0035"}},
		{"14", "8000", []string{"B1A12-13"}},
		{"14", "C000", []string{"U0100", "U3FFF-33"}},
		{"14", "c000", []string{"U0100", "U3FFF-33"}},
		{"14", "FF00", all},
		{"14", "FFFF", all},
		{"14", "0302", nil},
		{"14", "XYZXYZ", nil},
		{"14", "all", nil},
		{"04", "", []string{"P0302", "P0741-07"}},
		{"04", "FFFFFF", nil},
		{"DM11", "", []string{"SPN 1208 FMI 3"}},
		{"dm3", "", []string{"SPN 1208 FMI 3"}},
		{"DM11", "FFFFFF", nil},
		{"11", "", nil},
		{"85", "FFFFFF", nil},
	} {
		for _, s := range all {
			if got, want := GroupCovers(c.service, c.group, must(t, s)), slices.Contains(c.covered, s); got != want {
				t.Errorf("service %q group %q code %s: got %v", c.service, c.group, s, got)
			}
		}
		if GroupCovers(c.service, c.group, Code{}) {
			t.Errorf("service %q group %q covers no code", c.service, c.group)
		}
	}
}

func TestGroupOfOneCodeCoversNoOther(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := FromSAE3([3]byte(rapid.SliceOfN(rapid.Byte(), 3, 3).Draw(t, "a")))
		b := codes().Draw(t, "b")
		bytes, _ := a.Bytes()
		if bytes[0] == 0xFF && bytes[1] == 0xFF {
			return
		}
		group := fmt.Sprintf("%X", bytes)
		if !GroupCovers("14", group, a) {
			t.Fatalf("group %s does not cover %s", group, a)
		}
		if b != a && b.Kind() != KindMaker && GroupCovers("14", group, b) {
			t.Fatalf("group %s covers %s", group, b)
		}
	})
}

func FuzzGroupCovers(f *testing.F) {
	f.Add("14", "FFFFFF", "P0302")
	f.Add("14", "-12345", "P0302-01")
	f.Fuzz(func(t *testing.T, service, group, code string) {
		c, err := Parse(code)
		if err != nil {
			return
		}
		if GroupCovers(service, group, c) && service != "" && !slices.Contains([]string{"14", "04", "DM11", "DM3"}, normal(service)) {
			t.Errorf("service %q covers %s", service, c)
		}
	})
}

func normal(service string) string {
	out := []byte(service)
	for i, b := range out {
		if b >= 'a' && b <= 'z' {
			out[i] = b - 'a' + 'A'
		}
	}
	return string(out)
}
