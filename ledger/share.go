package ledger

import (
	"fmt"
	"os"
	"path/filepath"
)

// shareFunc says what kind of share a directory lies on; empty for a disk of
// this machine.
type shareFunc func(dir string) (string, error)

// refuseShare refuses a directory on another machine's disk. Where the directory
// is not there yet, the one it will be made in is asked.
func refuseShare(dir string, ask shareFunc) error {
	at := dir
	for {
		if _, err := os.Stat(at); err == nil {
			break
		}
		up := filepath.Dir(at)
		if up == at {
			break
		}
		at = up
	}
	kind, err := ask(at)
	if err != nil {
		return fmt.Errorf("asking what kind of disk %s is on: %w", at, err)
	}
	if kind != "" {
		return fmt.Errorf("%w: %s is on %s, where locks and flushes cannot be relied on", ErrNetworkShare, dir, kind)
	}
	return nil
}
