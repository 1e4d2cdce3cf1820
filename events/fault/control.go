package fault

// Control says who defines the meaning of an SAE code. The zero value is invalid.
type Control uint8

// The answers of Generic.
const (
	ControlGeneric      Control = iota + 1 // defined by ISO/SAE
	ControlManufacturer                    // defined by the vehicle's maker
	ControlReserved                        // reserved by ISO/SAE
	ControlUnknown                         // not an SAE code, or a range whose texts disagree
)

// String names the control, "" for the invalid zero value.
func (c Control) String() string {
	switch c {
	case ControlGeneric:
		return "ISO/SAE"
	case ControlManufacturer:
		return "manufacturer"
	case ControlReserved:
		return "reserved"
	case ControlUnknown:
		return "unknown"
	}
	return ""
}

// Generic tells who defines the code, by the ranges of SAE J2012 (editions 2007 and
// 2016, from memory; not checked against the text):
//
//   - ISO/SAE: P0, P2, P3400-P3FFF, C0, B0, U0 (sure);
//   - manufacturer: P1, P3000-P33FF, C1, C2, B1, B2, U1, U2 (sure);
//   - reserved: C3, B3 (fairly sure);
//   - unknown: U3, where older text says reserved and later lists hold ISO/SAE codes;
//     and every code that is not an SAE code.
func (c Code) Generic() Control {
	base := c.Base()
	if base.kind != KindSAE2 {
		return ControlUnknown
	}
	letter, digit := base.Letter(), base.value>>12&3
	switch {
	case digit == 0:
		return ControlGeneric
	case letter == 'P' && digit == 2, letter == 'P' && digit == 3 && base.value&0xFFF >= 0x400:
		return ControlGeneric
	case digit == 1, digit == 2, letter == 'P':
		return ControlManufacturer
	case letter == 'U':
		return ControlUnknown
	}
	return ControlReserved
}
