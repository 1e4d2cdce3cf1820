package testscripts_test

import (
	"bytes"
	"crypto/rand"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"mendbook/cmd/cli"
)

// bench is a directory with an example book, and the program run in this process.
type bench struct {
	t    *testing.T
	dir  string
	vars map[string]string
	at   time.Time
	// ids are the events that the examples name, under the names they have there.
	ids map[string]string
}

func (b *bench) run(in io.Reader, args ...string) (code int, stdout, stderr string) {
	var out, errs bytes.Buffer
	env := &cli.Env{
		Context: b.t.Context(), In: in, Out: &out, Err: &errs, Width: 100,
		Now:       func() time.Time { b.at = b.at.Add(time.Second); return b.at },
		Entropy:   rand.Reader,
		Getenv:    func(name string) string { return b.vars[name] },
		Dir:       func() (string, error) { return filepath.Join(b.dir, "book"), nil },
		StateDir:  func() (string, error) { return filepath.Join(b.dir, "state"), nil },
		Host:      func() (string, error) { return "bay", nil },
		RunEditor: func(string) error { return fmt.Errorf("no editor here") },
		Version:   cli.Version,
	}
	code = cli.Main(env, args)
	return code, out.String(), errs.String()
}

func (b *bench) must(args ...string) string {
	b.t.Helper()
	code, stdout, stderr := b.run(strings.NewReader(""), args...)
	if code != 0 {
		b.t.Fatalf("mendbook %s: exit code %d\n%s%s", strings.Join(args, " "), code, stdout, stderr)
	}
	return stdout
}

var shortID = regexp.MustCompile(`recorded \(([0-9A-Z]{6})\)`)

// newBench makes the book that the examples of the help speak of: van-7 with an
// earlier job FB-1040 and the open job FB-1041, bus-3 and tipper-2.
func newBench(t *testing.T) *bench {
	dir := t.TempDir()
	t.Chdir(dir)
	for _, name := range []string{"TMPDIR", "TMP", "TEMP"} {
		t.Setenv(name, dir) // where an example leaves a file of its own
	}
	start, err := time.Parse(time.RFC3339, testStart)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, dir: dir, vars: map[string]string{}, at: start, ids: map[string]string{}}
	b.must("init")
	for _, label := range []string{"van-7", "bus-3", "tipper-2"} {
		b.must("vehicle", "add", label)
	}
	b.must("job", "open", "van-7", "--card", "FB-1040")
	b.must("job", "close", "van-7")
	keep := func(name, stdout string) {
		m := shortID.FindStringSubmatch(stdout)
		if m == nil {
			t.Fatalf("no id in %q", stdout)
		}
		b.ids[name] = m[1]
	}
	keep("8F3KQZ", b.must("scan", "van-7", "--card", "FB-1041", "--unit", "engine: P0302 present, P0455 stored", "--unit", "tailgate: silent"))
	b.must("repair", "van-7", "replaced", "coil 2", "--for", "engine/P0302")
	b.must("erase", "van-7", "--all")
	b.must("drive", "van-7", "--distance", "14 km", "--minutes", "20")
	keep("9GV2MX", b.must("scan", "van-7", "--unit", "engine: no codes", "--unit", "tailgate: silent"))
	for name, text := range map[string]string{"photo.jpg": "\xff\xd8\xff\xe0 a photo", "scan.txt": "unit engine\n  P0302 stored\n", "history.ndjson": b.must("export", "-")} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, other := range []string{"old", "copy"} {
		b.must("--book", other, "init")
	}
	return b
}

// shell runs an example line as a shell would: quotation marks, pipes and > FILE.
func (b *bench) shell(line string) (code int, output string) {
	b.t.Helper()
	in := ""
	for _, part := range strings.Split(line, " | ") {
		words := split(b.t, part)
		if words[0] != "mendbook" {
			b.t.Fatalf("%q does not begin with mendbook", part)
		}
		for i, w := range words {
			if id, ok := b.ids[w]; ok {
				words[i] = id
			}
			if w == ">" {
				words = words[:i]
				break
			}
		}
		var stdout, stderr string
		code, stdout, stderr = b.run(strings.NewReader(in), words[1:]...)
		in = stdout
		output += stdout + stderr
	}
	return code, output
}

func split(t *testing.T, line string) []string {
	var words []string
	var word strings.Builder
	quoted, begun := false, false
	for _, r := range line {
		switch {
		case r == '"':
			quoted, begun = !quoted, true
		case r == ' ' && !quoted:
			if begun {
				words = append(words, word.String())
			}
			word.Reset()
			begun = false
		default:
			word.WriteRune(r)
			begun = true
		}
	}
	if quoted {
		t.Fatalf("a quotation mark is open in %q", line)
	}
	if begun {
		words = append(words, word.String())
	}
	return words
}

// TestHelpOfEveryVerb: --help works everywhere, has a short text and one to three
// examples, and every example runs in an example book.
func TestHelpOfEveryVerb(t *testing.T) {
	all := cli.Verbs(&cli.Env{In: strings.NewReader(""), Out: io.Discard, Err: io.Discard})
	if len(all) < 30 {
		t.Fatalf("only %d verbs", len(all))
	}
	for _, verb := range all {
		t.Run(strings.Join(append([]string{"mendbook"}, verb.Path...), "_"), func(t *testing.T) {
			if verb.Short == "" || strings.HasSuffix(verb.Short, ".") {
				t.Errorf("short text %q", verb.Short)
			}
			b := newBench(t)
			help := b.must(append(verb.Path, "--help")...)
			if !strings.Contains(help, "Usage:") {
				t.Errorf("help without usage:\n%s", help)
			}
			if n := len(verb.Examples); n < 1 || n > 3 {
				t.Fatalf("%d examples, want 1 to 3", n)
			}
			for i, line := range verb.Examples {
				if !strings.Contains(help, line) {
					t.Errorf("the help lacks its example %q", line)
				}
				if i > 0 {
					b = newBench(t)
				}
				code, output := b.shell(line)
				judges := strings.HasPrefix(line, "mendbook verify")
				if code != 0 && !(judges && (code == 3 || code == 4)) {
					t.Errorf("%s\nexit code %d\n%s", line, code, output)
				}
			}
		})
	}
}

// TestHintsRun: what an error hints at is itself a command that is understood.
func TestHintsRun(t *testing.T) {
	hint := regexp.MustCompile(`(?m)^hint: (mendbook .*)$`)
	for _, line := range []string{
		"mendbook scn", "mendbook vehicle lst", "mendbook vehicle show vna-7", "mendbook vehicle add van-7", "mendbook job open van-7",
		"mendbook job show nothing", "mendbook scan van-7", "mendbook scan van-7 missing.txt", `mendbook scan van-7 --unit "engine: P0302"`,
		"mendbook repair van-7 replaced coil --for P0302", "mendbook erase bus-3 --all", "mendbook drive van-7", "mendbook void 8F3KQZ",
		"mendbook history nobody", "mendbook policy set drive-distanse 3", "mendbook help nots", "mendbook job show tipper-2",
		"mendbook measure van-7 voltage 12", "mendbook attach van-7 missing.jpg", "mendbook move 8F3KQZ", "mendbook vehicle list --jsn",
	} {
		b := newBench(t)
		code, output := b.shell(line)
		m := hint.FindStringSubmatch(output)
		if code == 0 || m == nil {
			t.Errorf("%s: exit code %d, no hint in:\n%s", line, code, output)
			continue
		}
		if code, output := b.shell(m[1]); code != 0 {
			t.Errorf("%s hints at %q: exit code %d\n%s", line, m[1], code, output)
		}
	}
}
