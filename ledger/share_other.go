//go:build !linux && !darwin && !windows

package ledger

// shareKind cannot tell on this system.
func shareKind(string) (string, error) { return "", nil }
