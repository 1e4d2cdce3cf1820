package ledger

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"syscall"
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
	// ErrKeyLeft: the directory holds a part of a book, such as its station key,
	// and no book.db. Restore book.db from a copy, or choose another directory; a
	// *LeftError says what is left.
	ErrKeyLeft = errors.New("a station key without its book")
	// ErrNotDir: the path of the book, or one above it, is no directory. Name a
	// directory.
	ErrNotDir = errors.New("not a directory")
	// ErrCannotMake: the directory cannot be made or written. Name another one.
	ErrCannotMake = errors.New("a book cannot be made here")
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
	// ErrReadOnly: the book was opened for reading alone, or its files can only be
	// read by this user.
	ErrReadOnly = errors.New("the book is open for reading only")
	// ErrUnreadable: this user cannot read the book, or not all of it. Have the
	// rights to its directory changed.
	ErrUnreadable = errors.New("the book cannot be read by this user")
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

// LeftError says what is left of a book without book.db. It is an ErrKeyLeft,
// and an ErrNoBook too where a book was to be opened.
type LeftError struct {
	Dir string
	// What is left, with its article: "a station key".
	What    string
	opening bool
}

// Error names what is left and where.
func (e *LeftError) Error() string {
	text := fmt.Sprintf("%s without its book is in %s: restore %s from a copy, or choose another directory", e.What, e.Dir, bookFile)
	if e.opening {
		return fmt.Sprintf("%v: %s", ErrNoBook, text)
	}
	return text
}

// Is makes a LeftError an ErrKeyLeft, and an ErrNoBook where one was looked for.
func (e *LeftError) Is(target error) bool {
	return target == ErrKeyLeft || e.opening && target == ErrNoBook
}

// unwritableError is an ErrReadOnly that comes from the files, not from Options.
type unwritableError struct {
	text  string
	cause error
}

func (e *unwritableError) Error() string        { return e.text }
func (e *unwritableError) Unwrap() error        { return e.cause }
func (e *unwritableError) Is(target error) bool { return target == ErrReadOnly }

// unwritable gives an error of writing a book a text that says so, where it comes
// from the rights of the user or from the disk being read-only.
func unwritable(dir string, err error) error {
	if err == nil || errors.Is(err, ErrReadOnly) || !denied(err) {
		return err
	}
	return &unwritableError{fmt.Sprintf("the book in %s cannot be written by this user", dir), err}
}

// denied reports whether the system refused to write, or to open for writing.
func denied(err error) bool {
	if errors.Is(err, fs.ErrPermission) || errors.Is(err, syscall.EROFS) {
		return true
	}
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return false
	}
	switch e.Code() & 0xff {
	case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM:
		return true
	}
	return false
}

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
	case sqlite3.SQLITE_ERROR:
		// SQLite has no code of its own for these. The statements of this package
		// name only what every book of the layout has.
		if text := e.Error(); strings.Contains(text, "no such table") || strings.Contains(text, "no such column") {
			return fmt.Errorf("%w: %w", ErrDamaged, err)
		}
	case sqlite3.SQLITE_FULL:
		return fmt.Errorf("the disk is full: %w", err)
	}
	return err
}
