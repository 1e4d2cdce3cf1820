package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"mendbook/events"
)

func isErr(err, want error) bool { return errors.Is(err, want) }

func TestCreateAndOpen(t *testing.T) {
	e, b := testBook(t)
	van := addVehicle(t, b, "van-7")
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	b = e.open()
	defer b.Close()
	ev, err := b.Event(context.Background(), van)
	if err != nil {
		t.Fatal(err)
	}
	if body, ok := ev.Body.(*events.VehicleRegistered); !ok || body.Label != "van-7" || ev.Subject != van {
		t.Errorf("read %+v", ev)
	}
	f := ownFeed(t, b)
	if f.Size != 2 || f.Station != "office" || f.Continues != nil || f.Name != events.FeedName(f.Key) {
		t.Errorf("own feed %+v", f)
	}
	_, err = Create(context.Background(), e.options())
	mustErr(t, err, ErrExists)
	if runtime.GOOS != "windows" {
		info, err := os.Stat(filepath.Join(e.dir, keyFile))
		if err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("station.key has mode %v, %v: want 0600", info.Mode(), err)
		}
	}
}

func TestOpenNeverCreates(t *testing.T) {
	e := newEnv(t)
	_, err := Open(context.Background(), e.options())
	mustErr(t, err, ErrNoBook)
	_, err = Check(context.Background(), e.options(), nil)
	mustErr(t, err, ErrNoBook)
	if _, err := os.Stat(e.dir); !errors.Is(err, os.ErrNotExist) {
		t.Error("opening has made the directory")
	}
}

func TestPathsWithSpecialCharacters(t *testing.T) {
	e := newEnv(t)
	e.dir = filepath.Join(filepath.Dir(e.dir), "depot 50% & café #2", "buch=1")
	if runtime.GOOS != "windows" {
		e.dir += "?mode=ro"
	}
	b := e.create()
	addVehicle(t, b, "van-7")
	b.Close()
	if _, err := os.Stat(filepath.Join(e.dir, bookFile)); err != nil {
		t.Error(err)
	}
}

func TestFailedCreateLeavesNothing(t *testing.T) {
	for _, step := range []string{"key", "made", "named"} {
		t.Run(step, func(t *testing.T) {
			e := newEnv(t)
			e.dir = filepath.Join(e.dir, "deep", "down")
			e.fault = failAt(step)
			_, err := Create(context.Background(), e.options())
			mustErr(t, err, errFault)
			if _, err := os.Stat(filepath.Dir(filepath.Dir(e.dir))); !errors.Is(err, os.ErrNotExist) {
				t.Errorf("left behind: %v", snapshot(t, filepath.Dir(filepath.Dir(e.dir))))
			}
			if left, err := filepath.Glob(filepath.Join(e.state, "feeds", "*.json")); err != nil || len(left) > 0 {
				t.Errorf("left behind: %v, %v", left, err)
			}
			e.fault = nil
			e.create().Close()
		})
	}
}

// A process that dies at any step of Create leaves a place where Create works,
// and no key is lost.
func TestCreateAfterACrash(t *testing.T) {
	for _, step := range []string{"key", "made", "named"} {
		t.Run(step, func(t *testing.T) {
			e := newEnv(t)
			e.diesIn("create", step)
			_, err := Open(context.Background(), e.options())
			mustErr(t, err, ErrNoBook)
			b := e.create()
			addVehicle(t, b, "van-7")
			b.Close()
		})
	}
}

// A Create that died after its key got its name leaves that key beside the book it
// was making. The key is kept, also by a Create that fails, and the place works.
func TestCreateKeepsAnOldKey(t *testing.T) {
	e := newEnv(t)
	e.diesIn("create", "named")
	old, err := readKey(filepath.Join(e.dir, keyFile))
	if err != nil {
		t.Fatal(err)
	}
	e.fault = failAt("named")
	_, err = Create(context.Background(), e.options())
	mustErr(t, err, errFault)
	e.fault = nil
	e.create().Close()
	if k, err := readKey(filepath.Join(e.dir, keyFile+"."+old.feed)); err != nil || k.text != old.text {
		t.Errorf("the old key is not kept: %v", err)
	}
}

func TestNetworkSharesAreRefused(t *testing.T) {
	e := newEnv(t)
	b := e.create()
	b.Close()
	var asked string
	e.share = func(dir string) (string, error) { asked = dir; return "a network share", nil }
	_, err := Open(context.Background(), e.options())
	mustErr(t, err, ErrNetworkShare, e.dir, "a network share", "locks")
	if asked != e.dir {
		t.Errorf("asked about %s", asked)
	}
	e.openReadOnly().Close()

	fresh := newEnv(t)
	fresh.share = e.share
	fresh.dir = filepath.Join(fresh.dir, "deep")
	_, err = Create(context.Background(), fresh.options())
	mustErr(t, err, ErrNetworkShare)
	if want := filepath.Dir(filepath.Dir(fresh.dir)); asked != want {
		t.Errorf("asked about %s: want the nearest directory there is, %s", asked, want)
	}
	if _, err := os.Stat(fresh.dir); !errors.Is(err, os.ErrNotExist) {
		t.Error("the refused directory was made")
	}
}

func TestStateDirectoryLiesOutside(t *testing.T) {
	for _, sub := range []string{"", "state", "a/b"} {
		e := newEnv(t)
		e.state = filepath.Join(e.dir, sub)
		if _, err := Create(context.Background(), e.options()); err == nil || !strings.Contains(err.Error(), "inside the book") {
			t.Errorf("%q: %v", sub, err)
		}
	}
}

func TestOptionsThatAreMissing(t *testing.T) {
	e := newEnv(t)
	for name, spoil := range map[string]func(*Options){
		"Dir": func(o *Options) { o.Dir = "" }, "Registry": func(o *Options) { o.Registry = nil },
		"Now": func(o *Options) { o.Now = nil }, "Entropy": func(o *Options) { o.Entropy = nil },
		"StateDir": func(o *Options) { o.StateDir = "" }, "station": func(o *Options) { o.Station = "" },
	} {
		o := e.options()
		spoil(&o)
		if _, err := Create(context.Background(), o); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("without %s: %v", name, err)
		}
	}
	if _, err := os.Stat(e.dir); !errors.Is(err, os.ErrNotExist) {
		t.Error("something was made")
	}
}

// Everything that only reads leaves every file as it is, byte for byte, and adds
// none.
func TestReadingChangesNothing(t *testing.T) {
	e, b := testBook(t)
	vans := fill(t, b)
	sum, _, err := b.PutFile(context.Background(), strings.NewReader("a photo"))
	if err != nil {
		t.Fatal(err)
	}
	b.Close()
	root := filepath.Dir(e.dir)
	before := snapshot(t, root)
	ctx := context.Background()

	r := e.openReadOnly()
	collect(t, r.All(ctx))
	collect(t, r.OfSubject(ctx, vans...))
	own := ownFeed(t, r)
	if _, err := r.Prove(ctx, own.Name, 3); err != nil {
		t.Error(err)
	}
	if _, err := r.Search(ctx, "van", 5); err != nil {
		t.Error(err)
	}
	if f, err := r.OpenFile(sum); err != nil {
		t.Error(err)
	} else {
		f.Close()
	}
	mustErr(t, r.Update(ctx, func(*Writer) error { t.Error("called"); return nil }), ErrReadOnly)
	_, _, err = r.PutFile(ctx, strings.NewReader("x"))
	mustErr(t, err, ErrReadOnly)
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	e.check()
	w := e.open() // open for writing, and not written
	collect(t, w.All(ctx))
	w.Close()
	o := e.options()
	o.ReadOnly = true
	_, err = Create(ctx, o)
	mustErr(t, err, ErrReadOnly)
	sameFiles(t, before, snapshot(t, root))
}

func TestFailedUpdateLeavesNothing(t *testing.T) {
	e, b := testBook(t)
	fill(t, b)
	b.Close()
	before := snapshot(t, e.dir)
	b = e.open()
	failed := errors.New("the caller thinks better of it")
	for name, f := range map[string]func(w *Writer) error{
		"an error": func(w *Writer) error {
			if _, _, err := w.Record(context.Background(), vehicle("bus-9")); err != nil {
				return err
			}
			return failed
		},
		"an invalid draft": func(w *Writer) error {
			if _, _, err := w.Record(context.Background(), vehicle("bus-9")); err != nil {
				return err
			}
			_, _, err := w.Record(context.Background(), Draft{Body: &events.VehicleRegistered{}})
			return err
		},
	} {
		if err := b.Update(context.Background(), f); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	mustDie(t, func() { b.Update(context.Background(), func(*Writer) error { panic(errDied) }) })
	ctx, cancel := context.WithCancel(context.Background())
	mustErr(t, b.Update(ctx, func(w *Writer) error {
		_, _, err := w.Record(ctx, vehicle("bus-9"))
		cancel()
		return err
	}), context.Canceled)
	b.Close()
	sameFiles(t, before, snapshot(t, e.dir))
}

func TestAFinishedWriterRefuses(t *testing.T) {
	_, b := testBook(t)
	var kept *Writer
	if err := b.Update(context.Background(), func(w *Writer) error { kept = w; return nil }); err != nil {
		t.Fatal(err)
	}
	_, _, err := kept.Record(context.Background(), vehicle("van-7"))
	mustErr(t, err, ErrBadDraft)
	_, err = kept.Receive(context.Background(), "x", nil, nil)
	mustErr(t, err, ErrBadDraft)
}

func TestBusyNamesTheHolder(t *testing.T) {
	e, b := testBook(t)
	other := e.options()
	other.Wait = time.Millisecond
	second, err := Open(context.Background(), other)
	if err != nil {
		t.Fatal(err)
	}
	defer second.Close()
	if err := b.Update(context.Background(), func(w *Writer) error {
		if _, _, err := w.Record(context.Background(), vehicle("van-7")); err != nil {
			return err
		}
		_, err := tryRecord(second, vehicle("bus-3"))
		mustErr(t, err, ErrBusy, "book is held by `mendbook test` (process "+fmt.Sprint(os.Getpid())+") since 09:1")
		var busy *BusyError
		if !errors.As(err, &busy) || busy.Process != os.Getpid() || busy.Since.IsZero() {
			t.Errorf("%+v", busy)
		}
		// Reading does not wait, and sees what is committed.
		if n := len(collect(t, second.All(context.Background()))); n != 1 {
			t.Errorf("%d events: want only the one that opens the feed", n)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if _, err := tryRecord(second, vehicle("bus-3")); err != nil {
		t.Errorf("free again, but: %v", err)
	}
}

func TestBusyWithinOneBook(t *testing.T) {
	e := newEnv(t)
	e.wait = time.Millisecond
	b := e.create()
	defer b.Close()
	if err := b.Update(context.Background(), func(w *Writer) error {
		_, err := tryRecord(b, vehicle("bus-3"))
		mustErr(t, err, ErrBusy, "`mendbook test`")
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		if err := b.Update(ctx, nil); !errors.Is(err, context.Canceled) && !errors.Is(err, ErrBusy) {
			t.Errorf("called off: %v", err)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
}

func TestAStaleHolderBlocksNobody(t *testing.T) {
	e, b := testBook(t)
	path := filepath.Join(e.dir, holderFile)
	for _, text := range []string{`{"process":1,"verb":"mendbook import","since":"2026-03-01T14:02:11Z"}`, "", "{half"} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := tryRecord(b, policy("EUR")); err != nil {
			t.Errorf("holder %q: %v", text, err)
		}
		if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
			t.Error("the holder file is left behind")
		}
	}
}

func TestBusyByAnotherProgram(t *testing.T) {
	e, b := testBook(t)
	b.Close()
	e.wait = 30 * time.Millisecond
	b = e.open()
	defer b.Close()
	db, err := sql.Open("sqlite", filepath.Join(e.dir, bookFile))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if _, err := db.Exec("BEGIN IMMEDIATE"); err != nil {
		t.Fatal(err)
	}
	_, err = tryRecord(b, policy("EUR"))
	mustErr(t, err, ErrBusy, "another program")
	if _, err := db.Exec("ROLLBACK"); err != nil {
		t.Fatal(err)
	}
	record(t, b, policy("EUR"))
}

func TestNewerBookIsRefused(t *testing.T) {
	e := newEnv(t)
	b := e.create()
	e.damaged = true
	e.tamper("PRAGMA user_version = 99") // while b is open
	_, err := tryRecord(b, policy("EUR"))
	mustErr(t, err, ErrNewerBook, "99")
	b.Close()
	before := snapshot(t, e.dir)
	_, err = Open(context.Background(), e.options())
	mustErr(t, err, ErrNewerBook)
	_, err = Check(context.Background(), e.options(), nil)
	mustErr(t, err, ErrNewerBook)
	sameFiles(t, before, snapshot(t, e.dir))
}

func TestAnotherProgramsFileIsRefused(t *testing.T) {
	e := newEnv(t)
	e.damaged = true
	if err := os.MkdirAll(e.dir, 0o700); err != nil {
		t.Fatal(err)
	}
	e.tamper("CREATE TABLE recipes (name TEXT)")
	_, err := Open(context.Background(), e.options())
	mustErr(t, err, ErrDamaged)
	if r := e.check(); len(r.Findings) != 1 || r.Findings[0].Code != CodeNotABook {
		t.Errorf("%v", r.Findings)
	}
}

func TestShareKindOfThisDisk(t *testing.T) {
	kind, err := shareKind(t.TempDir())
	if err != nil || kind != "" {
		t.Errorf("%q, %v: want a disk of this machine", kind, err)
	}
}

// The faults that tests make.
var (
	errFault = errors.New("fault of the test")
	errDied  = errors.New("died for the test")
)

func failAt(step string) func(string) error {
	return func(s string) error {
		if s == step {
			return errFault
		}
		return nil
	}
}

func mustDie(t *testing.T, f func()) {
	t.Helper()
	defer func() {
		if r := recover(); r != errDied {
			t.Fatalf("did not die: %v", r)
		}
	}()
	f()
}
