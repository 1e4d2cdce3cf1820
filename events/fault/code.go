package fault

import (
	"errors"
	"fmt"
)

// Kind is the form of a code. The zero value is invalid.
type Kind uint8

// The kinds of code.
const (
	KindSAE2  Kind = iota + 1 // two bytes, "P0302" (SAE J2012, ISO 15031-6)
	KindSAE3                  // three bytes, "P0741-07" (SAE J2012 with a failure type byte)
	KindSPN                   // "SPN 1208 FMI 3" (SAE J1939-73)
	KindMaker                 // as printed by the unit
)

// String names the kind in plain words, "" for the invalid zero value.
func (k Kind) String() string {
	switch k {
	case KindSAE2:
		return "two-byte code"
	case KindSAE3:
		return "three-byte code"
	case KindSPN:
		return "SPN and FMI"
	case KindMaker:
		return "maker's code"
	}
	return ""
}

// Limits of SAE J1939-73: an SPN has 19 bits, an FMI 5.
const (
	MaxSPN = 1<<19 - 1 // 524287
	MaxFMI = 1<<5 - 1  // 31
)

// Code is the identity of a trouble code. Codes are comparable and may be map keys;
// == is exact identity, so P0741, P0741-00 and P0741-07 are three codes. The zero
// value is no code.
type Code struct {
	kind  Kind
	value uint32 // the bytes, high byte first; or SPN<<5 | FMI
	text  string // only of a maker's code
}

// FromSAE2 gives the code of two bytes as services 03, 07 and 0A of SAE J1979 carry
// them, high byte first (SAE J2012 / ISO 15031-6: bits 15..14 letter, 13..12 first
// digit). Every pair is a code; that 00 00 is padding there is for the caller to know.
func FromSAE2(b [2]byte) Code {
	return Code{kind: KindSAE2, value: uint32(b[0])<<8 | uint32(b[1])}
}

// FromSAE3 gives the code of three bytes as service 19 of ISO 14229-1 carries them;
// the third is the failure type byte.
func FromSAE3(b [3]byte) Code {
	return Code{kind: KindSAE3, value: uint32(b[0])<<16 | uint32(b[1])<<8 | uint32(b[2])}
}

// FromSPN gives the code of a suspect parameter number (0..524287) and a failure
// mode identifier (0..31); larger ones are an error. SPN 0 FMI 0 and SPN 524287
// FMI 31 are codes here; that they say "none" in a message is for its decoder to know.
func FromSPN(spn uint32, fmi uint8) (Code, error) {
	if spn > MaxSPN {
		return Code{}, fmt.Errorf("spn %d: larger than %d", spn, MaxSPN)
	}
	if fmi > MaxFMI {
		return Code{}, fmt.Errorf("fmi %d: larger than %d", fmi, MaxFMI)
	}
	return Code{kind: KindSPN, value: spn<<5 | uint32(fmi)}, nil
}

// IsZero tells whether c is no code at all.
func (c Code) IsZero() bool { return c == Code{} }

// Kind gives the form of the code, 0 for the zero Code.
func (c Code) Kind() Kind { return c.kind }

// Bytes gives the bytes of the code as sent: two or three, high byte first, of an
// SAE code; the first three of the four of SAE J1939-73 (SPN low byte, SPN middle
// byte, SPN high bits and FMI; conversion method bit 0) of an SPN. It is false for a
// maker's code and the zero Code. Look at Kind before reading three bytes as SAE.
func (c Code) Bytes() ([]byte, bool) {
	v := c.value
	switch c.kind {
	case KindSAE2:
		return []byte{byte(v >> 8), byte(v)}, true
	case KindSAE3:
		return []byte{byte(v >> 16), byte(v >> 8), byte(v)}, true
	case KindSPN:
		spn, fmi := v>>5, v&MaxFMI
		return []byte{byte(spn), byte(spn >> 8), byte(spn>>16<<5 | fmi)}, true
	}
	return nil, false
}

// String gives the one stored spelling: "P0302", "P0741-07", "SPN 1208 FMI 3", a
// maker's code as printed, or "" for the zero Code.
func (c Code) String() string {
	v := c.value
	switch c.kind {
	case KindSAE2:
		return saeText(v)
	case KindSAE3:
		return fmt.Sprintf("%s-%02X", saeText(v>>8), v&0xFF)
	case KindSPN:
		return fmt.Sprintf("SPN %d FMI %d", v>>5, v&MaxFMI)
	case KindMaker:
		return c.text
	}
	return ""
}

func saeText(v uint32) string {
	return fmt.Sprintf("%c%d%03X", letters[v>>14&3], v>>12&3, v&0xFFF)
}

// letters are those of SAE J2012: powertrain, chassis, body, network.
const letters = "PCBU"

// Base gives the two-byte code of a three-byte one, and any other code itself.
func (c Code) Base() Code {
	if c.kind == KindSAE3 {
		return Code{kind: KindSAE2, value: c.value >> 8}
	}
	return c
}

// FailureType gives the third byte of a three-byte code. 00 means "no sub-type" and
// is given as such; false means that the code has no such byte.
func (c Code) FailureType() (byte, bool) {
	return byte(c.value), c.kind == KindSAE3
}

// SPN gives the two numbers of an SPN code; ok is false for other kinds.
func (c Code) SPN() (spn uint32, fmi uint8, ok bool) {
	if c.kind != KindSPN {
		return 0, 0, false
	}
	return c.value >> 5, uint8(c.value & MaxFMI), true
}

// Covers tells whether c is the code group, or group is a two-byte code and c a
// three-byte code with that base: a two-byte code is a group of its three-byte
// codes. Neither covers anything when it is the zero Code.
func (group Code) Covers(c Code) bool {
	return !c.IsZero() && (group == c || group == c.Base())
}

// SameComponent tells whether a and b are different faults of the same component:
// three-byte codes with one base and different failure types, or one SPN with
// different FMIs.
func SameComponent(a, b Code) bool {
	if a == b || a.kind != b.kind {
		return false
	}
	switch a.kind {
	case KindSAE3:
		return a.value>>8 == b.value>>8
	case KindSPN:
		return a.value>>5 == b.value>>5
	}
	return false
}

// Letter gives 'P', 'C', 'B' or 'U' of an SAE code, and 0 for other kinds.
func (c Code) Letter() byte {
	base := c.Base()
	if base.kind != KindSAE2 {
		return 0
	}
	return letters[base.value>>14&3]
}

// MarshalText gives String. The zero Code is an error.
func (c Code) MarshalText() ([]byte, error) {
	if c.IsZero() {
		return nil, errors.New("code is not set")
	}
	return []byte(c.String()), nil
}

// UnmarshalText reads what MarshalText writes, and no other spelling.
func (c *Code) UnmarshalText(text []byte) error {
	v, err := Parse(string(text))
	if err != nil {
		return err
	}
	if v.String() != string(text) {
		return fmt.Errorf("code %.40q: stored codes are spelt in one way only: %q", text, v)
	}
	*c = v
	return nil
}
