package cli

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"sort"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"mendbook/events"
	"mendbook/ledger"
	"mendbook/verify"
)

// reader is what a book and an open transaction can both be asked.
type reader interface {
	Event(ctx context.Context, id events.ID) (events.Event, error)
	Match(ctx context.Context, text string) ([]events.ID, error)
	OfSubject(ctx context.Context, ids ...events.ID) iter.Seq2[events.Event, error]
	OfType(ctx context.Context, types ...string) iter.Seq2[events.Event, error]
	Workshop(ctx context.Context) iter.Seq2[events.Event, error]
	All(ctx context.Context) iter.Seq2[events.Event, error]
	Lookup(ctx context.Context, kind, word string) ([]ledger.Hit, error)
	Search(ctx context.Context, word string, limit int) ([]ledger.Hit, error)
}

var (
	_ reader = (*ledger.Book)(nil)
	_ reader = (*ledger.Writer)(nil)
)

// bookDir is the directory of the book.
func (a *app) bookDir() (string, error) {
	if a.book != "" {
		return a.book, nil
	}
	if dir := a.env.Getenv("MENDBOOK_DIR"); dir != "" {
		return dir, nil
	}
	dir, err := a.env.Dir()
	if err != nil {
		return "", failf("--book . init", "where the book is: %w", err)
	}
	return dir, nil
}

// options are what the ledger needs to open or make the book.
func (a *app) options(cmd *cobra.Command, readOnly bool) (ledger.Options, error) {
	dir, err := a.bookDir()
	if err != nil {
		return ledger.Options{}, err
	}
	state := a.env.Getenv("MENDBOOK_STATE")
	if state == "" {
		if state, err = a.env.StateDir(); err != nil {
			return ledger.Options{}, fmt.Errorf("where the state of this machine is kept: %w", err)
		}
	}
	wait := time.Duration(a.wait) * time.Second
	if wait == 0 {
		wait = time.Millisecond // the ledger takes 0 for its own default
	}
	station := "workshop"
	if a.env.Host != nil {
		if host, err := a.env.Host(); err == nil && host != "" {
			station = host
		}
	}
	return ledger.Options{
		Dir: dir, StateDir: state, Registry: events.Known(),
		Now: a.env.Now, Entropy: a.env.Entropy,
		Verb: cmd.CommandPath(), Wait: wait, Station: station, ReadOnly: readOnly,
		Tell: func(text string) {
			if a.json {
				a.notices = append(a.notices, text)
				return
			}
			a.warn("%s", text)
		},
	}, nil
}

// open opens the book; it never makes one.
func (a *app) open(cmd *cobra.Command, readOnly bool) (*ledger.Book, error) {
	o, err := a.options(cmd, readOnly)
	if err != nil {
		return nil, err
	}
	b, err := ledger.Open(cmd.Context(), o)
	if errors.Is(err, ledger.ErrOlderBook) && readOnly {
		// A book of an older layout is brought up to date by its first writer.
		o.ReadOnly = false
		b, err = ledger.Open(cmd.Context(), o)
	}
	return b, err
}

// read runs a function over the book, open for reading alone; all it reads is of
// one moment.
func (a *app) read(cmd *cobra.Command, do func(ctx context.Context, r reader) error) error {
	b, err := a.open(cmd, true)
	if err != nil {
		return err
	}
	ctx := cmd.Context()
	err = b.View(ctx, func(r *ledger.Reader) error { return do(ctx, r) })
	return errors.Join(err, b.Close())
}

// vehicleRef is a vehicle: the record that stays and those joined into it.
type vehicleRef struct {
	ID  events.ID
	Set []events.ID // all records, ID first
	// Label, and the registration of the record that stays.
	Label string
	Reg   *events.VehicleRegistered
	// Labels and VINs of all records.
	Labels, VINs []string
}

// name is the label as an argument that names the vehicle in a command.
func (v vehicleRef) name() string { return quote(v.Label) }

// vehicles are all vehicles of the book, by label.
func (a *app) vehicles(ctx context.Context, r reader) ([]vehicleRef, error) {
	evs, err := collect(r.OfType(ctx, "vehicle.registered.v1", "vehicle.joined.v1", "event.voided.v1"))
	if err != nil {
		return nil, err
	}
	into := map[events.ID]events.ID{}
	regs := map[events.ID]*events.VehicleRegistered{}
	var order []events.ID
	for _, e := range verify.Standing(evs) {
		switch body := e.Body.(type) {
		case *events.VehicleRegistered:
			regs[e.Subject] = body
			order = append(order, e.Subject)
		case *events.VehicleJoined:
			into[e.Subject] = body.Into
		}
	}
	byRoot := map[events.ID]*vehicleRef{}
	for _, id := range order {
		root := follow(into, id)
		if regs[root] == nil {
			root = id
		}
		v := byRoot[root]
		if v == nil {
			v = &vehicleRef{ID: root, Set: []events.ID{root}, Label: regs[root].Label, Reg: regs[root]}
			byRoot[root] = v
		}
		if id != root {
			v.Set = append(v.Set, id)
		}
		v.Labels = append(v.Labels, regs[id].Label)
		if !regs[id].VIN.IsZero() && !slices.Contains(v.VINs, regs[id].VIN.String()) {
			v.VINs = append(v.VINs, regs[id].VIN.String())
		}
	}
	out := make([]vehicleRef, 0, len(byRoot))
	for _, v := range byRoot {
		out = append(out, *v)
	}
	sort.Slice(out, func(i, j int) bool {
		if out[i].Label != out[j].Label {
			return out[i].Label < out[j].Label
		}
		return out[i].ID.Compare(out[j].ID) < 0
	})
	return out, nil
}

// follow walks joins to the record that stays. Joins in a circle, which two
// machines can make without knowing of each other, end at the smallest id, so
// that every machine finds the same one.
func follow(into map[events.ID]events.ID, id events.ID) events.ID {
	var path []events.ID
	for {
		next, ok := into[id]
		if !ok {
			return id
		}
		if i := slices.Index(path, id); i >= 0 {
			return slices.MinFunc(path[i:], events.ID.Compare)
		}
		path = append(path, id)
		id = next
	}
}

// vehicle finds the vehicle that a person names: by label, VIN or id.
func (a *app) vehicle(ctx context.Context, r reader, text string) (vehicleRef, error) {
	all, err := a.vehicles(ctx, r)
	if err != nil {
		return vehicleRef{}, err
	}
	return pickVehicle(all, text)
}

func pickVehicle(all []vehicleRef, text string) (vehicleRef, error) {
	v, found, err := findVehicle(all, text)
	if err != nil || found {
		return v, err
	}
	if len(all) == 0 {
		return vehicleRef{}, failf("vehicle add "+quote(text), "no vehicle is called %q: the book has none yet", text)
	}
	var labels []string
	for _, v := range all {
		labels = append(labels, v.Labels...)
	}
	near := nearest(text, labels, 3)
	if len(near) == 0 && len(labels) <= 5 {
		return vehicleRef{}, failf("vehicle list", "no vehicle is called %q; the book has %s", text, strings.Join(labels, ", "))
	}
	return vehicleRef{}, failf("vehicle list", "no vehicle is called %q%s", text, didYouMean(text, labels))
}

// findVehicle looks a vehicle up by, in turn, its label, VIN, id and ending of
// the id. The error is of an ambiguous name.
func findVehicle(all []vehicleRef, text string) (vehicleRef, bool, error) {
	folded, upper := events.Fold(text), strings.ToUpper(strings.TrimSpace(text))
	tests := []func(vehicleRef) bool{
		func(v vehicleRef) bool {
			return slices.ContainsFunc(v.Labels, func(l string) bool { return events.Fold(l) == folded })
		},
		func(v vehicleRef) bool { return slices.Contains(v.VINs, upper) },
		func(v vehicleRef) bool {
			return slices.ContainsFunc(v.Set, func(id events.ID) bool { return id.String() == upper })
		},
		func(v vehicleRef) bool {
			return len(upper) >= minEnding && slices.ContainsFunc(v.Set, func(id events.ID) bool { return strings.HasSuffix(id.String(), upper) })
		},
	}
	if folded == "" {
		return vehicleRef{}, false, nil
	}
	for _, test := range tests {
		var hits []vehicleRef
		for _, v := range all {
			if test(v) {
				hits = append(hits, v)
			}
		}
		switch {
		case len(hits) == 1:
			return hits[0], true, nil
		case len(hits) > 1:
			var names []string
			for _, v := range hits {
				names = append(names, strings.TrimSpace(v.ID.Short()+" "+v.Label+" "+strings.Join(v.VINs, " ")))
			}
			return vehicleRef{}, false, failf("vehicle show "+hits[0].ID.Short(),
				"%q names %d vehicles: %s; use the six characters in front", text, len(hits), strings.Join(names, ", "))
		}
	}
	return vehicleRef{}, false, nil
}

// minEnding is the fewest characters of an id that name it.
const minEnding = 4

// history are all events that concern a vehicle, the workshop's own among them
// (settings, feeds, people), in order of id.
func (a *app) history(ctx context.Context, r reader, v vehicleRef) ([]events.Event, error) {
	own, err := collect(r.OfSubject(ctx, v.Set...))
	if err != nil {
		return nil, err
	}
	shop, err := collect(r.Workshop(ctx))
	if err != nil {
		return nil, err
	}
	out := append(own, shop...)
	sort.SliceStable(out, func(i, j int) bool { return out[i].ID.Compare(out[j].ID) < 0 })
	return out, nil
}

// policy are the settings of the book, and what of them could not be used.
func (a *app) policy(ctx context.Context, r reader) (verify.Policy, []string, error) {
	evs, err := collect(r.Workshop(ctx))
	if err != nil {
		return verify.Policy{}, nil, err
	}
	p, warnings := verify.PolicyFrom(evs)
	return p, warnings, nil
}

// zone is the policy's time zone.
func zone(p verify.Policy) *time.Location {
	loc, err := time.LoadLocation(p.TimeZone)
	if err != nil {
		return time.UTC
	}
	return loc
}

func collect(seq iter.Seq2[events.Event, error]) ([]events.Event, error) {
	var out []events.Event
	for e, err := range seq {
		if err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	return out, nil
}

// jobRef is a job of a vehicle, with the jobs that were joined into it.
type jobRef struct {
	ID      events.ID
	Vehicle vehicleRef
	Opened  events.Event // the earliest opening, where several were joined
	Open    *events.JobOpened
	// Closed is the last standing closing; nil while the job is open.
	Closed   *events.JobClosed
	ClosedAt events.Time
	// Joined are the jobs given up for this one; Cards are those of all of them.
	Joined []events.ID
	Cards  []string
}

// IsOpen reports whether the job has no closing.
func (j jobRef) IsOpen() bool { return j.Closed == nil }

// name is the job as an argument of a command: its card, else the end of its id.
func (j jobRef) name() string {
	if j.Open.Card != "" {
		return quote(j.Open.Card)
	}
	return j.ID.Short()
}

// shown is the job in a sentence.
func (j jobRef) shown() string {
	if j.Open.Card != "" {
		return j.Open.Card
	}
	return j.ID.Short()
}

// jobsIn are the jobs of a vehicle in order of opening.
func jobsIn(v vehicleRef, evs []events.Event) []jobRef {
	standing := verify.Standing(evs)
	into := map[events.ID]events.ID{}
	opened := map[events.ID]events.Event{}
	for _, e := range standing {
		switch body := e.Body.(type) {
		case *events.JobOpened:
			opened[e.ID] = e
		case *events.JobJoined:
			into[body.Job] = body.Into
		}
	}
	jobs := map[events.ID]*jobRef{}
	for id, e := range opened {
		root := follow(into, id)
		top, ok := opened[root]
		if !ok {
			root, top = id, e
		}
		j := jobs[root]
		if j == nil {
			j = &jobRef{ID: root, Vehicle: v, Opened: top, Open: top.Body.(*events.JobOpened)}
			jobs[root] = j
		}
		if id != root {
			j.Joined = append(j.Joined, id)
			if e.Happened().Std().Before(j.Opened.Happened().Std()) {
				j.Opened = e
			}
		}
		if card := e.Body.(*events.JobOpened).Card; card != "" && !slices.Contains(j.Cards, card) {
			j.Cards = append(j.Cards, card)
		}
	}
	for _, e := range standing {
		body, ok := e.Body.(*events.JobClosed)
		if !ok {
			continue
		}
		for _, j := range jobs {
			if (body.Job == j.ID || slices.Contains(j.Joined, body.Job)) && (j.Closed == nil || e.Happened().Std().After(j.ClosedAt.Std())) {
				j.Closed, j.ClosedAt = body, e.Happened()
			}
		}
	}
	out := make([]jobRef, 0, len(jobs))
	for _, j := range jobs {
		slices.SortFunc(j.Joined, events.ID.Compare)
		slices.Sort(j.Cards)
		out = append(out, *j)
	}
	sort.Slice(out, func(i, k int) bool {
		a, b := out[i].Opened.Happened().Std(), out[k].Opened.Happened().Std()
		if !a.Equal(b) {
			return a.Before(b)
		}
		return out[i].ID.Compare(out[k].ID) < 0
	})
	return out
}

// current is a vehicle's open job, else its latest.
func current(jobs []jobRef) (jobRef, bool) {
	for i := len(jobs) - 1; i >= 0; i-- {
		if jobs[i].IsOpen() {
			return jobs[i], true
		}
	}
	if len(jobs) > 0 {
		return jobs[len(jobs)-1], true
	}
	return jobRef{}, false
}

// allJobs are the jobs of all vehicles, by vehicle and then in order of opening.
func (a *app) allJobs(ctx context.Context, r reader, all []vehicleRef) ([]jobRef, error) {
	evs, err := collect(r.OfType(ctx, "job.opened.v1", "job.closed.v1", "job.joined.v1", "event.voided.v1"))
	if err != nil {
		return nil, err
	}
	bySubject := map[events.ID][]events.Event{}
	for _, e := range evs {
		bySubject[e.Subject] = append(bySubject[e.Subject], e)
	}
	var out []jobRef
	for _, v := range all {
		var own []events.Event
		for _, id := range v.Set {
			own = append(own, bySubject[id]...)
		}
		out = append(out, jobsIn(v, own)...)
	}
	return out, nil
}

// job finds the job that a person names: by card number, id or ending of the id,
// or by a vehicle, whose open job it is, else its latest.
func (a *app) job(ctx context.Context, r reader, text string) (jobRef, error) {
	all, err := a.vehicles(ctx, r)
	if err != nil {
		return jobRef{}, err
	}
	jobs, err := a.allJobs(ctx, r, all)
	if err != nil {
		return jobRef{}, err
	}
	return pickJob(all, jobs, text)
}

func pickJob(all []vehicleRef, jobs []jobRef, text string) (jobRef, error) {
	folded, upper := events.Fold(text), strings.ToUpper(strings.TrimSpace(text))
	ids := func(j jobRef) []events.ID { return append([]events.ID{j.ID}, j.Joined...) }
	one := func(test func(jobRef) bool) (jobRef, bool, error) {
		var hits []jobRef
		for _, j := range jobs {
			if test(j) {
				hits = append(hits, j)
			}
		}
		if len(hits) == 1 {
			return hits[0], true, nil
		}
		if len(hits) == 0 {
			return jobRef{}, false, nil
		}
		var names []string
		for _, j := range hits {
			names = append(names, fmt.Sprintf("%s of %s", j.ID.Short(), j.Vehicle.Label))
		}
		return jobRef{}, false, failf("job show "+hits[0].ID.Short(),
			"%q names %d jobs: %s; use the six characters in front", text, len(hits), strings.Join(names, ", "))
	}
	if folded != "" {
		for _, test := range []func(jobRef) bool{
			func(j jobRef) bool {
				return slices.ContainsFunc(j.Cards, func(c string) bool { return events.Fold(c) == folded })
			},
			func(j jobRef) bool {
				return slices.ContainsFunc(ids(j), func(id events.ID) bool { return id.String() == upper })
			},
		} {
			if j, found, err := one(test); found || err != nil {
				return j, err
			}
		}
		v, found, err := findVehicle(all, text)
		if err != nil {
			return jobRef{}, err
		}
		if found {
			var own []jobRef
			for _, j := range jobs {
				if j.Vehicle.ID == v.ID {
					own = append(own, j)
				}
			}
			if j, ok := current(own); ok {
				return j, nil
			}
			return jobRef{}, failf("job open "+v.name(), "%s has no job yet", v.Label)
		}
		if len(upper) >= minEnding {
			j, found, err := one(func(j jobRef) bool {
				return slices.ContainsFunc(ids(j), func(id events.ID) bool { return strings.HasSuffix(id.String(), upper) })
			})
			if found || err != nil {
				return j, err
			}
		}
	}
	var words []string
	for _, j := range jobs {
		words = append(words, j.Cards...)
	}
	for _, v := range all {
		words = append(words, v.Labels...)
	}
	return jobRef{}, failf("job list", "no job or vehicle is called %q%s", text, didYouMean(text, words))
}

// event finds an event by its id or a unique ending of it.
func (a *app) event(ctx context.Context, r reader, text string) (events.Event, error) {
	upper := strings.ToUpper(strings.TrimSpace(text))
	if id, err := events.ParseID(upper); err == nil {
		e, err := r.Event(ctx, id)
		if errors.Is(err, ledger.ErrNotFound) {
			return events.Event{}, failf("vehicle list", "no event %s is in the book", id)
		}
		return e, err
	}
	if len(upper) < minEnding {
		return events.Event{}, failf("vehicle list", "%q names no event: give an id, or at least its last %d characters, as history shows them", text, minEnding)
	}
	ids, err := r.Match(ctx, upper)
	if err != nil {
		return events.Event{}, err
	}
	ids = slices.DeleteFunc(ids, func(id events.ID) bool { return !strings.HasSuffix(id.String(), upper) })
	switch len(ids) {
	case 0:
		return events.Event{}, failf("vehicle list", "no event ends in %q; history shows the ids of a vehicle's events", text)
	case 1:
		return r.Event(ctx, ids[0])
	}
	var names []string
	for _, id := range ids {
		names = append(names, id.String())
	}
	return events.Event{}, failf("vehicle list", "%q names %d events: %s", text, len(ids), strings.Join(names, ", "))
}
