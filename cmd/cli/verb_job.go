package cli

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"mendbook/events"
	"mendbook/events/quantity"
	"mendbook/verify"
)

func newJobCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "job",
		Short: "Open, list, show, close and join jobs",
		Long: `A job is the visit of a vehicle, from its complaint to its handing over. It is named
by its card's number, its id or at least the last four characters of that, or by
the vehicle: its open job then, else its latest.`,
		Example: `  mendbook job list
  mendbook job show van-7`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error { return a.parent(cmd, args) },
	}
	cmd.AddCommand(newJobOpenCmd(a), newJobListCmd(a), newJobShowCmd(a), newJobCloseCmd(a), newJobJoinCmd(a))
	return cmd
}

// openJob are the flags that describe a job when it is opened.
func newJobOpenCmd(a *app) *cobra.Command {
	var card, odometer, complaint string
	var lamps []string
	var rec recordFlags
	cmd := &cobra.Command{
		Use:   "open VEHICLE [flags]",
		Short: "Open a job: the vehicle came in",
		Example: `  mendbook job open bus-3
  mendbook job open tipper-2 --card FB-1042 --odometer "214880 km" --complaint "misfires when warm" --lamp "engine on"`,
		Args: takes(1, 1, "a vehicle"), ValidArgsFunction: a.completes(completeVehicle),
		RunE: func(cmd *cobra.Command, args []string) error {
			odo, err := a.distance("odometer", odometer)
			if err != nil {
				return err
			}
			seen, err := a.lamps(lamps)
			if err != nil {
				return err
			}
			return a.record(cmd, func(s *session) error {
				at, err := s.when(rec.at)
				if err != nil {
					return err
				}
				l, err := s.look(args[0])
				if err != nil {
					return err
				}
				v := l.vehicle
				if j, ok := l.jobAt(at); ok {
					return failf("job close "+j.name(), "%s has an open job already: %s, since %s", v.Label, j.shown(), when(j.Opened.Happened(), s.zone))
				}
				if j, ok := l.jobAt(events.Time{}); ok {
					return failf("job close "+j.name(), "%s has an open job already: %s, since %s", v.Label, j.shown(), when(j.Opened.Happened(), s.zone))
				}
				e, err := s.add(v.ID, at, &events.JobOpened{Card: card, Odometer: odo, Complaint: complaint, Lamps: seen, By: a.who(&rec), Note: rec.note})
				if err != nil {
					return err
				}
				if err := s.sameCard(card, e.ID); err != nil {
					return err
				}
				s.oddOdometer(l, at, odo)
				s.say("job %s opened for %s%s", jobWord(card, e.ID), v.Label, s.backdated(at))
				s.next("scan %s --edit", v.name())
				return nil
			})
		},
	}
	f := cmd.Flags()
	f.StringVar(&card, "card", "", "`NUMBER` of the paper job card")
	f.StringVar(&odometer, "odometer", "", "`DISTANCE` like \"214880 km\"")
	f.StringVar(&complaint, "complaint", "", "what the vehicle came in with, in `TEXT`")
	f.StringArrayVar(&lamps, "lamp", nil, "a warning lamp as it was `SEEN`, like \"engine on\" (repeatable)")
	rec.add(cmd)
	return cmd
}

func jobWord(card string, id events.ID) string {
	if card != "" {
		return fmt.Sprintf("%s (%s)", card, id.Short())
	}
	return id.Short()
}

// sameCard warns where another job has the same card number: naming the job by
// its card is ambiguous from then on.
func (s *session) sameCard(card string, own events.ID) error {
	if card == "" {
		return nil
	}
	hits, err := s.w.Lookup(s.ctx, "card", card)
	if err != nil {
		return err
	}
	for _, h := range hits {
		if h.Event != own {
			s.warn("card %s was used before, by job %s", card, h.Event.Short())
			return nil
		}
	}
	return nil
}

type jobJSON struct {
	ID          events.ID         `json:"id"`
	Vehicle     events.ID         `json:"vehicle"`
	Label       string            `json:"label"`
	Cards       []string          `json:"cards"`
	Joined      []events.ID       `json:"joined,omitempty"`
	Complaint   string            `json:"complaint,omitempty"`
	Opened      events.Time       `json:"opened"`
	Closed      events.Time       `json:"closed,omitzero"`
	HandedOver  string            `json:"handedOver,omitempty"`
	OdometerIn  quantity.Distance `json:"odometerIn,omitzero"`
	OdometerOut quantity.Distance `json:"odometerOut,omitzero"`
	Open        bool              `json:"open"`
	Outcome     string            `json:"outcome,omitempty"`
	Sentence    string            `json:"sentence,omitempty"`
	Next        string            `json:"next,omitempty"`
	// Waiting counts the open verdicts that keep the job on the board.
	Waiting      int              `json:"waiting,omitempty"`
	SignedOff    []verify.SignOff `json:"signedOff,omitempty"`
	Scans        int              `json:"scans,omitempty"`
	Repairs      int              `json:"repairs,omitempty"`
	Measurements int              `json:"measurements,omitempty"`
}

type jobsJSON struct {
	Schema string    `json:"schema"`
	Jobs   []jobJSON `json:"jobs"`
}

func jobAsJSON(j jobRef) jobJSON {
	out := jobJSON{ID: j.ID, Vehicle: j.Vehicle.ID, Label: j.Vehicle.Label, Cards: append([]string{}, j.Cards...), Joined: j.Joined,
		Complaint: j.Open.Complaint, Opened: j.Opened.Happened(), OdometerIn: j.Open.Odometer, Open: j.IsOpen()}
	if j.Closed != nil {
		out.Closed, out.HandedOver, out.OdometerOut = j.ClosedAt, j.Closed.HandedOver, j.Closed.Odometer
	}
	return out
}

// jobLine is a job in one line.
func jobLine(j jobRef, p verify.Policy) string {
	text := fmt.Sprintf("%s, opened %s", j.shown(), when(j.Opened.Happened(), zone(p)))
	if !j.IsOpen() {
		text += ", closed " + when(j.ClosedAt, zone(p))
	}
	if j.Open.Complaint != "" {
		text += ": " + flat(j.Open.Complaint)
	}
	return text
}

func flat(text string) string { return strings.Join(strings.Fields(text), " ") }

// judged adds what the evidence says of a job.
func (a *app) judged(ctx context.Context, r reader, j jobRef, p verify.Policy) (*verify.Report, error) {
	evs, err := a.history(ctx, r, j.Vehicle)
	if err != nil {
		return nil, err
	}
	return verify.Judge(verify.NewHistory(evs, p), verify.Question{Job: j.ID})
}

func (out *jobJSON) addReport(rep *verify.Report) {
	out.Outcome, out.Sentence, out.SignedOff = string(rep.Outcome), rep.Sentence, rep.Job.SignedOff
	for _, f := range rep.Faults {
		if f.Next != "" && out.Next == "" && f.Verdict.Group() == verify.Open {
			out.Next = f.Next
		}
	}
	for _, s := range rep.Steps {
		switch s.Kind {
		case "scan":
			out.Scans++
		case "repair":
			out.Repairs++
		case "measure":
			out.Measurements++
		}
	}
}

func newJobListCmd(a *app) *cobra.Command {
	var open, waiting bool
	cmd := &cobra.Command{
		Use:   "list [VEHICLE] [flags]",
		Short: "List jobs; --waiting is the board of those whose proof is not in yet",
		Example: `  mendbook job list --open
  mendbook job list --waiting`,
		Args: takes(0, 1, "at most one vehicle"), ValidArgsFunction: a.completes(completeVehicle),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.read(cmd, func(ctx context.Context, r reader) error {
				all, err := a.vehicles(ctx, r)
				if err != nil {
					return err
				}
				if len(args) == 1 {
					v, err := pickVehicle(all, args[0])
					if err != nil {
						return err
					}
					all = []vehicleRef{v}
				}
				jobs, err := a.allJobs(ctx, r, all)
				if err != nil {
					return err
				}
				p, _, err := a.policy(ctx, r)
				if err != nil {
					return err
				}
				out := jobsJSON{Schema: "mendbook.jobs/1", Jobs: []jobJSON{}}
				var rows [][]string
				for _, j := range jobs {
					if open && !j.IsOpen() {
						continue
					}
					one := jobAsJSON(j)
					row := []string{j.shown(), j.Vehicle.Label, "opened " + when(j.Opened.Happened(), zone(p)), "open"}
					if !j.IsOpen() {
						row[3] = "closed " + when(j.ClosedAt, zone(p))
					}
					last := flat(j.Open.Complaint)
					if waiting {
						evs, err := a.history(ctx, r, j.Vehicle)
						if err != nil {
							return err
						}
						rep, err := verify.Judge(verify.NewHistory(evs, p), verify.Question{Job: j.ID})
						if err != nil {
							return err
						}
						waits := waitsFor(j, rep, evs)
						if len(waits) == 0 {
							continue
						}
						one.addReport(rep)
						one.Waiting, one.Next = len(waits), ""
						for _, f := range waits {
							if one.Next == "" {
								one.Next = f.Next
							}
						}
						last = plural(len(waits), "open verdict")
						if one.Next != "" {
							last += ": " + one.Next
						}
					}
					out.Jobs = append(out.Jobs, one)
					rows = append(rows, append(row, last))
				}
				if a.json {
					return a.emit(out)
				}
				switch {
				case len(rows) > 0:
					a.table(rows)
				case waiting:
					a.empty("no job waits for its proof")
				case open:
					a.empty("no job is open")
				default:
					a.empty("no job yet: mendbook job open VEHICLE opens one")
				}
				return nil
			})
		},
	}
	cmd.Flags().BoolVar(&open, "open", false, "only jobs that are open")
	cmd.Flags().BoolVar(&waiting, "waiting", false, "only jobs whose proof is not in yet, with the step that would bring it")
	return cmd
}

// waitsFor are the faults of a job whose proof is not in yet: their verdict is
// open, or good on a grade that the policy does not accept, and no repair of a
// later job took them over.
func waitsFor(j jobRef, rep *verify.Report, evs []events.Event) []verify.Fault {
	var later []events.Target
	named := map[string]string{}
	for _, e := range verify.Standing(evs) {
		if body, ok := e.Body.(*events.UnitNamed); ok {
			named[events.Fold(body.Known)] = events.Fold(body.Unit)
		}
		body, ok := e.Body.(*events.RepairDone)
		if ok && body.Job != j.ID && !slices.Contains(j.Joined, body.Job) && !e.Happened().Std().Before(j.Opened.Happened().Std()) {
			later = append(later, body.Targets...)
		}
	}
	unit := func(name string) string {
		name = events.Fold(name)
		for range len(named) { // no further: two machines can name in a ring
			next, ok := named[name]
			if !ok {
				break
			}
			name = next
		}
		return name
	}
	var out []verify.Fault
	for _, f := range rep.Faults {
		taken := slices.ContainsFunc(later, func(t events.Target) bool {
			word := t.Code.String()
			if t.NoAnswer {
				word = verify.NoAnswer
			}
			return word == f.Code && unit(t.Unit) == unit(f.Unit)
		})
		group := f.Verdict.Group()
		if !taken && (group == verify.Open || group == verify.Good && !f.Accepted) {
			out = append(out, f)
		}
	}
	return out
}

func newJobShowCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:     "show JOB",
		Short:   "Show one job",
		Example: `  mendbook job show van-7`,
		Args:    takes(1, 1, "a job"), ValidArgsFunction: a.completes(completeJob),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.read(cmd, func(ctx context.Context, r reader) error {
				j, err := a.job(ctx, r, args[0])
				if err != nil {
					return err
				}
				p, _, err := a.policy(ctx, r)
				if err != nil {
					return err
				}
				rep, err := a.judged(ctx, r, j, p)
				if err != nil {
					return err
				}
				one := jobAsJSON(j)
				one.addReport(rep)
				if a.json {
					return a.emit(jobsJSON{Schema: "mendbook.jobs/1", Jobs: []jobJSON{one}})
				}
				var rows [][]string
				row := func(name, value string) {
					if value != "" {
						rows = append(rows, []string{name, value})
					}
				}
				row("vehicle", j.Vehicle.Label)
				row("id", j.ID.String())
				row("card", strings.Join(j.Cards, ", "))
				for _, id := range j.Joined {
					row("joined", id.String())
				}
				row("opened", strings.TrimSuffix(when(one.Opened, zone(p))+", "+one.OdometerIn.String(), ", "))
				row("complaint", flat(j.Open.Complaint))
				for _, l := range j.Open.Lamps {
					row("lamp", strings.TrimSuffix(l.Name+" "+string(l.State)+", "+l.When, ", "))
				}
				row("recorded", fmt.Sprintf("%s, %s, %s", plural(one.Scans, "scan"), plural(one.Repairs, "repair"), plural(one.Measurements, "measurement")))
				if !j.IsOpen() {
					row("closed", strings.TrimSuffix(when(one.Closed, zone(p))+", "+one.OdometerOut.String(), ", "))
					row("handed over", flat(one.HandedOver))
				}
				for _, s := range one.SignedOff {
					row("signed off", fmt.Sprintf("%s/%s %s by %s: %s", s.Unit, s.Code, s.Verdict, s.By, flat(s.Words)))
				}
				row("verdict", rep.Sentence)
				a.table(rows)
				a.next("verify %s", j.name())
				return nil
			})
		},
	}
}

func newJobCloseCmd(a *app) *cobra.Command {
	var odometer, handedOver, words string
	var signOff []string
	var rec recordFlags
	cmd := &cobra.Command{
		Use:   "close JOB [flags]",
		Short: "Close a job: the vehicle is handed over",
		Long: `Closes a job and tells the verdicts that stand. One that is not good can be signed
off by name: "--sign-off open" signs every open verdict, "--sign-off engine/P0302"
one, with --by and the words that were agreed. A job with verdicts that nobody
signed is closed all the same, and says so.`,
		Example: `  mendbook job close van-7 --odometer "214950 km"
  mendbook job close van-7 --sign-off open --by Ida --words "handed over unproven, customer told"`,
		Args: takes(1, 1, "a job"), ValidArgsFunction: a.completes(completeJob),
		RunE: func(cmd *cobra.Command, args []string) error {
			odo, err := a.distance("odometer", odometer)
			if err != nil {
				return err
			}
			by := a.who(&rec)
			if len(signOff) > 0 && by == "" {
				return a.usage("--sign-off needs the name of who signs: give --by")
			}
			if len(signOff) > 0 && strings.TrimSpace(words) == "" {
				return a.usage("--sign-off needs what was agreed: give --words")
			}
			if len(signOff) == 0 && words != "" {
				return a.usage("--words stands without --sign-off")
			}
			return a.record(cmd, func(s *session) error {
				at, err := s.when(rec.at)
				if err != nil {
					return err
				}
				j, err := a.job(s.ctx, s.w, args[0])
				if err != nil {
					return err
				}
				if !j.IsOpen() {
					return failf("job show "+j.name(), "job %s of %s was closed %s", j.shown(), j.Vehicle.Label, when(j.ClosedAt, s.zone))
				}
				if !at.IsZero() && at.Std().Before(j.Opened.Happened().Std()) {
					return a.usage("--at %s is before the job was opened, %s", when(at, s.zone), when(j.Opened.Happened(), s.zone))
				}
				l, err := s.lookAt(j.Vehicle)
				if err != nil {
					return err
				}
				rep, err := verify.Judge(l.history, verify.Question{Job: j.ID})
				if err != nil {
					return err
				}
				signed, left, err := s.signOffs(rep, signOff, by, words)
				if err != nil {
					return err
				}
				e, err := s.add(j.Opened.Subject, at, &events.JobClosed{Job: j.ID, Odometer: odo, HandedOver: handedOver, SignedOff: signed, By: by, Note: rec.note})
				if err != nil {
					return err
				}
				s.oddOdometer(l, at, odo)
				for _, f := range left {
					s.warn("%s/%s is %s and nobody signed it off: %s", f.Unit, f.Code, f.Verdict, f.Reason)
				}
				text := fmt.Sprintf("job %s of %s closed (%s)%s", j.shown(), j.Vehicle.Label, e.ID.Short(), s.backdated(at))
				if len(signed) > 0 {
					text += fmt.Sprintf(", %s signed off by %s", plural(len(signed), "verdict"), by)
				}
				s.say("%s", text)
				s.next("sheet %s", j.name())
				return nil
			})
		},
	}
	f := cmd.Flags()
	f.StringVar(&odometer, "odometer", "", "`DISTANCE` like \"214950 km\"")
	f.StringVar(&handedOver, "handed-over", "", "what was handed over, in `TEXT`")
	f.StringArrayVar(&signOff, "sign-off", nil, "sign a verdict that is not good: `UNIT/CODE`, or \"open\" for every open one (repeatable)")
	f.StringVar(&words, "words", "", "what was agreed, in `TEXT`, with --sign-off")
	rec.add(cmd)
	return cmd
}

// signOffs matches --sign-off with the verdicts of a job, and gives those that
// are not good and that nobody signs.
func (s *session) signOffs(rep *verify.Report, flags []string, by, words string) (signed []events.SignOff, left []verify.Fault, err error) {
	// A good verdict on a grade that the policy does not accept waits for proof too.
	good := func(f verify.Fault) bool { return f.Verdict.Group() == verify.Good && f.Accepted }
	chosen := make([]bool, len(rep.Faults))
	for _, flag := range flags {
		if events.Fold(flag) == "open" {
			for i, f := range rep.Faults {
				chosen[i] = chosen[i] || f.Verdict.Group() != verify.Bad && !good(f)
			}
			if !slices.Contains(chosen, true) {
				s.warn("no verdict is open: there was nothing to sign")
			}
			continue
		}
		unit, code, noAnswer, err := faultName(flag)
		if err != nil {
			return nil, nil, s.a.usage("--sign-off: %v", err)
		}
		word := code.String()
		if noAnswer {
			word = verify.NoAnswer
		}
		i := slices.IndexFunc(rep.Faults, func(f verify.Fault) bool { return events.Fold(f.Unit) == events.Fold(unit) && f.Code == word })
		if i < 0 {
			return nil, nil, failf("verify "+quote(rep.Vehicle.Label), "--sign-off %s: the job has no such fault", flag)
		}
		if good(rep.Faults[i]) {
			return nil, nil, failf("verify "+quote(rep.Vehicle.Label), "--sign-off %s: it is %s, there is nothing to sign", flag, rep.Faults[i].Verdict)
		}
		chosen[i] = true
	}
	for i, f := range rep.Faults {
		if good(f) {
			continue
		}
		if !chosen[i] {
			left = append(left, f)
			continue
		}
		_, code, noAnswer, err := faultName("x/" + f.Code)
		if err != nil {
			return nil, nil, err
		}
		signed = append(signed, events.SignOff{Unit: f.Unit, Code: code, NoAnswer: noAnswer, Verdict: string(f.Verdict), By: by, Words: words})
	}
	return signed, left, nil
}

func newJobJoinCmd(a *app) *cobra.Command {
	var why string
	cmd := &cobra.Command{
		Use:   "join JOB INTO [flags]",
		Short: "Say that two jobs are one visit",
		Long: `Says that JOB is the same visit as INTO, as when two machines each opened one: from
then on everything of it belongs to INTO. Jobs are named by card or id here.`,
		Example: `  mendbook job join FB-1040 FB-1041 --why "opened on both machines"`,
		Args:    takes(2, 2, "two jobs"), ValidArgsFunction: a.completes(completeJob, completeJob),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.record(cmd, func(s *session) error {
				from, err := a.job(s.ctx, s.w, args[0])
				if err != nil {
					return err
				}
				into, err := a.job(s.ctx, s.w, args[1])
				if err != nil {
					return err
				}
				if from.ID == into.ID {
					return failf("job show "+into.name(), "%s and %s are one job already", args[0], args[1])
				}
				if from.Vehicle.ID != into.Vehicle.ID {
					return failf("vehicle join --help", "job %s is of %s and job %s of %s: join the vehicles first, if they are one",
						from.shown(), from.Vehicle.Label, into.shown(), into.Vehicle.Label)
				}
				e, err := s.add(from.Opened.Subject, events.Time{}, &events.JobJoined{Job: from.ID, Into: into.ID, Why: why})
				if err != nil {
					return err
				}
				s.say("job %s is joined into %s (%s)", from.shown(), into.shown(), e.ID.Short())
				s.next("job show %s", into.name())
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&why, "why", "", "the reason, in `TEXT`")
	return cmd
}
