package cli

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"mendbook/events"
	"mendbook/ledger"
)

// The exit codes.
const (
	exitDone        = 0
	exitFailed      = 1
	exitBad         = 3
	exitOpen        = 4
	exitNoBook      = 10
	exitBusy        = 11
	exitIntegrity   = 12
	exitUnreachable = 13
	exitUsage       = 64
)

// exitCodes explains the codes, for help exit-codes.
func exitCodes() [][2]string {
	return [][2]string{
		{"0", "done; for verify: every targeted fault is cleared"},
		{"1", "failed; nothing was recorded"},
		{"3", "verify: something persisted, returned or is new"},
		{"4", "verify: nothing bad was seen, but something is unproven, unread or awaited"},
		{"10", "there is no book here"},
		{"11", "the book is busy: another process is writing"},
		{"12", "the book is damaged, or check found something"},
		{"13", "another machine could not be reached"},
		{"64", "the command line was wrong; nothing was done"},
	}
}

// exitError ends a command with a code after it has said everything itself.
type exitError struct{ code int }

func (e exitError) Error() string { return fmt.Sprintf("exit code %d", e.code) }

// usageError is a wrong command line.
type usageError struct{ text, hint string }

func (e *usageError) Error() string { return e.text }

// hinted is an error with a hint of its own, a command that runs.
type hinted struct {
	err  error
	hint string
}

func (e *hinted) Error() string { return e.err.Error() }
func (e *hinted) Unwrap() error { return e.err }

// withHint gives an error a hint: the words after "mendbook ".
func withHint(err error, hint string) error { return &hinted{err, hint} }

// failf makes an error with a hint, the words after "mendbook "; "" for none.
func failf(hint, format string, args ...any) error {
	return &hinted{fmt.Errorf(format, args...), hint}
}

// errIntegrity is what check fails with after it has told its findings.
var errIntegrity = errors.New("the book does not hold together")

type exitRule struct {
	is   func(error) bool
	code int
	// hint is the words after "mendbook "; "" for none.
	hint string
	// text replaces the error's own text where it is not empty.
	text string
	// also is said behind the error's own text.
	also string
}

func is(target error) func(error) bool {
	return func(err error) bool { return errors.Is(err, target) }
}

func both(one, other error) func(error) bool {
	return func(err error) bool { return errors.Is(err, one) && errors.Is(err, other) }
}

func as[T error](err error) bool {
	var t T
	return errors.As(err, &t)
}

// exitRules is the one table of errors, exit codes and hints: the first row that
// matches. A hint that the error brings itself is shown instead of the row's.
func exitRules() []exitRule {
	return []exitRule{
		{is: as[*usageError], code: exitUsage, hint: "help"},
		{is: is(context.Canceled), code: exitFailed, text: "interrupted; nothing was recorded"},
		{is: both(ledger.ErrNoBook, ledger.ErrKeyLeft), code: exitNoBook, hint: "init --help"},
		{is: both(ledger.ErrNoBook, ledger.ErrNotDir), code: exitNoBook, hint: "init --help"},
		{is: is(ledger.ErrNoBook), code: exitNoBook, hint: "init"},
		{is: is(ledger.ErrKeyLeft), code: exitFailed, hint: "init --help"},
		{is: is(ledger.ErrCannotMake), code: exitFailed, hint: "init --help"},
		// Which command would go through next time is not known here.
		{is: is(ledger.ErrBusy), code: exitBusy, hint: "help exit-codes", also: "wait for it, or give --wait 60"},
		{is: is(errIntegrity), code: exitIntegrity, hint: "help exit-codes"},
		{is: is(ledger.ErrDamaged), code: exitIntegrity, hint: "check"},
		{is: is(ledger.ErrUnreadable), code: exitFailed, hint: "init --help"},
		{is: is(ledger.ErrReadOnly), code: exitFailed, hint: "vehicle list"},
		{is: is(ledger.ErrExists), code: exitFailed, hint: "vehicle list"},
		{is: is(ledger.ErrNewerBook), code: exitFailed, hint: "version"},
		{is: is(ledger.ErrNetworkShare), code: exitFailed, hint: "init --help"},
		{is: is(ledger.ErrNoVehicle), code: exitFailed, hint: "vehicle list"},
		{is: is(ledger.ErrNotFound), code: exitFailed, hint: "vehicle list"},
		{is: as[events.Invalid], code: exitFailed},
		{is: is(fs.ErrNotExist), code: exitFailed},
		{is: func(error) bool { return true }, code: exitFailed},
	}
}

type outcome struct {
	Error string `json:"error"`
	Hint  string `json:"hint,omitempty"`
	Exit  int    `json:"exit"`
}

// judgeError finds the exit code, the text and the hint of an error.
func (a *app) judgeError(err error) outcome {
	for _, rule := range exitRules() {
		if !rule.is(err) {
			continue
		}
		o := outcome{Error: err.Error(), Hint: rule.hint, Exit: rule.code}
		if rule.text != "" {
			o.Error = rule.text
		}
		if rule.also != "" {
			o.Error += ": " + rule.also
		}
		var h *hinted
		var u *usageError
		if errors.As(err, &h) {
			o.Hint = h.hint
		}
		if errors.As(err, &u) && u.hint != "" {
			o.Hint = u.hint
		}
		if o.Hint != "" {
			o.Hint = a.commandLine(o.Hint)
		}
		return o
	}
	return outcome{Error: err.Error(), Exit: exitFailed}
}

// report tells an error and gives the exit code.
func (a *app) report(err error) int {
	if err == nil {
		return exitDone
	}
	var quiet exitError
	if errors.As(err, &quiet) {
		return quiet.code
	}
	o := a.judgeError(err)
	if a.json {
		writeJSON(a.env.Err, o)
		return o.Exit
	}
	if as[*linesError](err) {
		fmt.Fprintln(a.env.Err, o.Error)
	} else {
		fmt.Fprintf(a.env.Err, "mendbook: %s\n", strings.ReplaceAll(o.Error, "\n", "\n  "))
	}
	if o.Hint != "" {
		fmt.Fprintf(a.env.Err, "hint: %s\n", o.Hint)
	}
	return o.Exit
}

// linesError is an error of several lines that each name a file and a place, so
// that an editor can jump there: they are told as they are.
type linesError struct{ lines []string }

func (e *linesError) Error() string { return strings.Join(e.lines, "\n") }
