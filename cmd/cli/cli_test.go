package cli

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"mendbook/events"
	"mendbook/ledger"
	"mendbook/verify"
)

func TestFaultName(t *testing.T) {
	for _, c := range []struct {
		text, unit, code string
		silent, bad      bool
	}{
		{text: "engine/P0302", unit: "engine", code: "P0302"},
		{text: "engine/p0302", unit: "engine", code: "P0302"},
		{text: "ABS/ESC/C0035-11", unit: "ABS/ESC", code: "C0035-11"},
		{text: "engine/no answer", unit: "engine", silent: true},
		{text: "engine/No  Answer", unit: "engine", silent: true},
		{text: "engine/SPN 1208 FMI 3", unit: "engine", code: "SPN 1208 FMI 3"},
		{text: "engine/spn1208/3", unit: "engine", code: "SPN 1208 FMI 3"},
		{text: "gearbox/9C41", unit: "gearbox", code: "9C41"},
		{text: "P0302", bad: true},
		{text: "/P0302", bad: true},
		{text: "engine/", bad: true},
		{text: "engine/PO302", bad: true},
		{text: "", bad: true},
	} {
		unit, code, silent, err := faultName(c.text)
		if (err != nil) != c.bad {
			t.Errorf("%q: error %v", c.text, err)
			continue
		}
		if err == nil && (unit != c.unit || code.String() != c.code || silent != c.silent) {
			t.Errorf("%q: %q %q %v", c.text, unit, code, silent)
		}
	}
}

func FuzzFaultName(f *testing.F) {
	for _, s := range []string{"engine/P0302", "a/b/no answer", "x/spn1208/3", "/", "engine/"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		unit, code, silent, err := faultName(s)
		if err == nil && (unit == "" || code.IsZero() != silent) {
			t.Fatalf("%q: unit %q, code %q, silent %v", s, unit, code, silent)
		}
	})
}

func partSession() *session {
	a := &app{env: &Env{}}
	a.cmd = newRepairCmd(a)
	return &session{a: a, policy: verify.DefaultPolicy()}
}

func TestPart(t *testing.T) {
	for _, c := range []struct {
		text string
		want events.Part
		bad  bool
	}{
		{text: "number=IC-2207", want: events.Part{Number: "IC-2207"}},
		{text: "Number = IC-2207 , name=coil, pencil type", want: events.Part{Number: "IC-2207", Name: "coil, pencil type"}},
		{text: "name=a=b", want: events.Part{Name: "a=b"}},
		{text: "", bad: true},
		{text: "IC-2207", bad: true},
		{text: "number=", bad: true},
		{text: "number=1,number=2", bad: true},
		{text: "colour=red", bad: true},
		{text: "number=1,colour=red", bad: true},
		{text: "number=1,price=cheap", bad: true},
		{text: "number=1,quantity=two", bad: true},
	} {
		got, err := partSession().part(c.text)
		if (err != nil) != c.bad || err == nil && got != c.want {
			t.Errorf("%q: %+v, %v", c.text, got, err)
		}
	}
	got, err := partSession().part("number=1,price=84.50,quantity=2")
	if err != nil || got.Price.String() != "84.50 EUR" || got.Quantity.String() != "2" {
		t.Errorf("%+v, %v", got, err)
	}
	got, err = partSession().part("number=1,price=84.50 CHF")
	if err != nil || got.Price.String() != "84.50 CHF" {
		t.Errorf("%+v, %v", got, err)
	}
}

func FuzzPart(f *testing.F) {
	for _, s := range []string{"number=1,price=84.50 EUR", "name=a,b", ",", "=", "price=,=,"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if part, err := partSession().part(s); err == nil && part == (events.Part{}) {
			t.Fatalf("%q gives an empty part", s)
		}
	})
}

// TestFollowIsTheSameFromEverywhere: joins in any order, circles among them, put
// every record into one group with one record that stays.
func TestFollowIsTheSameFromEverywhere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 8).Draw(t, "records")
		id := func(i int) events.ID { return events.NewID(time.UnixMilli(int64(i)), [10]byte{}) }
		into := map[events.ID]events.ID{}
		for i := range n {
			if j := rapid.IntRange(-1, n-1).Draw(t, "into"); j >= 0 {
				into[id(i)] = id(j)
			}
		}
		for i := range n {
			root := follow(into, id(i))
			if next, ok := into[id(i)]; ok && follow(into, next) != root {
				t.Fatalf("%d stays elsewhere than what it was joined into", i)
			}
			if follow(into, root) != root {
				t.Fatalf("the record that stays for %d does not stay", i)
			}
		}
	})
}

// TestSlips against the worked example of the distance: kitten to sitting is 3
// (Wagner and Fischer 1974 give the algorithm; the pair is the usual example).
func TestSlips(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"kitten", "sitting", 3}, {"", "abc", 3}, {"abc", "", 3}, {"van-7", "van-7", 0}, {"größe", "grosse", 3}} {
		if got := slips(c.a, c.b); got != c.want {
			t.Errorf("%q, %q: %d, want %d", c.a, c.b, got, c.want)
		}
	}
}

func TestSlipsIsADistance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		word := rapid.StringMatching(`[ab]{0,6}`)
		a, b, c := word.Draw(t, "a"), word.Draw(t, "b"), word.Draw(t, "c")
		if slips(a, b) != slips(b, a) || (slips(a, b) == 0) != (a == b) || slips(a, c) > slips(a, b)+slips(b, c) {
			t.Fatalf("%q %q %q", a, b, c)
		}
	})
}

func TestQuote(t *testing.T) {
	for _, c := range [][2]string{{"van-7", "van-7"}, {"van 7", `"van 7"`}, {"", `""`}, {"a$b", `'a$b'`}, {"it's", `"it's"`}, {`a"b'c`, `'a"b'\''c'`}} {
		if got := quote(c[0]); got != c[1] {
			t.Errorf("%q: %s, want %s", c[0], got, c[1])
		}
	}
}

// shop is a book, and the program run on it in this process.
type shop struct {
	t     *testing.T
	dir   string
	at    time.Time
	now   func() time.Time
	ctx   context.Context
	edits func(string) error
}

func newShop(t *testing.T) *shop {
	s := &shop{t: t, dir: t.TempDir(), at: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), ctx: t.Context()}
	s.now = func() time.Time { s.at = s.at.Add(time.Second); return s.at }
	s.must("init")
	s.must("vehicle", "add", "van-7")
	return s
}

func (s *shop) run(args ...string) (int, string, string) {
	var out, errs bytes.Buffer
	env := &Env{Context: s.ctx, In: strings.NewReader(""), Out: &out, Err: &errs, Now: s.now, Entropy: rand.Reader,
		Getenv:    func(string) string { return "" },
		Dir:       func() (string, error) { return filepath.Join(s.dir, "book"), nil },
		StateDir:  func() (string, error) { return filepath.Join(s.dir, "state"), nil },
		RunEditor: s.edits, Version: Version}
	code := Main(env, args)
	return code, out.String(), errs.String()
}

func (s *shop) must(args ...string) string {
	s.t.Helper()
	code, out, errs := s.run(args...)
	if code != 0 {
		s.t.Fatalf("%q: exit code %d\n%s%s", args, code, out, errs)
	}
	return out
}

// TestInterrupted: an interrupt ends with 1, says so and leaves nothing.
func TestInterrupted(t *testing.T) {
	s := newShop(t)
	before := s.must("export", "-")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	s.ctx = ctx
	code, _, errs := s.run("key", "van-7")
	if code != exitFailed || !strings.Contains(errs, "interrupted") {
		t.Errorf("exit code %d: %s", code, errs)
	}
	s.ctx = t.Context()
	if after := s.must("export", "-"); after != before {
		t.Errorf("the interrupted command left something:\n%s", after)
	}
	s.must("check")
}

// TestBusy: while another process writes, a command ends with 11 and says who it is.
func TestBusy(t *testing.T) {
	s := newShop(t)
	a := &app{env: &Env{}}
	a.cmd = newKeyCmd(a)
	b, err := ledger.Open(t.Context(), ledger.Options{Dir: filepath.Join(s.dir, "book"), StateDir: filepath.Join(s.dir, "state"),
		Registry: events.Known(), Now: s.now, Entropy: rand.Reader, Verb: "mendbook import"})
	if err != nil {
		t.Fatal(err)
	}
	err = b.Update(t.Context(), func(*ledger.Writer) error {
		code, out, errs := s.run("--wait", "0", "key", "van-7")
		if code != exitBusy || out != "" || !strings.Contains(errs, "mendbook import") || !strings.Contains(errs, "hint: ") {
			t.Errorf("exit code %d: %s%s", code, out, errs)
		}
		// Reading goes on meanwhile.
		if code, _, errs := s.run("--wait", "0", "vehicle", "list"); code != exitDone {
			t.Errorf("exit code %d: %s", code, errs)
		}
		return nil
	})
	if err = errors.Join(err, b.Close()); err != nil {
		t.Fatal(err)
	}
	s.must("key", "van-7")
	s.must("check")
}

// TestReadingChangesNothing: reading verbs leave the events as they are.
func TestReadingChangesNothing(t *testing.T) {
	s := newShop(t)
	s.must("scan", "van-7", "--unit", "engine: P0302 present")
	before := s.must("export", "-")
	for _, args := range [][]string{{"vehicle", "list"}, {"vehicle", "show", "van-7"}, {"job", "list", "--waiting"}, {"job", "show", "van-7"},
		{"policy"}, {"history", "van-7"}, {"sheet", "van-7"}, {"find", "P0302"}, {"check"}, {"__complete", "repair", "van-7", "x", "y", "--for", ""}} {
		s.must(args...)
	}
	if after := s.must("export", "-"); after != before {
		t.Errorf("reading changed the book:\n%s", after)
	}
}

// TestEveryRuleHasItsCode: the table's codes are those that help explains.
func TestEveryRuleHasItsCode(t *testing.T) {
	var told []string
	for _, row := range exitCodes() {
		told = append(told, row[0])
	}
	want := []string{"0", "1", "3", "4", "10", "11", "12", "13", "64"}
	if !slices.Equal(told, want) {
		t.Errorf("help explains %v, want %v", told, want)
	}
	a := &app{env: &Env{}}
	for _, c := range []struct {
		err  error
		code int
	}{
		{ledger.ErrNoBook, 10}, {&ledger.BusyError{}, 11}, {ledger.ErrDamaged, 12}, {errIntegrity, 12}, {&usageError{"x", ""}, 64},
		{context.Canceled, 1}, {errors.New("x"), 1}, {events.Invalid{{Field: "a", Reason: "b"}}, 1},
		{withHint(ledger.ErrNoBook, "x"), 10}, {errors.Join(ledger.ErrDamaged, errors.New("x")), 12},
	} {
		if got := a.judgeError(c.err).Exit; got != c.code {
			t.Errorf("%v: %d, want %d", c.err, got, c.code)
		}
	}
}
