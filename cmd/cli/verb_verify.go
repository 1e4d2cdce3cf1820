package cli

import (
	"context"
	"errors"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"mendbook/cmd/sheet"
	"mendbook/events"
	"mendbook/verify"
)

// asked is what a person wants judged, as typed.
type asked struct {
	text, job     string
	before, after string
}

func newVerifyCmd(a *app) *cobra.Command {
	var q asked
	var every bool
	cmd := &cobra.Command{
		Use:   "verify VEHICLE|JOB [flags]",
		Short: "Judge every fault of a job: before, after, verdict, and what would prove it",
		Long: `Judges every fault of a job by what was read before the work and after it. A
vehicle stands for its open job, else its latest.

The exit code is the answer: 0 where every targeted fault is cleared, 3 where
something persisted, returned or is new, 4 where nothing bad was seen but something
is unproven, unread or awaited.

A verdict is about what was read: it is not a roadworthiness or safety certificate.`,
		Example: `  mendbook verify van-7
  mendbook verify FB-1041 --json
  mendbook verify van-7 --before 8F3KQZ --after 9GV2MX`,
		Args: takes(1, 1, "a vehicle or a job"), ValidArgsFunction: a.completes(completeJob),
		RunE: func(cmd *cobra.Command, args []string) error {
			q.text = args[0]
			if every {
				if q.job != "" || q.before != "" || q.after != "" {
					return a.usage("--all judges every job: leave out --job, --before and --after")
				}
				return a.verifyAll(cmd, q)
			}
			return a.verify(cmd, q)
		},
	}
	f := cmd.Flags()
	f.StringVar(&q.job, "job", "", "the `JOB` of the vehicle: card number, or id or its ending")
	f.StringVar(&q.before, "before", "", "judge two scans instead of a job: the `SCAN` before the work")
	f.StringVar(&q.after, "after", "", "the `SCAN` after the work")
	f.BoolVar(&every, "all", false, "every job of the vehicle; the worst outcome is the exit code")
	a.completesFlag(cmd, "job", completeJob)
	return cmd
}

func (a *app) verify(cmd *cobra.Command, q asked) error {
	var r *verify.Report
	var loc *time.Location
	err := a.read(cmd, func(ctx context.Context, rd reader) (err error) {
		r, loc, err = a.judge(ctx, rd, q)
		return err
	})
	if err != nil {
		return err
	}
	if a.json {
		err = a.emit(r)
	} else {
		err = a.sheet(r, loc, false)
	}
	if err != nil {
		return err
	}
	return outcomeExit(r.Outcome)
}

// verdicts is the JSON form of verify --all.
type verdicts struct {
	Schema  string           `json:"schema"`
	Outcome verify.Group     `json:"outcome"`
	Reports []*verify.Report `json:"reports"`
}

func (a *app) verifyAll(cmd *cobra.Command, q asked) error {
	out := verdicts{Schema: "mendbook.verifications/1", Outcome: verify.Good, Reports: []*verify.Report{}}
	var loc *time.Location
	err := a.read(cmd, func(ctx context.Context, rd reader) error {
		v, _, err := a.place(ctx, rd, q)
		if err != nil {
			return err
		}
		h, zone, err := a.fold(ctx, rd, v)
		if err != nil {
			return err
		}
		loc = zone
		if len(h.Jobs()) == 0 {
			_, err := verify.Judge(h, verify.Question{})
			return withHint(err, "scan "+v.name()+" --edit")
		}
		for i, j := range h.Jobs() {
			if i == 0 && j.ID.IsZero() && len(h.Jobs()) > 1 {
				// It has no id to ask for.
				a.warn("what stands in the book before the first job is not judged")
				continue
			}
			r, err := verify.Judge(h, verify.Question{Job: j.ID})
			if err != nil {
				return err
			}
			out.Reports = append(out.Reports, r)
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, r := range out.Reports {
		if r.Outcome == verify.Bad || r.Outcome == verify.Open && out.Outcome == verify.Good {
			out.Outcome = r.Outcome
		}
	}
	if a.json {
		if err := a.emit(out); err != nil {
			return err
		}
		return outcomeExit(out.Outcome)
	}
	for i, r := range out.Reports {
		if i > 0 {
			a.say("")
		}
		if err := a.sheet(r, loc, false); err != nil {
			return err
		}
	}
	return outcomeExit(out.Outcome)
}

func outcomeExit(g verify.Group) error {
	switch g {
	case verify.Good:
		return nil
	case verify.Bad:
		return exitError{exitBad}
	}
	return exitError{exitOpen}
}

// judge answers what a person asked, and gives the zone to show times in.
func (a *app) judge(ctx context.Context, r reader, q asked) (*verify.Report, *time.Location, error) {
	if (q.before == "") != (q.after == "") {
		return nil, nil, a.usage("--before and --after go together: name both scans")
	}
	if q.before != "" && q.job != "" {
		return nil, nil, a.usage("--job judges a job, --before and --after two scans: give one or the other")
	}
	v, job, err := a.place(ctx, r, q)
	if err != nil {
		return nil, nil, err
	}
	h, loc, err := a.fold(ctx, r, v)
	if err != nil {
		return nil, nil, err
	}
	question := verify.Question{Job: job}
	if q.before != "" {
		before, err := a.event(ctx, r, q.before)
		if err != nil {
			return nil, nil, err
		}
		after, err := a.event(ctx, r, q.after)
		if err != nil {
			return nil, nil, err
		}
		for _, e := range []events.Event{before, after} {
			if _, ok := e.Body.(*events.ScanTaken); !ok {
				return nil, nil, failf("history "+v.name(), "event %s is no scan: it is %s of %s",
					e.ID.Short(), kindName(e.Type), when(e.Happened(), loc))
			}
		}
		question = verify.Question{Before: before.ID, After: after.ID}
	}
	report, err := verify.Judge(h, question)
	if err != nil {
		if q.before != "" {
			short := strings.NewReplacer(question.Before.String(), question.Before.Short(), question.After.String(), question.After.Short())
			err = errors.New(short.Replace(err.Error()))
		}
		return nil, nil, withHint(err, "history "+v.name())
	}
	return report, loc, nil
}

// place finds the vehicle and the job that are meant. The job is zero where the
// vehicle has none: scans and repairs may stand in the book without one.
func (a *app) place(ctx context.Context, r reader, q asked) (vehicleRef, events.ID, error) {
	all, err := a.vehicles(ctx, r)
	if err != nil {
		return vehicleRef{}, events.ID{}, err
	}
	jobs, err := a.allJobs(ctx, r, all)
	if err != nil {
		return vehicleRef{}, events.ID{}, err
	}
	j, err := pickJob(all, jobs, q.text)
	if err != nil {
		v, found, _ := findVehicle(all, q.text)
		if !found || ofVehicle(jobs, v) != nil {
			return vehicleRef{}, events.ID{}, err
		}
		j = jobRef{Vehicle: v}
	}
	if q.job == "" {
		return j.Vehicle, j.ID, nil
	}
	own := ofVehicle(jobs, j.Vehicle)
	j, err = pickJob([]vehicleRef{j.Vehicle}, own, q.job)
	return j.Vehicle, j.ID, err
}

func ofVehicle(jobs []jobRef, v vehicleRef) []jobRef {
	var own []jobRef
	for _, j := range jobs {
		if j.Vehicle.ID == v.ID {
			own = append(own, j)
		}
	}
	return own
}

// fold reads a vehicle's history and the book's settings.
func (a *app) fold(ctx context.Context, r reader, v vehicleRef) (*verify.History, *time.Location, error) {
	p, warnings, err := a.policy(ctx, r)
	if err != nil {
		return nil, nil, err
	}
	for _, w := range warnings {
		a.warn("%s", w)
	}
	evs, err := a.history(ctx, r, v)
	if err != nil {
		return nil, nil, err
	}
	return verify.NewHistory(evs, p), zone(p), nil
}

func (a *app) sheet(r *verify.Report, loc *time.Location, full bool) error {
	return sheet.Text(a.env.Out, r, sheet.Options{Width: a.width(), Colour: a.colour(), Zone: loc, Full: full})
}
