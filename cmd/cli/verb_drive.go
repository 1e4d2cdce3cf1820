package cli

import (
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"mendbook/events"
)

func newDriveCmd(a *app) *cobra.Command {
	var distance, where, odometer string
	var minutes int
	var coldStart bool
	var rec recordFlags
	cmd := &cobra.Command{
		Use:   "drive VEHICLE [flags]",
		Short: "Record a drive between scans",
		Long: `Records a drive: the chance for the vehicle's own tests to run. Drive on public
roads only what is safe and allowed to be driven.`,
		Example: `  mendbook drive van-7 --distance "14 km" --minutes 20
  mendbook drive van-7 --minutes 35 --cold-start --where "open road"`,
		Args: takes(1, 1, "a vehicle"), ValidArgsFunction: a.completes(completeVehicle),
		RunE: func(cmd *cobra.Command, args []string) error {
			body := &events.DriveDone{Minutes: minutes, ColdStart: coldStart, Where: events.Road(events.Fold(where)), By: a.who(&rec), Note: rec.note}
			var err error
			if body.Distance, err = a.distance("distance", distance); err != nil {
				return err
			}
			if body.Odometer, err = a.distance("odometer", odometer); err != nil {
				return err
			}
			if body.Distance.IsZero() && minutes == 0 {
				return a.usage("how far or how long? give --distance, --minutes or both")
			}
			if roads := body.Where.Values(); where != "" && !slices.Contains(roads, string(body.Where)) {
				return a.usage("--where %q: want one of %s%s", where, strings.Join(roads, ", "), didYouMean(where, roads))
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
				e, err := s.add(l.vehicle.ID, at, body)
				if err != nil {
					return err
				}
				s.oddOdometer(l, at, body.Odometer)
				s.say("drive of %s recorded (%s): %s%s", l.vehicle.Label, e.ID.Short(), driveSummary(body), s.backdated(at))
				s.next("scan %s --edit", l.vehicle.name())
				return nil
			})
		},
	}
	f := cmd.Flags()
	f.StringVar(&distance, "distance", "", "`DISTANCE` like \"14 km\"")
	f.Var(&wholeNumber{&minutes, 100000}, "minutes", "`MINUTES` driven")
	f.BoolVar(&coldStart, "cold-start", false, "it began with a cold engine")
	f.StringVar(&where, "where", "", "`ROAD` town, \"open road\" or mixed")
	f.StringVar(&odometer, "odometer", "", "`DISTANCE` like \"214894 km\", after the drive")
	rec.add(cmd)
	a.completesFlag(cmd, "where", func(*app, completion) []string { return events.Road("").Values() })
	return cmd
}

func driveSummary(body *events.DriveDone) string {
	var parts []string
	if !body.Distance.IsZero() {
		parts = append(parts, body.Distance.String())
	}
	if body.Minutes > 0 {
		parts = append(parts, plural(body.Minutes, "minute"))
	}
	if body.ColdStart {
		parts = append(parts, "cold start")
	}
	if body.Where != "" {
		parts = append(parts, string(body.Where))
	}
	return strings.Join(parts, ", ")
}
