package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"sort"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"mendbook/events"
	"mendbook/events/notes"
	"mendbook/ledger"
)

func newImportCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "import FILE|-",
		Short: "Take in a file of events, one JSON object a line",
		Long: `Takes in a file that export or another program wrote, one event a line:

  {"type":"vehicle.registered.v1","at":"2026-03-02T08:00:00Z","data":{"label":"van-7"}}
  {"type":"job.opened.v1","subject":"van-7","at":"2026-03-02T08:05:00Z","ref":"j","data":{"card":"FB-1041"}}
  {"type":"job.closed.v1","subject":"van-7","at":"2026-03-03T16:00:00Z","data":{"job":"ref:j"}}

The subject is the vehicle by label, VIN or id. A "ref" names a line for "ref:NAME"
below it. Either every line is recorded or, where one is wrong, none: all that are
wrong are told as FILE:LINE. The same file taken in again adds nothing, and gives the
same ids in every book.`,
		Example: `  mendbook import history.ndjson
  mendbook export --book old | mendbook import -`,
		Args: takes(1, 1, "a file, or - for the standard input"),
		RunE: func(cmd *cobra.Command, args []string) error { return a.importFile(cmd, args[0]) },
	}
}

// imported is the JSON form of what import did.
type imported struct {
	Schema  string `json:"schema"`
	Added   int    `json:"added"`
	Already int    `json:"already"`
}

func (a *app) importFile(cmd *cobra.Command, name string) error {
	var in io.Reader = newBreakable(cmd.Context(), a.env.In)
	shown := "stdin"
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return failf("import --help", "the file cannot be read: %w", err)
		}
		defer f.Close()
		in, shown = f, name
	}
	b, err := a.open(cmd, false)
	if err != nil {
		return err
	}
	out := imported{Schema: "mendbook.imported/1"}
	meter := a.meter("read", "lines")
	err = b.Update(cmd.Context(), func(w *ledger.Writer) error {
		i := &intake{app: a, w: w, file: shown, meter: meter}
		if err := i.run(cmd.Context(), in); err != nil {
			return err
		}
		out.Added, out.Already = i.added, i.already
		return nil
	})
	meter.end()
	if err = errors.Join(err, b.Close()); err != nil {
		return err
	}
	if a.json {
		return a.emit(out)
	}
	a.say("added %s, %d already there", plural(out.Added, "event"), out.Already)
	a.next("vehicle list")
	return nil
}

// intake takes a file of events into one transaction.
type intake struct {
	*app
	w     *ledger.Writer
	file  string
	meter *meter

	known *events.Registry
	now   time.Time
	// vehicles are those of the book with what was taken in so far; named finds
	// them by their folded label and their VIN. before does so for those that the
	// book had.
	vehicles      []vehicleRef
	named, before map[string][]vehicleRef
	// own are vehicles that stand in the file under the id the book has. as are
	// those that the book has under another id, and used which line each is.
	own  map[events.ID]bool
	as   map[events.ID]events.ID
	used map[events.ID]int

	problems []notes.LineError
	total    int
	lines    int64

	added, already int
}

func (i *intake) run(ctx context.Context, in io.Reader) error {
	var err error
	if i.vehicles, err = i.app.vehicles(ctx, i.w); err != nil {
		return err
	}
	i.known, i.now = events.Known(), i.env.Now()
	i.named, i.before = map[string][]vehicleRef{}, map[string][]vehicleRef{}
	for _, v := range i.vehicles {
		for _, name := range names(v) {
			i.named[name] = append(i.named[name], v)
			i.before[name] = append(i.before[name], v)
		}
	}
	i.own, i.as, i.used = map[events.ID]bool{}, map[events.ID]events.ID{}, map[events.ID]int{}
	bad, total, err := notes.ReadLines(in, i.known, func(l notes.Line) error {
		i.lines++
		if i.lines%200 == 0 {
			i.meter.set(i.lines, 0)
			if err := ctx.Err(); err != nil {
				return err
			}
		}
		err := i.line(ctx, l)
		if refused(err) {
			i.total++
			if len(i.problems) < notes.MaxProblems {
				i.problems = append(i.problems, notes.LineError{Line: l.Number, Text: refusalText(err)})
			}
			return nil
		}
		return err
	})
	if err != nil {
		return err
	}
	return i.verdict(append(bad, i.problems...), total+i.total)
}

// verdict is the error of a file with bad lines, which takes everything back.
func (i *intake) verdict(problems []notes.LineError, total int) error {
	if total == 0 {
		return nil
	}
	sort.SliceStable(problems, func(x, y int) bool { return problems[x].Line < problems[y].Line })
	var lines []string
	for _, p := range problems {
		lines = append(lines, fmt.Sprintf("%s:%d: %s", i.file, p.Line, p.Text))
	}
	if more := total - len(problems); more > 0 {
		lines = append(lines, fmt.Sprintf("mendbook: and %d more", more))
	}
	lines = append(lines, fmt.Sprintf("mendbook: %s cannot be taken in; nothing was recorded", plural(total, "line")))
	return withHint(&linesError{lines}, "import --help")
}

// lineRefused is what is wrong with one line, as against with the book.
type lineRefused struct{ error }

func (e lineRefused) Unwrap() error { return e.error }

// refused tells whether an error is about a line.
func refused(err error) bool {
	return as[lineRefused](err) || errors.Is(err, ledger.ErrConflict) || errors.Is(err, ledger.ErrNoVehicle) || errors.Is(err, ledger.ErrBadDraft) || as[events.Invalid](err)
}

func refusalText(err error) string { return strings.ReplaceAll(err.Error(), "\n", "; ") }

func lineFail(format string, args ...any) error { return lineRefused{fmt.Errorf(format, args...)} }

func (i *intake) line(ctx context.Context, l notes.Line) error {
	d := ledger.Draft{ID: l.ID, At: l.At, Body: l.Body}
	if l.At.Std().After(i.now.Add(lateMost)) {
		return lineFail("at: %s is in the future: nothing can have happened then", l.At)
	}
	kind, _ := i.known.Lookup(l.Type)
	var err error
	switch kind.Scope {
	case events.ScopeNew:
		return i.register(ctx, l, d)
	case events.ScopeWorkshop:
	case events.ScopeAny:
		if l.Subject == "" {
			d.Subject, err = i.subjectOf(ctx, l.Body)
		} else {
			d.Subject, err = i.subject(l.Subject)
		}
	default:
		d.Subject, err = i.subject(l.Subject)
	}
	if err != nil {
		return err
	}
	if join, ok := l.Body.(*events.VehicleJoined); ok {
		if to, ok := i.as[join.Into]; ok {
			moved := *join
			moved.Into, d.Body = to, &moved
		}
	}
	return i.record(ctx, d)
}

func (i *intake) record(ctx context.Context, d ledger.Draft) error {
	_, added, err := i.w.Record(ctx, d)
	switch {
	case err != nil:
		return err
	case added:
		i.added++
	default:
		i.already++
	}
	return nil
}

// subjectOf is the subject of the event that a void takes back.
func (i *intake) subjectOf(ctx context.Context, body events.Data) (events.ID, error) {
	void, ok := body.(*events.EventVoided)
	if !ok {
		return events.ID{}, nil
	}
	e, err := i.w.Event(ctx, void.Event)
	if errors.Is(err, ledger.ErrNotFound) {
		return events.ID{}, lineFail("event %s, which it takes back, is not in the book; give the subject", void.Event)
	}
	return e.Subject, err
}

// subject finds the vehicle of a line. An id is taken as it is, so that records
// joined into another keep their own.
func (i *intake) subject(text string) (events.ID, error) {
	if id, err := events.ParseID(text); err == nil {
		if to, ok := i.as[id]; ok {
			return to, nil
		}
		return id, nil
	}
	if hits := i.named["label "+events.Fold(text)]; len(hits) == 1 {
		return hits[0].ID, nil
	}
	v, ok, err := findVehicle(i.vehicles, text)
	switch {
	case err != nil:
		return events.ID{}, lineFail("subject: %w", err)
	case !ok:
		return events.ID{}, lineFail("subject: no vehicle is called %q, neither in the book nor on a line above", text)
	}
	return v.ID, nil
}

// register makes a vehicle, or takes the one the book has under another id.
func (i *intake) register(ctx context.Context, l notes.Line, d ledger.Draft) error {
	reg := l.Body.(*events.VehicleRegistered)
	if l.Subject != "" && l.Subject != l.ID.String() {
		return lineFail("subject: a vehicle's registration has itself as subject; leave it out")
	}
	d.Subject = l.ID
	_, err := i.w.Event(ctx, l.ID)
	if err == nil {
		i.own[l.ID] = true
		return i.record(ctx, d) // there already, or a conflict
	}
	if !errors.Is(err, ledger.ErrNotFound) {
		return err
	}
	if have, found, err := i.same(reg); err != nil || found {
		if err != nil {
			return err
		}
		if line, taken := i.used[have.ID]; taken {
			return lineFail("line %d is %s of the book already; two vehicles of a file cannot be one", line, have.Label)
		}
		i.used[have.ID] = l.Number
		i.as[l.ID] = have.ID
		i.already++
		return nil
	}
	if err := i.record(ctx, d); err != nil {
		return err
	}
	v := vehicleRef{ID: l.ID, Set: []events.ID{l.ID}, Label: reg.Label, Reg: reg, Labels: []string{reg.Label}}
	if !reg.VIN.IsZero() {
		v.VINs = []string{reg.VIN.String()}
	}
	i.vehicles = append(i.vehicles, v)
	for _, name := range names(v) {
		i.named[name] = append(i.named[name], v)
	}
	return nil
}

// same finds the vehicle that was in the book before the file and is the one of a
// registration: the label agrees and, where both give one, the VIN.
func (i *intake) same(reg *events.VehicleRegistered) (vehicleRef, bool, error) {
	var hits []vehicleRef
	vin := reg.VIN.String()
	near := i.before["label "+events.Fold(reg.Label)]
	for _, v := range i.before["vin "+vin] {
		if !slices.ContainsFunc(near, func(have vehicleRef) bool { return have.ID == v.ID }) {
			near = append(slices.Clone(near), v)
		}
	}
	for _, v := range near {
		if slices.ContainsFunc(v.Set, func(id events.ID) bool { return i.own[id] }) {
			continue // the file has it by its own id, beside this one
		}
		label := slices.ContainsFunc(v.Labels, func(s string) bool { return events.Fold(s) == events.Fold(reg.Label) })
		number := vin != "" && slices.Contains(v.VINs, vin)
		switch {
		case label && (number || vin == "" || len(v.VINs) == 0):
			hits = append(hits, v)
		case label:
			return vehicleRef{}, false, lineFail("%s is in the book as %s with VIN %s, and has VIN %s here", reg.Label, v.ID.Short(), strings.Join(v.VINs, ", "), vin)
		case number:
			return vehicleRef{}, false, lineFail("VIN %s is in the book as %s, and is called %s here", vin, v.Label, reg.Label)
		}
	}
	switch len(hits) {
	case 0:
		return vehicleRef{}, false, nil
	case 1:
		return hits[0], true, nil
	}
	return vehicleRef{}, false, lineFail("%s names %d vehicles of the book", reg.Label, len(hits))
}

// names are the words an intake looks a vehicle up by.
func names(v vehicleRef) []string {
	var out []string
	for _, l := range v.Labels {
		if name := "label " + events.Fold(l); !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	for _, number := range v.VINs {
		out = append(out, "vin "+number)
	}
	return out
}
