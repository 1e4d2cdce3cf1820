package ledger

import (
	"os"
	"path/filepath"
)

// writeDurable replaces a file as a whole: after a crash the old or the new
// content stands there, and after the return the new one.
func writeDurable(path string, content []byte, mode os.FileMode) error {
	return replaceFile(path, content, mode, true)
}

// replaceFile writes beside the file and renames. Without flush the new content
// may be lost in a power failure, but never stands there by half in a crash of
// the process. The name beside the file is always the same, so that what a
// process left there that died is written over and does not pile up; only one
// who holds the lock of the book or of the feed writes it.
func replaceFile(path string, content []byte, mode os.FileMode, flush bool) (err error) {
	f, err := os.OpenFile(path+".tmp", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, mode)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if err := f.Chmod(mode); err != nil {
		return err
	}
	if _, err := f.Write(content); err != nil {
		return err
	}
	if flush {
		if err := f.Sync(); err != nil {
			return err
		}
	}
	if err := f.Close(); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	if flush {
		return syncDir(filepath.Dir(path))
	}
	return nil
}
