package fault

import (
	"strconv"
	"strings"
)

// GroupCovers tells whether an erase by the service and group covers the code. It
// says nothing about whether the unit accepted it. What is not known to be covered
// is not: an erase wrongly taken to have reached a memory would make old evidence
// look new.
//
//	service  group         covers                                          source
//	""       ""            everything (nothing narrower was written down)  house rule
//	"14"     FFFFFF        everything                                      ISO 14229-1 groupOfDTC
//	"14"     FFFF33        P codes controlled by ISO/SAE; other codes of   ISO 14229-1 groupOfDTC; which codes
//	                       the emissions group are not known               belong to it is the maker's
//	"14"     other FFFFxx  nothing (safety FFFFD0, VOBD FFFFFE, reserved)  ISO 14229-1 groupOfDTC
//	"14"     other 6 hex   the one code with these three bytes             ISO 14229-1 11.2
//	"14"     0000 4000     codes with the letter P, C, B, U                ISO 14230-3, from memory
//	         8000 C000
//	"14"     FF00 FFFF     everything                                      ISO 14230-3, from memory
//	"04"     ""            P codes controlled by ISO/SAE                   ISO 15031-5 7.4, from memory: emission-
//	                                                                       related codes; not in the permanent view
//	"DM11"   ""            SPN codes, active memory                        SAE J1939-73, from memory
//	"DM3"    ""            SPN codes, previously active memory             SAE J1939-73, from memory
//
// Anything else covers nothing. Service and hex digits are taken in either case. Two
// limits are the caller's to apply: no service reaches the permanent view, and DM11
// and DM3 each reach one memory only.
func GroupCovers(service string, group string, c Code) bool {
	if c.IsZero() {
		return false
	}
	switch upper(service) {
	case "":
		return group == ""
	case "14":
		return clearCovers(upper(group), c)
	case "04":
		return group == "" && genericPowertrain(c)
	case "DM11", "DM3":
		return group == "" && c.kind == KindSPN
	}
	return false
}

func genericPowertrain(c Code) bool {
	return c.Letter() == 'P' && c.Generic() == ControlGeneric
}

func clearCovers(group string, c Code) bool {
	switch group {
	case "FFFFFF", "FF00", "FFFF":
		return true
	case "FFFF33":
		return genericPowertrain(c)
	case "0000":
		return c.Letter() == 'P'
	case "4000":
		return c.Letter() == 'C'
	case "8000":
		return c.Letter() == 'B'
	case "C000":
		return c.Letter() == 'U'
	}
	if len(group) != 6 || !isHex(group) || strings.HasPrefix(group, "FFFF") {
		return false
	}
	switch c.kind {
	case KindSAE3:
		v, err := strconv.ParseUint(group, 16, 24)
		return err == nil && uint32(v) == c.value
	case KindMaker:
		// Code format 01 of ISO 14229-1 leaves the three bytes to the maker, and a
		// unit may print them plainly.
		return strings.EqualFold(c.text, group)
	}
	return false
}
