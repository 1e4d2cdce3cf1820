package cli

import (
	"bytes"
	"context"
	"crypto/rand"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"mendbook/events"
	"mendbook/ledger"
)

// tyreChanged is a kind of a newer program.
type tyreChanged struct {
	Wheel string `json:"wheel"`
}

func (*tyreChanged) Type() string    { return "tyre.changed.v1" }
func (*tyreChanged) Validate() error { return nil }

// What a newer program recorded is kept, counted, shown and exported, and leaves a
// judgement open; nothing of it is lost.
func TestEventsOfANewerProgram(t *testing.T) {
	dir := t.TempDir()
	clock := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	now := func() time.Time { clock = clock.Add(time.Second); return clock }
	run := func(want int, args ...string) string {
		t.Helper()
		var out, errs bytes.Buffer
		code := Main(&Env{
			In: strings.NewReader(""), Out: &out, Err: &errs, Entropy: rand.Reader, Now: now,
			Getenv:   func(string) string { return "" },
			Dir:      func() (string, error) { return filepath.Join(dir, "book"), nil },
			StateDir: func() (string, error) { return filepath.Join(dir, "state"), nil },
		}, args)
		if code != want {
			t.Fatalf("%q: exit code %d, want %d\n%s%s", args, code, want, &out, &errs)
		}
		return out.String() + errs.String()
	}
	run(0, "init")
	run(0, "vehicle", "add", "van-7")
	run(0, "scan", "van-7", "--unit", "tailgate: silent", "--unit", "engine: no codes")
	run(0, "repair", "van-7", "cleaned", "connector", "--for", "tailgate/no answer")
	run(0, "scan", "van-7", "--unit", "tailgate: no codes", "--unit", "engine: no codes")
	run(0, "verify", "van-7")

	newer := events.NewRegistry(append(slices.Clone(events.Known().Kinds()), events.Kind{
		Type: "tyre.changed.v1", Scope: events.ScopeVehicle, Doc: "a tyre", New: func() events.Data { return new(tyreChanged) }}))
	ctx := context.Background()
	b, err := ledger.Open(ctx, ledger.Options{Dir: filepath.Join(dir, "book"), StateDir: filepath.Join(dir, "state"),
		Registry: newer, Now: now, Entropy: rand.Reader, Verb: "test"})
	if err != nil {
		t.Fatal(err)
	}
	err = b.Update(ctx, func(w *ledger.Writer) error {
		for e, err := range w.OfType(ctx, "vehicle.registered.v1") {
			if err != nil {
				return err
			}
			_, _, err := w.Record(ctx, ledger.Draft{Subject: e.ID, Body: &tyreChanged{Wheel: "front left"}})
			return err
		}
		t.Fatal("no vehicle")
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}

	wants := func(text string, words ...string) {
		t.Helper()
		for _, w := range words {
			if !strings.Contains(text, w) {
				t.Errorf("%q is not in\n%s", w, text)
			}
		}
	}
	wants(run(4, "verify", "van-7"), "cleared, answered (good)", "tyre.changed.v1 cannot be interpreted here")
	wants(run(0, "history", "van-7"), "tyre.changed", "unknown kind tyre.changed.v1 of a newer program (22 bytes)")
	wants(run(0, "history", "van-7", "--json"), `"unknown": true`, `"wheel": "front left"`)
	wants(run(0, "check"), "1 event of kinds that this program cannot interpret")
	file := filepath.Join(dir, "book.ndjson")
	wants(run(0, "export", file), "1 event cannot be interpreted here")
	wants(run(1, "import", file), `type: "tyre.changed.v1" is not known to this program`, "nothing was recorded")
}
