package ledger

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"mendbook/events"
)

// The figures here stand next to a baseline that is measured in the same run: the
// same driver and settings (write-ahead log, synchronous=FULL), one table, and
// the same bytes. A disk or a machine can be slow; the ratio x-raw tells what the
// book adds.

// rawStore is the baseline.
type rawStore struct {
	c *conn
	n int64
}

func newRawStore(b *testing.B) *rawStore {
	b.Helper()
	c, err := openConn(context.Background(), filepath.Join(b.TempDir(), "raw.db"), modeMake, time.Minute)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { c.close() })
	if err := c.exec(context.Background(), "PRAGMA journal_mode = WAL; CREATE TABLE rows (seq INTEGER PRIMARY KEY, raw BLOB NOT NULL) STRICT;"); err != nil {
		b.Fatal(err)
	}
	return &rawStore{c: c}
}

// insert is a transaction of its own, unless one is under way.
func (s *rawStore) insert(raw []byte) error {
	s.n++
	return s.c.run(context.Background(), "INSERT INTO rows (seq, raw) VALUES (?, ?)", s.n, raw)
}

// rawEvents reads the exact bytes of the own feed's events from a place on.
func rawEvents(b *testing.B, book *Book, from int64) [][]byte {
	b.Helper()
	var out [][]byte
	for raw, err := range book.Raw(context.Background(), ownFeed(b, book).Name, from, 0) {
		if err != nil {
			b.Fatal(err)
		}
		out = append(out, raw)
	}
	return out
}

// workDone is a mixture of what is recorded of a vehicle.
func workDone(van events.ID, i int) Draft {
	switch i % 4 {
	case 0:
		return Draft{Subject: van, Body: &events.RepairDone{Action: "replaced", Component: "coil 2",
			Parts: []events.Part{{Name: "coil", Number: "FB-100-" + label(i), Serial: "S1"}}}}
	case 1:
		return keyCycle(van)
	default:
		return drive(van, 1+i%200)
	}
}

func recordWork(ctx context.Context, book *Book, vans []events.ID, n int) error {
	return book.Update(ctx, func(w *Writer) error {
		for i := range n {
			if _, _, err := w.Record(ctx, workDone(vans[i%len(vans)], i)); err != nil {
				return err
			}
		}
		return nil
	})
}

func threeVans(b *testing.B, book *Book) []events.ID {
	return []events.ID{addVehicle(b, book, "van-7"), addVehicle(b, book, "bus-3"), addVehicle(b, book, "tipper-2")}
}

// BenchmarkAppend is one durable event, ns/op, by turns with one raw commit of the
// same bytes.
func BenchmarkAppend(b *testing.B) {
	e := bareEnv(b, b.TempDir())
	book := e.create()
	defer book.Close()
	van := addVehicle(b, book, "van-7")
	record(b, book, drive(van, 12))
	store := newRawStore(b)
	var ours, raw time.Duration
	for b.Loop() {
		began := time.Now()
		ev := record(b, book, drive(van, 12))[0]
		ours += time.Since(began)
		b.StopTimer()
		bytes := rawEvents(b, book, ev.FeedSeq)[0]
		began = time.Now()
		if err := store.insert(bytes); err != nil {
			b.Fatal(err)
		}
		raw += time.Since(began)
		b.StartTimer()
	}
	b.ReportMetric(float64(raw.Nanoseconds())/float64(store.n), "raw-ns/op")
	b.ReportMetric(float64(ours)/float64(raw), "x-raw")
}

// BenchmarkBulk is an import: 10,000 events in one transaction into a new book, by
// turns with the raw insertion of the same rows in one transaction.
func BenchmarkBulk(b *testing.B) {
	const size = 10_000
	ctx := context.Background()
	var ours, raw time.Duration
	var n int64
	for b.Loop() {
		b.StopTimer()
		e := bareEnv(b, b.TempDir())
		book := e.create()
		vans := threeVans(b, book)
		first := ownFeed(b, book).Size + 1
		store := newRawStore(b)
		b.StartTimer()
		began := time.Now()
		if err := recordWork(ctx, book, vans, size); err != nil {
			b.Fatal(err)
		}
		ours += time.Since(began)
		b.StopTimer()
		rows := rawEvents(b, book, first)
		if len(rows) != size {
			b.Fatalf("%d events: want %d", len(rows), size)
		}
		began = time.Now()
		err := store.c.transact(ctx, func() error {
			for _, row := range rows {
				if err := store.insert(row); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			b.Fatal(err)
		}
		raw += time.Since(began)
		n += size
		book.Close()
		b.StartTimer()
	}
	b.ReportMetric(float64(n)/ours.Seconds(), "events/s")
	b.ReportMetric(float64(n)/raw.Seconds(), "raw-rows/s")
	b.ReportMetric(float64(ours)/float64(raw), "x-raw")
}

// BenchmarkCheck is the whole check of a book of 20,000 events.
func BenchmarkCheck(b *testing.B) {
	const size = 20_000
	e := bareEnv(b, b.TempDir())
	book := e.create()
	defer book.Close()
	vans := threeVans(b, book)
	if err := recordWork(context.Background(), book, vans, size-int(ownFeed(b, book).Size)); err != nil {
		b.Fatal(err)
	}
	var n int64
	for b.Loop() {
		r := e.check()
		if !r.OK() || r.Events != size {
			b.Fatalf("%d events: want %d: %v", r.Events, size, r.Findings)
		}
		n += r.Events
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "events/s")
}
