package notes

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"mendbook/events"
)

func readAll(t *testing.T, text string) ([]Line, []LineError, int) {
	t.Helper()
	var lines []Line
	problems, total, err := ReadLines(strings.NewReader(text), events.Known(), func(l Line) error {
		lines = append(lines, l)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return lines, problems, total
}

const opened = `{"type":"job.opened.v1","subject":"van-7","at":"2026-03-02T08:00:00Z","ref":"j1","data":{"card":"4711"}}`

func TestReadLines(t *testing.T) {
	text := "\ufeff" + opened + "\r\n\n" +
		`{"type":"mendbook.scan.taken.v1","subject":"van-7","at":"2026-03-02T10:12:44+01:00","data":{ "units":[{"reach":"silent","unit":"tailgate"}] }}` + "\n" +
		`{"type":"repair.done.v1","subject":"van-7","at":"2026-03-02T11:00:00Z","data":{"job":"ref:j1","action":"replaced","component":"ref:j1"}}` + "\n" +
		`{"type":"key.cycled.v1","subject":"van-7","id":"01JNAZ1QV00000000000000000","data":{}}`
	lines, problems, total := readAll(t, text)
	if total != 0 || len(lines) != 4 {
		t.Fatalf("got %d lines, %v", len(lines), problems)
	}
	if lines[1].Number != 3 || lines[1].Type != "scan.taken.v1" || lines[1].At.String() != "2026-03-02T09:12:44Z" {
		t.Errorf("got %+v", lines[1])
	}
	repair := lines[2].Body.(*events.RepairDone)
	if repair.Job != lines[0].ID || repair.Component != "ref:j1" {
		t.Errorf("got job %s and component %q, want %s and the text as written", repair.Job, repair.Component, lines[0].ID)
	}
	if lines[3].ID != events.MustID("01JNAZ1QV00000000000000000") || !lines[3].At.IsZero() {
		t.Errorf("got %+v", lines[3])
	}
	again, _, _ := readAll(t, text)
	if !reflect.DeepEqual(lines, again) {
		t.Error("a second reading differs")
	}
}

func TestLineErrors(t *testing.T) {
	tests := []struct{ line, want string }{
		{`{`, "not"},
		{`[]`, "not a JSON object"},
		{`null`, "not a JSON object"},
		{`{"type":"a","type":"b"}`, "given twice"},
		{`{"Type":"scan.taken.v1"}`, `"Type" is not a key`},
		{`{"type":"scan.taken.v1","at":"2026-03-02T08:00:00Z","data":{}}`, "subject: missing"},
		{`{"type":"scan.taken.v1","subject":"van-7","data":{}}`, "at: missing"},
		{`{"type":"scan.taken.v1","subject":"van-7","at":"yesterday","data":{}}`, "at: "},
		{`{"type":"scan.taken.v1","subject":"van-7","at":null,"data":{}}`, "at: want a string"},
		{`{"type":"scan.taken.v1","subject":"van-7","at":"2026-03-02T08:00:00Z"}`, "data: want an object"},
		{`{"type":"scan.taken.v1","subject":"van-7","at":"2026-03-02T08:00:00Z","data":{}}`, "data: units"},
		{`{"type":"scan.taken.v1","subject":"van-7","id":"x","data":{}}`, "id: "},
		{`{"type":"scan.taken.v9","subject":"van-7","at":"2026-03-02T08:00:00Z","data":{}}`, "newer program"},
		{`{"type":"feed.opened.v1","at":"2026-03-02T08:00:00Z","data":{}}`, "begins a feed"},
		{`{"type":"policy.set.v1","subject":"van-7","at":"2026-03-02T08:00:00Z","data":{}}`, "has none"},
		{`{"type":"repair.done.v1","subject":"van-7","at":"2026-03-02T08:00:00Z","data":{"job":"ref:zz","action":"a","component":"b"}}`, "put that line first"},
		{`{"type":"repair.done.v1","subject":"van-7","at":"2026-03-02T08:00:00Z","ref":"me","data":{"job":"ref:me","action":"a","component":"b"}}`, "cannot be used"},
		{opened, "stands on line 1 already"},
		{"\"\xff\"", "UTF-8"},
		{`{"x":"` + strings.Repeat("x", MaxLine) + `"}`, "longer than"},
	}
	for _, test := range tests {
		lines, problems, total := readAll(t, opened+"\n"+test.line+"\n"+strings.ReplaceAll(opened, "j1", "j2"))
		if len(lines) != 2 || total != 1 || problems[0].Line != 2 || !strings.Contains(problems[0].Text, test.want) {
			t.Errorf("%.80s: got %d lines, %.200v, want %s", test.line, len(lines), problems, test.want)
		}
	}
}

func TestManyProblemsAndStops(t *testing.T) {
	_, problems, total := readAll(t, strings.Repeat("x\n", MaxProblems+7))
	if len(problems) != MaxProblems || total != MaxProblems+7 {
		t.Errorf("got %d of %d", len(problems), total)
	}
	stop := errors.New("stop")
	calls := 0
	_, _, err := ReadLines(strings.NewReader(opened+"\n"+opened), events.Known(), func(Line) error { calls++; return stop })
	if err != stop || calls != 1 {
		t.Errorf("got %v after %d", err, calls)
	}
	broken := io.MultiReader(strings.NewReader(opened), failing{stop})
	if _, _, err := ReadLines(broken, events.Known(), func(Line) error { return nil }); err != stop {
		t.Errorf("got %v", err)
	}
}

type failing struct{ err error }

func (f failing) Read([]byte) (int, error) { return 0, f.err }

// The derivation is written out here a second time, by hand, from its description.
func TestDeriveID(t *testing.T) {
	lines, problems, _ := readAll(t, opened+"\n"+`{"type":"job.opened.v1","subject":"van-7","at":"2026-03-02T08:00:00Z","data":{"card":"4711"}}`)
	if len(lines) != 2 {
		t.Fatal(problems)
	}
	for i, form := range []string{
		"ref\x00job.opened.v1\x00j1",
		`line` + "\x00" + `13:job.opened.v15:van-720:2026-03-02T08:00:00Z15:{"card":"4711"}`,
	} {
		sum := sha256.Sum256([]byte("mendbook line id v1\x00" + form))
		want := events.NewID(lines[i].At.Std(), [10]byte(sum[:10]))
		if lines[i].ID != want {
			t.Errorf("line %d: got %s, want %s", i, lines[i].ID, want)
		}
	}
}

func TestWriteLineReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := drawNote(t)
		data, err := events.EncodeData(n.Scan)
		if err != nil {
			t.Fatal(err)
		}
		env := events.Envelope{ID: events.NewID(drawTime(t).Std(), [10]byte{1}), Type: "scan.taken.v1", At: n.At, Data: data}
		subject := drawName(t)
		var b bytes.Buffer
		if err := WriteLine(&b, events.Event{Envelope: env, Body: n.Scan}, subject); err != nil {
			t.Fatal(err)
		}
		count := 0
		problems, _, err := ReadLines(&b, events.Known(), func(l Line) error {
			count++
			again, err := events.EncodeData(l.Body)
			if l.ID != env.ID || l.Type != env.Type || l.Subject != subject || l.At != env.At || !bytes.Equal(again, data) {
				return fmt.Errorf("came back as %+v", l)
			}
			return err
		})
		if err != nil || len(problems) > 0 || count != 1 {
			t.Fatal(err, problems)
		}
	})
}

func TestWriteLineOfTheUnknown(t *testing.T) {
	raw := json.RawMessage(`{"b":1,"a":2}`)
	ev := events.Event{Envelope: events.Envelope{ID: events.MustID("01JNAZ1QV00000000000000000"), Type: "scan.taken.v9", Data: raw},
		Body: &events.Unknown{Typ: "scan.taken.v9", Raw: raw}}
	var b bytes.Buffer
	if err := WriteLine(&b, ev, ""); err != nil {
		t.Fatal(err)
	}
	if want := `{"type":"scan.taken.v9","id":"01JNAZ1QV00000000000000000","data":{"b":1,"a":2}}` + "\n"; b.String() != want {
		t.Errorf("got %s, want %s", b.String(), want)
	}
	ev.Type = "feed.opened.v1"
	if err := WriteLine(io.Discard, ev, ""); err == nil {
		t.Error("feed.opened was written")
	}
}

func FuzzReadLines(f *testing.F) {
	f.Add([]byte(opened))
	f.Add([]byte(opened + "\n" + `{"type":"repair.done.v1","subject":"van-7","at":"2026-03-02T11:00:00Z","data":{"job":"ref:j1","action":"a","component":"b"}}`))
	f.Add([]byte(`{"type":"job.closed.v1","subject":"van-7","id":"01JNAZ1QV00000000000000000","data":{"job":"01JNAZ1QV00000000000000000"}}`))
	f.Add([]byte("{}\n[]\n{\"type\":null}"))
	f.Fuzz(func(t *testing.T, text []byte) {
		_, _, err := ReadLines(bytes.NewReader(text), events.Known(), func(l Line) error {
			data, err := events.EncodeData(l.Body)
			if err != nil || l.ID.IsZero() {
				return fmt.Errorf("a line was given that cannot be recorded: %v", err)
			}
			ev := events.Event{Envelope: events.Envelope{ID: l.ID, Type: l.Type, At: l.At, Data: data}, Body: l.Body}
			var out bytes.Buffer
			if err := WriteLine(&out, ev, l.Subject); err != nil {
				return err
			}
			written := out.String()
			count := 0
			problems, _, err := ReadLines(&out, events.Known(), func(again Line) error {
				count++
				same, err := events.EncodeData(again.Body)
				if again.ID != l.ID || again.At != l.At || again.Subject != l.Subject || !bytes.Equal(same, data) {
					return fmt.Errorf("came back different: %s", written)
				}
				return err
			})
			if err == nil && (len(problems) > 0 || count != 1) {
				err = fmt.Errorf("%v: %s", problems, written)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	})
}
