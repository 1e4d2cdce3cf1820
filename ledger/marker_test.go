package ledger

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"golang.org/x/mod/sumdb/tlog"
)

// continued checks that the book goes on in a new feed that continues the old
// one where it was left, and that the user is told why.
func continued(t *testing.T, e *env, b *Book, left Feed, why string) {
	t.Helper()
	own := ownFeed(t, b)
	if own.Name == left.Name {
		t.Fatal("the old feed was continued")
	}
	c := own.Continues
	if c == nil || c.Feed != left.Name || c.Size != left.Size || !bytes.Equal(c.Root, left.Root[:]) || c.Why != why {
		t.Errorf("continues %+v: want feed %s at %d because %q", c, left.Name, left.Size, why)
	}
	if own.Station != left.Station {
		t.Errorf("station %q: want %q", own.Station, left.Station)
	}
	if len(e.told) != 1 || !strings.Contains(e.told[0], why) || !strings.Contains(e.told[0], own.Name) {
		t.Errorf("told %q", e.told)
	}
	for _, f := range feeds(t, b) {
		if f.Name == left.Name && (f.Size != left.Size || f.Own) {
			t.Errorf("the old feed has %d events, own %v: want %d", f.Size, f.Own, left.Size)
		}
	}
	if k, err := readKey(filepath.Join(e.dir, keyFile)); err != nil || k.feed != own.Name {
		t.Errorf("station.key: %v", err)
	}
}

func TestAMissingMarkerOpensANewFeed(t *testing.T) {
	e, b := testBook(t)
	van := addVehicle(t, b, "van-7")
	left := ownFeed(t, b)
	if err := os.RemoveAll(e.state); err != nil {
		t.Fatal(err)
	}
	e.station = "" // keeps its name
	b.Close()
	b = e.open()
	defer b.Close()
	if err := b.Update(context.Background(), func(*Writer) error { return nil }); err != nil {
		t.Fatal(err)
	}
	if len(feeds(t, b)) != 1 {
		t.Error("an Update that records nothing has opened a feed")
	}
	ev := record(t, b, keyCycle(van))[0]
	continued(t, e, b, left, "this machine does not remember writing the feed")
	if ev.FeedSeq != 2 || ev.PrevSeq != 0 {
		t.Errorf("place %d, previous %d: a link stays within its feed", ev.FeedSeq, ev.PrevSeq)
	}
	if k, err := readKey(filepath.Join(e.dir, keyFile+"."+left.Name)); err != nil || k.feed != left.Name {
		t.Errorf("the old key is not kept: %v", err)
	}
	record(t, b, keyCycle(van))
	if len(feeds(t, b)) != 2 {
		t.Error("the new feed was not continued")
	}
}

func TestARestoredOlderCopyOpensANewFeed(t *testing.T) {
	e, b := testBook(t)
	addVehicle(t, b, "van-7")
	left := ownFeed(t, b)
	b.Close()
	backup := filepath.Join(filepath.Dir(e.dir), "backup")
	copyDir(t, e.dir, backup)
	b = e.open()
	addVehicle(t, b, "bus-3") // only here, perhaps sent to others already
	b.Close()
	copyDir(t, backup, e.dir)
	b = e.open()
	defer b.Close()
	record(t, b, vehicle("tipper-2"))
	continued(t, e, b, left, "the book is older than this machine remembers")
}

// A book restored to a moment in which it had as many events, but others.
func TestADifferentCopyOpensANewFeed(t *testing.T) {
	e, b := testBook(t)
	b.Close()
	backup := filepath.Join(filepath.Dir(e.dir), "backup")
	copyDir(t, e.dir, backup)
	b = e.open()
	addVehicle(t, b, "van-7")
	mark, err := os.ReadFile(markerPath(e.state, ownFeed(t, b).Name))
	if err != nil {
		t.Fatal(err)
	}
	b.Close()
	copyDir(t, backup, e.dir)
	if err := os.RemoveAll(e.state); err != nil {
		t.Fatal(err)
	}
	feed := strings.Split(string(mark), `"`)[3]
	m := marker{Feed: feed, Size: 1, Root: tlog.RecordHash([]byte("something else")), Book: e.dir}
	if err := m.write(e.state); err != nil {
		t.Fatal(err)
	}
	b = e.open()
	defer b.Close()
	left := ownFeed(t, b)
	record(t, b, vehicle("bus-3"))
	continued(t, e, b, left, "the book differs from what this machine remembers")
}

// A marker that a power failure has left behind the book is no reason for doubt,
// and one that cannot be read is.
func TestAMarkerBehindTheBook(t *testing.T) {
	e, b := testBook(t)
	name := ownFeed(t, b).Name
	old, err := os.ReadFile(markerPath(e.state, name))
	if err != nil {
		t.Fatal(err)
	}
	fill(t, b)
	for _, text := range [][]byte{old, []byte("{half"), nil} {
		if err := os.WriteFile(markerPath(e.state, name), text, 0o600); err != nil {
			t.Fatal(err)
		}
		record(t, b, policy("EUR"))
		want := 1
		if !bytes.Equal(text, old) {
			want = 2
		}
		if n := len(feeds(t, b)); n != want {
			t.Fatalf("marker %q: %d feeds, want %d", text, n, want)
		}
	}
}

func TestACloneOnTheSameMachine(t *testing.T) {
	e, b := testBook(t)
	addVehicle(t, b, "van-7")
	left := ownFeed(t, b)
	b.Close()
	clone := bareEnv(t, t.TempDir())
	clone.state, clone.entropy = e.state, e.entropy
	copyDir(t, e.dir, clone.dir)
	b = e.open()
	defer b.Close()
	record(t, b, vehicle("bus-3"))
	if ownFeed(t, b).Name != left.Name {
		t.Error("the copy that writes first does not continue the feed")
	}
	c := clone.open()
	record(t, c, vehicle("tipper-2"))
	continued(t, clone, c, left, "the book is older than this machine remembers")
	c.Close()
	clone.mustCheck()
}

// Two copies write at the same moment: one of them continues the feed.
func TestTwoClonesAtOnce(t *testing.T) {
	e, b := testBook(t)
	left := ownFeed(t, b)
	b.Close()
	clone := bareEnv(t, t.TempDir())
	clone.state = e.state
	clone.entropy.Seed([32]byte{99})
	copyDir(t, e.dir, clone.dir)
	books := []*Book{e.open(), clone.open()}
	var wg sync.WaitGroup
	for _, b := range books {
		wg.Go(func() {
			if _, err := tryRecord(b, vehicle("bus-3")); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	one, two := ownFeed(t, books[0]), ownFeed(t, books[1])
	if (one.Name == left.Name) == (two.Name == left.Name) {
		t.Errorf("feeds %s and %s: want exactly one of them to be %s", one.Name, two.Name, left.Name)
	}
	books[0].Close()
	books[1].Close()
	clone.mustCheck()
}

// A process dies after its commit and before it could say so; a clone that
// writes next must not take the same place in the feed.
func TestACloneAfterACrash(t *testing.T) {
	for _, step := range []string{"commit", "committed"} {
		t.Run(step, func(t *testing.T) {
			e := newEnv(t)
			b := e.create()
			left := ownFeed(t, b)
			b.Close()
			clone := bareEnv(t, t.TempDir())
			clone.state, clone.entropy = e.state, e.entropy
			copyDir(t, e.dir, clone.dir)
			mark, err := os.ReadFile(markerPath(e.state, left.Name))
			if err != nil {
				t.Fatal(err)
			}
			e.diesIn("1", step)
			if step == "committed" {
				// Died a moment earlier than the step: before the second marker.
				m, err := readMarker(e.state, left.Name)
				if err != nil {
					t.Fatal(err)
				}
				before := marker{}
				if err := decode(mark, &before); err != nil {
					t.Fatal(err)
				}
				before.Book, before.Next = e.dir, &point{m.Size, m.Root}
				if err := before.write(e.state); err != nil {
					t.Fatal(err)
				}
			}
			c := clone.open()
			record(t, c, vehicle("tipper-2"))
			continued(t, clone, c, left, "another copy of the book on this machine was being written")
			c.Close()
			clone.mustCheck()
			b = e.open()
			defer b.Close()
			record(t, b, vehicle("bus-3"))
			if ownFeed(t, b).Name != left.Name {
				t.Error("the copy that wrote the feed does not continue it")
			}
		})
	}
}

func TestLostAndWrongStationKeys(t *testing.T) {
	for why, spoil := range map[string]func(t *testing.T, path string){
		"the station key is missing": func(t *testing.T, path string) {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
		},
		"the station key cannot be read": func(t *testing.T, path string) {
			if err := os.WriteFile(path, []byte("PRIVATE+KEY+nonsense\n"), 0o600); err != nil {
				t.Fatal(err)
			}
		},
		"the station key belongs to another feed": func(t *testing.T, path string) {
			k, err := newKey(bytes.NewReader(bytes.Repeat([]byte{7}, 32)))
			if err != nil {
				t.Fatal(err)
			}
			if err := writeKey(path, k); err != nil {
				t.Fatal(err)
			}
		},
	} {
		t.Run(why, func(t *testing.T) {
			e, b := testBook(t)
			left := ownFeed(t, b)
			spoil(t, filepath.Join(e.dir, keyFile))
			r := e.check()
			if r.OK() {
				t.Error("the check finds nothing")
			}
			spoiled, _ := os.ReadFile(filepath.Join(e.dir, keyFile))
			record(t, b, policy("EUR"))
			continued(t, e, b, left, why)
			if spoiled != nil {
				kept, err := filepath.Glob(filepath.Join(e.dir, keyFile+".*"))
				if err != nil || len(kept) != 1 {
					t.Fatalf("kept keys %v, %v: want the one that was there", kept, err)
				}
				if raw, _ := os.ReadFile(kept[0]); !bytes.Equal(raw, spoiled) {
					t.Error("the key that was there is lost")
				}
			}
		})
	}
}

// The state directory cannot be written: nothing is recorded, since the machine
// could not remember it.
func TestUnwritableState(t *testing.T) {
	e, b := testBook(t)
	b.Close()
	if err := os.RemoveAll(e.state); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(e.state, []byte("a file in the way"), 0o600); err != nil {
		t.Fatal(err)
	}
	b = e.open()
	defer b.Close()
	if _, err := tryRecord(b, policy("EUR")); err == nil {
		t.Fatal("recorded")
	}
	if n := len(collect(t, b.All(context.Background()))); n != 1 {
		t.Errorf("%d events", n)
	}
	if _, err := os.Stat(filepath.Join(e.dir, keyFile)); err != nil {
		t.Error(err)
	}
	if err := os.Remove(e.state); err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	record(t, b, policy("EUR"))
}
