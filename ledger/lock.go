package ledger

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/gofrs/flock"
)

const (
	lockFile   = "book.lock"
	holderFile = "book.holder"
	// lockPause is how long a waiting process sleeps between two tries.
	lockPause = 20 * time.Millisecond
)

// holder is what a process that writes says of itself to those who wait. It is
// a courtesy: who may write is decided by the lock alone, so what a dead process
// left here stands in nobody's way.
type holder struct {
	Process int       `json:"process"`
	Verb    string    `json:"verb"`
	Since   time.Time `json:"since"`
}

// takeLock waits for a lock file, at most as long as wait. It gives false when
// the time is over.
func takeLock(ctx context.Context, path string, wait time.Duration) (*flock.Flock, bool, error) {
	ctx, cancel := context.WithTimeoutCause(ctx, wait, errWaited)
	defer cancel()
	for {
		f := flock.New(path)
		ok, err := f.TryLock()
		if !ok && err == nil {
			_, err = f.TryLockContext(ctx, lockPause) // true or an error
		}
		if err != nil {
			f.Close()
			if errors.Is(context.Cause(ctx), errWaited) {
				return nil, false, nil
			}
			return nil, false, fmt.Errorf("locking %s: %w", path, err)
		}
		// A failed Create takes its lock file away; a lock on a file that has
		// lost its name keeps nobody out.
		held, err1 := f.Stat()
		named, err2 := os.Stat(path)
		if err1 == nil && err2 == nil && os.SameFile(held, named) {
			return f, true, nil
		}
		f.Close()
	}
}

var errWaited = errors.New("waited long enough")

// bookLock is the right to write one copy of a book.
type bookLock struct {
	f   *flock.Flock
	dir string
}

func lockBook(ctx context.Context, dir, verb string, now time.Time, wait time.Duration) (*bookLock, error) {
	f, ok, err := takeLock(ctx, filepath.Join(dir, lockFile), wait)
	if err != nil {
		return nil, unwritable(dir, err)
	}
	path := filepath.Join(dir, holderFile)
	if !ok {
		busy := &BusyError{What: "book"}
		var h holder
		if raw, err := os.ReadFile(path); err == nil && json.Unmarshal(raw, &h) == nil {
			busy.Holder, busy.Process, busy.Since = h.Verb, h.Process, h.Since
		}
		return nil, busy
	}
	// Not being able to say who we are is no reason not to work.
	if raw, err := json.Marshal(holder{os.Getpid(), verb, now}); err == nil {
		_ = os.WriteFile(path, raw, 0o600)
	}
	return &bookLock{f, dir}, nil
}

func (l *bookLock) release() {
	_ = os.Remove(filepath.Join(l.dir, holderFile))
	_ = l.f.Unlock()
}

// lockFeed keeps other copies of the book on this machine from writing the feed
// at the same time.
func lockFeed(ctx context.Context, state, feed string, wait time.Duration) (*flock.Flock, error) {
	dir := filepath.Join(state, "feeds")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	f, ok, err := takeLock(ctx, filepath.Join(dir, feed+".lock"), wait)
	if err == nil && !ok {
		err = &BusyError{What: "feed"}
	}
	return f, err
}
