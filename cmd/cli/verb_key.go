package cli

import (
	"github.com/spf13/cobra"

	"mendbook/events"
)

func newKeyCmd(a *app) *cobra.Command {
	var rec recordFlags
	cmd := &cobra.Command{
		Use:   "key VEHICLE [flags]",
		Short: "Record that the ignition was turned off and on again",
		Long: `Records that the ignition was turned off and on again without a drive: a new cycle
for tests that run at key-on.`,
		Example: `  mendbook key van-7`,
		Args:    takes(1, 1, "a vehicle"), ValidArgsFunction: a.completes(completeVehicle),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.record(cmd, func(s *session) error {
				at, err := s.when(rec.at)
				if err != nil {
					return err
				}
				v, err := s.vehicle(args[0])
				if err != nil {
					return err
				}
				e, err := s.add(v.ID, at, &events.KeyCycled{By: a.who(&rec), Note: rec.note})
				if err != nil {
					return err
				}
				s.say("ignition of %s off and on recorded (%s)%s", v.Label, e.ID.Short(), s.backdated(at))
				s.next("scan %s --edit", v.name())
				return nil
			})
		},
	}
	rec.add(cmd)
	return cmd
}
