package ledger

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"mendbook/events"
)

// Whatever drafts are recorded in whatever transactions, some of them given up:
// the book passes its check, holds exactly what was committed, and proves every
// event to one who has only the feed's key.
func TestPropertyRandomDrafts(t *testing.T) {
	ctx := context.Background()
	rapid.Check(t, func(rt *rapid.T) {
		root, err := os.MkdirTemp(t.TempDir(), "")
		if err != nil {
			rt.Fatal(err)
		}
		e := bareEnv(t, root)
		b := e.create()
		defer b.Close()
		var vehicles []events.ID
		want := map[events.ID]bool{}
		giveUp := errors.New("given up")
		for range rapid.IntRange(1, 6).Draw(rt, "transactions") {
			fails := rapid.IntRange(0, 3).Draw(rt, "fails") == 0
			var made, cars []events.ID
			err := b.Update(ctx, func(w *Writer) error {
				for range rapid.IntRange(0, 9).Draw(rt, "events") {
					known := slices.Concat(vehicles, cars)
					d := policy(fmt.Sprint(len(want)))
					switch kind := rapid.IntRange(0, 3).Draw(rt, "kind"); {
					case kind == 0 || len(known) == 0:
						d = vehicle(rapid.StringMatching(`[a-z]{1,8}-[0-9]{1,3}`).Draw(rt, "label"))
					case kind == 1:
						d = drive(rapid.SampledFrom(known).Draw(rt, "vehicle"), rapid.IntRange(1, 1000).Draw(rt, "minutes"))
					case kind == 2:
						d.Body = &events.PolicySet{Name: "note", Value: "x" + rapid.StringMatching(`[<>&"\\é✓a-z]{0,30}`).Draw(rt, "value")}
					}
					ev, added, err := w.Record(ctx, d)
					if err != nil || !added {
						return fmt.Errorf("added %v: %w", added, err)
					}
					made = append(made, ev.ID)
					if _, car := d.Body.(*events.VehicleRegistered); car {
						cars = append(cars, ev.ID)
					}
				}
				if fails {
					return giveUp
				}
				return nil
			})
			if fails != errors.Is(err, giveUp) || !fails && err != nil {
				rt.Fatal(err)
			}
			if !fails {
				vehicles = append(vehicles, cars...)
				for _, id := range made {
					want[id] = true
				}
			}
		}
		f := ownFeed(t, b)
		if f.Size != int64(len(want))+1 {
			rt.Fatalf("%d events, want %d and the opening of the feed", f.Size, len(want))
		}
		seq := int64(0)
		for raw, err := range b.Raw(ctx, f.Name, 1, 0) {
			if err != nil {
				rt.Fatal(err)
			}
			seq++
			ev, err := events.Parse(raw)
			if err != nil || seq > 1 && !want[ev.ID] {
				rt.Fatalf("event %d: %s, %v: not one that was committed", seq, ev.ID, err)
			}
			p, err := b.Prove(ctx, f.Name, seq)
			if err != nil {
				rt.Fatal(err)
			}
			if err := p.Check(raw, f.Name, f.Key); err != nil {
				rt.Fatal(err)
			}
			raw[len(raw)-2] ^= 1
			if p.Check(raw, f.Name, f.Key) == nil {
				rt.Fatal("the proof holds for other bytes")
			}
		}
		if r := e.check(); !r.OK() || len(r.Findings) > 0 || r.Events != f.Size {
			rt.Fatalf("check: %+v", r)
		}
	})
}
