package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"time"

	"modernc.org/sqlite"

	"mendbook/events"
)

const (
	bookFile   = "book.db"
	makingFile = "book.db.making"
	// readers is how many readings of one Book can be under way at once.
	readers = 4
	// defaultWait is how long a busy book is waited for.
	defaultWait = 10 * time.Second
)

// Options say where a book is and what the package needs from outside.
type Options struct {
	// Dir is the book's directory: book.db, files/, station.key.
	Dir string
	// StateDir is the machine's own directory for what must not travel with a
	// copy of the book. It lies outside Dir. Reading does not need it.
	StateDir string
	// Registry interprets events.
	Registry *events.Registry
	// Now is the wall clock, and Entropy a source of unguessable bytes. Reading
	// needs neither, except for Warnings.
	Now     func() time.Time
	Entropy io.Reader
	// Verb is what this process is doing, as it is told to others who wait:
	// "mendbook import".
	Verb string
	// Wait is how long to wait for a book that another process is writing; 0 is
	// 10 seconds.
	Wait time.Duration
	// Station is the plain name of this machine, for a feed it opens: "bay 2".
	// Where a feed is continued under a new key, empty keeps the old name.
	Station string
	// ReadOnly opens for reading alone.
	ReadOnly bool
	// Tell is told in a sentence what the user should know, such as that a new
	// feed was opened; nil for nobody.
	Tell func(string)

	share shareFunc          // nil: ask the system
	fault func(string) error // nil; tests make a step fail or die
	// unwritable reads as a user does who cannot write: root always can.
	unwritable bool
}

func (o Options) check() (Options, error) {
	if o.Dir == "" {
		return o, errors.New("ledger: Options.Dir is not set")
	}
	if o.Registry == nil {
		return o, errors.New("ledger: Options.Registry is not set")
	}
	dir, err := filepath.Abs(o.Dir)
	if err != nil {
		return o, err
	}
	o.Dir = dir
	if o.Wait == 0 {
		o.Wait = defaultWait
	}
	if o.share == nil {
		o.share = shareKind
	}
	if o.fault == nil {
		o.fault = func(string) error { return nil }
	}
	if o.Tell == nil {
		o.Tell = func(string) {}
	}
	if o.ReadOnly {
		return o, nil
	}
	if o.Now == nil || o.Entropy == nil || o.StateDir == "" {
		return o, errors.New("ledger: writing needs Options.Now, Entropy and StateDir")
	}
	if o.StateDir, err = filepath.Abs(o.StateDir); err != nil {
		return o, err
	}
	if rel, err := filepath.Rel(dir, o.StateDir); err == nil && (rel == "." || filepath.IsLocal(rel)) {
		return o, fmt.Errorf("the state directory %s lies inside the book %s: what it remembers must not travel with a copy of the book", o.StateDir, dir)
	}
	return o, refuseShare(dir, o.share)
}

// Book is an open book. Its methods may be called from several goroutines.
type Book struct {
	*Reader
	opt  Options
	pool *sql.DB
	turn chan struct{} // holds one token: the right to write, within this process
	w    *conn         // opened by the first Update
	// toldClock is true once Tell has heard about the clock.
	toldClock atomic.Bool
}

// Open opens a book, and brings one of an older layout up to date. It never
// makes one.
func Open(ctx context.Context, o Options) (*Book, error) {
	o, err := o.check()
	if err != nil {
		return nil, err
	}
	file := filepath.Join(o.Dir, bookFile)
	if err := isBook(file); err != nil {
		return nil, err
	}
	pool, err := openReading(ctx, file, o)
	if err != nil {
		return nil, err
	}
	pool.SetMaxOpenConns(readers)
	pool.SetMaxIdleConns(readers)
	b := &Book{opt: o, pool: pool, turn: make(chan struct{}, 1),
		Reader: &Reader{q: pool, registry: o.Registry, dir: o.Dir}}
	b.turn <- struct{}{}
	if err := b.upToDate(ctx); err != nil {
		b.Close()
		return nil, err
	}
	if err := b.sameLength(ctx); err != nil {
		b.Close()
		return nil, err
	}
	return b, nil
}

// sameLength compares the number of events of the own feed with its signed head:
// what was cut off at the end leaves no other trace.
func (b *Book) sameLength(ctx context.Context) error {
	var name string
	var signed []byte
	var rows int64
	// One statement, so that both are of one moment.
	err := b.pool.QueryRowContext(ctx, `SELECT f.name, f.head, (SELECT coalesce(max(e.seq), 0) FROM events e WHERE e.feed = f.feed)
		FROM feeds f WHERE f.own = 1`).Scan(&name, &signed, &rows)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err != nil {
		return translate(err)
	}
	head, err := ParseHead(signed)
	if err != nil {
		return fmt.Errorf("%w: feed %s: %w", ErrDamaged, name, err)
	}
	if rows != head.Size {
		return fmt.Errorf("%w: feed %s has %d events, and its head says %d", ErrDamaged, name, rows, head.Size)
	}
	return nil
}

// isBook looks at the name alone. The file is never opened but by SQLite: to
// close it again would drop the locks of every connection of this process
// (POSIX.1-2017, fcntl, F_SETLK).
func isBook(file string) error {
	info, err := os.Stat(file)
	dir := filepath.Dir(file)
	if at := noDirectory(dir); err != nil && at != "" {
		return fmt.Errorf("%w: %s is %w", ErrNoBook, at, ErrNotDir)
	}
	if errors.Is(err, fs.ErrNotExist) {
		what := left(dir)
		if info, err = os.Stat(file); err != nil { // made meanwhile: it was no rest of a book
			if what != "" {
				return &LeftError{Dir: dir, What: what, opening: true}
			}
			return fmt.Errorf("%w: %s", ErrNoBook, dir)
		}
	}
	if errors.Is(err, fs.ErrPermission) {
		return fmt.Errorf("%w: %s: %w", ErrUnreadable, dir, err)
	}
	if err != nil {
		return err
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("%w: %s is not a file", ErrNoBook, file)
	}
	return nil
}

// noDirectory finds what is no directory where one is needed: the path itself or
// the nearest one above it that is there; empty where all is well.
func noDirectory(dir string) string {
	for {
		info, err := os.Stat(dir)
		if err == nil && info.IsDir() {
			return ""
		}
		if err == nil {
			return dir
		}
		up := filepath.Dir(dir)
		if up == dir {
			return ""
		}
		dir = up
	}
}

// left says what is left of a book whose book.db is gone; empty for nothing. A
// Create that died leaves a key too, but beside the book it was making, and it
// has no files yet. It is to be asked before the book is looked for: a Create
// that ends meanwhile has then made it.
func left(dir string) string {
	_, key := os.Lstat(filepath.Join(dir, keyFile))
	_, making := os.Lstat(filepath.Join(dir, makingFile))
	if key == nil && making != nil {
		return "a station key"
	}
	kept, _ := os.ReadDir(filepath.Join(dir, filesDir))
	for _, d := range kept {
		if d.IsDir() && len(d.Name()) == 2 && strings.Trim(d.Name(), "0123456789abcdef") == "" {
			return "a folder of attached files"
		}
	}
	// A log would be read into the new book.
	if log, err := os.Lstat(filepath.Join(dir, bookFile+"-wal")); err == nil && log.Size() > 0 {
		return "the log of a book"
	}
	return ""
}

// upToDate refuses what this program cannot read, and migrates what is older.
func (b *Book) upToDate(ctx context.Context) error {
	id, err := number(ctx, b.pool, "PRAGMA application_id")
	if err != nil {
		return err
	}
	have, err := number(ctx, b.pool, "PRAGMA user_version")
	if err != nil {
		return err
	}
	if id != applicationID {
		return fmt.Errorf("%w: %s is some other program's file", ErrDamaged, filepath.Join(b.opt.Dir, bookFile))
	}
	if have > layout {
		return fmt.Errorf("%w: layout %d, this program knows up to %d", ErrNewerBook, have, layout)
	}
	old := have < layout
	if b.opt.ReadOnly {
		if old {
			return fmt.Errorf("%w: layout %d, want %d; open it once for writing", ErrOlderBook, have, layout)
		}
		return nil
	}
	if !old {
		fresh, err := lookupIsFresh(ctx, b.pool, b.opt.Registry)
		if err != nil || fresh {
			return err
		}
	}
	return b.locked(ctx, func(c *conn) error {
		// One transaction: a book of the newest layout whose index was still empty
		// would answer those who only read, and find nothing.
		return c.transact(ctx, func() error {
			if err := migrate(ctx, c, layout); err != nil {
				return err
			}
			if err := b.opt.fault("migrated"); err != nil {
				return err
			}
			return freshenLookup(ctx, c, b.opt.Registry)
		})
	})
}

// Create makes a book with one feed of its own, and opens it. It leaves nothing
// half-made when it fails.
func Create(ctx context.Context, o Options) (_ *Book, err error) {
	if o.ReadOnly {
		return nil, ErrReadOnly
	}
	if o, err = o.check(); err != nil {
		return nil, err
	}
	file := filepath.Join(o.Dir, bookFile)
	rest := (*LeftError)(nil)
	switch err := isBook(file); {
	case err == nil:
		return nil, fmt.Errorf("%w: %s", ErrExists, o.Dir)
	case errors.As(err, &rest):
		return nil, &LeftError{Dir: o.Dir, What: rest.What}
	}
	if at := noDirectory(o.Dir); at != "" {
		return nil, fmt.Errorf("%w: %s is %w", ErrCannotMake, at, ErrNotDir)
	}
	defer func() {
		if err != nil && denied(err) && !errors.Is(err, ErrCannotMake) {
			err = fmt.Errorf("%w: this user cannot write in %s: %w", ErrCannotMake, o.Dir, err)
		}
	}()
	undo := undoing{}
	defer func() {
		if err != nil {
			undo.run()
		}
	}()
	if err := undo.mkdirAll(o.Dir); err != nil {
		return nil, err
	}
	lockPath := filepath.Join(o.Dir, lockFile)
	if _, err := os.Stat(lockPath); errors.Is(err, fs.ErrNotExist) {
		undo.add(func() { os.Remove(lockPath) })
	}
	lock, err := lockBook(ctx, o.Dir, o.Verb, o.Now(), o.Wait)
	if err != nil {
		return nil, err
	}
	defer lock.release()
	undo.add(func() { os.Remove(filepath.Join(o.Dir, holderFile)) })
	// The lock file is only taken away by one who holds it.
	defer func() {
		if err != nil {
			undo.run()
		}
	}()
	if isBook(file) == nil {
		undo = undoing{} // another process was quicker; what is here is its own
		return nil, fmt.Errorf("%w: %s", ErrExists, o.Dir)
	}
	if err := makeBook(ctx, o, file, &undo); err != nil {
		return nil, err
	}
	undo = undoing{} // made: what fails from here on leaves a whole book
	return Open(ctx, o)
}

// makeBook builds the book under another name; to give it its name is the last
// step.
func makeBook(ctx context.Context, o Options, file string, undo *undoing) error {
	// A key that is here is of a Create that died; see left. It is kept all the
	// same, and before the file beside it goes that tells whose it is. It does not
	// get its name back if this fails: it would then seem to be all that is left.
	if _, err := keepOldKey(o.Dir, stamp(o.Now())); err != nil {
		return err
	}
	making := filepath.Join(o.Dir, makingFile)
	remove := func() {
		for _, end := range []string{"", "-wal", "-shm", "-journal"} {
			os.Remove(making + end)
		}
	}
	remove()
	undo.add(remove)
	c, err := openConn(ctx, making, modeMake, o.Wait)
	if err != nil {
		return err
	}
	defer func() {
		if c != nil {
			c.close()
		}
	}()
	if err := c.exec(ctx, fmt.Sprintf("PRAGMA journal_mode = WAL; PRAGMA application_id = %d;", applicationID)); err != nil {
		return err
	}
	var m marker
	err = c.transact(ctx, func() error {
		if err := migrate(ctx, c, layout); err != nil {
			return err
		}
		if err := freshenLookup(ctx, c, o.Registry); err != nil {
			return err
		}
		w := newWriter(o, c)
		undo.add(func() { os.Remove(filepath.Join(o.Dir, newKeyFile)) })
		if err := w.openFeed(ctx, nil); err != nil {
			return err
		}
		m = marker{Feed: w.own.name, Size: w.own.head.Size, Root: w.own.head.Root, Book: o.Dir}
		return nil
	})
	if err != nil {
		return err
	}
	closing := c
	c = nil
	if err := closing.close(); err != nil {
		return translate(err)
	}
	if err := o.fault("made"); err != nil {
		return err
	}
	undo.add(func() { os.Remove(markerPath(o.StateDir, m.Feed)) })
	if err := m.write(o.StateDir); err != nil {
		return err
	}
	undo.add(func() { os.Remove(filepath.Join(o.Dir, keyFile)) })
	if err := promoteKey(o.Dir, stamp(o.Now())); err != nil {
		return err
	}
	if err := o.fault("named"); err != nil {
		return err
	}
	if err := os.Rename(making, file); err != nil {
		return err
	}
	undo.add(func() { os.Remove(file) })
	return syncDir(o.Dir)
}

// undoing is the list of steps that take back what was made, last first.
type undoing struct{ steps []func() }

func (u *undoing) add(step func()) { u.steps = append(u.steps, step) }

func (u *undoing) run() {
	for i := len(u.steps) - 1; i >= 0; i-- {
		u.steps[i]()
	}
	u.steps = nil
}

// mkdirAll makes a directory and those above it; undoing it takes away only what
// it made, and only while empty.
func (u *undoing) mkdirAll(dir string) error {
	if _, err := os.Stat(dir); err == nil {
		return nil
	}
	if up := filepath.Dir(dir); up != dir {
		if err := u.mkdirAll(up); err != nil {
			return err
		}
	}
	err := os.Mkdir(dir, 0o700)
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	if err == nil {
		u.add(func() { os.Remove(dir) })
	}
	return err
}

// stamp names what is put aside.
func stamp(now time.Time) string {
	return "kept-" + strings.ReplaceAll(now.UTC().Format("20060102T150405.000"), ".", "-")
}

// Close closes the book. The last one to close tidies SQLite's log away.
func (b *Book) Close() error {
	err := b.pool.Close()
	if b.w != nil {
		err = errors.Join(err, b.w.close())
		b.w = nil
	}
	return translate(err)
}

// View reads in one transaction: everything f reads is of one moment, whatever
// others write meanwhile. The Reader is not to be used after f.
func (b *Book) View(ctx context.Context, f func(*Reader) error) error {
	c, err := b.pool.Conn(ctx)
	if err != nil {
		return translate(err)
	}
	defer c.Close()
	tx, err := c.BeginTx(ctx, nil)
	if err != nil {
		return translate(err)
	}
	defer tx.Rollback()
	return f(&Reader{q: tx, registry: b.opt.Registry, dir: b.opt.Dir})
}

// locked takes the right to write, gives f the connection for it, and keeps or
// drops the connection: after a failure its state is not worth knowing.
func (b *Book) locked(ctx context.Context, f func(*conn) error) (err error) {
	timer := time.NewTimer(b.opt.Wait)
	defer timer.Stop()
	select {
	case <-b.turn:
	default:
		select {
		case <-b.turn:
		case <-ctx.Done():
			return ctx.Err()
		case <-timer.C:
			// This process holds it, and has said so in the holder file.
			l, err := lockBook(ctx, b.opt.Dir, b.opt.Verb, b.opt.Now(), 1)
			if err == nil {
				l.release()
				err = &BusyError{What: "book"}
			}
			return err
		}
	}
	defer func() { b.turn <- struct{}{} }()
	lock, err := lockBook(ctx, b.opt.Dir, b.opt.Verb, b.opt.Now(), b.opt.Wait)
	if err != nil {
		return err
	}
	defer lock.release()
	if b.w == nil {
		if b.w, err = openConn(ctx, filepath.Join(b.opt.Dir, bookFile), modeWrite, b.opt.Wait); err != nil {
			return unwritable(b.opt.Dir, err)
		}
	}
	ok := false
	defer func() {
		if !ok {
			b.w.close()
			b.w = nil
		}
	}()
	if err := f(b.w); err != nil {
		// Only SQLite's word is about the book: f may have been refused other things.
		if e := (*sqlite.Error)(nil); errors.As(err, &e) {
			err = unwritable(b.opt.Dir, err)
		}
		return err
	}
	ok = true
	return nil
}

// clockTolerance is how far ahead of the wall clock another machine's ids may be
// and still move ours.
const clockTolerance = 5 * time.Minute

// Warnings tells what is not wrong but should be known: that this machine's
// clock and the events in the book disagree by more than five minutes.
func (b *Book) Warnings(ctx context.Context) ([]string, error) {
	if b.opt.Now == nil {
		return nil, nil
	}
	now := b.opt.Now()
	var raw, leaf []byte
	var feed string
	var seq int64
	err := b.pool.QueryRowContext(ctx, `SELECT e.raw, substr(e.hashes, 1, 32), e.seq, f.name
		FROM events e CROSS JOIN feeds f ON f.feed = e.feed ORDER BY e.id DESC LIMIT 1`).Scan(&raw, &leaf, &seq, &feed)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, translate(err)
	}
	ev, err := b.verified(feed, seq, raw, leaf)
	if err != nil {
		return nil, err
	}
	ahead := ev.ID.Time().Sub(now).Truncate(time.Second)
	if ahead <= clockTolerance {
		return nil, nil
	}
	f, err := b.feed(ctx, feed)
	if err != nil {
		return nil, err
	}
	if f.Own {
		return []string{fmt.Sprintf("the clock of this machine is %v behind its own newest event: it is slow now or was fast then", ahead)}, nil
	}
	return []string{fmt.Sprintf("the newest event, of %s, is %v ahead of this machine's clock: this clock is slow or that one is fast", f.Station, ahead)}, nil
}
