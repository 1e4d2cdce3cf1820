package ledger

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// filesDir holds attachments by the SHA-256 (FIPS 180-4) of their bytes:
// files/aa/aabb…, 64 hex digits in lower case.
const filesDir = "files"

func filePath(dir, sum string) string { return filepath.Join(dir, filesDir, sum[:2], sum) }

func validSum(sum string) bool {
	return len(sum) == 2*sha256.Size && strings.Trim(sum, "0123456789abcdef") == ""
}

// PutFile keeps the bytes of a stream beside the book and gives their SHA-256 and
// their number. The file is on the disk before PutFile returns. Bytes that are
// there already are kept once; a damaged copy of them is replaced.
func (b *Book) PutFile(ctx context.Context, r io.Reader) (sum string, size int64, err error) {
	if b.opt.ReadOnly {
		return "", 0, ErrReadOnly
	}
	return putFile(ctx, b.opt.Dir, r)
}

func putFile(ctx context.Context, book string, r io.Reader) (sum string, size int64, err error) {
	var undo undoing
	defer func() {
		if err != nil {
			undo.run()
		}
	}()
	dir := filepath.Join(book, filesDir)
	if err := undo.mkdirAll(dir); err != nil {
		return "", 0, unwritable(book, err)
	}
	f, err := os.CreateTemp(dir, "put-*.tmp")
	if err != nil {
		return "", 0, unwritable(book, err)
	}
	kept := false
	defer func() {
		if !kept {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	h := sha256.New()
	if size, err = io.Copy(io.MultiWriter(f, h), untilDone{ctx, r}); err != nil {
		return "", 0, fmt.Errorf("keeping the file: %w", err)
	}
	sum = hex.EncodeToString(h.Sum(nil))
	path := filePath(book, sum)
	if same, _, err := hashFile(ctx, path); err == nil && same == sum {
		return sum, size, nil
	}
	if err := f.Sync(); err != nil {
		return "", 0, err
	}
	if err := f.Close(); err != nil {
		return "", 0, err
	}
	if err := undo.mkdirAll(filepath.Dir(path)); err != nil {
		return "", 0, err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return "", 0, err
	}
	kept = true
	return sum, size, errors.Join(syncDir(filepath.Dir(path)), syncDir(dir), syncDir(book))
}

// PutFile keeps the bytes of a stream as Book.PutFile does: at once, whatever
// becomes of the transaction. Bytes that no event names are harmless.
func (w *Writer) PutFile(ctx context.Context, r io.Reader) (sum string, size int64, err error) {
	return putFile(ctx, w.dir, r)
}

// OpenFile opens the bytes of an attachment by their SHA-256. The error is
// ErrNoFile where they are not here. It does not check the bytes: Check does.
func (r *Reader) OpenFile(sum string) (io.ReadCloser, error) {
	if !validSum(sum) {
		return nil, fmt.Errorf("%q is not a SHA-256: want 64 hex digits in lower case", sum)
	}
	f, err := os.Open(filePath(r.dir, sum))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%w: %s", ErrNoFile, sum)
	}
	if err != nil {
		return nil, err
	}
	return f, nil
}

func hashFile(ctx context.Context, path string) (sum string, size int64, err error) {
	f, err := os.Open(path)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	h := sha256.New()
	size, err = io.Copy(h, untilDone{ctx, f})
	return hex.EncodeToString(h.Sum(nil)), size, err
}

// untilDone ends a long copy when its context does.
type untilDone struct {
	ctx context.Context
	r   io.Reader
}

func (u untilDone) Read(p []byte) (int, error) {
	if err := u.ctx.Err(); err != nil {
		return 0, err
	}
	return u.r.Read(p)
}
