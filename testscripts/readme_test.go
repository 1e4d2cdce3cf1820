package testscripts_test

import (
	"bytes"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"mendbook/cmd/cli"
	"mendbook/verify"
)

var writeReadme = flag.Bool("write-readme", false, "write the outputs and the tables of README.md anew")

// readmeSession runs the commands of the README as one person would at one
// terminal: 100 columns, no colour, no progress, an empty book. The clock stands
// still while a command runs and goes on ten minutes with each; a drive is
// recorded when it is over.
type readmeSession struct {
	dir     string
	now     time.Time
	entropy io.Reader
	vars    map[string]string
	code    int
}

// readmeHome is where the book of the person in the README is; the test puts it
// in place of its own directory.
const readmeHome = "/home/ida/.local/share/mendbook"

func newReadmeSession(t *testing.T) *readmeSession {
	return &readmeSession{
		dir:     t.TempDir(),
		now:     time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC),
		entropy: rand.NewChaCha8([32]byte{1}),
		vars:    map[string]string{"NO_COLOR": "1"},
	}
}

func (s *readmeSession) mendbook(t *testing.T, args ...string) string {
	t.Helper()
	var out bytes.Buffer
	book := filepath.Join(s.dir, "book")
	env := &cli.Env{
		Context: t.Context(), In: strings.NewReader(""), Out: &out, Err: &out, OutTTY: true, Width: 100,
		Now:       func() time.Time { return s.now },
		Entropy:   s.entropy,
		Getenv:    func(name string) string { return s.vars[name] },
		Dir:       func() (string, error) { return book, nil },
		StateDir:  func() (string, error) { return filepath.Join(s.dir, "state"), nil },
		Host:      func() (string, error) { return "bay-1", nil },
		RunEditor: func(string) error { return fmt.Errorf("no editor here") },
		Version:   cli.Version,
	}
	if i := slices.Index(args, "--minutes"); i >= 0 && i+1 < len(args) {
		minutes, err := time.ParseDuration(args[i+1] + "m")
		if err != nil {
			t.Fatal(err)
		}
		s.now = s.now.Add(minutes)
	}
	s.code = cli.Main(env, args)
	s.now = s.now.Add(10 * time.Minute)
	return strings.ReplaceAll(out.String(), book, readmeHome)
}

// run runs one command line. What cat shows is what the file is given first: the
// README shows a note so that its reader can type it.
func (s *readmeSession) run(t *testing.T, line, shown string) string {
	t.Helper()
	words, err := shellWords(line)
	if err != nil || len(words) == 0 {
		t.Fatalf("README.md: %q: %v", line, err)
	}
	switch {
	case words[0] == "mendbook":
		return s.mendbook(t, words[1:]...)
	case words[0] == "cat" && len(words) == 2 && filepath.IsLocal(words[1]) && shown != "":
		if err := os.WriteFile(words[1], []byte(shown), 0o600); err != nil {
			t.Fatal(err)
		}
		return shown
	case words[0] == "export" && len(words) == 2:
		name, value, _ := strings.Cut(words[1], "=")
		s.vars[name] = value
		return ""
	case line == "echo $?":
		return fmt.Sprintln(s.code)
	}
	t.Fatalf("README.md: this test does not know the command %q", line)
	return ""
}

// shellWords splits a command line at spaces outside double quotes.
func shellWords(line string) ([]string, error) {
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
		return nil, fmt.Errorf("a quotation mark is not closed")
	}
	if begun {
		words = append(words, word.String())
	}
	return words, nil
}

// idEnding is how an event is named to people: the last six characters of its id,
// alone or in brackets. They differ from run to run, so any six stand for any other.
var idEnding = regexp.MustCompile(`\([0-9A-HJKMNP-TV-Z]{6}\)|\b[0-9A-HJKMNP-TV-Z]{26}\b`)

func maskIDs(text string) string {
	return idEnding.ReplaceAllStringFunc(text, func(id string) string { return strings.Repeat("·", len(id)) })
}

// runConsole runs the commands of all console blocks and gives the document with
// the outputs that came, and how many commands there were.
func (s *readmeSession) runConsole(t *testing.T, doc string) (string, int) {
	var out, shown strings.Builder
	inside, command, count := false, "", 0
	finish := func() {
		if command != "" {
			count++
			out.WriteString("$ " + command + "\n" + s.run(t, command, shown.String()))
		}
		command = ""
		shown.Reset()
	}
	for line := range strings.Lines(doc) {
		text := strings.TrimSuffix(line, "\n")
		switch {
		case !inside:
			inside = text == "```console"
			out.WriteString(line)
		case text == "```":
			finish()
			inside = false
			out.WriteString(line)
		case strings.HasPrefix(text, "$ "):
			finish()
			command = strings.TrimPrefix(text, "$ ")
		case command == "":
			t.Fatalf("README.md: a console block begins with %q, not with a command", text)
		default:
			shown.WriteString(line)
		}
	}
	if inside {
		t.Fatal("README.md: a console block is not closed")
	}
	return out.String(), count
}

// runProse runs the commands that stand in the sentences of the README, after the
// session and in its book. They may fail, as an editor that is not there does, but
// not by a wrong command line. A verb alone is the name of the verb.
func (s *readmeSession) runProse(t *testing.T, doc string) {
	count := 0
	for _, m := range regexp.MustCompile("`(mendbook [^`]+)`").FindAllStringSubmatch(doc, -1) {
		words, err := shellWords(strings.ReplaceAll(m[1], "\n", " "))
		if err != nil {
			t.Errorf("README.md: %q: %v", m[1], err)
			continue
		}
		if len(words) == 2 {
			words = append(words, "--help")
		}
		if words[1] == "VERB" {
			words[1] = "verify"
		}
		count++
		if out := s.mendbook(t, words[1:]...); s.code == 64 {
			t.Errorf("README.md: %s: wrong command line\n%s", m[1], out)
		}
	}
	if count < 5 {
		t.Errorf("only %d commands were found in the sentences of the README", count)
	}
}

// readmeTables are the tables of the README that say what the program says, by
// their first line.
func readmeTables(t *testing.T, s *readmeSession) map[string]string {
	tables := map[string]string{}
	add := func(rows [][]string) {
		var b strings.Builder
		for i, row := range rows {
			b.WriteString("| " + strings.Join(row, " | ") + " |\n")
			if i == 0 {
				b.WriteString("|" + strings.Repeat(" --- |", len(row)) + "\n")
			}
		}
		head, _, _ := strings.Cut(b.String(), "\n")
		tables[head] = b.String()
	}

	verdicts := [][]string{{"verdict", "group", "what it means"}}
	for _, v := range verify.Verdicts() {
		verdicts = append(verdicts, []string{"**" + string(v) + "**", string(v.Group()), v.Means()})
	}
	add(verdicts)

	words := s.mendbook(t, "help", "words")
	grades := [][]string{{"grade", "what it rests on"}}
	for _, g := range verify.Grades() {
		grades = append(grades, []string{"**" + string(g) + "**", helpLine(t, words, string(g))})
	}
	add(grades)

	codes := [][]string{{"exit code", "meaning"}}
	for line := range strings.Lines(s.mendbook(t, "help", "exit-codes")) {
		if m := regexp.MustCompile(`^ +([0-9]+)  (.*)\n$`).FindStringSubmatch(line); m != nil {
			codes = append(codes, []string{m[1], m[2]})
		}
	}
	add(codes)

	settings := [][]string{{"setting", "to begin with", "what it is"}}
	for _, v := range verify.DefaultPolicy().Values() {
		settings = append(settings, []string{"`" + v.Name + "`", v.Value, verify.SettingDoc(v.Name)})
	}
	add(settings)

	verbs := [][]string{{"verb", "what it does"}}
	all := cli.Verbs(&cli.Env{In: strings.NewReader(""), Out: io.Discard, Err: io.Discard})
	for _, v := range all {
		if len(v.Path) == 1 {
			verbs = append(verbs, []string{"`" + v.Path[0] + below(all, v.Path[0]) + "`", v.Short})
		}
	}
	add(verbs)
	for head, table := range tables {
		if strings.Count(table, "\n") < 5 {
			t.Fatalf("the program gives no table %q:\n%s", head, table)
		}
	}
	return tables
}

// below are the verbs below a verb: " add, list".
func below(all []cli.Verb, verb string) string {
	var names []string
	for _, v := range all {
		if len(v.Path) == 2 && v.Path[0] == verb {
			names = append(names, v.Path[1])
		}
	}
	if len(names) == 0 {
		return ""
	}
	return " " + strings.Join(names, ", ")
}

// helpLine is the explanation of a word in a help text.
func helpLine(t *testing.T, help, word string) string {
	t.Helper()
	m := regexp.MustCompile(`(?m)^ +` + regexp.QuoteMeta(word) + ` +(.+)$`).FindStringSubmatch(help)
	if m == nil {
		t.Fatalf("help does not explain %q:\n%s", word, help)
	}
	return m[1]
}

// withTables puts tables in the place of those with the same first line.
func withTables(doc string, tables map[string]string) (string, []string) {
	var out strings.Builder
	var found []string
	skipping := false
	for line := range strings.Lines(doc) {
		if skipping = skipping && strings.HasPrefix(line, "|"); skipping {
			continue
		}
		if table, ok := tables[strings.TrimSuffix(line, "\n")]; ok {
			found = append(found, strings.TrimSuffix(line, "\n"))
			out.WriteString(table)
			skipping = true
			continue
		}
		out.WriteString(line)
	}
	return out.String(), found
}

// TestReadmeSession runs what the README shows and compares what it shows.
func TestReadmeSession(t *testing.T) {
	doc := readText(t, "README.md")
	file := filepath.Join(treeTop(t), "README.md")
	t.Chdir(t.TempDir())
	s := newReadmeSession(t)
	got, count := s.runConsole(t, doc)
	if count < 10 {
		t.Fatalf("only %d commands were found in the README", count)
	}
	s.runProse(t, doc)
	tables := readmeTables(t, s)
	got, found := withTables(got, tables)
	for head := range tables {
		if !slices.Contains(found, head) {
			t.Errorf("README.md has no table that begins with %q", head)
		}
	}
	if *writeReadme {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if diff := firstDifference(maskIDs(doc), maskIDs(got)); diff != "" {
		t.Errorf("README.md is not what the program says; go test ./testscripts -run TestReadmeSession -write-readme writes it anew\n%s", diff)
	}
}

// firstDifference shows the first lines in which two texts differ.
func firstDifference(want, got string) string {
	a, b := strings.Split(want, "\n"), strings.Split(got, "\n")
	for i := range max(len(a), len(b)) {
		var x, y string
		if i < len(a) {
			x = a[i]
		}
		if i < len(b) {
			y = b[i]
		}
		if x != y || i >= len(a) || i >= len(b) {
			return fmt.Sprintf("line %d\nREADME:  %s\nprogram: %s", i+1, x, y)
		}
	}
	return ""
}

// TestReadmeSessionCanFail changes one thing at a time in what the README shows.
func TestReadmeSessionCanFail(t *testing.T) {
	const doc = "words\n```console\n$ mendbook init --station \"bay 2\"\nnew book in /home/ida/.local/share/mendbook, station bay 2\n" +
		"next: mendbook vehicle add van-7\n$ mendbook vehicle add van-7\nvehicle van-7 added (7ZZZZ7)\nnext: mendbook job open van-7\n```\n"
	run := func(t *testing.T, doc string) string {
		t.Chdir(t.TempDir())
		got, _ := newReadmeSession(t).runConsole(t, doc)
		return firstDifference(maskIDs(doc), maskIDs(got))
	}
	t.Run("as it is", func(t *testing.T) {
		if diff := run(t, doc); diff != "" {
			t.Error(diff)
		}
	})
	for _, change := range [][2]string{
		{"new book", "New book"},
		{"van-7 added", "van-8 added"},
		{"(7ZZZZ7)", "(7ZZZZ)"},
		{"next: mendbook job open van-7\n", ""},
		{"next: mendbook job open van-7\n", "next: mendbook job open van-7\n\n"},
	} {
		t.Run(change[0], func(t *testing.T) {
			changed := strings.Replace(doc, change[0], change[1], 1)
			if changed == doc {
				t.Fatal("nothing was changed")
			}
			if run(t, changed) == "" {
				t.Errorf("%q in place of %q is not noticed", change[1], change[0])
			}
		})
	}
}

// TestReadmeCommands checks the two commands that a stranger runs first.
func TestReadmeCommands(t *testing.T) {
	doc := readText(t, "README.md")
	goes := regexp.MustCompile(`(?m)^go ([0-9.]+)$`).FindStringSubmatch(readText(t, "go.mod"))
	if goes == nil || !strings.Contains(doc, "With Go "+strings.TrimSuffix(goes[1], ".0")+" or newer") {
		t.Errorf("README.md does not ask for the Go of go.mod: %q", goes)
	}
	for _, want := range []string{"go run ./cmd/mendbook demo", "go test ./..."} {
		if !strings.Contains(doc, "\n"+want+"\n") {
			t.Errorf("README.md has no line %q", want)
		}
	}
	t.Chdir(t.TempDir())
	s := newReadmeSession(t)
	if out := s.mendbook(t, "demo"); s.code != 0 || out == "" {
		t.Errorf("demo: exit code %d\n%s", s.code, out)
	}
}

// TestDocumentLinks checks that what the documents point at is there: links, and
// in DEVELOPERS.md every path and every flag of a go test command.
func TestDocumentLinks(t *testing.T) {
	link := regexp.MustCompile(`\]\(([^)#:]+)(#[^)]*)?\)`)
	quoted := regexp.MustCompile("`([^`\n]+)`")
	count := 0
	check := func(doc, name string) {
		count++
		if _, err := os.Stat(filepath.Join(treeTop(t), filepath.FromSlash(name))); err != nil {
			t.Errorf("%s points at %s, which is not there", doc, name)
		}
	}
	for _, doc := range []string{"README.md", "DEVELOPERS.md"} {
		text := readText(t, doc)
		for _, m := range link.FindAllStringSubmatch(text, -1) {
			check(doc, m[1])
		}
		for _, m := range quoted.FindAllStringSubmatch(text, -1) {
			for _, word := range strings.Fields(m[1]) {
				word = strings.TrimSuffix(strings.TrimPrefix(word, "./"), "/...")
				top, rest, ok := strings.Cut(word, "/")
				if ok && rest != "" && slices.Contains([]string{"events", "verify", "ledger", "sync", "cmd", "testscripts", "testdata", ".ci"}, top) &&
					!strings.ContainsAny(word, "<>*{…") {
					check(doc, word)
				}
			}
		}
	}
	if count < 10 {
		t.Errorf("only %d links and paths were found", count)
	}
}
