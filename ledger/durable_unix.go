//go:build !windows

package ledger

import "os"

// syncDir puts the names in a directory on the disk.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
