// Package cli is the command line: one file per verb, and one table of exit
// codes and hints (exits.go). It is a thin edge: what is recorded is defined in
// events, kept in ledger and judged in verify.
//
// Results go to the standard output, everything else to the standard error
// output. Everything from outside comes in through Env.
package cli

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"github.com/adrg/xdg"
	"golang.org/x/term"
)

// Env is everything the command line takes from outside, save for the files
// that a person names as arguments.
type Env struct {
	// Context ends when the person interrupts; nil never ends.
	Context context.Context

	In       io.Reader
	Out, Err io.Writer
	// InTTY, OutTTY and ErrTTY tell whether the streams are terminals.
	InTTY, OutTTY, ErrTTY bool
	// Width of the terminal in columns; 0 where it is none, which counts as 100.
	Width int

	Now     func() time.Time
	Entropy io.Reader
	Getenv  func(string) string
	// Dir is the book's directory where neither --book nor MENDBOOK_DIR names one.
	Dir func() (string, error)
	// StateDir is the machine's own state directory where MENDBOOK_STATE does not
	// name one.
	StateDir func() (string, error)
	// Host is the machine's name, the station's where init is given none.
	Host func() (string, error)
	// RunEditor lets the person edit a file, and returns when they are done.
	RunEditor func(path string) error
	// Version of the program, shown by version.
	Version string
	// Program is how the person started it, for commands to type next; empty is
	// "mendbook".
	Program string
}

// program is the first word, or words, of a command that runs.
func (e *Env) program() string {
	if e.Program == "" {
		return "mendbook"
	}
	return e.Program
}

// SystemEnv is the Env of a process. Call stop before the process ends.
func SystemEnv() (env *Env, stop func()) {
	ctx, cancel := signal.NotifyContext(context.Background(), os.Interrupt)
	// A second interrupt ends the process at once: the book survives that.
	context.AfterFunc(ctx, cancel)
	env = &Env{
		Context: ctx,
		In:      os.Stdin, Out: os.Stdout, Err: os.Stderr,
		InTTY:   term.IsTerminal(int(os.Stdin.Fd())),
		OutTTY:  term.IsTerminal(int(os.Stdout.Fd())),
		ErrTTY:  term.IsTerminal(int(os.Stderr.Fd())),
		Now:     time.Now,
		Entropy: rand.Reader,
		Getenv:  os.Getenv,
		Dir: func() (string, error) {
			if xdg.DataHome == "" {
				return "", errors.New("no directory for user data is known")
			}
			return filepath.Join(xdg.DataHome, "mendbook"), nil
		},
		StateDir: func() (string, error) {
			if xdg.StateHome == "" {
				return "", errors.New("no directory for the state of this machine is known")
			}
			return filepath.Join(xdg.StateHome, "mendbook"), nil
		},
		Host:    os.Hostname,
		Version: Version,
		Program: started(),
	}
	env.RunEditor = func(path string) error { return runEditor(env, path) }
	if env.OutTTY {
		if w, _, err := term.GetSize(int(os.Stdout.Fd())); err == nil {
			env.Width = w
		}
	}
	return env, cancel
}

// started tells how the program was started, as far as it shows: go run builds
// into a directory of its own that is gone afterwards.
func started() string {
	path, err := os.Executable()
	if err != nil {
		return ""
	}
	if dir := filepath.ToSlash(filepath.Dir(path)); strings.Contains(dir, "/go-build") {
		return "go run ./cmd/mendbook"
	}
	return ""
}

// runEditor starts the editor of VISUAL or EDITOR, which may have arguments.
func runEditor(env *Env, path string) error {
	editor := env.Getenv("VISUAL")
	if editor == "" {
		editor = env.Getenv("EDITOR")
	}
	if editor == "" {
		editor = "vi"
		if runtime.GOOS == "windows" {
			editor = "notepad"
		}
	}
	argv := []string{editor}
	if _, err := exec.LookPath(editor); err != nil {
		argv = strings.Fields(editor)
	}
	if len(argv) == 0 {
		return errors.New("no editor is set; name one in EDITOR")
	}
	cmd := exec.Command(argv[0], append(argv[1:], path)...)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = env.In, env.Out, env.Err
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("the editor %q failed: %w", editor, err)
	}
	return nil
}

func (e *Env) context() context.Context {
	if e.Context == nil {
		return context.Background()
	}
	return e.Context
}
