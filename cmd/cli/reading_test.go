package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/mattn/go-runewidth"
	"github.com/spf13/cobra"
)

// narrow runs a command on a terminal of 40 columns.
func (s *shop) narrow(args ...string) string {
	s.t.Helper()
	var out, errs bytes.Buffer
	env := &Env{Context: s.ctx, In: strings.NewReader(""), Out: &out, Err: &errs, OutTTY: true, Width: 40, Now: s.now,
		Getenv:   func(string) string { return "" },
		Dir:      func() (string, error) { return filepath.Join(s.dir, "book"), nil },
		StateDir: func() (string, error) { return filepath.Join(s.dir, "state"), nil },
		Version:  Version}
	Main(env, append(args, "--no-color"))
	if out.Len() == 0 {
		s.t.Fatalf("%q wrote nothing: %s", args, errs.String())
	}
	return out.String()
}

func TestNarrowTerminal(t *testing.T) {
	s := newShop(t)
	s.must("scan", "van-7", "--card", "FB-1041", "--unit", "engine: P0302 present, P0455 stored", "--unit", "tailgate: silent")
	s.must("repair", "van-7", "replaced", "ignition coil of the second cylinder from the front", "--for", "engine/P0302")
	photo := filepath.Join(s.dir, "print.txt")
	if err := os.WriteFile(photo, []byte("abc"), 0o600); err != nil {
		t.Fatal(err)
	}
	s.must("attach", "van-7", photo)
	kept, err := filepath.Glob(filepath.Join(s.dir, "book", "files", "*", "*"))
	if err != nil || len(kept) != 1 {
		t.Fatalf("%v, %v", kept, err)
	}
	if err := os.Chmod(kept[0], 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(kept[0], []byte("abd"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"find", "coil"}, {"find", "P0302"}, {"history", "van-7"}, {"check"}} {
		for line := range strings.Lines(s.narrow(args...)) {
			if w := runewidth.StringWidth(strings.TrimRight(line, "\n")); w > 40 {
				t.Errorf("%q: %d columns in %q", args, w, line)
			}
		}
	}
}

// TestCompletionClosed: void and move complete events, and the shell offers the
// names of files only where a file is wanted.
func TestCompletionClosed(t *testing.T) {
	s := newShop(t)
	s.must("scan", "van-7", "--unit", "engine: P0302 present")
	a := &app{env: &Env{Context: s.ctx, In: strings.NewReader(""), Out: &bytes.Buffer{}, Err: &bytes.Buffer{}, Now: s.now,
		Getenv:   func(string) string { return "" },
		Dir:      func() (string, error) { return filepath.Join(s.dir, "book"), nil },
		StateDir: func() (string, error) { return filepath.Join(s.dir, "state"), nil },
		Version:  Version}}
	root := a.root()
	a.completesRest(root)
	for _, verb := range []string{"void", "move"} {
		cmd, _, err := root.Find([]string{verb})
		if err != nil {
			t.Fatal(err)
		}
		words, how := cmd.ValidArgsFunction(cmd, nil, "")
		if how != cobra.ShellCompDirectiveNoFileComp || len(words) == 0 ||
			!regexp.MustCompile(`^[0-9A-Z]{6}\tvan-7 2026-.* scan.taken: engine: P0302 present`).MatchString(words[0]) {
			t.Errorf("%s: %v, %q", verb, how, words)
		}
		id, _, _ := strings.Cut(words[0], "\t")
		again, _ := cmd.ValidArgsFunction(cmd, []string{id}, "")
		for _, w := range again {
			if strings.HasPrefix(w, id) {
				t.Errorf("%s: %s is offered twice", verb, id)
			}
		}
	}
	for _, path := range [][]string{{"find"}, {"check"}, {"demo"}, {"policy", "set"}} {
		cmd, _, err := root.Find(path)
		if err != nil {
			t.Fatal(err)
		}
		if _, how := cmd.ValidArgsFunction(cmd, []string{"a", "b", "c"}, ""); how != cobra.ShellCompDirectiveNoFileComp {
			t.Errorf("%v: %v", path, how)
		}
	}
	add, _, err := root.Find([]string{"vehicle", "add"})
	if err != nil {
		t.Fatal(err)
	}
	do, ok := add.GetFlagCompletionFunc("engine")
	if !ok {
		t.Fatal("--engine of vehicle add would be completed with the names of files")
	}
	if words, how := do(add, nil, ""); how != cobra.ShellCompDirectiveNoFileComp || len(words) != 0 {
		t.Errorf("--engine: %v, %q", how, words)
	}
}
