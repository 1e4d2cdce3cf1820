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
	"strconv"
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
	if env.Width == 0 {
		env.Width = columns(env.Getenv("COLUMNS"))
	}
	return env, cancel
}

// columns reads COLUMNS, which stands in for a terminal's width where the output
// is none; 0 where it is not a sensible number.
func columns(text string) int {
	n, err := strconv.Atoi(strings.TrimSpace(text))
	if err != nil || n < 20 || n > 10000 {
		return 0
	}
	return n
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

// editorError is the error of an editor that could not be started.
type editorError struct {
	editor string
	err    error
}

func (e *editorError) Error() string {
	return fmt.Sprintf("the editor %q cannot be started: %v; set VISUAL or EDITOR to one that is installed", e.editor, e.err)
}

func (e *editorError) Unwrap() error { return e.err }

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
		argv = []string{editor}
	}
	cmd := exec.Command(argv[0], append(argv[1:], path)...)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = env.In, env.Out, env.Err
	err := cmd.Run()
	var ended *exec.ExitError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &ended):
		return fmt.Errorf("the editor %q failed: %w", editor, err)
	case errors.Is(err, exec.ErrNotFound):
		err = errors.New("no such program was found")
	}
	return &editorError{editor, err}
}

// breakable is a reader whose reads end when a context does: a read of a terminal
// or of a slow pipe can otherwise not be interrupted.
type breakable struct {
	ctx    context.Context
	in     io.Reader
	pieces chan piece
	rest   []byte
	err    error
}

type piece struct {
	bytes []byte
	err   error
}

func newBreakable(ctx context.Context, in io.Reader) *breakable { return &breakable{ctx: ctx, in: in} }

// Read gives the error of the context once that has ended.
func (b *breakable) Read(into []byte) (int, error) {
	if err := b.ctx.Err(); err != nil {
		return 0, err
	}
	if len(into) == 0 {
		return 0, nil
	}
	if b.pieces == nil {
		b.pieces = make(chan piece)
		go b.pump(b.pieces)
	}
	for len(b.rest) == 0 {
		if b.err != nil {
			return 0, b.err
		}
		select {
		case <-b.ctx.Done():
			return 0, b.ctx.Err()
		case p := <-b.pieces:
			b.rest, b.err = p.bytes, p.err
		}
	}
	n := copy(into, b.rest)
	b.rest = b.rest[n:]
	return n, nil
}

// pump reads until the input or the context ends. It may stay in its last read:
// the process ends with it.
func (b *breakable) pump(to chan<- piece) {
	for {
		buf := make([]byte, 32<<10)
		n, err := b.in.Read(buf)
		select {
		case <-b.ctx.Done():
			return
		case to <- piece{buf[:n], err}:
		}
		if err != nil {
			return
		}
	}
}

func (e *Env) context() context.Context {
	if e.Context == nil {
		return context.Background()
	}
	return e.Context
}
