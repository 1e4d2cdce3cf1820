package cli

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

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
	// Means is the same in plain words.
	Means string `json:"means"`
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
		out.Findings = append(out.Findings, checkFinding{f.Code, severity, f.Feed, f.Seq, f.ID, f.Text, ""})
	}
	told := a.toldOf(cmd.Context(), o, out.Findings)
	for i, f := range out.Findings {
		out.Findings[i].Means = meaning(f.Code, told[f.ID])
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
		for _, line := range a.fit(findingText(f), 2) {
			a.say("%s", line)
		}
		for _, line := range a.fit("  "+f.Means, 2) {
			a.say("%s", line)
		}
	}
	if out.More > 0 {
		a.say("and %d more", out.More)
	}
	if !out.OK && out.Events == 0 {
		a.say("no event could be read")
		return a.notWhole(out)
	}
	a.say("%s, %s, %s read again", plural(int(out.Events), "event"), plural(int(out.Feeds), "feed"), plural(int(out.Files), "file"))
	if out.Unknown > 0 {
		a.say("%s of kinds that this program cannot interpret: kept as they are", plural(int(out.Unknown), "event"))
	}
	if out.IndexStale {
		a.say("the index was made by another version of the program; the next recording makes it anew")
	}
	if !out.OK {
		return a.notWhole(out)
	}
	a.say("the book holds together")
	return nil
}

// notWhole says what to do with a damaged book.
func (a *app) notWhole(out checked) error {
	for _, line := range []string{
		"What to do: record nothing more in this book, and keep its directory as it is.",
		"Restore a copy of the book into another directory, and check it with --book.",
		"Compare the two: what the copy lacks was recorded after it was made.",
	} {
		for _, part := range a.fit(line, 2) {
			a.say("%s", part)
		}
	}
	return withHint(fmt.Errorf("%w: %s", errIntegrity, plural(len(out.Findings)+out.More, "finding")), "check --json")
}

// toldOf says in plain words what the events of the findings are, as far as the
// damaged book still tells: "drive done of van-7, 2026-11-20 09:05".
func (a *app) toldOf(ctx context.Context, o ledger.Options, list []checkFinding) map[events.ID]string {
	told := map[events.ID]string{}
	if !slices.ContainsFunc(list, func(f checkFinding) bool { return !f.ID.IsZero() }) {
		return told
	}
	b, err := openQuietly(ctx, o)
	if err != nil {
		return told
	}
	labels := map[events.ID]string{}
	if all, err := a.vehicles(ctx, b); err == nil {
		for _, v := range all {
			for _, id := range v.Set {
				labels[id] = v.Label
			}
		}
	}
	loc := time.UTC
	if p, _, err := a.policy(ctx, b); err == nil {
		loc = zone(p)
	}
	for _, f := range list {
		if f.ID.IsZero() || told[f.ID] != "" {
			continue
		}
		e, err := b.Event(ctx, f.ID)
		if err != nil {
			continue
		}
		text := kindOf(e)
		if label := labels[e.Subject]; label != "" {
			text += " of " + label
		}
		told[f.ID] = text + ", " + when(e.Happened(), loc)
	}
	_ = b.Close() // opened for reading: nothing can be lost
	return told
}

// meaning says in plain words what a finding is. The event is "" where it is not known.
func meaning(code, event string) string {
	one := "an event"
	if event != "" {
		one = "an event (" + event + ")"
	}
	switch code {
	case ledger.CodeNotABook:
		return "this file is not a book of this program"
	case ledger.CodeCutFile:
		return "a part of the book's file is missing, as after a copy that broke off"
	case ledger.CodeDamagedFile:
		return "the book's file is damaged, as by a failing disk or another program"
	case ledger.CodeMissingRow:
		return "events that were recorded are no longer there"
	case ledger.CodeExtraRow:
		return one + " was put in by something other than this program, or its signing was undone"
	case ledger.CodeReorderedRow:
		return one + " stands in another's place"
	case ledger.CodeChangedBytes:
		return one + " was changed after it was recorded"
	case ledger.CodeChangedHash:
		return one + " is what was recorded, but the hash kept beside it was changed"
	case ledger.CodeUnparsable:
		return one + " cannot be read"
	case ledger.CodeWrongColumn, ledger.CodeWrongLink, ledger.CodeWrongFeed:
		return one + " does not fit the place where it stands"
	case ledger.CodeWrongRoot, ledger.CodeBadHead:
		return "what stands in the book is not what this program signed"
	case ledger.CodeWrongKey, ledger.CodeMissingKey:
		return "the key that signs for this book is not the one it was made with, or not there"
	case ledger.CodeRepeatedID, ledger.CodeConflictingIDs:
		return one + " stands in the book twice"
	case ledger.CodeBadIndex:
		return "find may miss events or show wrong ones; the events themselves are judged by the other findings"
	case ledger.CodeMissingFile:
		return "an attached file is not here; " + one + " names it"
	case ledger.CodeChangedFile:
		return "an attached file was changed after it was attached; " + one + " names it"
	case ledger.CodeChangedSchema, ledger.CodeAddedSchema:
		return "something other than this program changed how the book is laid out"
	}
	if strings.HasPrefix(code, ledger.CodeMissingSchema) {
		return "a part of how the book is laid out is missing"
	}
	return "something is not as it was recorded"
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
