package ledger

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"mendbook/events"
)

// freeze makes the frozen books that are missing: go test ./ledger -run Frozen -freeze.
// One that is there is never made again.
var freeze = flag.Bool("freeze", false, "make the frozen books that are missing under testdata/books")

const frozenBooks = "../testdata/books"

func frozenDir(layout int) string { return filepath.Join(frozenBooks, fmt.Sprintf("layout%d", layout)) }

// Books of every layout stay readable: each is brought up to date, passes its
// check, and answers as it did. A book of the newest layout also shows that the
// words of its events are still the same; see keysVersion.
func TestFrozenBooks(t *testing.T) {
	for n := 1; n <= layout; n++ {
		t.Run(fmt.Sprintf("layout%d", n), func(t *testing.T) {
			if _, err := os.Stat(frozenDir(n)); err != nil && *freeze {
				freezeBook(t, n)
			}
			e := newEnv(t)
			e.entropy = rand.NewChaCha8([32]byte{1: 1}) // not that of the machine that made the book
			copyDir(t, frozenDir(n), e.dir)
			r := e.check()
			if !r.OK() || r.Events != 23 || r.Files != 1 {
				t.Errorf("before: %d events, %d files, %v", r.Events, r.Files, r.Findings)
			}
			o := e.options()
			o.ReadOnly = true
			b, err := Open(context.Background(), o)
			if n < layout {
				mustErr(t, err, ErrOlderBook)
			} else if err != nil {
				t.Fatal(err)
			} else {
				b.Close()
			}
			b = e.open()
			defer b.Close()
			hits, err := b.Lookup(context.Background(), "label", "van-7")
			if err != nil || len(hits) != 1 {
				t.Fatalf("lookup: %v, %v", hits, err)
			}
			if list := collect(t, b.OfSubject(context.Background(), hits[0].Subject)); len(list) != 6 {
				t.Errorf("%d events of van-7, want 6", len(list))
			}
			// This machine never wrote it: what is recorded goes to a new feed.
			record(t, b, drive(hits[0].Subject, 7))
			list := feeds(t, b)
			if len(list) != 2 {
				t.Fatalf("%d feeds, want 2", len(list))
			}
			var old Feed
			for _, f := range list {
				if !f.Own {
					old = f
				}
			}
			if c := ownFeed(t, b).Continues; c == nil || c.Feed != old.Name || c.Size != 23 {
				t.Errorf("continues %+v", c)
			}
		})
	}
}

// freezeBook makes a book of a layout. The layouts so far only added tables that
// follow from the events, so an older book is one without them.
func freezeBook(t *testing.T, n int) {
	e := bareEnv(t, t.TempDir())
	b := e.create()
	vans := fill(t, b)
	record(t, b, drive(vans[1], 40), drive(vans[2], 50), keyCycle(vans[1]))
	sum, size, err := b.PutFile(context.Background(), readerOf("a photo of the tailgate"))
	if err != nil {
		t.Fatal(err)
	}
	record(t, b, Draft{Subject: vans[0], Body: &events.FileAttached{Name: "tailgate.jpg", SHA256: sum, Size: size}})
	for i := ownFeed(t, b).Size; i < 23; i++ {
		record(t, b, policy("EUR"))
	}
	b.Close()
	if n == 1 {
		e.tamper(`DROP TABLE lookup`, `DROP TABLE derived`, `PRAGMA user_version = 1`, `VACUUM`)
	}
	for _, name := range []string{lockFile, holderFile} {
		os.Remove(filepath.Join(e.dir, name))
	}
	copyDir(t, e.dir, frozenDir(n))
}
