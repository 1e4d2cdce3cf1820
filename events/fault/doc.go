// Package fault is the vocabulary of trouble codes: what a code is, which codes
// belong together, and what a control unit says about one.
//
// A Code is one of four kinds: two bytes (P0302) or three bytes (P0741-07) of SAE
// J2012 / ISO 15031-6, an SPN with an FMI of SAE J1939-73, or a maker's own code
// kept as the unit printed it. A Status is the status byte of ISO 14229-1 Annex
// D.2; a State is the plain word a unit without such a byte uses. Memory simulates
// the status byte of one code by the standard; tests use it as the truth.
//
// Parse functions take what a person types. The text decoders (used by JSON) take
// only the one spelling that String gives, so that a stored code has one spelling.
//
// The package is pure: no files, clock, network or randomness.
package fault
