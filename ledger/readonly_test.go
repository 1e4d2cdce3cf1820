package ledger

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"modernc.org/sqlite"

	"mendbook/events"
)

const flipDrive = `UPDATE events SET raw = CAST(replace(CAST(raw AS TEXT), '"minutes":12', '"minutes":13') AS BLOB) WHERE seq = 5`

// Every way of reading compares the bytes with the hash that was stored with them
// (RFC 6962, section 2.1: the leaf hash), and reading goes on behind the damage.
func TestReadingComparesTheLeafHash(t *testing.T) {
	ctx := context.Background()
	s := filledStation(t, 300)
	b := s.open()
	f := ownOf(t, b)
	var van, fifth events.ID
	for ev, err := range b.All(ctx) {
		if err != nil {
			t.Fatal(err)
		}
		if ev.FeedSeq == 5 {
			van, fifth = ev.Subject, ev.ID
		}
	}
	b.Close()
	s.damage(dropUpdate, flipDrive)
	s.restoreTriggers()
	b = s.open()
	for name, seq := range map[string]func(func(events.Event, error) bool){
		"All": b.All(ctx), "OfSubject": b.OfSubject(ctx, van), "OfType": b.OfType(ctx, "drive.done.v1"),
	} {
		read, bad := 0, 0
		for _, err := range seq {
			if read++; err != nil {
				bad++
				mustErr(t, err, ErrDamaged, "event 5 of feed "+f.Name)
			}
		}
		if want := map[string]int{"All": 8, "OfSubject": 7, "OfType": 5}[name]; bad != 1 || read != want {
			t.Errorf("%s: %d read, %d damaged: want %d and 1", name, read, bad, want)
		}
	}
	_, err := b.Event(ctx, fifth)
	mustErr(t, err, ErrDamaged, "event 5 of feed "+f.Name)
	whole := 0
	for _, e := range b.Raw(ctx, f.Name, 1, 0) {
		if e != nil {
			err = e
			break
		}
		whole++
	}
	mustErr(t, err, ErrDamaged, "event 5 of feed "+f.Name)
	if whole != 4 {
		t.Errorf("%d events before the damaged one: want 4", whole)
	}
	b.Close()

	s.damage(dropUpdate, `UPDATE events SET raw = CAST(replace(CAST(raw AS TEXT), '"office"', '"garage"') AS BLOB) WHERE seq = 1`)
	s.restoreTriggers()
	b = s.open()
	_, err = b.Feeds(ctx)
	mustErr(t, err, ErrDamaged, "event 1 of feed "+f.Name)
}

func TestOpenComparesTheNumberOfEvents(t *testing.T) {
	for name, damage := range map[string][]string{
		"one lost": {dropDelete, `DELETE FROM events WHERE seq = 8`},
		"all lost": {dropDelete, `DELETE FROM events WHERE seq > 0`},
		"no head":  {`UPDATE feeds SET head = x'00'`},
	} {
		t.Run(name, func(t *testing.T) {
			s := filledStation(t, 301)
			s.damage(damage...)
			for _, readOnly := range []bool{true, false} {
				o := s.opt
				o.ReadOnly = readOnly
				_, err := Open(context.Background(), o)
				mustErr(t, err, ErrDamaged, "feed ")
			}
		})
	}
}

func TestMissingTablesAreDamage(t *testing.T) {
	ctx := context.Background()
	s := filledStation(t, 302)
	s.damage(`DROP TABLE lookup`)
	o := s.opt
	o.ReadOnly = true
	b, err := Open(ctx, o)
	if err != nil {
		t.Fatal(err)
	}
	_, err = b.Search(ctx, "van", 5)
	mustErr(t, err, ErrDamaged, "lookup")
	b.Close()
	for _, table := range []string{"events", "feeds"} {
		s := filledStation(t, 303)
		s.damage(`PRAGMA foreign_keys = 0`, `DROP TABLE `+table)
		o := s.opt
		o.ReadOnly = true
		_, err := Open(ctx, o)
		mustErr(t, err, ErrDamaged, table)
	}
}

// A book whose files can be read and not written, as on a medium or for another
// user. The rights are set as they would be, and since root is not held to them
// the refusal of the system is taken as given.
func TestReadingWithoutTheRightToWrite(t *testing.T) {
	ctx := context.Background()
	s := filledStation(t, 304)
	setModes(t, s.opt.Dir, 0o555, 0o444)
	before := snapshot(t, s.opt.Dir)
	o := s.opt
	o.ReadOnly, o.unwritable = true, true
	b, err := Open(ctx, o)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(collect(t, b.All(ctx))); n != 8 {
		t.Errorf("%d events: want 8", n)
	}
	if hits, err := b.Search(ctx, "van", 5); err != nil || len(hits) != 1 {
		t.Errorf("found %v, %v", hits, err)
	}
	if err := b.View(ctx, func(r *Reader) error { _, err := r.Feeds(ctx); return err }); err != nil {
		t.Error(err)
	}
	if err := b.Close(); err != nil {
		t.Error(err)
	}
	r, err := Check(ctx, o, nil)
	if err != nil || !r.OK() || r.Events != 8 {
		t.Errorf("check: %+v, %v", r, err)
	}
	o.ReadOnly = false
	_, err = Open(ctx, o)
	mustErr(t, err, ErrReadOnly, "the book in "+s.opt.Dir+" cannot be written by this user")
	sameFiles(t, before, snapshot(t, s.opt.Dir))
}

// While another user writes, the newest events are in the log.
func TestReadingALogWithoutTheRightToWrite(t *testing.T) {
	ctx := context.Background()
	s := filledStation(t, 305)
	b := s.open()
	van := collect(t, b.OfType(ctx, "vehicle.registered.v1"))[0].Subject
	putOne(t, b, Draft{Subject: van, Body: driven(40)})
	o := s.opt
	o.ReadOnly, o.unwritable = true, true
	r, err := Open(ctx, o)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(collect(t, r.All(ctx))); n != 9 {
		t.Errorf("%d events beside the writer: want 9", n)
	}
	r.Close()

	o.Dir = filepath.Join(t.TempDir(), "copy")
	copyDir(t, s.opt.Dir, o.Dir)
	removeFile(t, filepath.Join(o.Dir, bookFile+"-shm"))
	_, err = Open(ctx, o)
	mustErr(t, err, ErrUnreadable, "book.db-wal", o.Dir)
	if _, err := Check(ctx, o, nil); !errors.Is(err, ErrUnreadable) {
		t.Errorf("check: %v, want ErrUnreadable", err)
	}
}

func setModes(t *testing.T, dir string, dirs, files fs.FileMode) {
	t.Helper()
	set := func(dirs, files fs.FileMode) {
		err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			if d.IsDir() {
				return os.Chmod(path, dirs)
			}
			return os.Chmod(path, files)
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	set(dirs, files)
	t.Cleanup(func() { set(0o700, 0o600) })
}

// What the system says to one who may not write is told in the book's own words.
func TestUnwritableIsTold(t *testing.T) {
	refused := &fs.PathError{Op: "open", Path: "book.lock", Err: fs.ErrPermission}
	mustErr(t, unwritable("/books/a", refused), ErrReadOnly, "the book in /books/a cannot be written by this user")
	mustErr(t, unwritable("/books/a", refused), fs.ErrPermission)
	full := errors.New("the disk is full")
	if err := unwritable("/books/a", full); err != full {
		t.Errorf("%v became %v", full, err)
	}

	// A file that SQLite can only open for reading.
	s := filledStation(t, 306)
	db, err := openSQL(filepath.Join(s.opt.Dir, bookFile), modeStill, s.opt.Wait)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	_, err = db.Exec("UPDATE feeds SET clock = 1")
	if e := (*sqlite.Error)(nil); !errors.As(err, &e) || !denied(err) {
		t.Errorf("writing to a file open for reading: %v", err)
	}
}

// Create makes no new book over what is left of one: its key signs the only
// continuation of the feed, and book.db may come back from a copy.
func TestCreateRefusesWhatIsLeftOfABook(t *testing.T) {
	ctx := context.Background()
	for name, test := range map[string]struct {
		gone, what string
	}{
		"key":   {filesDir, "a station key without its book is in "},
		"files": {keyFile, "a folder of attached files without its book is in "},
	} {
		t.Run(name, func(t *testing.T) {
			s := filledStation(t, 307)
			s.ends = false
			removeFile(t, filepath.Join(s.opt.Dir, bookFile))
			if err := os.RemoveAll(filepath.Join(s.opt.Dir, test.gone)); err != nil {
				t.Fatal(err)
			}
			root := filepath.Dir(s.opt.Dir)
			before := snapshot(t, root)
			_, err := Create(ctx, s.opt)
			mustErr(t, err, ErrKeyLeft, test.what+s.opt.Dir+": restore book.db from a copy, or choose another directory")
			if errors.Is(err, ErrNoBook) {
				t.Error("Create complains of what it is there for: no book")
			}
			_, err = Open(ctx, s.opt)
			mustErr(t, err, ErrNoBook, "no book here: "+test.what)
			mustErr(t, err, ErrKeyLeft)
			_, err = Check(ctx, s.opt, nil)
			mustErr(t, err, ErrKeyLeft)
			sameFiles(t, before, snapshot(t, root))
		})
	}
}

// The log of a lost book would be read into a new one.
func TestCreateRefusesALog(t *testing.T) {
	s := newStation(t, 308)
	s.ends = false
	if err := os.MkdirAll(s.opt.Dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(s.opt.Dir, bookFile+"-wal"), []byte("log"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Create(context.Background(), s.opt)
	mustErr(t, err, ErrKeyLeft, "the log of a book")
}

func TestAFileIsNoDirectory(t *testing.T) {
	ctx := context.Background()
	file := filepath.Join(t.TempDir(), "letter.txt")
	if err := os.WriteFile(file, []byte("a letter"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{file, filepath.Join(file, "deep", "down"), os.DevNull} {
		if dir == os.DevNull && filepath.Separator != '/' {
			continue // a name of no file there
		}
		s := newStation(t, 309)
		s.opt.Dir = dir
		_, err := Open(ctx, s.opt)
		mustErr(t, err, ErrNoBook, "is not a directory")
		mustErr(t, err, ErrNotDir)
		_, err = Check(ctx, s.opt, nil)
		mustErr(t, err, ErrNoBook, "is not a directory")
		_, err = Create(ctx, s.opt)
		mustErr(t, err, ErrCannotMake, "is not a directory")
		s.ends = false
	}
}

func TestCreateWhereNothingCanBeWritten(t *testing.T) {
	s := newStation(t, 310)
	s.ends = false
	s.opt.fault = func(string) error {
		return &fs.PathError{Op: "mkdir", Path: s.opt.Dir, Err: fs.ErrPermission}
	}
	_, err := Create(context.Background(), s.opt)
	mustErr(t, err, ErrCannotMake, "this user cannot write in "+s.opt.Dir)
}
