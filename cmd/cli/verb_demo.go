package cli

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"mendbook/verify"
)

func newDemoCmd(a *app) *cobra.Command {
	var dir string
	cmd := &cobra.Command{
		Use:   "demo [flags]",
		Short: "Make a book of an invented workshop, to try the commands on",
		Long: `Makes a book of the invented Fennbrook Depot, in a new directory: three vehicles and
six jobs of spring 2026, recorded with the commands of this program. Then it shows
the jobs, the sheet of the most telling one, and what to type next. No other book is
touched; delete the directory when done.`,
		Example: `  mendbook demo
  mendbook demo --dir fennbrook`,
		Args: takes(0, 0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if a.book != "" {
				return a.usage("demo makes a book of its own: name its directory with --dir instead of --book")
			}
			return a.demo(cmd, dir)
		},
	}
	cmd.Flags().StringVar(&dir, "dir", "", "an empty or new `DIR` (else a new one among the system's temporary files)")
	return cmd
}

// demoResult is the JSON form of demo.
type demoResult struct {
	Schema string    `json:"schema"`
	Book   string    `json:"book"`
	Jobs   []demoJob `json:"jobs"`
}

type demoJob struct {
	Card     string       `json:"card"`
	Vehicle  string       `json:"vehicle"`
	Outcome  verify.Group `json:"outcome"`
	Sentence string       `json:"sentence"`
	opened   time.Time
}

func (a *app) demo(cmd *cobra.Command, dir string) error {
	dir, undo, err := demoDir(dir)
	if err != nil {
		return err
	}
	d := &demoRun{outer: a, book: filepath.Join(dir, "book"), state: filepath.Join(dir, "state")}
	if err := d.record(cmd.Context()); err != nil {
		undo()
		return err
	}
	return d.show(cmd)
}

// demoDir gives an empty directory, and what takes it back.
func demoDir(dir string) (string, func(), error) {
	if dir == "" {
		made, err := os.MkdirTemp("", "mendbook-demo-")
		return made, func() { os.RemoveAll(made) }, err
	}
	abs, err := filepath.Abs(dir)
	if err != nil {
		return "", nil, err
	}
	list, err := os.ReadDir(abs)
	switch {
	case err == nil && len(list) > 0:
		return "", nil, failf("demo", "%s is not empty; a demo wants an empty or a new directory", dir)
	case err == nil:
		return abs, func() {
			os.RemoveAll(filepath.Join(abs, "book"))
			os.RemoveAll(filepath.Join(abs, "state"))
		}, nil
	case !errors.Is(err, fs.ErrNotExist):
		return "", nil, err
	}
	return abs, func() { os.RemoveAll(abs) }, os.MkdirAll(abs, 0o700)
}

// demoRun records the demo with the program's own commands, run in this process
// with a clock of its own. The book and the state of its station lie beside each
// other, so that no book of the user's is touched.
type demoRun struct {
	outer       *app
	book, state string
	clock       time.Time
}

// env is what the commands of the demo take from outside: nothing of the user's.
func (d *demoRun) env(ctx context.Context, in string, out, errOut *bytes.Buffer) *Env {
	place := func(dir string) func() (string, error) { return func() (string, error) { return dir, nil } }
	return &Env{
		Context: ctx, In: strings.NewReader(in), Out: out, Err: errOut,
		Now: func() time.Time { return d.clock }, Entropy: d.outer.env.Entropy,
		Getenv: func(string) string { return "" },
		Dir:    place(d.book), StateDir: place(d.state),
		Host:      func() (string, error) { return "depot", nil },
		RunEditor: func(string) error { return errors.New("the demo has no editor") },
		Version:   d.outer.env.Version,
	}
}

func (d *demoRun) record(ctx context.Context) error {
	for _, s := range depot() {
		at, err := time.Parse("2006-01-02 15:04", s.at)
		if err != nil {
			return err
		}
		d.clock = at
		var out, errOut bytes.Buffer
		if code := Main(d.env(ctx, s.in, &out, &errOut), s.args); code != exitDone {
			if err := ctx.Err(); err != nil {
				return err
			}
			return fmt.Errorf("the demo's own command %q of %s failed: %s", strings.Join(s.args, " "), s.at, strings.TrimSpace(errOut.String()))
		}
	}
	return nil
}

func (d *demoRun) show(cmd *cobra.Command) error {
	a := d.outer
	var out, errOut bytes.Buffer
	inner := &app{env: d.env(cmd.Context(), "", &out, &errOut), book: d.book, wait: a.wait, cmd: cmd}
	res := demoResult{Schema: "mendbook.demo/1", Book: d.book, Jobs: []demoJob{}}
	var telling *verify.Report
	loc := time.UTC
	vehicles := 0
	err := inner.read(cmd, func(ctx context.Context, r reader) error {
		all, err := inner.vehicles(ctx, r)
		if err != nil {
			return err
		}
		vehicles = len(all)
		for _, v := range all {
			h, zone, err := inner.fold(ctx, r, v)
			if err != nil {
				return err
			}
			loc = zone
			for _, j := range h.Jobs() {
				rep, err := verify.Judge(h, verify.Question{Job: j.ID})
				if err != nil {
					return err
				}
				res.Jobs = append(res.Jobs, demoJob{j.Card, v.Label, rep.Outcome, rep.Sentence, rep.Job.Opened.Std()})
				if j.Card == demoTelling {
					telling = rep
				}
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	slices.SortFunc(res.Jobs, func(x, y demoJob) int { return x.opened.Compare(y.opened) })
	if a.json {
		return a.emit(res)
	}
	for _, line := range a.fit(fmt.Sprintf("Fennbrook Depot, an invented workshop: %s, %s.", plural(vehicles, "vehicle"), plural(len(res.Jobs), "job")), 2) {
		a.say("%s", line)
	}
	a.say("")
	var rows [][]string
	for _, j := range res.Jobs {
		rows = append(rows, []string{j.Card, j.Vehicle, string(j.Outcome), j.Sentence})
	}
	a.list(rows, false)
	a.say("")
	a.say("The most telling job is %s:", demoTelling)
	a.say("")
	if err := a.sheet(telling, loc, false); err != nil {
		return err
	}
	a.say("")
	a.say("The book is in %s", d.book)
	a.say("Go on with:")
	for _, words := range []string{"sheet " + demoTelling, "verify bus-3", "history tipper-2"} {
		a.say("  %s --book %s %s", a.env.program(), quote(d.book), words)
	}
	return nil
}
