package ledger

import (
	"context"
	"testing"
)

// BenchmarkRecord is one event a transaction, as a person records.
func BenchmarkRecord(b *testing.B) {
	e := bareEnv(b, b.TempDir())
	book := e.create()
	defer book.Close()
	van := addVehicle(b, book, "van-7")
	for b.Loop() {
		record(b, book, drive(van, 12))
	}
}

// BenchmarkRecordMany is many events in one transaction, as an import records.
func BenchmarkRecordMany(b *testing.B) {
	e := bareEnv(b, b.TempDir())
	book := e.create()
	defer book.Close()
	van := addVehicle(b, book, "van-7")
	err := book.Update(context.Background(), func(w *Writer) error {
		for b.Loop() {
			if _, _, err := w.Record(context.Background(), drive(van, 12)); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
}
