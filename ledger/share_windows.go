package ledger

import (
	"path/filepath"
	"strings"

	"golang.org/x/sys/windows"
)

// shareKind asks for the kind of drive; a name of the form \\host\share is a
// share without asking.
func shareKind(dir string) (string, error) {
	volume := filepath.VolumeName(dir)
	if strings.HasPrefix(volume, `\\`) && !strings.HasPrefix(volume, `\\?\`) && !strings.HasPrefix(volume, `\\.\`) {
		return "a network share", nil
	}
	root, err := windows.UTF16PtrFromString(strings.TrimPrefix(volume, `\\?\`) + `\`)
	if err != nil {
		return "", err
	}
	if windows.GetDriveType(root) == windows.DRIVE_REMOTE {
		return "a network drive", nil
	}
	return "", nil
}
