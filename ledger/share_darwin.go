package ledger

import "golang.org/x/sys/unix"

// shareKind asks whether the file system is marked local (statfs(2), MNT_LOCAL).
func shareKind(dir string) (string, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return "", err
	}
	if s.Flags&unix.MNT_LOCAL == 0 {
		return "a network share", nil
	}
	return "", nil
}
