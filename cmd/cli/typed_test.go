package cli

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"io"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"

	"mendbook/events"
)

// TestBreakableReadsAll: what is read is what was written, in pieces of any size.
func TestBreakableReadsAll(t *testing.T) {
	want := strings.Repeat("engine: P0302 present\n", 5000)
	for _, in := range []io.Reader{strings.NewReader(want), iotest.OneByteReader(strings.NewReader(want)), iotest.DataErrReader(strings.NewReader(want))} {
		got, err := io.ReadAll(newBreakable(t.Context(), in))
		if err != nil || string(got) != want {
			t.Errorf("%d bytes of %d, %v", len(got), len(want), err)
		}
	}
	if _, err := io.ReadAll(newBreakable(t.Context(), iotest.ErrReader(io.ErrClosedPipe))); !errors.Is(err, io.ErrClosedPipe) {
		t.Errorf("the error of the input is lost: %v", err)
	}
}

// interrupting is an input that nobody types into: the first read of it is when
// the person interrupts.
type interrupting struct {
	cancel context.CancelFunc
	never  chan struct{}
}

func (i interrupting) Read([]byte) (int, error) {
	i.cancel()
	<-i.never
	return 0, io.EOF
}

// TestInterruptedWhileReading: an interrupt ends a read of the standard input.
func TestInterruptedWhileReading(t *testing.T) {
	s := newShop(t)
	before := s.must("export", "-")
	for _, args := range [][]string{{"scan", "van-7", "-"}, {"import", "-"}} {
		ctx, cancel := context.WithCancel(t.Context())
		never := make(chan struct{})
		var out, errs bytes.Buffer
		env := &Env{Context: ctx, In: interrupting{cancel, never}, Out: &out, Err: &errs, Now: s.now, Entropy: rand.Reader,
			Getenv:   func(string) string { return "" },
			Dir:      func() (string, error) { return filepath.Join(s.dir, "book"), nil },
			StateDir: func() (string, error) { return filepath.Join(s.dir, "state"), nil }}
		code := Main(env, args)
		close(never)
		if code != exitFailed || errs.String() != "mendbook: interrupted; nothing was recorded\n" || out.Len() != 0 {
			t.Errorf("%q: exit code %d: %q %q", args, code, out.String(), errs.String())
		}
	}
	if after := s.must("export", "-"); after != before {
		t.Errorf("the interrupted commands left something:\n%s", after)
	}
}

// TestWrongCommandLines: each ends with 64 and says which word is wrong, in words
// of the command line.
func TestWrongCommandLines(t *testing.T) {
	s := newShop(t)
	s.must("scan", "van-7", "--unit", "engine: P0302 present")
	s.must("vehicle", "add", "bus-4")
	long := strings.Repeat("x", 81)
	for _, c := range []struct {
		want string
		args []string
	}{
		{`--minutes "20.5": want a whole number from 0 to 100000`, []string{"drive", "van-7", "--minutes", "20.5"}},
		{`--minutes "-1": want a whole number from 0 to 100000`, []string{"drive", "van-7", "--minutes=-1"}},
		{`--minutes "99999999999999999999": want a whole number`, []string{"drive", "van-7", "--minutes", "99999999999999999999"}},
		{`--wait "soon": want a whole number from 0 to 86400`, []string{"--wait", "soon", "vehicle", "list"}},
		{`--cold-start "perhaps": want true or false`, []string{"drive", "van-7", "--minutes", "20", "--cold-start=perhaps"}},
		{`--minutes needs a value`, []string{"drive", "van-7", "--minutes"}},
		{`--year: 3019: want 1886 to 2200`, []string{"vehicle", "add", "bus-3", "--year", "3019"}},
		{`--market: "GERMANY": want two letters`, []string{"vehicle", "add", "bus-3", "--market", "Germany"}},
		{`LABEL: 81 characters`, []string{"vehicle", "add", long}},
		{`--by: 81 characters`, []string{"key", "van-7", "--by", long}},
		{`COMPONENT: missing`, []string{"repair", "van-7", "replaced", ""}},
		{`UNIT: "engine" names itself`, []string{"unit", "name", "van-7", "engine", "engine"}},
		{`--card: 81 characters`, []string{"scan", "bus-4", "--card", long, "--unit", "engine: no codes"}},
		{`unit engine is given as accepted and with --refused`, []string{"erase", "van-7", "engine", "--refused", "Engine"}},
		{`unit engine is given twice as accepted`, []string{"erase", "van-7", "engine", "engine"}},
		{`unit engine is given twice with --silent`, []string{"erase", "van-7", "--silent", "engine", "--silent", "engine"}},
		{`--service "99": want one of 14, 04, DM11, DM3`, []string{"erase", "van-7", "engine", "--service", "99"}},
		{`--group stands without --service`, []string{"erase", "van-7", "engine", "--group", "FFFFFF"}},
		{`--group: "XYZ": want 4 to 6 hex digits`, []string{"erase", "van-7", "engine", "--service", "14", "--group", "xyz"}},
		{`--book is empty`, []string{"--book", "", "vehicle", "list"}},
	} {
		code, out, errs := s.run(c.args...)
		if code != exitUsage || out != "" || !strings.Contains(errs, "mendbook: "+c.want) || strings.Contains(errs, "strconv") {
			t.Errorf("%q: exit code %d: %s%s", c.args, code, out, errs)
		}
	}
}

// TestBoard: a job is on the board as long as a verdict of it is open that no
// repair of a later job took over.
func TestBoard(t *testing.T) {
	s := newShop(t)
	board := func() string { return s.must("job", "list", "--waiting") }
	s.must("job", "open", "van-7", "--card", "FB-1")
	if got := board(); got != "" {
		t.Errorf("a job without a fault is on the board:\n%s", got)
	}
	s.must("scan", "van-7", "--unit", "engine: P0302 present, P0171 present")
	s.must("repair", "van-7", "replaced", "coil 2", "--for", "engine/P0302")
	s.must("repair", "van-7", "replaced", "intake hose", "--for", "engine/P0171")
	if got := board(); !strings.Contains(got, "FB-1") || !strings.Contains(got, "2 open verdicts: ") {
		t.Errorf("two awaited verdicts:\n%s", got)
	}
	s.must("erase", "van-7", "engine")
	s.must("drive", "van-7", "--minutes", "1")
	s.must("scan", "van-7", "--unit", "engine: P0302 present")
	if code, _, _ := s.run("verify", "FB-1"); code != exitBad {
		t.Errorf("verify ends with %d", code)
	}
	if got := board(); !strings.Contains(got, "FB-1") || !strings.Contains(got, "1 open verdict: ") {
		t.Errorf("a bad job with an open verdict:\n%s", got)
	}
	s.must("job", "close", "FB-1")
	s.must("scan", "van-7", "--card", "FB-2", "--unit", "engine: P0302 present")
	s.must("repair", "van-7", "replaced", "wiring", "--for", "engine/P0302")
	if got := board(); !strings.Contains(got, "FB-1") || !strings.Contains(got, "FB-2") {
		t.Errorf("a closed job whose fault nobody took over:\n%s", got)
	}
	s.must("unit", "name", "van-7", "ECM", "engine")
	s.must("repair", "van-7", "replaced", "intake hose", "--for", "ECM/P0171")
	if got := board(); strings.Contains(got, "FB-1 ") || !strings.Contains(got, "FB-2") {
		t.Errorf("a later repair took the fault over:\n%s", got)
	}
}

// TestSlipsOfThePen are recorded all the same, with a note.
func TestSlipsOfThePen(t *testing.T) {
	s := newShop(t)
	for _, c := range []struct {
		want string
		args []string
	}{
		{"note: battery 124 V is not a voltage", []string{"scan", "van-7", "--battery", "124 V", "--unit", "engine: no codes"}},
		{"note: battery 4.9 V is not a voltage", []string{"scan", "van-7", "--battery", "4.9 V", "--unit", "engine: no codes"}},
		{"note: odometer 5000001 km is above", []string{"drive", "van-7", "--minutes", "5", "--odometer", "5000001 km"}},
		{"note: no scan of van-7 has shown a unit gearbox", []string{"erase", "van-7", "--refused", "gearbox"}},
	} {
		code, _, errs := s.run(c.args...)
		if code != exitDone || !strings.Contains(errs, c.want) {
			t.Errorf("%q: exit code %d: %s", c.args, code, errs)
		}
	}
	for _, volts := range []string{"5 V", "12.4 V", "60 V"} {
		if _, _, errs := s.run("scan", "van-7", "--battery", volts, "--unit", "engine: no codes"); strings.Contains(errs, "note: battery") {
			t.Errorf("%s: %s", volts, errs)
		}
	}
}

func TestUnitRing(t *testing.T) {
	s := newShop(t)
	s.must("unit", "name", "van-7", "7E8", "ECM")
	s.must("unit", "name", "van-7", "ECM", "engine")
	code, _, errs := s.run("unit", "name", "van-7", "engine", "7E8")
	if code != exitFailed || !strings.Contains(errs, "7E8 is the unit ECM and ECM is the unit engine already") || !strings.Contains(errs, "hint: mendbook history van-7") {
		t.Errorf("exit code %d: %s", code, errs)
	}
	// A name that is given anew leads to where it says now.
	s.must("unit", "name", "van-7", "7E8", "motor")
	s.must("unit", "name", "van-7", "engine", "7E8")
}

func TestNearest(t *testing.T) {
	for _, c := range []struct{ s, words, want string }{
		{"FB-2", "FB-1 FB-1 fb-1", "FB-1"},
		{"scna", "scan sheet", "scan"},
		{"abc", "xbz abd", "abd"},
		{"van-9", "van-7 bus-3", "van-7"},
		{"zzz", "van-7", ""},
	} {
		if got := strings.Join(nearest(c.s, strings.Fields(c.words), 3), " "); got != c.want {
			t.Errorf("%q: %q, want %q", c.s, got, c.want)
		}
	}
}

func TestColumns(t *testing.T) {
	for text, want := range map[string]int{"": 0, "72": 72, "wide": 0, "-5": 0, "0": 0, "3": 0, "999999": 0} {
		if got := columns(text); got != want {
			t.Errorf("%q: %d, want %d", text, got, want)
		}
	}
}

func TestVersionFlag(t *testing.T) {
	s := newShop(t)
	if a, b := s.must("--version"), s.must("version"); a != b || a == "" {
		t.Errorf("%q and %q", a, b)
	}
	if a, b := s.must("--version", "--json"), s.must("version", "--json"); a != b {
		t.Errorf("%q and %q", a, b)
	}
}

// TestFieldsOfFilesStay: a field that was not typed keeps its path and its exit code.
func TestFieldsOfFilesStay(t *testing.T) {
	a := &app{env: &Env{Getenv: func(string) string { return "" }}}
	a.cmd = newScanCmd(a)
	if got := a.judgeError(a.wrongValues(events.Invalid{{Field: "units[0].unit", Reason: "missing"}})); got.Exit != exitFailed || got.Error != "units[0].unit: missing" {
		t.Errorf("%+v", got)
	}
}
