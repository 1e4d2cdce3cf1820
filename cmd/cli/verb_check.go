package cli

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"mendbook/events"
	"mendbook/ledger"
)

func newCheckCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "check",
		Short: "Read the whole book again and prove that it holds together",
		Long: `Reads every event, hash, signature and file of the book again, and compares what is
derived with a rebuild. Nothing is changed. Findings are told one a line, with the
feed and the place in it; the exit code is 12 where there are any.`,
		Example: `  mendbook check
  mendbook check --json`,
		Args: takes(0, 0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error { return a.check(cmd) },
	}
}

// checked is the JSON form of check.
type checked struct {
	Schema  string `json:"schema"`
	OK      bool   `json:"ok"`
	Events  int64  `json:"events"`
	Feeds   int64  `json:"feeds"`
	Files   int64  `json:"files"`
	Unknown int64  `json:"unknown"`
	// IndexStale is true where the index was made by another version of the
	// program and could not be compared.
	IndexStale bool           `json:"indexStale,omitempty"`
	Findings   []checkFinding `json:"findings"`
	// More counts findings beyond those listed.
	More int `json:"more,omitempty"`
}

type checkFinding struct {
	Code string `json:"code"`
	// Severity is damage, or lack for what may still come, such as a file that
	// was attached on another machine.
	Severity string    `json:"severity"`
	Feed     string    `json:"feed,omitempty"`
	Seq      int64     `json:"seq,omitempty"`
	ID       events.ID `json:"id,omitzero"`
	Text     string    `json:"text"`
}

func (a *app) check(cmd *cobra.Command) error {
	o, err := a.options(cmd, true)
	if err != nil {
		return err
	}
	meter := a.meter("checked", "events")
	rep, err := ledger.Check(cmd.Context(), o, meter.set)
	meter.end()
	if err != nil {
		return err
	}
	out := checked{Schema: "mendbook.check/1", OK: rep.OK(), Events: rep.Events, Feeds: rep.Feeds, Files: rep.Files,
		Unknown: rep.Unknown, IndexStale: rep.IndexStale, More: rep.More, Findings: []checkFinding{}}
	for _, f := range rep.Findings {
		severity := "damage"
		if f.Severity == ledger.Lack {
			severity = "lack"
		}
		out.Findings = append(out.Findings, checkFinding{f.Code, severity, f.Feed, f.Seq, f.ID, f.Text})
	}
	if a.json {
		if err := a.emit(out); err != nil {
			return err
		}
		if !out.OK {
			return exitError{exitIntegrity}
		}
		return nil
	}
	for _, f := range out.Findings {
		a.say("%s", findingText(f))
	}
	if out.More > 0 {
		a.say("and %d more", out.More)
	}
	a.say("%s, %s, %s read again", plural(int(out.Events), "event"), plural(int(out.Feeds), "feed"), plural(int(out.Files), "file"))
	if out.Unknown > 0 {
		a.say("%s of kinds that this program cannot interpret: kept as they are", plural(int(out.Unknown), "event"))
	}
	if out.IndexStale {
		a.say("the index was made by another version of the program; the next recording makes it anew")
	}
	if !out.OK {
		return fmt.Errorf("%w: %s", errIntegrity, plural(len(out.Findings)+out.More, "finding"))
	}
	a.say("the book holds together")
	return nil
}

func findingText(f checkFinding) string {
	parts := []string{f.Severity + " " + f.Code}
	if f.Feed != "" {
		parts = append(parts, "feed "+f.Feed)
	}
	if f.Seq != 0 {
		parts = append(parts, fmt.Sprintf("seq %d", f.Seq))
	}
	if !f.ID.IsZero() {
		parts = append(parts, "event "+f.ID.String())
	}
	return strings.Join(parts, " ") + ": " + f.Text
}

// meter shows on a terminal how far a long command is.
type meter struct {
	a          *app
	done, what string
	shown      bool
}

func (a *app) meter(done, what string) *meter { return &meter{a: a, done: done, what: what} }

func (m *meter) set(done, total int64) {
	if !m.a.env.ErrTTY || m.a.json {
		return
	}
	m.shown = true
	if total > 0 {
		fmt.Fprintf(m.a.env.Err, "\r%s %d of %d %s", m.done, done, total, m.what)
	} else {
		fmt.Fprintf(m.a.env.Err, "\r%s %d %s", m.done, done, m.what)
	}
}

// end takes the line away.
func (m *meter) end() {
	if m.shown {
		fmt.Fprintf(m.a.env.Err, "\r%s\r", strings.Repeat(" ", 60))
	}
}
