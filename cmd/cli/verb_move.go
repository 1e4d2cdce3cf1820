package cli

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"github.com/spf13/cobra"

	"mendbook/events"
	"mendbook/verify"
)

func newMoveCmd(a *app) *cobra.Command {
	var to, job, why string
	var rec recordFlags
	cmd := &cobra.Command{
		Use:   "move EVENT... --to VEHICLE [--job JOB] --why TEXT",
		Short: "Move events to the right vehicle or job",
		Long: `Moves events that were recorded on the wrong vehicle: each is taken back and recorded
again on the right one, with the time at which it happened, all or none. A repair
follows to --job, else to the job that was open there by then. With the same
vehicle and --job, a repair changes its job.`,
		Example: `  mendbook move 8F3KQZ --to bus-3 --why "scanned the bus, typed the van"`,
		Args:    takes(1, -1, "an event"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if to == "" {
				return a.usage("where to? give --to with the right vehicle")
			}
			if strings.TrimSpace(why) == "" {
				return a.usage("events are not moved without a reason: give --why")
			}
			return a.record(cmd, func(s *session) error {
				return s.move(args, to, job, strings.TrimSpace(why), a.who(&rec))
			})
		},
	}
	f := cmd.Flags()
	f.StringVar(&to, "to", "", "the right `VEHICLE`")
	f.StringVar(&job, "job", "", "the right `JOB`, for repairs")
	f.StringVar(&why, "why", "", "the reason, in `TEXT`")
	f.StringVar(&rec.by, "by", "", "who did it, a `NAME` (else MENDBOOK_BY)")
	a.completesFlag(cmd, "to", completeVehicle)
	a.completesFlag(cmd, "job", completeJob)
	return cmd
}

func (s *session) move(args []string, to, job, why, by string) error {
	l, err := s.look(to)
	if err != nil {
		return err
	}
	var chosen *jobRef
	if job != "" {
		j, err := s.a.job(s.ctx, s.w, job)
		if err != nil {
			return err
		}
		if j.Vehicle.ID != l.vehicle.ID {
			return failf("job list "+l.vehicle.name(), "job %s is of %s, not of %s", j.shown(), j.Vehicle.Label, l.vehicle.Label)
		}
		chosen = &j
	}
	var evs []events.Event
	for _, text := range args {
		e, err := s.a.event(s.ctx, s.w, text)
		if err != nil {
			return err
		}
		if slices.ContainsFunc(evs, func(o events.Event) bool { return o.ID == e.ID }) {
			continue
		}
		if err := s.voidable(e); err != nil {
			return err
		}
		evs = append(evs, e)
	}
	sort.Slice(evs, func(i, j int) bool { return evs[i].ID.Compare(evs[j].ID) < 0 })
	again := map[events.ID]events.ID{} // what each event is recorded as now
	for _, e := range evs {
		body, err := s.movedBody(e, l, chosen, again)
		if err != nil {
			return err
		}
		made, err := s.add(l.vehicle.ID, e.Happened(), body)
		if err != nil {
			return err
		}
		again[e.ID] = made.ID
		if _, repair := body.(*events.RepairDone); !repair && chosen != nil {
			if j, ok := l.jobAt(e.Happened()); !ok || j.ID != chosen.ID {
				s.warn("%s %s happened %s, outside job %s: only repairs are put into a job by name", kindOf(e), e.ID.Short(), when(e.Happened(), s.zone), chosen.shown())
			}
		}
		if _, err := s.add(e.Subject, events.Time{}, &events.EventVoided{Event: e.ID, Why: why, Again: made.ID, By: by}); err != nil {
			return err
		}
		s.say("%s %s moved to %s, as %s", kindOf(e), e.ID.Short(), l.vehicle.Label, made.ID.Short())
	}
	if err := s.danglers(evs, again); err != nil {
		return err
	}
	s.next("history %s", l.vehicle.name())
	return nil
}

// movedBody is the body of an event on its right vehicle or job.
func (s *session) movedBody(e events.Event, l look, chosen *jobRef, again map[events.ID]events.ID) (events.Data, error) {
	at := e.Happened()
	same := slices.Contains(l.vehicle.Set, e.Subject)
	jobOf := func(old events.ID) events.ID {
		if id, moved := again[old]; moved {
			return id
		}
		if chosen != nil {
			return chosen.ID
		}
		if j, ok := l.jobAt(at); ok {
			return j.ID
		}
		return events.ID{}
	}
	repair, isRepair := e.Body.(*events.RepairDone)
	if same && (!isRepair || chosen == nil) {
		return nil, failf("history "+l.vehicle.name(), "%s %s is on %s already", kindOf(e), e.ID.Short(), l.vehicle.Label)
	}
	switch body := e.Body.(type) {
	case *events.ScanTaken, *events.CodesErased, *events.DriveDone, *events.KeyCycled, *events.MeasureTaken, *events.UnitNamed, *events.JobOpened:
		return body, nil
	case *events.RepairDone:
		moved := *repair
		moved.Job = jobOf(body.Job)
		if same && moved.Job == repair.Job {
			return nil, failf("history "+l.vehicle.name(), "repair %s is in job %s already", e.ID.Short(), chosen.shown())
		}
		if moved.Job.IsZero() {
			s.warn("%s had no open job at %s: the repair belongs to none", l.vehicle.Label, when(at, s.zone))
		}
		return &moved, nil
	case *events.JobClosed:
		moved := *body
		if moved.Job = jobOf(body.Job); moved.Job.IsZero() {
			return nil, failf("job list "+l.vehicle.name(), "the closing %s needs a job of %s: name it with --job", e.ID.Short(), l.vehicle.Label)
		}
		return &moved, nil
	case *events.FileAttached:
		moved := *body
		if !body.To.IsZero() {
			moved.To = again[body.To]
			if moved.To.IsZero() {
				s.warn("the file %s no longer belongs to event %s, which is not moved before it", body.Name, body.To.Short())
			}
		}
		return &moved, nil
	}
	return nil, failf("void --help", "a %s cannot be moved: take it back and record it again", kindOf(e))
}

// danglers warns of events that stay and speak of one that was moved.
func (s *session) danglers(evs []events.Event, again map[events.ID]events.ID) error {
	subjects := map[events.ID]bool{}
	for _, e := range evs {
		subjects[e.Subject] = true
	}
	for subject := range subjects {
		all, err := collect(s.w.OfSubject(s.ctx, subject))
		if err != nil {
			return err
		}
		for _, e := range verify.Standing(all) {
			var about events.ID
			switch body := e.Body.(type) {
			case *events.RepairDone:
				about = body.Job
			case *events.JobClosed:
				about = body.Job
			case *events.FileAttached:
				about = body.To
			}
			if id, moved := again[about]; moved && !about.IsZero() {
				s.warn("%s %s stays and speaks of the event that is now %s; move it too: %s", kindOf(e), e.ID.Short(), id.Short(),
					s.a.commandLine(fmt.Sprintf("move %s --help", e.ID.Short())))
			}
		}
	}
	return nil
}
