package ledger

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"golang.org/x/mod/sumdb/note"

	"mendbook/events"
)

// TestDamageIsNamed: each damage is found under its own code, and nothing else
// is claimed. The damages are made behind the back of the package, as a failing
// disk or another program would.
func TestDamageIsNamed(t *testing.T) {
	const flip = `UPDATE events SET raw = CAST(replace(CAST(raw AS TEXT), '"minutes":12', '"minutes":13') AS BLOB) WHERE seq = 5`
	tests := []struct {
		name     string
		damage   []string
		triggers bool // put the triggers back
		want     []string
	}{
		{"changed byte", []string{dropUpdate, flip}, true, []string{"changed-bytes"}},
		{"dropped trigger and edited row", []string{dropUpdate, flip}, false, []string{"changed-bytes", "missing-trigger"}},
		{"dropped trigger", []string{dropDelete}, false, []string{"missing-trigger"}},
		{"bytes that are no event", []string{dropUpdate, `UPDATE events SET raw = x'7b7d' WHERE seq = 5`}, true, []string{"changed-bytes"}},
		{"row missing in the middle", []string{dropDelete, `DELETE FROM events WHERE seq = 5`}, true, []string{"missing-row"}},
		{"row missing at the end", []string{dropDelete, `DELETE FROM events WHERE seq = 8`}, true, []string{"missing-row"}},
		{"two rows swapped", []string{dropUpdate,
			`UPDATE events SET seq = 1000 WHERE seq = 5`, `UPDATE events SET seq = 5 WHERE seq = 6`, `UPDATE events SET seq = 6 WHERE seq = 1000`}, true, []string{"reordered-row"}},
		{"leaf hash changed", []string{dropUpdate, `UPDATE events SET hashes = CAST(zeroblob(32) || substr(hashes, 33) AS BLOB) WHERE seq = 5`}, true, []string{"changed-hash"}},
		{"hash of a node changed", []string{dropUpdate, `UPDATE events SET hashes = CAST(substr(hashes, 1, 32) || zeroblob(32) || substr(hashes, 65) AS BLOB) WHERE seq = 4`}, true, []string{"changed-hash"}},
		{"column changed", []string{dropUpdate, `UPDATE events SET type = 'key.cycled.v1' WHERE seq = 5`}, true, []string{"wrong-column"}},
		{"lookup row missing", []string{`DELETE FROM lookup WHERE kind = 'label'`}, false, []string{"bad-index"}},
		{"lookup row too many", []string{`INSERT INTO lookup (word, kind, event) SELECT 'bus-3', 'label', id FROM events WHERE seq = 2`}, false, []string{"bad-index"}},
		{"index of the table dropped", []string{`DROP INDEX events_subject`}, false, []string{"missing-index"}},
		{"trigger made harmless", []string{dropUpdate, `CREATE TRIGGER events_no_update BEFORE UPDATE ON events BEGIN SELECT 1; END`}, false, []string{"changed-schema"}},
		{"head unreadable", []string{`UPDATE feeds SET head = x'00'`}, false, []string{"bad-head"}},
		{"head of an earlier size", nil, false, []string{"extra-row"}},
		{"head signed by another key", nil, false, []string{"wrong-key"}},
		{"station.key replaced", nil, false, []string{"wrong-key"}},
		{"station.key missing", nil, false, []string{"missing-key"}},
		{"file missing", nil, false, []string{"missing-file"}},
		{"file changed", nil, false, []string{"changed-file"}},
	}
	for i, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			s := filledStation(t, uint64(100+i))
			s.ends = false
			switch test.name {
			case "head of an earlier size", "head signed by another key":
				s.resign(test.name == "head signed by another key")
			case "station.key replaced":
				other, err := newKey(newEntropy(7))
				if err != nil {
					t.Fatal(err)
				}
				if err := writeKey(filepath.Join(s.opt.Dir, keyFile), other); err != nil {
					t.Fatal(err)
				}
			case "station.key missing":
				removeFile(t, filepath.Join(s.opt.Dir, keyFile))
			case "file missing":
				removeFile(t, s.onlyFile())
			case "file changed":
				if err := os.WriteFile(s.onlyFile(), []byte("a photo of the tailgatf"), 0o600); err != nil {
					t.Fatal(err)
				}
			default:
				s.damage(test.damage...)
				if test.triggers {
					s.restoreTriggers()
				}
			}
			if got := s.codes(); !slices.Equal(got, test.want) {
				t.Errorf("found %v, want %v", got, test.want)
				for _, f := range s.check().Findings {
					t.Log(f)
				}
			}
			if s.check().OK() {
				t.Error("the report says that all is well")
			}
		})
	}
}

func removeFile(t testing.TB, path string) {
	t.Helper()
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
}

func (s *station) onlyFile() string {
	s.t.Helper()
	found, err := filepath.Glob(filepath.Join(s.opt.Dir, filesDir, "*", "*"))
	if err != nil || len(found) != 1 {
		s.t.Fatalf("files %v, %v: want one", found, err)
	}
	return found[0]
}

// resign replaces the head by one of seven of the eight events, or by one of all
// of them that another key has signed under the feed's name.
func (s *station) resign(otherKey bool) {
	s.t.Helper()
	b := s.open()
	defer b.Close()
	f := ownOf(s.t, b)
	key, err := readKey(filepath.Join(s.opt.Dir, keyFile))
	if err != nil {
		s.t.Fatal(err)
	}
	signer, h := key.signer, Head{Feed: f.Name, Size: f.Size, Root: f.Root}
	if otherKey {
		secret, _, err := note.GenerateKey(newEntropy(9), originPrefix+f.Name)
		if err != nil {
			s.t.Fatal(err)
		}
		if signer, err = note.NewSigner(secret); err != nil {
			s.t.Fatal(err)
		}
	} else {
		h.Size--
		if h.Root, err = b.RootAt(context.Background(), f.Name, h.Size); err != nil {
			s.t.Fatal(err)
		}
	}
	signed, err := signHead(h, signer)
	if err != nil {
		s.t.Fatal(err)
	}
	s.damage(fmt.Sprintf(`UPDATE feeds SET head = x'%x'`, signed))
}

// TestDamageOfACutFile: a file cut at any length is a finding, never a crash, and what
// is no database is told apart.
func TestDamageOfACutFile(t *testing.T) {
	s := filledStation(t, 200)
	s.ends = false
	path := filepath.Join(s.opt.Dir, bookFile)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range []int{0, 1, 50, 99, 100, 512, 4095, 4096, 4097, len(whole) / 3, len(whole) / 2, len(whole) - 4096, len(whole) - 1} {
		if err := os.WriteFile(path, whole[:n], 0o600); err != nil {
			t.Fatal(err)
		}
		got := s.codes()
		if !slices.Contains(got, "cut-file") {
			t.Errorf("cut at %d of %d: found %v, want cut-file", n, len(whole), got)
		}
	}
	if err := os.WriteFile(path, []byte("this is a plain letter, and it is long enough to be no database at all, whatever one may hope for in it"), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := s.codes(); !slices.Equal(got, []string{"not-a-book"}) {
		t.Errorf("a letter: found %v, want not-a-book", got)
	}
	if _, err := Open(context.Background(), s.opt); !errors.Is(err, ErrDamaged) {
		t.Errorf("opening a letter: %v, want ErrDamaged", err)
	}
	removeFile(t, path)
	if _, err := Check(context.Background(), s.opt, nil); !errors.Is(err, ErrNoBook) {
		t.Errorf("checking nothing: %v, want ErrNoBook", err)
	}
}

// TestDamageOfAnyByte changes single bytes all over the file. Whatever they
// are, Check ends with a report and never claims that an event which differs is
// sound. Bytes of free pages and of no meaning may pass.
func TestDamageOfAnyByte(t *testing.T) {
	s := filledStation(t, 201)
	s.ends = false
	path := filepath.Join(s.opt.Dir, bookFile)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b := s.open()
	before := rawOf(t, b)
	b.Close()
	for at := 0; at < len(whole); at += len(whole)/97 + 1 {
		broken := slices.Clone(whole)
		broken[at] ^= 0x41
		if err := os.WriteFile(path, broken, 0o600); err != nil {
			t.Fatal(err)
		}
		report, err := Check(context.Background(), s.opt, nil)
		if errors.Is(err, ErrNewerBook) {
			continue // the byte of the layout
		}
		if err != nil {
			t.Errorf("byte %d: %v", at, err)
			continue
		}
		if !report.OK() {
			continue
		}
		b := s.open()
		if after := rawOf(t, b); after != before {
			t.Errorf("byte %d: the events differ, and check found nothing", at)
		}
		b.Close()
	}
}

// TestDamageOfConflictingCopies: one id in two feeds with two contents is found.
func TestDamageOfConflictingCopies(t *testing.T) {
	s := filledStation(t, 202)
	b := s.open()
	id := events.NewID(morning, [10]byte{1})
	putOne(t, b, Draft{ID: id, Body: &events.PolicySet{Name: "note", Value: "one"}})
	b.Close()
	other := newStation(t, 203)
	ob := other.create()
	putOne(t, ob, Draft{ID: id, Body: &events.PolicySet{Name: "note", Value: "two"}})
	f := ownOf(t, ob)
	b = s.open()
	err := b.Update(context.Background(), func(w *Writer) error {
		_, err := w.Receive(context.Background(), f.Name, ob.Raw(context.Background(), f.Name, 1, 0), f.Head)
		return err
	})
	if !errors.Is(err, ErrConflict) {
		t.Fatalf("receiving another content: %v, want ErrConflict", err)
	}
	b.Close()
	ob.Close()
	// What the writer refuses, a file may still hold.
	s.damage(fmt.Sprintf(`ATTACH '%s' AS other`, filepath.Join(other.opt.Dir, bookFile)),
		`INSERT INTO feeds SELECT 2, name, 0, clock, head FROM other.feeds`,
		`INSERT INTO events SELECT 2, seq, id, type, subject, raw, hashes FROM other.events`)
	if got := s.codes(); !slices.Equal(got, []string{"conflicting-copies"}) {
		t.Errorf("found %v, want conflicting-copies", got)
	}
}

func rawOf(t testing.TB, b *Book) string {
	t.Helper()
	var out []byte
	for raw, err := range b.Raw(context.Background(), ownOf(t, b).Name, 1, 0) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(append(out, raw...), 10)
	}
	return string(out)
}
