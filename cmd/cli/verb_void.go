package cli

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"mendbook/events"
	"mendbook/verify"
)

func newVoidCmd(a *app) *cobra.Command {
	var why string
	var rec recordFlags
	cmd := &cobra.Command{
		Use:   "void EVENT --why TEXT",
		Short: "Take an event back; voiding a void restores it",
		Long: `Takes an event back: from then on it counts as never recorded, though history shows
both. Nothing is deleted. Voiding a void restores what it took back.

history shows the last six characters of an event's id; they name it.`,
		Example: `  mendbook void 8F3KQZ --why "typed twice"`,
		Args:    takes(1, 1, "an event"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if strings.TrimSpace(why) == "" {
				return a.usage("an event is not taken back without a reason: give --why")
			}
			return a.record(cmd, func(s *session) error {
				e, err := a.event(s.ctx, s.w, args[0])
				if err != nil {
					return err
				}
				if err := s.voidable(e); err != nil {
					return err
				}
				v, err := s.add(e.Subject, events.Time{}, &events.EventVoided{Event: e.ID, Why: strings.TrimSpace(why), By: a.who(&rec)})
				if err != nil {
					return err
				}
				what := fmt.Sprintf("%s of %s taken back (%s)", kindOf(e), when(e.Happened(), s.zone), v.ID.Short())
				if void, ok := e.Body.(*events.EventVoided); ok {
					what = fmt.Sprintf("event %s stands again (%s)", void.Event.Short(), v.ID.Short())
				}
				s.say("%s", what)
				return s.nextHistory(e.Subject)
			})
		},
	}
	cmd.Flags().StringVar(&why, "why", "", "the reason, in `TEXT`")
	cmd.Flags().StringVar(&rec.by, "by", "", "who did it, a `NAME` (else MENDBOOK_BY)")
	return cmd
}

// kindOf is the kind of an event in words: "scan taken", "job opened".
func kindOf(e events.Event) string {
	words := strings.Split(e.Type, ".")
	return strings.Join(words[:len(words)-1], " ")
}

// related are the events that decide whether an event stands: all of its subject.
func (s *session) related(e events.Event) ([]events.Event, error) {
	if e.Subject.IsZero() {
		return collect(s.w.Workshop(s.ctx))
	}
	return collect(s.w.OfSubject(s.ctx, e.Subject))
}

// voidable refuses what cannot be taken back.
func (s *session) voidable(e events.Event) error {
	if _, ok := e.Body.(*events.FeedOpened); ok {
		return failf("check", "event %s opened a feed and cannot be taken back", e.ID.Short())
	}
	evs, err := s.related(e)
	if err != nil {
		return err
	}
	if by, voided := verify.VoidedBy(evs)[e.ID]; voided {
		return failf("void "+by.Short()+` --why "taken back by mistake"`, "event %s is taken back already, by %s; voiding that restores it", e.ID.Short(), by.Short())
	}
	if e.ID != e.Subject {
		return nil
	}
	for _, other := range verify.Standing(evs) {
		if other.ID != e.ID && other.Subject == e.ID {
			if _, void := other.Body.(*events.EventVoided); void {
				continue
			}
			return failf("vehicle join --help", "vehicle %s has other events, such as a %s: move those or join the vehicle into another", e.ID.Short(), kindOf(other))
		}
	}
	return nil
}

// nextHistory names the vehicle's history as the next command.
func (s *session) nextHistory(subject events.ID) error {
	all, err := s.a.vehicles(s.ctx, s.w)
	if err != nil {
		return err
	}
	for _, v := range all {
		for _, id := range v.Set {
			if id == subject {
				s.next("history %s", v.name())
				return nil
			}
		}
	}
	s.next("vehicle list")
	return nil
}
