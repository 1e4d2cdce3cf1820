package cli

import (
	"strings"

	"github.com/spf13/cobra"

	"mendbook/events"
	"mendbook/verify"
)

func newUnitCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "unit",
		Short:   "Name control units",
		Example: `  mendbook unit name van-7 7E8 engine`,
		Args:    cobra.ArbitraryArgs,
		RunE:    func(cmd *cobra.Command, args []string) error { return a.parent(cmd, args) },
	}
	cmd.AddCommand(&cobra.Command{
		Use:   "name VEHICLE KNOWN UNIT",
		Short: "Say that an address or a name is this unit",
		Long: `Says that KNOWN, an address or another name that scans use, is the unit UNIT of this
vehicle. It holds for all scans of the vehicle, earlier ones too.`,
		Example: `  mendbook unit name van-7 7E8 engine`,
		Args:    takes(3, 3, "a vehicle, the known name and the unit"), ValidArgsFunction: a.completesUnits(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.record(cmd, func(s *session) error {
				l, err := s.look(args[0])
				if err != nil {
					return err
				}
				v := l.vehicle
				body := &events.UnitNamed{Known: strings.TrimSpace(args[1]), Unit: strings.TrimSpace(args[2])}
				if ring := l.unitRing(body.Known, body.Unit); len(ring) > 0 {
					return failf("history "+v.name(), "%s cannot be the unit %s: on %s, %s already, so the names would lead back to %s; void that naming first if it is wrong",
						body.Known, body.Unit, v.Label, strings.Join(ring, " and "), body.Known)
				}
				e, err := s.add(v.ID, events.Time{}, body)
				if err != nil {
					return err
				}
				s.say("on %s, %s is the unit %s (%s)", v.Label, body.Known, body.Unit, e.ID.Short())
				s.next("vehicle show %s", v.name())
				return nil
			})
		},
	})
	return cmd
}

// unitRing are the namings that would lead from unit back to known; none where
// the names end elsewhere. A later naming of a name replaces the one before.
func (l look) unitRing(known, unit string) []string {
	if events.Fold(known) == events.Fold(unit) {
		return nil // the event itself tells of that
	}
	named := map[string]*events.UnitNamed{}
	for _, e := range verify.Standing(l.evs) {
		if body, ok := e.Body.(*events.UnitNamed); ok {
			named[events.Fold(body.Known)] = body
		}
	}
	var path []string
	at := events.Fold(unit)
	for range len(named) {
		next, ok := named[at]
		if !ok {
			return nil
		}
		path = append(path, next.Known+" is the unit "+next.Unit)
		if at = events.Fold(next.Unit); at == events.Fold(known) {
			return path
		}
	}
	return nil
}
