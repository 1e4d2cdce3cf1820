package ledger

import "golang.org/x/sys/unix"

// shareKind asks the kernel for the kind of file system. The numbers are those
// of linux/magic.h and of the file systems themselves, as statfs(2) lists them.
func shareKind(dir string) (string, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return "", err
	}
	switch uint32(s.Type) {
	case unix.NFS_SUPER_MAGIC:
		return "a network file system (NFS)", nil
	case unix.SMB_SUPER_MAGIC, unix.CIFS_SUPER_MAGIC, unix.SMB2_SUPER_MAGIC:
		return "a network share (SMB)", nil
	case unix.V9FS_MAGIC:
		return "a folder shared from another system (9P)", nil
	case unix.AFS_SUPER_MAGIC, unix.AFS_FS_MAGIC, unix.CODA_SUPER_MAGIC, unix.CEPH_SUPER_MAGIC:
		return "a distributed file system", nil
	case unix.FUSE_SUPER_MAGIC:
		// Some are local, but what they do with locks and flushes is their own affair.
		return "a file system run by a program (FUSE)", nil
	}
	return "", nil
}
