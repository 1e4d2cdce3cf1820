package cli

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"mendbook/events"
	"mendbook/events/notes"
	"mendbook/events/quantity"
	"mendbook/verify"
)

// scanFlags is how the verb scan was called.
type scanFlags struct {
	rec                                 recordFlags
	edit                                bool
	odometer, ignition, engine, battery string
	lamps, units                        []string
	card, complaint                     string
}

func newScanCmd(a *app) *cobra.Command {
	var f scanFlags
	cmd := &cobra.Command{
		Use:   "scan VEHICLE [FILE|-] [flags]",
		Short: "Record what the control units answered",
		Long: `Records a scan: a note in a file (- is the standard input), a note typed in the
editor with --edit, or flags. Where the vehicle has no open job, it opens one.
mendbook help notes explains the note.`,
		Example: `  mendbook scan van-7 --odometer "214890 km" --unit "engine: P0302 present, P0455 stored" --unit "tailgate: silent"
  mendbook scan van-7 --unit "engine: no codes"`,
		Args: takes(1, 2, "a vehicle and at most one file"), ValidArgsFunction: a.completesScan,
		RunE: func(cmd *cobra.Command, args []string) error { return a.scan(cmd, &f, args) },
	}
	fl := cmd.Flags()
	fl.BoolVar(&f.edit, "edit", false, "type the note in the editor of VISUAL or EDITOR")
	fl.StringArrayVar(&f.units, "unit", nil, "a control unit and its `CODES`, like \"engine: P0302 present, P0455 stored\" or \"tailgate: silent\" (repeatable)")
	fl.StringVar(&f.odometer, "odometer", "", "`DISTANCE` like \"214880 km\"")
	fl.StringVar(&f.ignition, "ignition", "", "`STATE` on or off")
	fl.StringVar(&f.engine, "engine", "", "`STATE` running or off")
	fl.StringVar(&f.battery, "battery", "", "`VOLTAGE` like \"12.4 V\"")
	fl.StringArrayVar(&f.lamps, "lamp", nil, "a warning lamp as it was `SEEN`, like \"engine on\" (repeatable)")
	fl.StringVar(&f.card, "card", "", "`NUMBER` of the paper job card, for a job that this opens")
	fl.StringVar(&f.complaint, "complaint", "", "what the vehicle came in with, in `TEXT`, for a job that this opens")
	f.rec.add(cmd)
	return cmd
}

// again are the flags that go with a note, as they were given.
func (f *scanFlags) again() string {
	var b strings.Builder
	for _, flag := range [][2]string{{"at", f.rec.at}, {"by", f.rec.by}, {"note", f.rec.note}, {"card", f.card}, {"complaint", f.complaint}} {
		if flag[1] != "" {
			b.WriteString(" --" + flag[0] + " " + quote(flag[1]))
		}
	}
	return b.String()
}

// top are the flags that stand for lines of the whole note.
func (f *scanFlags) top() []string {
	var out []string
	for _, line := range [][2]string{{"odometer", f.odometer}, {"ignition", f.ignition}, {"engine", f.engine}, {"battery", f.battery}} {
		if line[1] != "" {
			out = append(out, line[0]+" "+line[1])
		}
	}
	for _, l := range f.lamps {
		out = append(out, "lamp "+l)
	}
	return out
}

func (a *app) scan(cmd *cobra.Command, f *scanFlags, args []string) error {
	top := f.top()
	ways := 0
	for _, used := range []bool{len(args) == 2, f.edit, len(top)+len(f.units) > 0} {
		if used {
			ways++
		}
	}
	switch {
	case ways == 0:
		return a.usage("what was read is missing: give a file, - for the standard input, --edit, or flags like --unit \"engine: P0302 present\"")
	case ways > 1:
		return a.usage("give one of a file, --edit and flags of the scan, not several")
	case f.edit:
		return a.scanEdited(cmd, f, args[0])
	case len(args) == 2:
		name, text, err := a.readNote(cmd.Context(), args[1])
		if err != nil {
			return err
		}
		return a.recordScan(cmd, f, args[0], text, name)
	}
	text, err := notes.FromFlags(top, f.units)
	if err != nil {
		var many notes.Errors
		if errors.As(err, &many) {
			lines := make([]string, len(many))
			for i, e := range many {
				lines[i] = problemText(e)
			}
			return &usageError{strings.Join(lines, "\n"), "help notes"}
		}
		return err
	}
	return a.recordScan(cmd, f, args[0], text, "flags")
}

// readNote reads a note of a file, or the standard input for "-".
func (a *app) readNote(ctx context.Context, file string) (name string, text []byte, err error) {
	var in io.Reader = newBreakable(ctx, a.env.In)
	name = file
	if file == "-" {
		name = "standard input"
	} else {
		opened, err := os.Open(file)
		if err != nil {
			return "", nil, failf("scan --help", "%w", err)
		}
		defer opened.Close()
		in = opened
	}
	text, err = io.ReadAll(io.LimitReader(in, notes.MaxBytes+1))
	if err != nil {
		return "", nil, fmt.Errorf("%s: %w", name, err)
	}
	return name, text, nil
}

// scanEdited lets the person type the note. The book is not held meanwhile.
func (a *app) scanEdited(cmd *cobra.Command, f *scanFlags, vehicle string) error {
	var template []byte
	b, err := a.open(cmd, true)
	if err != nil {
		return err
	}
	err = func() error {
		v, err := a.vehicle(cmd.Context(), b, vehicle)
		if err != nil {
			return err
		}
		evs, err := a.history(cmd.Context(), b, v)
		if err != nil {
			return err
		}
		p, _, err := a.policy(cmd.Context(), b)
		if err != nil {
			return err
		}
		var last *events.ScanTaken
		if e := verify.NewHistory(evs, p).LastScan(); e != nil {
			last = e.Body.(*events.ScanTaken)
		}
		template = notes.Template(last)
		return nil
	}()
	if err = errors.Join(err, b.Close()); err != nil {
		return err
	}
	file, err := os.CreateTemp("", "mendbook-scan-*.txt")
	if err != nil {
		return err
	}
	path := file.Name()
	_, err = file.Write(template)
	if err = errors.Join(err, file.Close()); err != nil {
		return errors.Join(err, os.Remove(path))
	}
	kept := func(err error) error {
		a.warnPlain("your note is kept in " + path)
		return withHint(err, "scan "+quote(vehicle)+" "+quote(path)+f.again())
	}
	if err := a.env.RunEditor(path); err != nil {
		if as[*editorError](err) {
			return errors.Join(withHint(err, "scan --help"), os.Remove(path))
		}
		return kept(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	if bytes.Equal(text, template) {
		return errors.Join(failf("help notes", "the note was left as it is: nothing was recorded"), os.Remove(path))
	}
	if err := a.recordScan(cmd, f, vehicle, text, path); err != nil {
		return kept(err)
	}
	return os.Remove(path)
}

// recordScan records a note. Every problem of it is told with its place, and then
// nothing is recorded.
func (a *app) recordScan(cmd *cobra.Command, f *scanFlags, vehicle string, text []byte, name string) error {
	return a.record(cmd, func(s *session) error {
		l, err := s.look(vehicle)
		if err != nil {
			return err
		}
		note, err := notes.Parse(text, s.zone)
		if err != nil {
			return noteError(err, name)
		}
		at, err := s.when(f.rec.at)
		if err != nil {
			return err
		}
		switch {
		case at.IsZero():
			at = note.At
			if err := s.noteAhead(at); err != nil {
				return err
			}
		case !note.At.IsZero() && note.At != at:
			return a.usage("--at says %s and the note %s: give the time once", when(at, s.zone), when(note.At, s.zone))
		}
		scan := note.Scan
		if err := merge(a, "by", &scan.By, f.rec.by, a.who(&f.rec)); err != nil {
			return err
		}
		if err := merge(a, "note", &scan.Note, f.rec.note, f.rec.note); err != nil {
			return err
		}
		return s.scan(l, at, scan, f)
	})
}

// merge fills a field of the note from a flag, which may not contradict it.
func merge(a *app, name string, field *string, flag, value string) error {
	if flag != "" && *field != "" && *field != flag {
		return a.usage("--%s says %q and the note %q: give it once", name, flag, *field)
	}
	if *field == "" {
		*field = value
	}
	return nil
}

func (s *session) noteAhead(at events.Time) error {
	if at.IsZero() {
		return nil
	}
	return s.notAhead(at)
}

func noteError(err error, name string) error {
	var many notes.Errors
	if !errors.As(err, &many) {
		return err
	}
	lines := make([]string, len(many))
	for i, e := range many {
		lines[i] = fmt.Sprintf("%s:%d:%d: %s", name, e.Line, e.Column, problemText(e))
		if e.Line == 0 {
			lines[i] = name + ": " + problemText(e)
		}
	}
	return withHint(&linesError{lines}, "help notes")
}

// scan records a scan, and before it the opening of a job where none is open.
func (s *session) scan(l look, at events.Time, scan *events.ScanTaken, f *scanFlags) error {
	v := l.vehicle
	job, found := l.jobAt(at)
	later, laterFound := l.jobAt(events.Time{})
	switch {
	case !found && laterFound:
		// A second open job would be wrong: the visit that is open began later.
		s.warn("%s is before job %s was opened, %s: the scan is not part of it", when(at, s.zone), later.shown(), when(later.Opened.Happened(), s.zone))
	case !found:
		opened := &events.JobOpened{Card: f.card, Odometer: scan.Odometer, Complaint: f.complaint, By: scan.By}
		e, err := s.add(v.ID, at, opened)
		if err != nil {
			return err
		}
		if err := s.sameCard(f.card, e.ID); err != nil {
			return err
		}
		s.say("job %s opened for %s: none was open", jobWord(f.card, e.ID), v.Label)
	}
	if found || laterFound {
		if f.card != "" && (!found || events.Fold(f.card) != events.Fold(job.Open.Card)) {
			return s.a.usage("--card %s is for a job that scan opens, and %s has an open job: %s", f.card, v.Label, cmp.Or(job.idShown(), later.idShown()))
		}
		if f.complaint != "" {
			return s.a.usage("--complaint is for a job that scan opens, and %s has an open job: %s", v.Label, cmp.Or(job.idShown(), later.idShown()))
		}
	}
	known := l.history.Units()
	e, err := s.add(v.ID, at, scan)
	if err != nil {
		return err
	}
	s.oddOdometer(l, at, scan.Odometer)
	s.oddBattery(scan.Battery)
	for _, u := range scan.Units {
		s.oddUnit(v, known, u.Unit)
	}
	s.say("scan of %s recorded (%s): %s%s", v.Label, e.ID.Short(), scanSummary(scan), s.backdated(at))
	again, err := s.lookAt(v)
	if err != nil {
		return err
	}
	if again.repairedIn(at) || again.scansIn(at) > 1 {
		s.next("verify %s", v.name())
	} else {
		s.next("repair --help")
	}
	return nil
}

func (j jobRef) idShown() string {
	if j.ID.IsZero() {
		return ""
	}
	return j.shown()
}

// repairedIn reports whether there is a repair since the job of a moment was opened.
func (l look) repairedIn(at events.Time) bool {
	j, ok := l.jobAt(at)
	if !ok {
		return false
	}
	for _, e := range verify.Standing(l.evs) {
		if _, repair := e.Body.(*events.RepairDone); repair && !e.Happened().Std().Before(j.Opened.Happened().Std()) {
			return true
		}
	}
	return false
}

// scansIn counts the scans since the job of a moment was opened.
func (l look) scansIn(at events.Time) int {
	j, ok := l.jobAt(at)
	n := 0
	for _, e := range verify.Standing(l.evs) {
		if _, scan := e.Body.(*events.ScanTaken); ok && scan && !e.Happened().Std().Before(j.Opened.Happened().Std()) {
			n++
		}
	}
	return n
}

// oddBattery warns of a voltage that no vehicle's battery has: from 6 V on
// motorcycles to 48 V beside the drive (common practice), with room around both.
func (s *session) oddBattery(m quantity.Measure) {
	if m.IsZero() {
		return
	}
	if v := m.Value(); v.Cmp(quantity.NumberFromInt(5)) < 0 || v.Cmp(quantity.NumberFromInt(60)) > 0 {
		s.warn("battery %s is not a voltage that a vehicle's battery has (5 V to 60 V): is it a slip?", m)
	}
}

// oddUnit warns of a unit that was probably meant to be one read before, and
// reports whether it did.
func (s *session) oddUnit(v vehicleRef, known []string, unit string) bool {
	for _, k := range known {
		if events.Fold(k) == events.Fold(unit) {
			return false
		}
	}
	if near := nearest(unit, known, 1); len(near) > 0 && len([]rune(unit)) > 3 {
		s.warn("unit %s was not read on %s before; is it %s? mendbook unit name %s %s %s makes them one",
			unit, v.Label, near[0], v.name(), quote(unit), quote(near[0]))
		return true
	}
	return false
}

func scanSummary(scan *events.ScanTaken) string {
	codes, silent := 0, 0
	for _, u := range scan.Units {
		codes += len(u.Codes)
		if u.Reach != events.Answered {
			silent++
		}
	}
	text := plural(len(scan.Units), "unit") + ", " + plural(codes, "code")
	if silent > 0 {
		text += fmt.Sprintf(", %d did not answer in full", silent)
	}
	return text
}
