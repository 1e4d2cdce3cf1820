package ledger

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"mendbook/events"
)

// The rules of recording.

func TestAppendOnlyByTheDatabase(t *testing.T) {
	e, b := testBook(t)
	fill(t, b)
	ctx := context.Background()
	for _, q := range []string{
		`UPDATE events SET type = 'x'`,
		`DELETE FROM events`,
		`INSERT OR REPLACE INTO events (feed, seq, id, type, subject, raw, hashes) SELECT feed, seq, id, type, subject, x'7b7d', hashes FROM events WHERE seq = 3`,
		`REPLACE INTO events (feed, seq, id, type, subject, raw, hashes) SELECT feed, seq, id, 'x', subject, raw, hashes FROM events WHERE seq = 3`,
		`UPDATE feeds SET name = 'x'`,
		`DELETE FROM feeds`,
	} {
		// On the connection that this package writes with.
		err := b.locked(ctx, func(c *conn) error { return c.exec(ctx, q) })
		if err == nil || !strings.Contains(err.Error(), "never") && !strings.Contains(err.Error(), "end of their feed") {
			t.Errorf("%s: %v: want a refusal by a trigger", q, err)
		}
	}
	e.mustCheck()
}

func TestIDsNeverGoBack(t *testing.T) {
	e, b := testBook(t)
	var last events.ID
	for i, step := range []time.Duration{0, 0, time.Minute, -time.Minute, -time.Hour, -24 * time.Hour, 48 * time.Hour, -time.Millisecond} {
		e.setClock(start.Add(step))
		for range 3 {
			id := record(t, b, policy(fmt.Sprint(i)))[0].ID
			if id.Compare(last) <= 0 || !id.Time().After(last.Time()) && !last.IsZero() {
				t.Errorf("step %d: %s after %s: want a later time", i, id, last)
			}
			last = id
		}
	}
}

// An id of a clock far ahead does not carry the ids of this machine along, and
// the disagreement is told once.
func TestAFarClockIsToldAndNotFollowed(t *testing.T) {
	for _, test := range []struct {
		ahead    time.Duration
		followed bool
	}{{4 * time.Minute, true}, {6 * time.Minute, false}, {24 * time.Hour, false}} {
		t.Run(test.ahead.String(), func(t *testing.T) {
			e, b := testBook(t)
			far := events.NewID(e.clock().Add(test.ahead), [10]byte{9})
			d := policy("EUR")
			d.ID = far
			record(t, b, d)
			id := record(t, b, policy("GBP"))[0].ID
			record(t, b, policy("CHF"))
			if after := id.Compare(far) > 0; after != test.followed {
				t.Errorf("%s after %s: %v, want %v", id, far, after, test.followed)
			}
			if told := len(e.told); told != map[bool]int{true: 0, false: 1}[test.followed] {
				t.Errorf("told %q", e.told)
			}
		})
	}
}

func TestADraftWithAnID(t *testing.T) {
	ctx := context.Background()
	_, b := testBook(t)
	van, bus := addVehicle(t, b, "van-7"), addVehicle(t, b, "bus-3")
	d := drive(van, 12)
	d.ID = events.NewID(start, [10]byte{1})
	d.At = events.At(start.Add(-time.Hour))
	first := record(t, b, d)[0]
	err := b.Update(ctx, func(w *Writer) error {
		again, added, err := w.Record(ctx, d)
		if err != nil || added {
			t.Errorf("the same draft again: added %v, %v", added, err)
		}
		if again.FeedSeq != first.FeedSeq || again.ID != first.ID {
			t.Errorf("got event %d %s, want %d %s", again.FeedSeq, again.ID, first.FeedSeq, first.ID)
		}
		for name, other := range map[string]Draft{
			"data":    {ID: d.ID, Subject: van, At: d.At, Body: &events.DriveDone{Minutes: 13}},
			"type":    {ID: d.ID, Subject: van, At: d.At, Body: &events.KeyCycled{}},
			"subject": {ID: d.ID, Subject: bus, At: d.At, Body: d.Body},
			"at":      {ID: d.ID, Subject: van, Body: d.Body},
		} {
			_, added, err := w.Record(ctx, other)
			if !errors.Is(err, ErrConflict) || added {
				t.Errorf("another %s: added %v, %v: want ErrConflict", name, added, err)
				continue
			}
			if !strings.Contains(err.Error(), d.ID.String()) {
				t.Errorf("%q does not name the id", err)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if n := ownFeed(t, b).Size; n != 4 {
		t.Errorf("%d events, want 4", n)
	}
}

func TestScopes(t *testing.T) {
	ctx := context.Background()
	_, b := testBook(t)
	van := addVehicle(t, b, "van-7")
	ev := record(t, b, policy("EUR"))[0]
	given := events.NewID(start, [10]byte{2})
	for _, test := range []struct {
		name string
		d    Draft
		want error // nil: recorded
	}{
		{"vehicle of a given id", Draft{ID: given, Body: &events.VehicleRegistered{Label: "bus-3"}}, nil},
		{"vehicle with another subject", Draft{Subject: van, Body: &events.VehicleRegistered{Label: "bus-3"}}, ErrBadDraft},
		{"drive without a vehicle", drive(events.ID{}, 3), ErrBadDraft},
		{"drive of an event that is no vehicle", drive(ev.ID, 3), ErrNoVehicle},
		{"drive of nothing", drive(events.NewID(start, [10]byte{3}), 3), ErrNoVehicle},
		{"drive of the vehicle", drive(van, 3), nil},
		{"policy with a subject", Draft{Subject: van, Body: &events.PolicySet{Name: "currency", Value: "EUR"}}, ErrBadDraft},
		{"void with a subject", Draft{Subject: van, Body: &events.EventVoided{Event: ev.ID, Why: "typed twice"}}, nil},
		{"void without a subject", Draft{Body: &events.EventVoided{Event: ev.ID, Why: "typed twice"}}, nil},
		{"no body", Draft{}, ErrBadDraft},
		{"unknown body", Draft{Body: &events.Unknown{Typ: "drive.done.v9"}}, ErrBadDraft},
		{"a feed by hand", Draft{Body: &events.FeedOpened{Key: make([]byte, 32), Station: "office"}}, ErrBadDraft},
	} {
		_, err := tryRecord(b, test.d)
		if !errors.Is(err, test.want) {
			t.Errorf("%s: %v, want %v", test.name, err, test.want)
		}
	}
	// A vehicle counts within the transaction that registers it.
	err := b.Update(ctx, func(w *Writer) error {
		v, _, err := w.Record(ctx, vehicle("tipper-2"))
		if err != nil {
			return err
		}
		if v.Subject != v.ID {
			t.Errorf("subject %s of vehicle %s", v.Subject, v.ID)
		}
		_, _, err = w.Record(ctx, drive(v.ID, 4))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	_, err = tryRecord(b, Draft{Subject: van, Body: &events.DriveDone{}})
	if invalid := (events.Invalid)(nil); !errors.As(err, &invalid) {
		t.Errorf("a drive without distance and minutes: %v: want an events.Invalid", err)
	}
}

// tyreChecked is a kind that only a newer program knows.
type tyreChecked struct {
	Wheel string `json:"wheel"`
}

func (*tyreChecked) Type() string    { return "tyre.checked.v1" }
func (*tyreChecked) Validate() error { return nil }

// A kind that this program does not know is kept, proved, checked and shown.
func TestAnUnknownKindIsKept(t *testing.T) {
	ctx := context.Background()
	e := newEnv(t)
	e.registry = events.NewRegistry(append(events.Known().Kinds(), events.Kind{
		Type: "tyre.checked.v1", Scope: events.ScopeVehicle, New: func() events.Data { return new(tyreChecked) }}))
	b := e.create()
	van := addVehicle(t, b, "van-7")
	id := record(t, b, Draft{Subject: van, Body: &tyreChecked{Wheel: "front left"}})[0].ID
	b.Close()
	e.registry = events.Known()
	b = e.open()
	defer b.Close()
	ev, err := b.Event(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	unknown, ok := ev.Body.(*events.Unknown)
	if !ok || string(unknown.Raw) != `{"wheel":"front left"}` || unknown.Why != nil {
		t.Errorf("read as %T %+v", ev.Body, ev.Body)
	}
	if list := collect(t, b.OfSubject(ctx, van)); len(list) != 2 {
		t.Errorf("%d events of the vehicle, want 2", len(list))
	}
	record(t, b, drive(van, 5))
	if hits, err := b.Lookup(ctx, "label", "Van-7"); err != nil || len(hits) != 1 || hits[0].Subject != van {
		t.Errorf("lookup: %v, %v", hits, err)
	}
	if r := e.check(); r.Unknown != 1 || r.IndexStale {
		t.Errorf("%d unknown events, index stale %v; want 1, false", r.Unknown, r.IndexStale)
	}
}

func TestWordsAndIDsAreFound(t *testing.T) {
	ctx := context.Background()
	_, b := testBook(t)
	vans := fill(t, b)
	if hits, err := b.Lookup(ctx, "label", " VAN-7 "); err != nil || len(hits) != 1 || hits[0].Event != vans[0] || hits[0].Word != "van-7" {
		t.Errorf("label: %v, %v", hits, err)
	}
	if hits, err := b.Search(ctx, "fb-100", 2); err != nil || len(hits) != 2 || hits[0].Word != "fb-100-bus-3" || hits[0].Subject != vans[1] {
		t.Errorf("search: %v, %v", hits, err)
	}
	if hits, err := b.Search(ctx, "  ", 10); err != nil || len(hits) != 0 {
		t.Errorf("search for nothing: %v, %v", hits, err)
	}
	id := vans[1].String()
	for _, text := range []string{id, id[:20], id[20:], strings.ToLower(id[15:]), id[25:]} {
		found, err := b.Match(ctx, text)
		if err != nil || !slices.Contains(found, vans[1]) {
			t.Errorf("match %q: %v, %v: want %s", text, found, err, id)
		}
	}
	for _, text := range []string{"", "U", "ZZZZZZZ", id + "0", "%"} {
		if found, err := b.Match(ctx, text); err != nil || len(found) != 0 {
			t.Errorf("match %q: %v, %v: want nothing", text, found, err)
		}
	}
	if found, err := b.Match(ctx, id[:3]); err != nil || len(found) > 20 || len(found) < 16 {
		t.Errorf("match of the century: %d ids, %v: want all 16, at most 20", len(found), err)
	}
}

func TestRawBytes(t *testing.T) {
	ctx := context.Background()
	_, b := testBook(t)
	fill(t, b)
	f := ownFeed(t, b)
	read := func(from, to int64) (out []int64, err error) {
		for raw, e := range b.Raw(ctx, f.Name, from, to) {
			if e != nil {
				return out, e
			}
			env, e := events.Parse(raw)
			if e != nil {
				return out, e
			}
			out = append(out, env.FeedSeq)
		}
		return out, nil
	}
	if got, err := read(3, 5); err != nil || !slices.Equal(got, []int64{3, 4, 5}) {
		t.Errorf("3 to 5: %v, %v", got, err)
	}
	if got, err := read(1, 0); err != nil || int64(len(got)) != f.Size {
		t.Errorf("all: %d, %v: want %d", len(got), err, f.Size)
	}
	if got, err := read(f.Size+1, 0); err != nil || len(got) != 0 {
		t.Errorf("behind the end: %v, %v", got, err)
	}
	for _, err := range b.Raw(ctx, "nofeed", 1, 0) {
		mustErr(t, err, ErrNotFound)
	}
	for _, seq := range []int64{0, f.Size + 1} {
		_, err := b.Prove(ctx, f.Name, seq)
		mustErr(t, err, ErrNotFound)
	}
}

func TestFilesAreKeptOnce(t *testing.T) {
	ctx := context.Background()
	e, b := testBook(t)
	van := addVehicle(t, b, "van-7")
	// FIPS 180-4 example, as NIST publishes it for SHA-256 of "abc".
	const abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	for range 2 {
		sum, size, err := b.PutFile(ctx, strings.NewReader("abc"))
		if err != nil || sum != abc || size != 3 {
			t.Fatalf("%s, %d, %v", sum, size, err)
		}
	}
	record(t, b, Draft{Subject: van, Body: &events.FileAttached{Name: "note.txt", SHA256: abc, Size: 3}})
	if found, _ := filepath.Glob(filepath.Join(e.dir, "files", "*", "*")); len(found) != 1 {
		t.Errorf("kept as %v", found)
	}
	if _, err := b.OpenFile(strings.Repeat("0", 64)); !errors.Is(err, ErrNotFound) {
		t.Errorf("a file that is not here: %v", err)
	}
	if _, err := b.OpenFile("../../station.key"); err == nil || errors.Is(err, ErrNotFound) {
		t.Errorf("a path: %v: want a refusal", err)
	}
	if r := e.check(); r.Files != 1 {
		t.Errorf("%d files checked, want 1", r.Files)
	}
	if info, err := os.Stat(filepath.Join(e.dir, keyFile)); err != nil || os.PathSeparator == '/' && info.Mode().Perm() != 0o600 {
		t.Errorf("station.key: %v, %v: want mode 0600", info.Mode(), err)
	}
}
