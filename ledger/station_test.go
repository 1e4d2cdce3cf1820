package ledger

import (
	"context"
	"database/sql"
	"encoding/binary"
	"io"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"mendbook/events"
)

// station is a machine of the invented Fennbrook Depot with a book, for tests.
// Every test that has one ends with Check, unless it damages the book on purpose.
type station struct {
	t     testing.TB
	opt   Options
	clock *fakeClock
	told  *[]string
	ends  bool // Check at the end
}

type fakeClock struct {
	mu  sync.Mutex
	now time.Time
}

func (c *fakeClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *fakeClock) Set(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = t
}

func (c *fakeClock) Add(d time.Duration) { c.Set(c.Now().Add(d)) }

// entropy is a stream of bytes that is the same in every run.
type entropy struct {
	mu  sync.Mutex
	src *rand.ChaCha8
}

func newEntropy(seed uint64) io.Reader {
	var s [32]byte
	binary.LittleEndian.PutUint64(s[:], seed)
	return &entropy{src: rand.NewChaCha8(s)}
}

func (e *entropy) Read(p []byte) (int, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.src.Read(p)
}

var morning = time.Date(2026, 3, 2, 9, 12, 44, 0, time.UTC)

// localDisk stands in for asking the system, so that tests run anywhere.
func localDisk(string) (string, error) { return "", nil }

func newStation(t testing.TB, seed uint64) *station {
	t.Helper()
	dir := t.TempDir()
	clock := &fakeClock{now: morning}
	told := &[]string{}
	s := &station{t: t, clock: clock, told: told, ends: true, opt: Options{
		Dir: filepath.Join(dir, "book"), StateDir: filepath.Join(dir, "state"), Registry: events.Known(),
		Now: clock.Now, Entropy: newEntropy(seed), Verb: "mendbook test", Wait: 5 * time.Second, Station: "office",
		Tell:  func(text string) { *told = append(*told, text) },
		share: localDisk,
	}}
	t.Cleanup(func() {
		if s.ends {
			s.mustCheck()
		}
	})
	return s
}

func (s *station) create() *Book {
	s.t.Helper()
	b, err := Create(context.Background(), s.opt)
	if err != nil {
		s.t.Fatal(err)
	}
	s.closing(b)
	return b
}

func (s *station) open() *Book {
	s.t.Helper()
	b, err := Open(context.Background(), s.opt)
	if err != nil {
		s.t.Fatal(err)
	}
	s.closing(b)
	return b
}

// closing closes the book at the end of the test; Close may be called before.
func (s *station) closing(b *Book) {
	s.t.Cleanup(func() { b.Close() })
}

func (s *station) check() *CheckReport {
	s.t.Helper()
	r, err := Check(context.Background(), s.opt, nil)
	if err != nil {
		s.t.Fatal(err)
	}
	return r
}

func (s *station) mustCheck() *CheckReport {
	s.t.Helper()
	r := s.check()
	if !r.OK() || len(r.Findings) > 0 {
		s.t.Errorf("check found %d:", len(r.Findings))
		for _, f := range r.Findings {
			s.t.Errorf("  %s", f)
		}
	}
	return r
}

func (s *station) codes() []string {
	s.t.Helper()
	var out []string
	for _, f := range s.check().Findings {
		if !slices.Contains(out, string(f.Code)) {
			out = append(out, string(f.Code))
		}
	}
	slices.Sort(out)
	return out
}

// damage opens the file as any other program might, without the rules that this
// package sets, and runs the statements.
func (s *station) damage(statements ...string) {
	s.t.Helper()
	s.ends = false
	db, err := sql.Open("sqlite", filepath.Join(s.opt.Dir, bookFile))
	if err != nil {
		s.t.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	for _, q := range statements {
		r, err := db.Exec(q)
		if err != nil {
			s.t.Fatalf("%s: %v", q, err)
		}
		if n, _ := r.RowsAffected(); n == 0 && (q[:6] == "UPDATE" || q[:6] == "DELETE") {
			s.t.Fatalf("%s: no row was changed", q)
		}
	}
}

// The triggers against change, to be dropped and made again around a damage.
const (
	dropUpdate = `DROP TRIGGER events_no_update`
	dropDelete = `DROP TRIGGER events_no_delete`
)

// restoreTriggers makes dropped triggers anew, word for word, so that only the damage shows.
func (s *station) restoreTriggers() {
	s.t.Helper()
	memory, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		s.t.Fatal(err)
	}
	defer memory.Close()
	memory.SetMaxOpenConns(1)
	for _, m := range migrations() {
		if _, err := memory.Exec(m.sql); err != nil {
			s.t.Fatal(err)
		}
	}
	rows, err := memory.Query(`SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'`)
	if err != nil {
		s.t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var name, text string
		if err := rows.Scan(&name, &text); err != nil {
			s.t.Fatal(err)
		}
		s.damage(`DROP TRIGGER IF EXISTS `+name, text)
	}
}

func putOne(t testing.TB, b *Book, d Draft) events.Event {
	t.Helper()
	var ev events.Event
	err := b.Update(context.Background(), func(w *Writer) (err error) {
		ev, _, err = w.Record(context.Background(), d)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return ev
}

func putVehicle(t testing.TB, b *Book, label string) events.ID {
	t.Helper()
	return putOne(t, b, Draft{Body: &events.VehicleRegistered{Label: label}}).ID
}

func driven(minutes int) *events.DriveDone { return &events.DriveDone{Minutes: minutes} }

// filledStation is a closed book with one vehicle and some drives: 8 events and one
// file, of which the first opens the feed.
func filledStation(t testing.TB, seed uint64) *station {
	t.Helper()
	s := newStation(t, seed)
	b := s.create()
	van := putVehicle(t, b, "van-7")
	for i := range 5 {
		putOne(t, b, Draft{Subject: van, Body: driven(i + 10)})
	}
	sum, size, err := b.PutFile(context.Background(), readerOf("a photo of the tailgate"))
	if err != nil {
		t.Fatal(err)
	}
	putOne(t, b, Draft{Subject: van, Body: &events.FileAttached{Name: "tailgate.jpg", SHA256: sum, Size: size}})
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	if n := s.mustCheck().Events; n != 8 {
		t.Fatalf("%d events: want 8", n)
	}
	return s
}

func readerOf(text string) io.Reader { return &textReader{text} }

type textReader struct{ rest string }

func (r *textReader) Read(p []byte) (int, error) {
	if r.rest == "" {
		return 0, io.EOF
	}
	n := copy(p, r.rest)
	r.rest = r.rest[n:]
	return n, nil
}

func feedsOf(t testing.TB, b *Book) []Feed {
	t.Helper()
	list, err := b.Feeds(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func ownOf(t testing.TB, b *Book) Feed {
	t.Helper()
	for _, f := range feedsOf(t, b) {
		if f.Own {
			return f
		}
	}
	t.Fatal("no feed is the book's own")
	return Feed{}
}
