package cli

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"mendbook/cmd/sheet"
	"mendbook/events"
	"mendbook/verify"
)

func newHistoryCmd(a *app) *cobra.Command {
	var job string
	cmd := &cobra.Command{
		Use:   "history VEHICLE [flags]",
		Short: "Every event of a vehicle in the order in which it happened",
		Long: `Shows every event of a vehicle in the order in which it happened. What was taken
back stands there too, with the reason; so does how late something was recorded, and
what only a newer program can interpret. The six characters name the event in other
commands.`,
		Example: `  mendbook history van-7
  mendbook history van-7 --job FB-1041`,
		Args: takes(1, 1, "a vehicle"), ValidArgsFunction: a.completes(completeVehicle),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.read(cmd, func(ctx context.Context, r reader) error {
				h, loc, err := a.pastOf(ctx, r, args[0], job)
				if err != nil {
					return err
				}
				if a.json {
					return a.emit(h)
				}
				return a.showPast(h, loc)
			})
		},
	}
	cmd.Flags().StringVar(&job, "job", "", "only what belongs to the `JOB`: card number, or id or its ending")
	a.completesFlag(cmd, "job", completeJob)
	return cmd
}

// past is the JSON form of history.
type past struct {
	Schema  string      `json:"schema"`
	Vehicle pastVehicle `json:"vehicle"`
	Events  []pastEvent `json:"events"`
}

type pastVehicle struct {
	ID      events.ID   `json:"id"`
	Label   string      `json:"label"`
	VINs    []string    `json:"vins,omitempty"`
	Records []events.ID `json:"records"`
}

type pastEvent struct {
	ID       events.ID   `json:"id"`
	Type     string      `json:"type"`
	Subject  events.ID   `json:"subject"`
	Happened events.Time `json:"happened"`
	Recorded events.Time `json:"recorded"`
	// LateSeconds is how long after it happened it was recorded.
	LateSeconds int64     `json:"lateSeconds,omitempty"`
	Feed        string    `json:"feed"`
	FeedSeq     int64     `json:"feedseq"`
	VoidedBy    events.ID `json:"voidedBy,omitzero"`
	VoidedWhy   string    `json:"voidedWhy,omitempty"`
	// Unknown is true for what this program cannot interpret, and Why says what
	// is wrong with it where its kind is known.
	Unknown bool            `json:"unknown,omitempty"`
	Why     string          `json:"why,omitempty"`
	Text    string          `json:"text"`
	Data    json.RawMessage `json:"data"`
}

func (a *app) pastOf(ctx context.Context, r reader, text, job string) (past, *time.Location, error) {
	v, err := a.vehicle(ctx, r, text)
	if err != nil {
		return past{}, nil, err
	}
	p, _, err := a.policy(ctx, r)
	if err != nil {
		return past{}, nil, err
	}
	evs, err := collect(r.OfSubject(ctx, v.Set...))
	if err != nil {
		return past{}, nil, err
	}
	voided := verify.VoidedBy(evs)
	byID := map[events.ID]events.Event{}
	for _, e := range evs {
		byID[e.ID] = e
	}
	sort.SliceStable(evs, func(i, j int) bool {
		x, y := evs[i].Happened().Std(), evs[j].Happened().Std()
		if !x.Equal(y) {
			return x.Before(y)
		}
		return evs[i].ID.Compare(evs[j].ID) < 0
	})
	if job != "" {
		jobs := jobsIn(v, evs)
		j, err := pickJob([]vehicleRef{v}, jobs, job)
		if err != nil {
			return past{}, nil, err
		}
		evs = ofJob(evs, byID, jobs, j)
	}
	out := past{Schema: "mendbook.history/1", Vehicle: pastVehicle{v.ID, v.Label, v.VINs, v.Set}, Events: []pastEvent{}}
	for _, e := range evs {
		one := pastEvent{ID: e.ID, Type: e.Type, Subject: e.Subject, Happened: e.Happened(), Recorded: e.Recorded(),
			Feed: e.Feed, FeedSeq: e.FeedSeq, Text: eventText(e), Data: e.Data}
		if late := e.Recorded().Std().Sub(e.Happened().Std()); late > 0 {
			one.LateSeconds = int64(late / time.Second)
		}
		if by, ok := voided[e.ID]; ok {
			one.VoidedBy = by
			if d, ok := byID[by].Body.(*events.EventVoided); ok {
				one.VoidedWhy = d.Why
			}
		}
		if u, ok := e.Body.(*events.Unknown); ok {
			one.Unknown = true
			if u.Why != nil {
				one.Why = u.Why.Error()
			}
		}
		out.Events = append(out.Events, one)
	}
	return out, zone(p), nil
}

// ofJob keeps what belongs to a job: scans, erases and drives between its opening
// and the next one's, repairs and closings that name it, and what takes them back.
func ofJob(evs []events.Event, byID map[events.ID]events.Event, jobs []jobRef, j jobRef) []events.Event {
	ids := append([]events.ID{j.ID}, j.Joined...)
	var end time.Time
	for i, other := range jobs {
		if other.ID == j.ID && i+1 < len(jobs) {
			end = jobs[i+1].Opened.Happened().Std()
		}
	}
	within := func(e events.Event) bool {
		at := e.Happened().Std()
		return !at.Before(j.Opened.Happened().Std()) && (end.IsZero() || at.Before(end))
	}
	var belongs func(e events.Event) bool
	belongs = func(e events.Event) bool {
		switch d := e.Body.(type) {
		case *events.JobOpened:
			return slices.Contains(ids, e.ID)
		case *events.JobClosed:
			return slices.Contains(ids, d.Job)
		case *events.JobJoined:
			return slices.Contains(ids, d.Job) || slices.Contains(ids, d.Into)
		case *events.RepairDone:
			if !d.Job.IsZero() {
				return slices.Contains(ids, d.Job)
			}
		case *events.EventVoided:
			of, ok := byID[d.Event]
			return ok && of.ID.Compare(e.ID) < 0 && belongs(of)
		case *events.VehicleRegistered, *events.VehicleJoined:
			return false
		}
		return within(e)
	}
	return slices.DeleteFunc(evs, func(e events.Event) bool { return !belongs(e) })
}

// lateFrom is how late a record must be to be told; what is typed at the end of
// the day is not worth a word.
const lateFrom = time.Hour

func (a *app) showPast(h past, loc *time.Location) error {
	for _, e := range h.Events {
		kind := kindName(e.Type)
		lines := []string{e.Text}
		if late := time.Duration(e.LateSeconds) * time.Second; late >= lateFrom {
			lines = append(lines, fmt.Sprintf("recorded %s, %s later", when(e.Recorded, loc), span(late)))
		}
		if !e.VoidedBy.IsZero() {
			lines = append(lines, fmt.Sprintf("taken back by %s: %s", e.VoidedBy.Short(), e.VoidedWhy))
			kind = "(voided) " + kind
		}
		head := fmt.Sprintf("%s  %s  %s", when(e.Happened, loc), e.ID.Short(), kind)
		if a.env.Width > 0 && len(head) > a.env.Width {
			a.say("%s  %s", when(e.Happened, loc), e.ID.Short())
			head = "    " + kind
		}
		a.say("%s", head)
		for _, l := range lines {
			if l == "" {
				continue
			}
			for _, part := range sheet.Wrap(l, a.width()-4) {
				a.say("    %s", part)
			}
		}
	}
	if len(h.Events) == 0 {
		a.empty("nothing is recorded there")
		return nil
	}
	a.next("verify %s", quote(h.Vehicle.Label))
	return nil
}

// kindName is a type without its version: "scan.taken".
func kindName(typ string) string {
	if i := strings.LastIndex(typ, "."); i >= 0 {
		return typ[:i]
	}
	return typ
}

// span is a length of time in the largest unit that fits.
func span(d time.Duration) string {
	switch {
	case d >= 48*time.Hour:
		return plural(int(d/(24*time.Hour)), "day")
	case d >= 2*time.Hour:
		return plural(int(d/time.Hour), "hour")
	}
	return plural(int(d/time.Minute), "minute")
}

// eventText is what an event says, in one line.
func eventText(e events.Event) string {
	var parts []string
	add := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }
	note := func(by, text string) {
		if by != "" {
			add("by %s", by)
		}
		if text != "" {
			add("note: %s", text)
		}
	}
	switch d := e.Body.(type) {
	case *events.Unknown:
		if d.Why != nil {
			return fmt.Sprintf("cannot be interpreted here (%d bytes): %v", len(e.Data), d.Why)
		}
		return fmt.Sprintf("unknown kind %s of a newer program (%d bytes), kept as it is", e.Type, len(e.Data))
	case *events.VehicleRegistered:
		add("%s", d.Label)
		for _, w := range []string{d.VIN.String(), d.Make, d.Model, d.Engine, d.Fuel} {
			if w != "" {
				add("%s", w)
			}
		}
		note("", d.Note)
	case *events.VehicleJoined:
		add("is one vehicle with %s", d.Into.Short())
		note("", d.Why)
	case *events.JobOpened:
		if d.Card != "" {
			add("card %s", d.Card)
		}
		if !d.Odometer.IsZero() {
			add("at %s", d.Odometer)
		}
		if d.Complaint != "" {
			add("%s", d.Complaint)
		}
		for _, l := range d.Lamps {
			add("lamp %s %s", l.Name, l.State)
		}
		note(d.By, d.Note)
	case *events.JobClosed:
		add("job %s", d.Job.Short())
		if !d.Odometer.IsZero() {
			add("at %s", d.Odometer)
		}
		if d.HandedOver != "" {
			add("handed over: %s", d.HandedOver)
		}
		for _, s := range d.SignedOff {
			add("%s signed off %s/%s as %s: %s", s.By, s.Unit, codeWord(s.Code.String(), s.NoAnswer), s.Verdict, s.Words)
		}
		note(d.By, d.Note)
	case *events.JobJoined:
		add("job %s is one visit with %s", d.Job.Short(), d.Into.Short())
		note("", d.Why)
	case *events.ScanTaken:
		if !d.Odometer.IsZero() {
			add("at %s", d.Odometer)
		}
		for _, u := range d.Units {
			add("%s", readingText(u))
		}
		for _, l := range d.Lamps {
			add("lamp %s %s", l.Name, l.State)
		}
		note(d.By, d.Note)
		return strings.Join(parts, "; ")
	case *events.RepairDone:
		add("%s %s", d.Action, d.Component)
		for _, t := range d.Targets {
			add("for %s/%s", t.Unit, codeWord(t.Code.String(), t.NoAnswer))
		}
		for _, n := range d.Renewed {
			add("%s %s", n.Unit, n.How)
		}
		for _, p := range d.Parts {
			add("part %s", partText(p))
		}
		if d.Hours != nil {
			add("%s h", d.Hours)
		}
		if !d.Labour.IsZero() {
			add("labour %s", d.Labour)
		}
		note(d.By, d.Note)
	case *events.CodesErased:
		for _, u := range d.Units {
			add("%s", strings.TrimSpace(fmt.Sprintf("%s %s %s", u.Unit, u.Result, u.Refusal)))
		}
		if d.Service != "" {
			add("%s", strings.TrimSpace("service "+d.Service+" "+d.Group))
		}
		note(d.By, d.Note)
	case *events.DriveDone:
		if !d.Distance.IsZero() {
			add("%s", d.Distance)
		}
		if d.Minutes > 0 {
			add("%d min", d.Minutes)
		}
		if d.ColdStart {
			add("cold start")
		}
		if d.Where != "" {
			add("%s", d.Where)
		}
		note(d.By, d.Note)
	case *events.KeyCycled:
		add("ignition off and on")
		note(d.By, d.Note)
	case *events.MeasureTaken:
		add("%s %s", d.Name, d.Value)
		if text := limitText(d); text != "" {
			add("%s", text)
		}
		if d.Source != "" {
			add("limits from %s", d.Source)
		}
		if d.Unit != "" {
			add("of %s", d.Unit)
		}
		note(d.By, d.Note)
	case *events.UnitNamed:
		add("%s is the %s unit", d.Known, d.Unit)
	case *events.FileAttached:
		add("%s, %s", d.Name, plural(int(d.Size), "byte"))
		if !d.To.IsZero() {
			add("to event %s", d.To.Short())
		}
		note(d.By, d.Note)
	case *events.ClaimFiled:
		add("claim %s against %s for job %s", d.Reference, d.Against, d.Job.Short())
		if d.OldPart != "" {
			add("old part %s", d.OldPart)
		}
		if d.ReturnBy != "" {
			add("to be sent back by %s", d.ReturnBy)
		}
		if !d.Amount.IsZero() {
			add("%s", d.Amount)
		}
		note(d.By, d.Note)
	case *events.ClaimSettled:
		add("claim %s %s", d.Claim.Short(), d.Outcome)
		if !d.Amount.IsZero() {
			add("%s", d.Amount)
		}
		note(d.By, d.Note)
	case *events.ComebackRuled:
		add("job %s came back from job %s: %s", d.Job.Short(), d.From.Short(), d.Ruling)
		note(d.By, d.Note)
	case *events.EventVoided:
		add("takes %s back", d.Event.Short())
		if !d.Again.IsZero() {
			add("recorded anew as %s", d.Again.Short())
		}
		note(d.By, d.Why)
	default:
		return fmt.Sprintf("%d bytes", len(e.Data))
	}
	return strings.Join(parts, ", ")
}

// partText is a part with all that is known of it.
func partText(p events.Part) string {
	text := strings.TrimSpace(p.Name + " " + p.Number)
	if p.Quantity != nil {
		text = p.Quantity.String() + " x " + text
	}
	if p.Serial != "" {
		text += " serial " + p.Serial
	}
	if p.Batch != "" {
		text += " batch " + p.Batch
	}
	if !p.Price.IsZero() {
		text += " at " + p.Price.String()
	}
	return text
}

// limitText holds a measurement against its limits; empty where it has none.
func limitText(d *events.MeasureTaken) string {
	where, limits := "within", ""
	switch {
	case d.Low != nil && d.High != nil:
		limits = fmt.Sprintf("%s to %s", d.Low, d.High)
	case d.Low != nil:
		limits = fmt.Sprintf("at least %s", d.Low)
	case d.High != nil:
		limits = fmt.Sprintf("at most %s", d.High)
	default:
		return ""
	}
	switch {
	case d.Low != nil && d.Value.Value().Cmp(*d.Low) < 0:
		where = "below"
	case d.High != nil && d.Value.Value().Cmp(*d.High) > 0:
		where = "above"
	}
	return fmt.Sprintf("%s the limits (%s %s)", where, limits, d.Value.Unit())
}

func codeWord(code string, silent bool) string {
	if silent {
		return verify.NoAnswer
	}
	return code
}

// readingText is what one unit answered.
func readingText(u events.UnitReading) string {
	if u.Reach != events.Answered {
		return strings.TrimSpace(u.Unit + " " + string(u.Reach) + " " + u.Refusal)
	}
	if len(u.Codes) == 0 {
		return u.Unit + ": no codes"
	}
	var codes []string
	for _, c := range u.Codes {
		words := []string{c.Code.String()}
		if c.State != 0 {
			words = append(words, c.State.String())
		}
		if c.Status != nil {
			words = append(words, c.Status.String())
		}
		if c.Permanent {
			words = append(words, "permanent")
		}
		codes = append(codes, strings.Join(words, " "))
	}
	return u.Unit + ": " + strings.Join(codes, ", ")
}
