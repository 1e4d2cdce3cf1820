// Package quantity holds the exact numbers of the record: plain decimals,
// distances, money and measured values.
//
// Nothing here is ever a binary float. A number keeps the digits it was given
// ("84.50" stays "84.50"), arithmetic is done by cockroachdb/apd, and every
// rounding is half to even and asked for by name.
//
// There are two doors. The Parse functions take what a person types and forgive
// a missing space ("214880km"). The JSON and text decoders take only what String
// would print ("214880 km"), so that no two spellings of a stored value exist.
// In JSON every value is a string; a bare JSON number is refused, because many
// readers would turn it into a float.
//
// All types are small values without pointers. They may be copied freely, and
// == tells whether two values are spelt alike; use Cmp or Equal for their size.
// The package is pure: no files, clock, network or randomness.
package quantity
