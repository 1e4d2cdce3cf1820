package sheet

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode"

	"pgregory.net/rapid"

	"mendbook/events"
	"mendbook/events/quantity"
	"mendbook/verify"
)

var update = flag.Bool("update", false, "write the golden files anew")

func id(n byte) events.ID {
	return events.NewID(time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC), [10]byte{9: n})
}

func at(hour, minute int) events.Time {
	return events.At(time.Date(2026, 3, 2, hour, minute, 0, 0, time.UTC))
}

func number(s string) *quantity.Number {
	n := quantity.MustNumber(s)
	return &n
}

func distance(s string) quantity.Distance {
	d, err := quantity.ParseDistance(s)
	if err != nil {
		panic(err)
	}
	return d
}

func measure(s string) quantity.Measure {
	m, err := quantity.ParseMeasure(s)
	if err != nil {
		panic(err)
	}
	return m
}

// job is a closed job with every verdict, and with names that try to rewrite the
// terminal, or are wide or long.
func job() *verify.Report {
	return &verify.Report{
		Schema: verify.Schema, Rules: verify.Rules, Policy: verify.DefaultPolicy().Values(),
		Outcome: verify.Bad, Sentence: "2 of 9 faults cleared (1 on a drive alone), 1 persisted, 1 returned, 1 new, 1 unproven, 1 unread, 1 awaited, 1 unbaselined.",
		Vehicle: verify.Vehicle{ID: id(1), Label: "van-7", VIN: "0FBVAN0785X000007", Model: "panel van", Year: 2019, Engine: "2.0", Fuel: "petrol",
			VINNote: "position 9 is 'X', a check digit would be '8'; not every market uses one"},
		Job: verify.Job{ID: id(2), Card: "FB-1041", Complaint: "shakes when cold,\n\x1b[31mtailgate\x1b[0m dead",
			Opened: at(7, 0), Closed: at(15, 30), OdoIn: distance("214880 km"), OdoOut: distance("214895 km"), HandedOver: "van, two keys",
			SignedOff: []verify.SignOff{{Unit: "tailgate", Code: "B1A12-13", Verdict: "unbaselined", By: "Ida", Words: "handed over, driver told"}}},
		Faults: []verify.Fault{
			{Unit: "brakes", Code: "C0035", Before: "present", After: "present", Verdict: verify.Persisted, Contrast: true, Targeted: true,
				Reason: "failed since the erase: 2026-03-02 14:00 (present)", Next: "repair it and record the repair: it is still there"},
			{Unit: "engine", Code: "P0171-00", Means: "no sub-type information", Before: "2F", After: "50", Verdict: verify.Unproven, Contrast: true, Targeted: true,
				Reason: "its test has not run since the erase (2026-03-02 14:00)", Next: "drive until the test runs, then scan the engine unit again"},
			{Unit: "engine", Code: "P0302-00", Before: "2F", After: "2F", Verdict: verify.Returned, Contrast: true, Targeted: true,
				Reason: "was good on 2026-03-02 14:00, then failed since the erase: 2026-04-20 08:00 (2F)", Next: "repair it and record the repair",
				AtClose: &verify.Stood{Verdict: verify.Cleared, Grade: verify.Tested, Reason: "its test ran since the erase and passed (2026-03-02 14:00)"}},
			{Unit: "gearbox", Code: "P0741", Before: "stored", After: "not listed", Verdict: verify.Cleared, Grade: verify.Driven, Targeted: true,
				Reason: "not listed after 14 km and 22 min since the erase; it rests on the drive alone", Remarks: []string{"went without a repair: likely to return"}},
			{Unit: "heater", Code: "9C41", Before: "not read", After: "not read", Verdict: verify.Awaited, Reason: "not scanned since the work", Next: "scan the vehicle again"},
			{Unit: "retarder", Code: "SPN 1208 FMI 3", Before: "present", After: "refused", Verdict: verify.Unread, Targeted: true,
				Reason: "the unit refused", Next: "scan the retarder unit"},
			{Unit: "tailgate", Code: "no answer", Before: "silent", After: "answered", Verdict: verify.Cleared, Grade: verify.Answered, Contrast: true, Targeted: true, Accepted: true,
				Reason: "the unit answers (2026-03-02 14:00)"},
			{Unit: "tailgate", Code: "B1A12-13", Means: "circuit open", Before: "not read", After: "stored", Verdict: verify.Unbaselined,
				Reason: "found on 2026-03-02 14:00 (stored), after the work"},
			{Unit: "ドア後 \u202eunit\x07", Code: "U0100", Before: "not listed", After: "present", Verdict: verify.New, Reason: "not there before the work"},
		},
		Repairs: []verify.Repair{
			{ID: id(3), At: at(9, 0), What: "replaced ignition coil 2", By: "Ida", Targets: []string{"engine/P0302-00", "engine/P0171-00"},
				Parts: []string{"ignition coil FC-2210 serial A77 84.50 EUR"}, Score: verify.Score{Low: number("0.5000"), High: number("1.0000")},
				NewFaults: []string{"engine/U0100"}},
			{ID: id(4), At: at(9, 30), What: "cleaned tailgate connector", Targets: []string{"tailgate/no answer"},
				Score: verify.Score{Low: number("1.0000"), High: number("1.0000")}},
			{ID: id(5), At: at(9, 40), What: "washed windscreen"},
		},
		Lamps: []verify.Lamp{{Name: "engine", Before: "on", After: "off", Note: "a lamp that went out proves nothing: its fault can stay stored"}},
		Measurements: []verify.Measurement{{ID: id(6), At: at(8, 10), Name: "compression, cylinder 2", Value: measure("11.8 bar"),
			Low: number("10"), High: number("14"), Source: "depot rule", Unit: "engine", Within: "within"}},
		Steps: []verify.Step{
			{Event: id(2), At: at(7, 0), Kind: "opened", Text: "shakes when cold", Odometer: distance("214880 km")},
			{Event: id(7), At: at(7, 20), Kind: "scan", Text: "6 units, 5 codes, 1 silent", Odometer: distance("214880 km")},
			{Event: id(3), At: at(9, 0), Kind: "repair", Text: "replaced ignition coil 2"},
			{Event: id(8), At: at(10, 0), Kind: "erase", Text: "engine accepted, gearbox accepted, brakes accepted, retarder refused, tailgate silent"},
			{Event: id(9), At: at(12, 30), Kind: "drive", Text: "14 km, 22 min, cold start, mixed"},
			{Event: id(10), At: at(15, 30), Kind: "closed", Text: "van, two keys", Odometer: distance("214895 km")},
		},
		Cautions:          []string{"Brakes: check pedal and low-speed stop in the yard before any road test; follow the maker's procedure and local rules."},
		Warnings:          []string{"the odometer falls from 214895 km to 214880 km on 2026-03-02 14:00"},
		ChangedSinceClose: true,
	}
}

// scans is a judgement of two scans with nothing in it.
func scans() *verify.Report {
	return &verify.Report{Schema: verify.Schema, Rules: verify.Rules, Outcome: verify.Open,
		Sentence: "No fault was read or targeted in this job, so there is nothing to prove.",
		Vehicle:  verify.Vehicle{ID: id(1), Label: "bus-3"}, Job: verify.Job{Before: id(11), After: id(12)}}
}

func text(t testing.TB, r *verify.Report, o Options) string {
	t.Helper()
	var b bytes.Buffer
	if err := Text(&b, r, o); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestGolden(t *testing.T) {
	zone := time.FixedZone("depot time", 3600)
	reports := map[string]*verify.Report{"job": job(), "scans": scans()}
	for name, r := range reports {
		for _, full := range []bool{false, true} {
			for _, width := range []int{120, 80, 40} {
				for _, colour := range []bool{false, true} {
					file := fmt.Sprintf("%s-%s-%d-%s.txt", name, map[bool]string{false: "verify", true: "sheet"}[full], width,
						map[bool]string{false: "plain", true: "colour"}[colour])
					t.Run(file, func(t *testing.T) {
						got := text(t, r, Options{Width: width, Colour: colour, Zone: zone, Full: full})
						path := filepath.Join("testdata", file)
						if *update {
							if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
								t.Fatal(err)
							}
						}
						want, err := os.ReadFile(path)
						if err != nil {
							t.Fatal(err)
						}
						if got != string(want) {
							t.Errorf("differs from %s (go test -update writes it anew):\n%s", path, got)
						}
					})
				}
			}
		}
	}
}

var escape = regexp.MustCompile(`\x1b\[[0-9]*m`)

// Colour only repeats what the words say: without it nothing is lost.
func TestColourAddsNoMeaning(t *testing.T) {
	for _, width := range []int{120, 80, 40} {
		plain := text(t, job(), Options{Width: width, Full: true})
		if strings.Contains(plain, "\x1b") {
			t.Errorf("width %d: an escape without colour", width)
		}
		painted := text(t, job(), Options{Width: width, Full: true, Colour: true})
		if painted == plain {
			t.Errorf("width %d: no colour", width)
		}
		if escape.ReplaceAllString(painted, "") != plain {
			t.Errorf("width %d: colour changes the text", width)
		}
		for _, f := range job().Faults {
			if word := "(" + string(f.Verdict.Group()) + ")"; !strings.Contains(plain, word) {
				t.Errorf("width %d: %s is nowhere", width, word)
			}
		}
	}
}

// Whatever names a book holds, no line is wider than the page, and nothing a
// terminal would act on comes out.
func TestAnyNames(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := job()
		words := rapid.StringOf(rapid.Rune())
		for i := range r.Faults {
			r.Faults[i].Unit = words.Draw(t, "unit")
			r.Faults[i].Reason = words.Draw(t, "reason")
		}
		r.Vehicle.Label, r.Job.Complaint, r.Repairs[0].What = words.Draw(t, "label"), words.Draw(t, "complaint"), words.Draw(t, "what")
		width := rapid.IntRange(least, 140).Draw(t, "width")
		var b bytes.Buffer
		if err := Text(&b, r, Options{Width: width, Full: rapid.Bool().Draw(t, "full")}); err != nil {
			t.Fatal(err)
		}
		for _, line := range strings.Split(b.String(), "\n") {
			if n := columns(line); n > width {
				t.Fatalf("%d columns on a page of %d: %q", n, width, line)
			}
			for _, c := range line {
				if !unicode.IsPrint(c) {
					t.Fatalf("%q in %q", c, line)
				}
			}
		}
	})
}

func TestClean(t *testing.T) {
	tests := []struct{ in, want string }{
		{"van-7", "van-7"},
		{"a\nb\tc", `a\nb\tc`},
		{"\x1b[2J", `\x1b[2J`},
		{"a\u202eb", `a\u202eb`},
		{"bad\xff", `bad\xff`},
		{"kept \uFFFD", "kept \uFFFD"},
		{"größer 日本", "größer 日本"},
	}
	for _, test := range tests {
		if got := clean(test.in); got != test.want {
			t.Errorf("clean(%q) = %q, want %q", test.in, got, test.want)
		}
	}
}

func TestWrap(t *testing.T) {
	tests := []struct {
		in    string
		width int
		want  []string
	}{
		{"", 10, []string{""}},
		{"one two three", 7, []string{"one two", "three"}},
		{"a longestword b", 5, []string{"a", "longe", "stwor", "d b"}},
		{"日本語", 4, []string{"日本", "語"}},
		{"at (2026-03-02 14:00), then", 14, []string{"at", "(2026-03-02", "14:00), then"}},
		{"at (2026-03-02 14:00), then", 20, []string{"at", "(2026-03-02 14:00),", "then"}},
	}
	for _, test := range tests {
		if got := wrap(test.in, test.width); fmt.Sprint(got) != fmt.Sprint(test.want) {
			t.Errorf("wrap(%q, %d) = %q, want %q", test.in, test.width, got, test.want)
		}
	}
}

// failing is a writer whose disk is full.
type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, os.ErrClosed }

func TestWriteError(t *testing.T) {
	if err := Text(failing{}, job(), Options{}); err == nil {
		t.Error("a writer's error is lost")
	}
}
