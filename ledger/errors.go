package ledger

import (
	"errors"
	"fmt"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"mendbook/events"
)

// The errors a caller may want to tell apart, with errors.Is. Each comment says
// what to do about it.
var (
	// ErrNoBook: there is no book in the directory. Name another directory, or
	// make a book with Create.
	ErrNoBook = errors.New("no book here")
	// ErrExists: Create found a book. Open it instead.
	ErrExists = errors.New("there is a book here already")
	// ErrNewerBook: a newer program has written the book. Update this program;
	// the book is sound.
	ErrNewerBook = errors.New("the book was written by a newer program")
	// ErrOlderBook: the book has an older layout, and was to be opened for
	// reading alone. Open it once for writing, which brings it up to date.
	ErrOlderBook = errors.New("the book has an older layout")
	// ErrDamaged: what stands in the book is not what was recorded. Run Check,
	// which names the place; restore a backup or fetch the feed from another
	// machine. Nothing is written to a damaged feed.
	ErrDamaged = errors.New("the book is damaged")
	// ErrBusy: another process is writing and did not finish in time. Try again
	// later; a *BusyError says who it is.
	ErrBusy = errors.New("the book is busy")
	// ErrReadOnly: the book was opened for reading alone.
	ErrReadOnly = errors.New("the book is open for reading only")
	// ErrNetworkShare: the directory is on another machine's disk, where locks
	// and flushes cannot be relied on. Keep the book on a disk of this machine,
	// and let the machines exchange events instead.
	ErrNetworkShare = errors.New("a book cannot be kept on a network share")
	// ErrNotFound: no event of that id, no feed of that name, or no such place
	// in the feed.
	ErrNotFound = errors.New("not found")
	// ErrConflict: an event of that id stands in the book and says something
	// else. A *ConflictError names it. Record under another id.
	ErrConflict = errors.New("the id stands for another event")
	// ErrNoVehicle: the subject is no vehicle of this book. Register it first.
	ErrNoVehicle = errors.New("no such vehicle in the book")
	// ErrBadDraft: the draft breaks a rule of its kind: an unknown kind, or a
	// subject where there is none. It is a mistake of the caller.
	ErrBadDraft = errors.New("cannot be recorded")
	// ErrNoFile: the bytes of an attachment are not beside the book. They may
	// not have come over from the machine that attached them. It is an ErrNotFound.
	ErrNoFile = fmt.Errorf("the attached file is %w here", ErrNotFound)
	// ErrRefused: events of another machine do not prove themselves. Nothing
	// was taken in; ask another machine for them.
	ErrRefused = errors.New("the events do not prove themselves")
	// ErrBadHead: a signed head cannot be read or its signature is wrong.
	ErrBadHead = errors.New("bad signed head")
)

// BusyError says who holds the book. It is an ErrBusy.
type BusyError struct {
	// Holder is the Verb of the process that holds the book; empty where it is
	// not known, since it is another program, or holds another copy of the book.
	Holder  string
	Process int
	Since   time.Time // in the zone of the process that holds the book
	// What is held: "book", or "feed" where another copy of the book on this
	// machine is writing.
	What string
}

// Error names the holder where it is known.
func (e *BusyError) Error() string {
	if e.Holder == "" {
		if e.What == "feed" {
			return "another copy of the book on this machine is being written"
		}
		return "book is held by another program"
	}
	return fmt.Sprintf("book is held by `%s` (process %d) since %s", e.Holder, e.Process, e.Since.Format(time.TimeOnly))
}

// Is makes a BusyError an ErrBusy.
func (e *BusyError) Is(target error) bool { return target == ErrBusy }

// ConflictError names the event in the way. It is an ErrConflict.
type ConflictError struct {
	ID events.ID
	// What differs: "type", "subject", "at" or "data".
	What string
}

// Error names the id and what differs.
func (e *ConflictError) Error() string {
	return fmt.Sprintf("event %s is in the book with another %s", e.ID, e.What)
}

// Is makes a ConflictError an ErrConflict.
func (e *ConflictError) Is(target error) bool { return target == ErrConflict }

// translate gives SQLite's errors the names of this package.
func translate(err error) error {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return err
	}
	switch e.Code() & 0xff {
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		return &BusyError{What: "book"}
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	case sqlite3.SQLITE_FULL:
		return fmt.Errorf("the disk is full: %w", err)
	}
	return err
}
