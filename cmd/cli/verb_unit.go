package cli

import (
	"strings"

	"github.com/spf13/cobra"

	"mendbook/events"
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
				v, err := s.vehicle(args[0])
				if err != nil {
					return err
				}
				body := &events.UnitNamed{Known: strings.TrimSpace(args[1]), Unit: strings.TrimSpace(args[2])}
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
