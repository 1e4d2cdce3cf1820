package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"mendbook/events"
)

// The invented workshop of the tests: Fennbrook Depot.

// env is a machine: a book's directory, a state directory, a clock and entropy
// that are the same in every run.
type env struct {
	t     testing.TB
	dir   string
	state string
	wait  time.Duration

	mu      sync.Mutex
	now     time.Time
	entropy *rand.ChaCha8
	told    []string

	registry *events.Registry
	station  string
	share    shareFunc
	fault    func(string) error
	damaged  bool // the test has damaged the book: Check is not to pass at its end
}

var start = time.Date(2026, 3, 2, 9, 12, 44, 0, time.UTC)

// newEnv makes a machine without a book. When the test ends the book, if there
// is one, has to pass Check.
func newEnv(t testing.TB) *env {
	e := bareEnv(t, t.TempDir())
	t.Cleanup(e.mustCheck)
	return e
}

func bareEnv(t testing.TB, root string) *env {
	return &env{t: t, dir: filepath.Join(root, "book"), state: filepath.Join(root, "state"), wait: 20 * time.Second,
		now: start, entropy: rand.NewChaCha8([32]byte{byte(len(root)), 7}), registry: events.Known(), station: "office"}
}

func (e *env) mustCheck() {
	e.t.Helper()
	if e.damaged {
		return
	}
	if _, err := os.Stat(filepath.Join(e.dir, bookFile)); err != nil {
		return
	}
	r := e.check()
	for _, f := range r.Findings {
		if f.Severity != Lack {
			e.t.Errorf("check: %s", f)
		}
	}
	if !r.OK() {
		e.t.Error("the book does not pass its check")
	}
}

func (e *env) check() *CheckReport {
	e.t.Helper()
	r, err := Check(context.Background(), e.options(), nil)
	if err != nil {
		e.t.Fatalf("check: %v", err)
	}
	return r
}

// Read makes env the entropy: several goroutines may draw from it.
func (e *env) Read(p []byte) (int, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.entropy.Read(p)
}

// clock goes on by a second with every look.
func (e *env) clock() time.Time {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.now = e.now.Add(time.Second)
	return e.now
}

func (e *env) setClock(t time.Time) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.now = t
}

func (e *env) options() Options {
	return Options{Dir: e.dir, StateDir: e.state, Registry: e.registry, Now: e.clock, Entropy: e, Verb: "mendbook test",
		Wait: e.wait, Station: e.station, share: e.share, fault: e.fault,
		Tell: func(s string) { e.told = append(e.told, s) }}
}

func (e *env) create() *Book {
	e.t.Helper()
	b, err := Create(context.Background(), e.options())
	if err != nil {
		e.t.Fatalf("create: %v", err)
	}
	return b
}

func (e *env) open() *Book {
	e.t.Helper()
	b, err := Open(context.Background(), e.options())
	if err != nil {
		e.t.Fatalf("open: %v", err)
	}
	return b
}

func (e *env) openReadOnly() *Book {
	e.t.Helper()
	o := e.options()
	o.ReadOnly = true
	b, err := Open(context.Background(), o)
	if err != nil {
		e.t.Fatalf("open for reading: %v", err)
	}
	return b
}

// testBook is a book that passes Check when the test ends.
func testBook(t testing.TB) (*env, *Book) {
	e := newEnv(t)
	b := e.create()
	t.Cleanup(func() { b.Close() }) // runs before the check
	return e, b
}

func record(t testing.TB, b *Book, drafts ...Draft) []events.Event {
	t.Helper()
	out, err := tryRecord(b, drafts...)
	if err != nil {
		t.Fatalf("record: %v", err)
	}
	return out
}

func tryRecord(b *Book, drafts ...Draft) ([]events.Event, error) {
	var out []events.Event
	err := b.Update(context.Background(), func(w *Writer) error {
		for _, d := range drafts {
			ev, _, err := w.Record(context.Background(), d)
			if err != nil {
				return err
			}
			out = append(out, ev)
		}
		return nil
	})
	return out, err
}

func vehicle(label string) Draft { return Draft{Body: &events.VehicleRegistered{Label: label}} }

func addVehicle(t testing.TB, b *Book, label string) events.ID {
	t.Helper()
	return record(t, b, vehicle(label))[0].ID
}

func keyCycle(subject events.ID) Draft {
	return Draft{Subject: subject, Body: &events.KeyCycled{By: "Ines"}}
}

func drive(subject events.ID, minutes int) Draft {
	return Draft{Subject: subject, Body: &events.DriveDone{Minutes: minutes}}
}

func policy(value string) Draft {
	return Draft{Body: &events.PolicySet{Name: "currency", Value: value}}
}

// fill records some events of every shape.
func fill(t testing.TB, b *Book) (vehicles []events.ID) {
	t.Helper()
	for _, label := range []string{"van-7", "bus-3", "tipper-2"} {
		id := addVehicle(t, b, label)
		vehicles = append(vehicles, id)
		record(t, b, Draft{Subject: id, Body: &events.JobOpened{Card: "card " + label}}, drive(id, 12), keyCycle(id))
		record(t, b, Draft{Subject: id, Body: &events.RepairDone{Action: "replaced", Component: "coil 2",
			Parts: []events.Part{{Name: "coil", Number: "FB-100-" + label, Serial: "S1"}}}})
		record(t, b, policy("EUR"))
	}
	return vehicles
}

func collect(t testing.TB, seq func(func(events.Event, error) bool)) []events.Event {
	t.Helper()
	var out []events.Event
	for ev, err := range seq {
		if err != nil {
			t.Fatalf("reading: %v", err)
		}
		out = append(out, ev)
	}
	return out
}

func feeds(t testing.TB, b *Book) []Feed {
	t.Helper()
	list, err := b.Feeds(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func ownFeed(t testing.TB, b *Book) Feed {
	t.Helper()
	for _, f := range feeds(t, b) {
		if f.Own {
			return f
		}
	}
	t.Fatal("the book has no feed of its own")
	return Feed{}
}

// copyDir copies a directory, as a person or a backup would.
func copyDir(t testing.TB, from, to string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(to), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.RemoveAll(to); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
}

// snapshot gives every file below a directory with its bytes.
func snapshot(t testing.TB, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		raw, err := os.ReadFile(path)
		out[strings.TrimPrefix(path, dir)] = string(raw)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func sameFiles(t testing.TB, before, after map[string]string) {
	t.Helper()
	for name, content := range before {
		if got, ok := after[name]; !ok || got != content {
			t.Errorf("%s was changed or is gone", name)
		}
	}
	for name := range after {
		if _, ok := before[name]; !ok {
			t.Errorf("%s is new", name)
		}
	}
}

// tamper changes a closed book the way another program could.
func (e *env) tamper(statements ...string) {
	e.t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(e.dir, bookFile))
	if err != nil {
		e.t.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	for _, s := range statements {
		res, err := db.Exec(s)
		if err != nil {
			e.t.Fatalf("%s: %v", s, err)
		}
		if n, err := res.RowsAffected(); err == nil && n == 0 && (strings.HasPrefix(s, "UPDATE") || strings.HasPrefix(s, "DELETE")) {
			e.t.Fatalf("%s: changed nothing", s)
		}
	}
}

func mustErr(t testing.TB, err error, want error, texts ...string) {
	t.Helper()
	if err == nil {
		t.Fatalf("no error: want %v", want)
	}
	if !isErr(err, want) {
		t.Fatalf("error %q is not %q", err, want)
	}
	for _, text := range texts {
		if !strings.Contains(err.Error(), text) {
			t.Errorf("error %q does not say %q", err, text)
		}
	}
}

func label(n int) string { return fmt.Sprintf("van-%d", n) }

func decode(raw []byte, to any) error { return json.Unmarshal(raw, to) }
