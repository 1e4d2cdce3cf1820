package fault

import "fmt"

// FailureTypeText gives the failure type byte of a three-byte code in plain words.
// Words are known for 00 to 3A (a public table of the failure type bytes of SAE
// J2012 / ISO 15031-6, in our own wording) and, from memory, for 64, 87, 92 and 96.
// Public lists disagree about the rest, so that any other byte is shown as "failure
// type 0x41".
func FailureTypeText(ftb byte) string {
	switch ftb {
	case 0x00:
		return "no sub-type information"
	case 0x01:
		return "general electrical failure"
	case 0x02:
		return "general signal failure"
	case 0x03:
		return "frequency or pulse-width signal failure"
	case 0x04:
		return "failure inside the system"
	case 0x05:
		return "system programming failure"
	case 0x06:
		return "algorithm failure"
	case 0x07:
		return "mechanical failure"
	case 0x08:
		return "bus signal or message failure"
	case 0x09:
		return "component failure"
	case 0x11:
		return "circuit short to ground"
	case 0x12:
		return "circuit short to battery"
	case 0x13:
		return "circuit open"
	case 0x14:
		return "circuit short to ground or open"
	case 0x15:
		return "circuit short to battery or open"
	case 0x16:
		return "voltage below threshold"
	case 0x17:
		return "voltage above threshold"
	case 0x18:
		return "current below threshold"
	case 0x19:
		return "current above threshold"
	case 0x1A:
		return "resistance below threshold"
	case 0x1B:
		return "resistance above threshold"
	case 0x1C:
		return "voltage out of range"
	case 0x1D:
		return "current out of range"
	case 0x1E:
		return "resistance out of range"
	case 0x1F:
		return "circuit intermittent"
	case 0x21:
		return "signal amplitude below minimum"
	case 0x22:
		return "signal amplitude above maximum"
	case 0x23:
		return "signal stuck low"
	case 0x24:
		return "signal stuck high"
	case 0x25:
		return "signal waveform wrong"
	case 0x26:
		return "signal changes too slowly"
	case 0x27:
		return "signal changes too fast"
	case 0x28:
		return "signal offset or zero point out of range"
	case 0x29:
		return "signal invalid"
	case 0x2A:
		return "signal stuck in range"
	case 0x2B:
		return "signal cross-coupled"
	case 0x2F:
		return "signal erratic"
	case 0x31:
		return "no signal"
	case 0x32:
		return "signal low for too short a time"
	case 0x33:
		return "signal low for too long a time"
	case 0x34:
		return "signal high for too short a time"
	case 0x35:
		return "signal high for too long a time"
	case 0x36:
		return "signal frequency too low"
	case 0x37:
		return "signal frequency too high"
	case 0x38:
		return "signal frequency incorrect"
	case 0x39:
		return "too few pulses"
	case 0x3A:
		return "too many pulses"
	case 0x64: // from memory
		return "signal implausible"
	case 0x87: // from memory
		return "message missing"
	case 0x92: // from memory
		return "performance or operation incorrect"
	case 0x96: // from memory
		return "failure inside the component"
	}
	return fmt.Sprintf("failure type 0x%02X", ftb)
}

// FMIText gives a failure mode identifier of SAE J1939-73 in plain words (0 to 21 and
// 31, after three public lists that agree, in our own wording). Lists disagree about
// 22 and 23, so that these and the reserved ones are shown as "FMI 22".
func FMIText(fmi uint8) string {
	switch fmi {
	case 0:
		return "above normal, most severe"
	case 1:
		return "below normal, most severe"
	case 2:
		return "erratic, intermittent or incorrect"
	case 3:
		return "voltage above normal or shorted high"
	case 4:
		return "voltage below normal or shorted low"
	case 5:
		return "current below normal or circuit open"
	case 6:
		return "current above normal or circuit grounded"
	case 7:
		return "mechanical part not responding"
	case 8:
		return "frequency, pulse width or period abnormal"
	case 9:
		return "update rate abnormal"
	case 10:
		return "rate of change abnormal"
	case 11:
		return "root cause not known"
	case 12:
		return "intelligent device or component bad"
	case 13:
		return "out of calibration"
	case 14:
		return "special instructions"
	case 15:
		return "above normal, least severe"
	case 16:
		return "above normal, moderately severe"
	case 17:
		return "below normal, least severe"
	case 18:
		return "below normal, moderately severe"
	case 19:
		return "received network data in error"
	case 20:
		return "data drifted high"
	case 21:
		return "data drifted low"
	case 31:
		return "condition exists"
	}
	return fmt.Sprintf("FMI %d", fmi)
}
