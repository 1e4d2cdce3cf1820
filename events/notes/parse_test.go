package notes

import (
	"errors"
	"fmt"
	goparser "go/parser"
	gotoken "go/token"
	"reflect"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // the same zones on every system

	"mendbook/events"
)

func encode(t *testing.T, n Note) string {
	t.Helper()
	data, err := events.EncodeData(n.Scan)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// The note of the architecture's design.
const designNote = `odometer 214880 km
lamp engine on
unit engine
  P0302 present
  P0455 stored
unit tailgate silent
unit gearbox
  P0741-07 stored
  9C41 stored            # a maker's own code, as the unit printed it
`

func TestParse(t *testing.T) {
	unit := func(body string) string { return `{"units":[{"unit":"engine","reach":"answered",` + body + `}]}` }
	tests := []struct{ name, text, want string }{
		{"design", designNote, `{"odometer":"214880 km","lamps":[{"name":"engine","state":"on"}],"units":[` +
			`{"unit":"engine","reach":"answered","views":["stored"],"codes":[{"code":"P0302","state":"present"},{"code":"P0455","state":"stored"}]},` +
			`{"unit":"tailgate","reach":"silent"},` +
			`{"unit":"gearbox","reach":"answered","views":["stored"],"codes":[{"code":"P0741-07","state":"stored"},{"code":"9C41","state":"stored"}]}]}`},
		{"mark and line ends", "\ufeffUNIT engine\r\n\tNo Codes\r\n", unit(`"views":["stored"]`)},
		{"engine state and unit", "engine running\nunit engine\nno codes", `{"engine":"running","units":[{"unit":"engine","reach":"answered","views":["stored"]}]}`},
		{"pending and permanent widen", "unit engine\nP0302 pending\nP0420 permanent", unit(`"views":["stored","pending","permanent"],"codes":[{"code":"P0302","state":"pending"},{"code":"P0420","permanent":true}]`)},
		{"service has no views", "unit engine\nservice 19 02\nP0302 status 2f", unit(`"service":"19 02","codes":[{"code":"P0302","status":"2F"}]`)},
		{"mask has no views", "unit engine\nmask FF\nno codes", unit(`"mask":"FF"`)},
		{"only a monitor", "unit engine\nmonitor egr-vvt complete", unit(`"monitors":[{"name":"egr-vvt","complete":true}]`)},
		{"views by plus", "unit engine\nviews active+Previously Active\nno codes", unit(`"views":["active","previously-active"]`)},
		{"supported", "unit engine\nviews supported\nP0302", unit(`"views":["supported"],"codes":[{"code":"P0302"}]`)},
		{"listed", "unit engine\nP0302 listed", unit(`"views":["stored"],"codes":[{"code":"P0302"}]`)},
		{"names of several words", "lamp oil pressure off, key on, engine off\nunit body rear at 18daf110 refused 7f", `{"lamps":[{"name":"oil pressure","state":"off","when":"key on, engine off"}],"units":[{"unit":"body rear","address":"18DAF110","reach":"refused","refusal":"7F"}]}`},
		{"quoted", "note \"a # b\"\nnote it is 5\" wide\nunit \"silent\"\n\"raw\" stored", `{"units":[{"unit":"silent","reach":"answered","views":["stored"],"codes":[{"code":"raw","state":"stored"}]}],"note":"a # b\nit is 5\" wide"}`},
		{"truncated", "unit engine truncated", `{"units":[{"unit":"engine","reach":"truncated"}]}`},
		{"frame", "unit engine\nframe SPN 1208 FMI 3 at 2026-03-02T09:00:00Z odometer 5 km, oil pressure 2.5 bar, load 12%\nspn1208/3 stored", unit(`"views":["stored"],"codes":[{"code":"SPN 1208 FMI 3","state":"stored","frame":{"at":"2026-03-02T09:00:00Z","odometer":"5 km","values":[{"name":"oil pressure","value":"2.5 bar"},{"name":"load","value":"12 %"}]}}]`)},
		{"raw and more", "unit engine\naddress 7e8\nsoftware A, 1\nraw 59 02 ff\nlamp commanded off\nno codes", `{"units":[{"unit":"engine","address":"7E8","software":["A, 1"],"reach":"answered","views":["stored"],"lampCommanded":false,"frames":["5902FF"]}]}`},
		{"two readings", "unit engine\nservice 03\nno codes\nunit engine\nservice 07\nno codes", `{"units":[{"unit":"engine","reach":"answered","service":"03"},{"unit":"engine","reach":"answered","service":"07"}]}`},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			n, err := Parse([]byte(test.text), nil)
			if err != nil {
				t.Fatal(err)
			}
			if got := encode(t, n); got != test.want {
				t.Errorf("got  %s\nwant %s", got, test.want)
			}
		})
	}
}

func TestParseErrors(t *testing.T) {
	const ok = "\nunit z\nno codes"
	tests := []struct{ text, want string }{ // want: "line:column part of the text" by |
		{"", "1:1 names no unit"},
		{"odometre 5 km" + ok, `1:1 did you mean "odometer"`},
		{"odometer 5" + ok, "1:10 unit is missing"},
		{"odometer" + ok, "1:1 nothing stands after"},
		{"odometer 5 km\nodometer 6 km" + ok, "2:1 on line 1"},
		{"at noon" + ok, "1:4 not a time"},
		{"at 1969-01-01T00:00:00Z" + ok, "1:4 outside the years"},
		{"ignition onn" + ok, "1:10 want off or on"},
		{"engine runing" + ok, `1:8 did you mean "running"`},
		{"battery 12.4 A" + ok, "1:9 want volts"},
		{"lamp engine" + ok, "1:6 state is missing"},
		{"lamp engine flashin" + ok, `1:13 did you mean "flashing"`},
		{"lamp on" + ok, "1:6 has no name"},
		{"lamp engine on," + ok, "1:15 after the comma"},
		{"lamp engine on\nlamp ENGINE off" + ok, "2:6 given twice"},
		{"P0302 stored" + ok, "1:1 before any unit"},
		{"  mask FF" + ok, "1:3 before any unit"},
		{", x" + ok, "1:1 begins with"},
		{"unit engine", "1:6 nothing stands below"},
		{"unit engine\nservice 19 02", "1:6 lists nothing"},
		{"unit engine\nno codes\nP0302 stored", "2:1 beside codes"},
		{"unit engine silent\nno codes", "2:1 is silent"},
		{"unit engine silent\nP0302 stored", "1:6 codes stand below"},
		{"unit silent", "1:1 no name"},
		{"unit engine slient\nno codes", `1:13 did you mean "silent"`},
		{"unit engine refused xx", "1:21 response code"},
		{"unit engine at\nno codes", "1:13 address is missing"},
		{"unit engine at 7G8\nno codes", "1:16 not an address"},
		{"unit \"a\" b\nno codes", "1:6 part of the name"},
		{"unit \"a\nno codes", "1:6 encloses no text"},
		{"unit engine\nno codes\nunit Engine silent", "3:6 on line 1"},
		{"unit ümlaut\n  P0302", "2:3 how P0302 was listed"},
		{"unit engine\nP0302 prsent", `2:7 did you mean "present"`},
		{"unit engine\nP0302 stored, P0455 stored", "2:13 a line of its own"},
		{"unit engine\nP0302 stored present", "2:14 second word"},
		{"unit engine\nP0302 stored\nP0302 pending", "3:1 on line 2"},
		{"unit engine\nPO302 stored", "2:1 was P0302 meant"},
		{"unit engine\nSPN 1208 stored", "2:1 FMI"},
		{"unit engine\nP0302 status 2", "2:14 two hex digits"},
		{"unit engine\nP0302 count -1", "2:13 whole number"},
		{"unit engine\nP0302 stored count", "2:14 nothing stands after"},
		{"unit engine\nstored\n", "2:1 not a keyword"},
		{"unit engine\nmask FG\nno codes", "2:6 two hex digits"},
		{"unit engine\nmask FF FF\nno codes", "2:9 too much"},
		{"unit engine\nservice 19-02\nno codes", "2:9 not a service"},
		{"unit engine\nviews storred\nno codes", `2:7 did you mean "stored"`},
		{"unit engine\nviews stored, stored\nno codes", "2:15 given twice"},
		{"unit engine\nno code", "2:4 want codes"},
		{"unit engine\nmonitor catalist complete", `2:9 did you mean "catalyst"`},
		{"unit engine\nmonitor catalyst done", "2:18 complete or incomplete"},
		{"unit engine\nmonitor catalyst complete\nmonitor catalyst complete", "3:9 on line 2"},
		{"unit engine\nno codes\nsince erase warmups 3", `3:13 did you mean "warm-ups"`},
		{"unit engine\nno codes\nsince erase warm-ups 256", "3:7 0 to 255"},
		{"unit engine\nno codes\nlamp commanded maybe", "3:6 on or off"},
		{"unit engine\nno codes\nvin ABC", "3:5 17"},
		{"unit engine\nno codes\nraw 590", "3:5 in pairs"},
		{"unit engine\nno codes\nframe P0302 speed 5 km/h", "3:7 does not list"},
		{"unit engine\nP0302 stored\nframe P0302 speed", "3:13 name, a value and a unit"},
		{"unit engine\nP0302 stored\nframe P0302\nframe P0302", "4:7 on line 3"},
		{"unit engine\nno codes\nsoftware " + strings.Repeat("x", 81), "3:10 the limit is 80"},
		{"note a\x01b" + ok, "1:6 control character"},
		{"note ü\xff" + ok, "1:7 UTF-8"},
		{"odometer 5\nP0302\nunit engine\nP0455 stord", "1:10 unit is missing|2:1 before any unit|4:7 did you mean \"stored\""},
	}
	for _, test := range tests {
		t.Run(test.text, func(t *testing.T) {
			n, err := Parse([]byte(test.text), nil)
			var errs Errors
			if !errors.As(err, &errs) || n.Scan != nil {
				t.Fatalf("no error, or a scan beside it: %v", err)
			}
			wants := strings.Split(test.want, "|")
			if len(errs) != len(wants) {
				t.Fatalf("%d errors, want %d:\n%v", len(errs), len(wants), err)
			}
			for i, want := range wants {
				where, text, _ := strings.Cut(want, " ")
				e := errs[i]
				if got := fmt.Sprintf("%d:%d", e.Line, e.Column); got != where || !strings.Contains(e.Error(), text) {
					t.Errorf("got %s %v\nwant %s … %s", got, e, where, text)
				}
			}
		})
	}
}

func TestTooLong(t *testing.T) {
	if _, err := Parse(make([]byte, MaxBytes+1), nil); err == nil || !strings.Contains(err.Error(), "limit") {
		t.Errorf("got %v", err)
	}
}

// The clock changes are those of the IANA time zone database: in 2026 this zone goes
// from UTC+1 to UTC+2 on 29 March and back on 25 October, both at 01:00 UTC.
func TestTimes(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct{ text, want, wrong string }{
		{"2026-03-02 09:05", "2026-03-02T08:05:00Z", ""},
		{"2026-07-02T09:05:30", "2026-07-02T07:05:30Z", ""},
		{"2026-03-02t09:05:00+02:00", "2026-03-02T07:05:00Z", ""},
		{"2026-10-25 02:30", "", "comes twice"},
		{"2026-10-25 03:30", "2026-10-25T02:30:00Z", ""},
		{"2026-03-29 02:30", "", "is skipped"},
	}
	for _, test := range tests {
		n, err := Parse([]byte("at "+test.text+"\nunit engine\nno codes"), zone)
		switch {
		case test.wrong != "":
			if err == nil || !strings.Contains(err.Error(), test.wrong) {
				t.Errorf("%s: got %v, want %s", test.text, err, test.wrong)
			}
		case err != nil || n.At.String() != test.want:
			t.Errorf("%s: got %s, %v, want %s", test.text, n.At, err, test.want)
		}
	}
}

func TestManual(t *testing.T) {
	f, err := goparser.ParseFile(gotoken.NewFileSet(), "doc.go", nil, goparser.ParseComments)
	if err != nil {
		t.Fatal(err)
	}
	var indented strings.Builder
	for line := range strings.Lines(Manual) {
		if line != "\n" {
			line = "\t" + line
		}
		indented.WriteString(line)
	}
	if !strings.Contains(f.Doc.Text(), indented.String()) {
		t.Error("the package comment does not hold the manual")
	}
	if n := strings.Count(Manual, "\n"); n > 60 {
		t.Errorf("%d lines: want one page of 60", n)
	}
	n, err := Parse([]byte(manualExample()), nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(n.Scan.Units) != 6 || len(n.Scan.Units[0].Codes) != 3 {
		t.Errorf("the worked example was cut wrongly: %s", encode(t, n))
	}
}

func TestTemplate(t *testing.T) {
	n, err := Parse([]byte(manualExample()), nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, last := range []*events.ScanTaken{nil, {}, n.Scan} {
		text := Template(last)
		if got, err := Parse(text, nil); err == nil || got.Scan != nil {
			t.Errorf("an untouched template was taken:\n%s", text)
		}
	}
	filled := strings.ReplaceAll(string(Template(n.Scan)), "# last time: refused 22", "no codes")
	if !strings.Contains(filled, "unit engine at 7E8\n") || !strings.Contains(filled, "  service 19 02\n  mask FF\n") || !strings.Contains(filled, "# last time: P0302 present") {
		t.Errorf("got\n%s", filled)
	}
}

func TestFromFlags(t *testing.T) {
	text, err := FromFlags([]string{"odometer 214880 km", "lamp engine on", quotedLine("note", "the #2 valve # here")},
		[]string{"engine: P0302 present, P0455 stored", "tailgate: silent", "brakes: refused 22", "heater rear silent",
			"main at 7E8: service 19 02, mask FF, available 7F, views stored+pending, P0302 status 2F, since erase warm-ups 3 + minutes 5",
			"gearbox: no codes", `"a: b, c": lamp commanded on, no codes`})
	if err != nil {
		t.Fatal(err)
	}
	n, err := Parse(text, nil)
	if err != nil {
		t.Fatal(err)
	}
	want, err := Parse([]byte("odometer 214880 km\nlamp engine on\nnote \"the #2 valve # here\"\nunit engine\nP0302 present\nP0455 stored\nunit tailgate silent\n"+
		"unit brakes refused 22\nunit heater rear silent\nunit main at 7E8\nservice 19 02\nmask FF\navailable 7F\nviews stored, pending\nP0302 status 2F\n"+
		"since erase warm-ups 3, minutes 5\nunit gearbox\nno codes\nunit \"a: b, c\"\nlamp commanded on\nno codes"), nil)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(n, want) {
		t.Errorf("got  %s\nwant %s", encode(t, n), encode(t, want))
	}
}

func quotedLine(keyword, text string) string { return keyword + " " + Quote(text) }

func TestFromFlagsErrors(t *testing.T) {
	tests := []struct {
		top, units []string
		want       string
	}{
		{nil, nil, "names no unit"},
		{[]string{"odometer 5"}, []string{"engine: no codes"}, `in "odometer 5": distance`},
		{[]string{"note the # mark"}, []string{"engine: no codes"}, "put the text in quotation marks"},
		{[]string{"note a\nunit b"}, []string{"engine: no codes"}, "a line break"},
		{[]string{"unit engine"}, nil, "not given here"},
		{[]string{"mask FF"}, []string{"engine: no codes"}, `in "mask FF": "mask" stands before any unit`},
		{nil, []string{""}, "nothing is written"},
		{nil, []string{"engine:"}, `in "engine:": nothing stands below`},
		{nil, []string{"engine: P0302"}, `in "engine: P0302": it is not said how`},
		{nil, []string{"engine: P0302 stored,"}, "an entry of the list is empty"},
		{nil, []string{"engine: odometer 5 km, no codes"}, "does not belong to a unit"},
		{nil, []string{"engine: no codes", "engine: silent"}, `given before, in "engine: no codes"`},
	}
	for _, test := range tests {
		text, err := FromFlags(test.top, test.units)
		var errs Errors
		if !errors.As(err, &errs) || text != nil || !strings.Contains(err.Error(), test.want) || strings.Contains(err.Error(), "line 1") {
			t.Errorf("%q %q: got %v, want %s", test.top, test.units, err, test.want)
		}
	}
}
