package events

import "strings"

// Fold gives the form in which two names written by people are compared: lower
// case, runs of space as one. It is for units, lamps, labels and people.
func Fold(s string) string { return strings.Join(strings.Fields(strings.ToLower(s)), " ") }
