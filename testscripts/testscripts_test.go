package testscripts_test

// The scenarios run the program as its users do: each is one thing that somebody
// does, with the errors they meet on the way.

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"mendbook/cmd/cli"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"mendbook": mendbook,
		"typist":   typist,
	})
}

// mendbook is the program with a clock of its own and a fixed width.
func mendbook() {
	env, stop := cli.SystemEnv()
	env.Width = 100
	env.Now = (&clock{path: os.Getenv("TESTCLOCK")}).now
	env.Host = func() (string, error) { return "bay", nil }
	code := cli.Main(env, os.Args[1:])
	stop()
	os.Exit(code)
}

// clock is a clock that goes on one second each time it is read, also from one
// process to the next: a file holds its time.
type clock struct {
	mu   sync.Mutex
	path string
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	text, err := os.ReadFile(c.path)
	if err != nil {
		panic(err)
	}
	t, err := time.Parse(time.RFC3339, strings.TrimSpace(string(text)))
	if err != nil {
		panic(err)
	}
	if err := os.WriteFile(c.path, []byte(t.Add(time.Second).Format(time.RFC3339)), 0o600); err != nil {
		panic(err)
	}
	return t
}

// typist is an editor: it leaves the text of the file TYPED in the file it is
// given, or leaves that as it is where TYPED is empty.
func typist() {
	typed := os.Getenv("TYPED")
	if typed == "" {
		return
	}
	if typed == "quit" {
		os.Exit(1)
	}
	text, err := os.ReadFile(typed)
	if err == nil {
		err = os.WriteFile(os.Args[1], text, 0o600)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

const testStart = "2026-03-02T09:00:00Z"

func TestScripts(t *testing.T) {
	if found, err := filepath.Glob("*.txtar"); err != nil || len(found) == 0 {
		t.Fatalf("no scenarios: %v", err)
	}
	testscript.Run(t, testscript.Params{
		Dir:                 ".",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(e *testscript.Env) error {
			path := filepath.Join(e.WorkDir, ".clock")
			e.Setenv("TESTCLOCK", path)
			e.Setenv("MENDBOOK_DIR", filepath.Join(e.WorkDir, "book"))
			e.Setenv("MENDBOOK_STATE", filepath.Join(e.WorkDir, "state"))
			e.Setenv("MENDBOOK_BY", "")
			e.Setenv("EDITOR", "typist")
			e.Setenv("VISUAL", "")
			e.Setenv("TYPED", "")
			return os.WriteFile(path, []byte(testStart), 0o600)
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exits": exits,
			"clock": setClock,
			"keep":  keep,
			"write": write,
		},
	})
}

// exits N COMMAND ARG...: the command ends with exactly the exit code N.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits N COMMAND ARG...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		var exit *exec.ExitError
		if !errors.As(err, &exit) {
			ts.Fatalf("%s: %v", args[1], err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("exit code %d, want %d", got, want)
	}
}

// clock TIME: the clock stands at TIME from now on.
func setClock(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: clock TIME")
	}
	_, err := time.Parse(time.RFC3339, args[0])
	ts.Check(err)
	ts.Check(os.WriteFile(ts.Getenv("TESTCLOCK"), []byte(args[0]), 0o600))
}

// keep NAME PATTERN: what the pattern's group matches in the last standard output
// is $NAME from now on.
func keep(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: keep NAME PATTERN")
	}
	re, err := regexp.Compile("(?m)" + args[1])
	ts.Check(err)
	m := re.FindStringSubmatch(ts.ReadFile("stdout"))
	if len(m) != 2 {
		ts.Fatalf("%q is not in the standard output", args[1])
	}
	ts.Setenv(args[0], m[1])
}

// write FILE TEXT: the file holds the text, without a line end.
func write(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: write FILE TEXT")
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(args[1]), 0o600))
}
