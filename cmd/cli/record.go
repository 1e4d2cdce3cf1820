package cli

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"mendbook/events"
	"mendbook/events/fault"
	"mendbook/events/notes"
	"mendbook/events/quantity"
	"mendbook/ledger"
	"mendbook/verify"
)

// schemaRecorded is the JSON form of what a recording verb did.
const schemaRecorded = "mendbook.recorded/1"

type recordedJSON struct {
	Schema string       `json:"schema"`
	Events []recordedEv `json:"events"`
	// Said are the lines that a person is told, Notes what they are warned of.
	Said  []string `json:"said"`
	Notes []string `json:"notes"`
}

type recordedEv struct {
	ID      events.ID   `json:"id"`
	Type    string      `json:"type"`
	Subject events.ID   `json:"subject,omitzero"`
	At      events.Time `json:"at"`
}

// recordFlags are the flags that recording verbs share.
type recordFlags struct{ at, by, note string }

func (f *recordFlags) add(cmd *cobra.Command) {
	f.addAtBy(cmd)
	cmd.Flags().StringVar(&f.note, "note", "", "a remark, in `TEXT`")
}

func (f *recordFlags) addAtBy(cmd *cobra.Command) {
	f.addAt(cmd)
	cmd.Flags().StringVar(&f.by, "by", "", "who did it, a `NAME` (else MENDBOOK_BY)")
}

func (f *recordFlags) addAt(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.at, "at", "", "when it happened, a `TIME` like \"2026-03-02 09:05\" in the workshop's time zone, or RFC 3339")
}

// who is the person who records.
func (a *app) who(f *recordFlags) string {
	if f.by != "" {
		return f.by
	}
	return a.env.Getenv("MENDBOOK_BY")
}

// session is one transaction of a recording verb.
type session struct {
	a      *app
	ctx    context.Context
	w      *ledger.Writer
	policy verify.Policy
	zone   *time.Location
	made   []events.Event
	said   []string
	warned []string
	nexts  []string
}

// record opens the book and runs a function in one transaction; only when that
// is kept, what it said is told.
func (a *app) record(cmd *cobra.Command, do func(s *session) error) error {
	b, err := a.open(cmd, false)
	if err != nil {
		return err
	}
	return errors.Join(a.recordIn(cmd.Context(), b, do), b.Close())
}

func (a *app) recordIn(ctx context.Context, b *ledger.Book, do func(s *session) error) error {
	var s *session
	err := b.Update(ctx, func(w *ledger.Writer) error {
		s = &session{a: a, ctx: ctx, w: w}
		var err error
		if s.policy, s.warned, err = a.policy(ctx, w); err != nil {
			return err
		}
		s.zone = zone(s.policy)
		return do(s)
	})
	if err != nil {
		return err
	}
	return s.tell()
}

func (s *session) tell() error {
	for _, text := range s.warned {
		s.a.warnPlain(text)
	}
	if s.a.json {
		out := recordedJSON{Schema: schemaRecorded, Events: []recordedEv{}, Said: append([]string{}, s.said...), Notes: append(append([]string{}, s.a.notices...), s.warned...)}
		for _, e := range s.made {
			out.Events = append(out.Events, recordedEv{e.ID, e.Type, e.Subject, e.Happened()})
		}
		return s.a.emit(out)
	}
	for _, text := range s.said {
		s.a.say("%s", text)
	}
	for _, text := range s.nexts {
		s.a.next("%s", text)
	}
	return nil
}

// warnPlain tells a person; with --json the notes are in the JSON instead.
func (a *app) warnPlain(text string) {
	if !a.json {
		a.warn("%s", text)
	}
}

func (s *session) say(format string, args ...any) {
	s.said = append(s.said, fmt.Sprintf(format, args...))
}

func (s *session) warn(format string, args ...any) {
	s.warned = append(s.warned, fmt.Sprintf(format, args...))
}

func (s *session) next(format string, args ...any) {
	s.nexts = append(s.nexts, fmt.Sprintf(format, args...))
}

// add records one event.
func (s *session) add(subject events.ID, at events.Time, body events.Data) (events.Event, error) {
	if err := body.Validate(); err != nil {
		return events.Event{}, s.a.wrongValues(err)
	}
	e, added, err := s.w.Record(s.ctx, ledger.Draft{Subject: subject, At: at, Body: body})
	if err == nil && added {
		s.made = append(s.made, e)
	}
	return e, err
}

// wrongValues turns the error of an event whose wrong fields were all typed on the
// command line into one of that, which names the flags and arguments.
func (a *app) wrongValues(err error) error {
	var invalid events.Invalid
	if !errors.As(err, &invalid) {
		return withHint(err, verbHelp(a.cmd))
	}
	lines := make([]string, len(invalid))
	for i, f := range invalid {
		typed := a.typed(f.Field)
		if typed == "" {
			return withHint(err, verbHelp(a.cmd))
		}
		lines[i] = typed + ": " + f.Reason
	}
	return &usageError{strings.Join(lines, "; "), verbHelp(a.cmd)}
}

// typed is the flag or argument that a field of the event came from; empty where
// it was not typed.
func (a *app) typed(field string) string {
	name, rest, _ := strings.Cut(field, "[")
	name, _, _ = strings.Cut(name, ".")
	for _, own := range []string{"by", "words"} {
		if strings.HasSuffix(rest, "."+own) {
			name = own
		}
	}
	flags := []string{name}
	switch name {
	case "units":
		flags = []string{"unit", "refused", "silent", "unknown"}
	case "lamps":
		flags = []string{"lamp"}
	case "targets":
		flags = []string{"for"}
	case "parts":
		flags = []string{"part"}
	case "handedOver":
		flags = []string{"handed-over"}
	case "signedOff":
		flags = []string{"sign-off"}
	}
	var given []string
	for _, flag := range flags {
		if f := a.cmd.Flags().Lookup(flag); f != nil && f.Changed {
			given = append(given, "--"+flag)
		}
	}
	argument := strings.ToUpper(strings.TrimSuffix(name, "s"))
	for i, word := range strings.Fields(a.cmd.Use)[1:] {
		if strings.Trim(word, "[].") == argument && i < a.cmd.Flags().NArg() {
			given = append(given, argument)
		}
	}
	if len(given) == 0 && name == "by" && a.env.Getenv("MENDBOOK_BY") != "" {
		return "MENDBOOK_BY"
	}
	return strings.Join(given, " or ")
}

// vehicle finds the vehicle of an argument.
func (s *session) vehicle(text string) (vehicleRef, error) { return s.a.vehicle(s.ctx, s.w, text) }

// look is a vehicle with its history.
type look struct {
	vehicle vehicleRef
	evs     []events.Event
	jobs    []jobRef
	history *verify.History
}

func (s *session) look(text string) (look, error) {
	v, err := s.vehicle(text)
	if err != nil {
		return look{}, err
	}
	return s.lookAt(v)
}

func (s *session) lookAt(v vehicleRef) (look, error) {
	evs, err := s.a.history(s.ctx, s.w, v)
	if err != nil {
		return look{}, err
	}
	return look{vehicle: v, evs: evs, jobs: jobsIn(v, evs), history: verify.NewHistory(evs, s.policy)}, nil
}

// jobAt is the job that was open at a moment; unset is now.
func (l look) jobAt(at events.Time) (jobRef, bool) {
	for i := len(l.jobs) - 1; i >= 0; i-- {
		j := l.jobs[i]
		if at.IsZero() {
			if j.IsOpen() {
				return j, true
			}
			continue
		}
		if !j.Opened.Happened().Std().After(at.Std()) && (j.IsOpen() || !j.ClosedAt.Std().Before(at.Std())) {
			return j, true
		}
	}
	return jobRef{}, false
}

// lateMost is how far a stated time may lie ahead of the clock: clocks differ a little.
const lateMost = 5 * time.Minute

// when reads --at; unset stays unset, which is now.
func (s *session) when(text string) (events.Time, error) {
	if text == "" {
		return events.Time{}, nil
	}
	if strings.ContainsAny(text, "\r\n#\"") {
		return events.Time{}, s.a.usage("--at %q is not a time: write it like \"2026-03-02 09:05\"", text)
	}
	// The note's own reader of times, so that both take the same forms.
	n, err := notes.Parse([]byte("at "+text+"\nunit x silent\n"), s.zone)
	if err != nil {
		return events.Time{}, s.a.usage("--at: %s", firstProblem(err))
	}
	return n.At, s.notAhead(n.At)
}

// notAhead refuses a time in the future: nothing that is recorded can have happened then.
func (s *session) notAhead(at events.Time) error {
	now := s.a.env.Now()
	if at.Std().After(now.Add(lateMost)) {
		return s.a.usage("the time %s is in the future; it is %s now (%s)", when(at, s.zone), when(events.At(now), s.zone), s.zone)
	}
	return nil
}

// firstProblem is the first error of a note made of one flag.
func firstProblem(err error) string {
	var many notes.Errors
	if errors.As(err, &many) && len(many) > 0 {
		return problemText(many[0])
	}
	return err.Error()
}

func problemText(e notes.Error) string {
	if e.Hint == "" {
		return e.Text
	}
	return e.Text + "; " + e.Hint
}

// lamps reads --lamp flags, as a note has them.
func (a *app) lamps(flags []string) ([]events.Lamp, error) {
	if len(flags) == 0 {
		return nil, nil
	}
	top := make([]string, len(flags))
	for i, f := range flags {
		top[i] = "lamp " + f
	}
	text, err := notes.FromFlags(top, []string{"x: silent"})
	if err != nil {
		return nil, a.usage("--lamp: %s", firstProblem(err))
	}
	n, err := notes.Parse(text, time.UTC)
	if err != nil {
		return nil, a.usage("--lamp: %s", firstProblem(err))
	}
	return n.Scan.Lamps, nil
}

// distance reads a flag of a distance; unset stays unset.
func (a *app) distance(flag, text string) (quantity.Distance, error) {
	if text == "" {
		return quantity.Distance{}, nil
	}
	d, err := quantity.ParseDistance(text)
	if err != nil {
		return d, a.usage("--%s: %v", flag, err)
	}
	return d, nil
}

// money reads an amount, in the workshop's currency where it names none.
func (s *session) money(flag, text string) (quantity.Money, error) {
	if text == "" {
		return quantity.Money{}, nil
	}
	if _, err := quantity.ParseNumber(strings.TrimSpace(text)); err == nil {
		text = strings.TrimSpace(text) + " " + s.policy.Currency
	}
	m, err := quantity.ParseMoney(text)
	if err != nil {
		return m, s.a.usage("--%s: %v", flag, err)
	}
	return m, nil
}

// number reads a plain number; nil where the flag is unset.
func (a *app) number(flag, text string) (*quantity.Number, error) {
	if text == "" {
		return nil, nil
	}
	n, err := quantity.ParseNumber(strings.TrimSpace(text))
	if err != nil {
		return nil, a.usage("--%s: %v", flag, err)
	}
	return &n, nil
}

// faultName reads UNIT/CODE or "UNIT/no answer". The last slash parts the two,
// save in "engine/spn1208/3", where the code has one itself.
func faultName(text string) (unit string, code fault.Code, noAnswer bool, err error) {
	i := strings.LastIndex(text, "/")
	if i < 0 {
		return "", code, false, fmt.Errorf("%q: write the unit, a slash and the code, like engine/P0302", text)
	}
	if j := strings.LastIndex(text[:i], "/"); j >= 0 && strings.HasPrefix(events.Fold(text[j+1:]), "spn") {
		i = j
	}
	unit = strings.TrimSpace(text[:i])
	word := strings.TrimSpace(text[i+1:])
	if unit == "" || word == "" {
		return "", code, false, fmt.Errorf("%q: write the unit, a slash and the code, like engine/P0302", text)
	}
	if events.Fold(word) == verify.NoAnswer {
		return unit, code, true, nil
	}
	code, err = fault.Parse(word)
	if err != nil {
		return "", code, false, fmt.Errorf("%q: %w", text, err)
	}
	return unit, code, false, nil
}

// oddKilometres is more than a vehicle drives in its life (common practice).
const oddKilometres = 5_000_000

// oddOdometer warns of a reading that no vehicle has, or one below one that was
// made before.
func (s *session) oddOdometer(l look, at events.Time, d quantity.Distance) {
	if d.IsZero() {
		return
	}
	if d.Km().Cmp(quantity.NumberFromInt(oddKilometres)) > 0 {
		s.warn("odometer %s is above 5000000 km: is it a slip?", d)
	}
	for _, e := range verify.Standing(l.evs) {
		var have quantity.Distance
		switch body := e.Body.(type) {
		case *events.ScanTaken:
			have = body.Odometer
		case *events.JobOpened:
			have = body.Odometer
		case *events.JobClosed:
			have = body.Odometer
		case *events.DriveDone:
			have = body.Odometer
		}
		earlier := at.IsZero() || e.Happened().Std().Before(at.Std())
		if !have.IsZero() && earlier && d.Cmp(have) < 0 {
			s.warn("odometer %s is below %s, which was read %s", d, have, when(e.Happened(), s.zone))
			return
		}
	}
}

// at in words, for lines that tell what was recorded: empty for now.
func (s *session) backdated(at events.Time) string {
	if at.IsZero() {
		return ""
	}
	return ", at " + when(at, s.zone)
}
