package fault

// Monitor is an on-board test whose readiness a unit reports (SAE J1979 PID 01 and
// 41, bytes B to D). The zero value is invalid.
type Monitor uint8

// The monitors. The first three run continuously. Some of the others exist for spark
// ignition or for compression ignition only; which of the two a unit means is told
// by bit B3 of PID 01.
const (
	MonitorMisfire Monitor = iota + 1
	MonitorFuelSystem
	MonitorComponents
	MonitorCatalyst
	MonitorHeatedCatalyst
	MonitorEvaporative
	MonitorSecondaryAir
	MonitorACRefrigerant // newer texts give its bit to a particulate filter of petrol engines (from memory)
	MonitorOxygenSensor
	MonitorOxygenSensorHeater
	MonitorEGRVVT
	MonitorNMHCCatalyst
	MonitorNOxSCR
	MonitorBoostPressure
	MonitorExhaustGasSensor
	MonitorPMFilter
)

func monitorNames() []string {
	return []string{
		"misfire", "fuel-system", "components",
		"catalyst", "heated-catalyst", "evaporative", "secondary-air", "ac-refrigerant",
		"oxygen-sensor", "oxygen-sensor-heater", "egr-vvt",
		"nmhc-catalyst", "nox-scr", "boost-pressure", "exhaust-gas-sensor", "pm-filter",
	}
}

// Monitors gives all monitors in order.
func Monitors() []Monitor {
	out := make([]Monitor, len(monitorNames()))
	for i := range out {
		out[i] = Monitor(i + 1)
	}
	return out
}

// ParseMonitor reads a monitor's text name, such as misfire or egr-vvt.
func ParseMonitor(s string) (Monitor, error) {
	i, err := nameIndex("monitor", s, monitorNames())
	return Monitor(i), err
}

// String gives the text name, "" for the zero value.
func (m Monitor) String() string { return nameAt(uint8(m), monitorNames()) }

// MarshalText gives String. The zero value is an error.
func (m Monitor) MarshalText() ([]byte, error) {
	return nameText("monitor", uint8(m), monitorNames())
}

// UnmarshalText reads what ParseMonitor reads.
func (m *Monitor) UnmarshalText(text []byte) error {
	v, err := ParseMonitor(string(text))
	if err == nil {
		*m = v
	}
	return err
}

// Continuous tells whether the monitor runs all the time (misfire, fuel system,
// components; SAE J1979 PID 01 byte B). Not every vehicle shows such a monitor as
// incomplete after an erase.
func (m Monitor) Continuous() bool {
	return m >= MonitorMisfire && m <= MonitorComponents
}

// codeRange is a run of two-byte codes, both ends included, written as hex digits
// after the letter P.
type codeRange struct {
	monitor     Monitor
	first, last uint32
}

// monitorRanges is general knowledge from memory, not a standard; makers differ.
// Where that knowledge names only "a series" or "partly", the narrowest reading is
// taken (P2002 and P2003 are codes of the particulate filter alone), since a hint too
// wide would let a foreign monitor speak for a code.
func monitorRanges() []codeRange {
	return []codeRange{
		{MonitorMisfire, 0x0300, 0x0316},
		{MonitorFuelSystem, 0x0171, 0x0175},
		{MonitorFuelSystem, 0x2187, 0x2191},
		{MonitorComponents, 0x0100, 0x0128},
		{MonitorComponents, 0x0500, 0x07FF},
		{MonitorCatalyst, 0x0420, 0x0434},
		{MonitorHeatedCatalyst, 0x0425, 0x0428},
		{MonitorHeatedCatalyst, 0x0435, 0x0438},
		{MonitorEvaporative, 0x0440, 0x0469},
		{MonitorEvaporative, 0x0496, 0x0499},
		{MonitorSecondaryAir, 0x0410, 0x0419},
		{MonitorSecondaryAir, 0x0491, 0x0492},
		{MonitorOxygenSensor, 0x0130, 0x0134},
		{MonitorOxygenSensor, 0x0136, 0x0140},
		{MonitorOxygenSensor, 0x0142, 0x0146},
		{MonitorOxygenSensor, 0x0148, 0x0154},
		{MonitorOxygenSensor, 0x0156, 0x0160},
		{MonitorOxygenSensor, 0x0162, 0x0166},
		{MonitorOxygenSensor, 0x2195, 0x2198},
		{MonitorOxygenSensor, 0x2270, 0x2279},
		{MonitorOxygenSensorHeater, 0x0030, 0x0064},
		{MonitorOxygenSensorHeater, 0x0135, 0x0135},
		{MonitorOxygenSensorHeater, 0x0141, 0x0141},
		{MonitorOxygenSensorHeater, 0x0147, 0x0147},
		{MonitorOxygenSensorHeater, 0x0155, 0x0155},
		{MonitorOxygenSensorHeater, 0x0161, 0x0161},
		{MonitorOxygenSensorHeater, 0x0167, 0x0167},
		{MonitorEGRVVT, 0x0010, 0x0025},
		{MonitorEGRVVT, 0x0400, 0x0409},
		{MonitorEGRVVT, 0x0486, 0x0490},
		{MonitorNMHCCatalyst, 0x0420, 0x0434},
		{MonitorNMHCCatalyst, 0x2000, 0x2001},
		{MonitorNOxSCR, 0x2000, 0x2001},
		{MonitorNOxSCR, 0x2030, 0x20EF},
		{MonitorNOxSCR, 0x2200, 0x220F},
		{MonitorBoostPressure, 0x0234, 0x0236},
		{MonitorBoostPressure, 0x0299, 0x0299},
		{MonitorBoostPressure, 0x2262, 0x2263},
		{MonitorExhaustGasSensor, 0x0130, 0x0167},
		{MonitorExhaustGasSensor, 0x0544, 0x0549},
		{MonitorExhaustGasSensor, 0x2200, 0x2214},
		{MonitorPMFilter, 0x2002, 0x2003},
		{MonitorPMFilter, 0x242F, 0x242F},
		{MonitorPMFilter, 0x2440, 0x246F},
	}
}

// MonitorsFor gives the monitors that may cover a P code, in order, those for spark
// and for compression ignition together; none for other codes. It is a hint: general
// knowledge from memory, conditions differ by maker, and a complete monitor does not
// prove that the test of one particular code has run.
func MonitorsFor(c Code) []Monitor {
	if c.Letter() != 'P' {
		return nil
	}
	var out []Monitor
	v := c.Base().value
	for _, r := range monitorRanges() {
		// The ranges of one monitor do not overlap and stand together, in order.
		if v >= r.first && v <= r.last {
			out = append(out, r.monitor)
		}
	}
	return out
}
