package cli

import (
	"strings"

	"github.com/spf13/cobra"

	"mendbook/events"
	"mendbook/events/quantity"
)

func newMeasureCmd(a *app) *cobra.Command {
	var low, high, source, unit string
	var rec recordFlags
	cmd := &cobra.Command{
		Use:   "measure VEHICLE NAME VALUE [flags]",
		Short: "Record a measurement by hand, with its limits",
		Example: `  mendbook measure van-7 "battery voltage" "12.6 V" --low 12.4 --high 12.9 --source "maker's manual"
  mendbook measure van-7 "coil 2 resistance" "0.8 ohm" --unit engine`,
		Args: takes(3, 3, "a vehicle, a name and a value"), ValidArgsFunction: a.completes(completeVehicle),
		RunE: func(cmd *cobra.Command, args []string) error {
			value, err := quantity.ParseMeasure(args[2])
			if err != nil {
				return a.usage("%v", err)
			}
			body := &events.MeasureTaken{Name: strings.TrimSpace(args[1]), Value: value, Source: source, Unit: unit, By: a.who(&rec), Note: rec.note}
			if body.Low, err = a.limit("low", low, value.Unit()); err != nil {
				return err
			}
			if body.High, err = a.limit("high", high, value.Unit()); err != nil {
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
				e, err := s.add(l.vehicle.ID, at, body)
				if err != nil {
					return err
				}
				if unit != "" {
					s.oddUnit(l.vehicle, l.history.Units(), unit)
				}
				s.say("measurement on %s recorded (%s): %s %s, %s%s", l.vehicle.Label, e.ID.Short(), body.Name, value, against(body), s.backdated(at))
				s.next("history %s", l.vehicle.name())
				return nil
			})
		},
	}
	f := cmd.Flags()
	f.StringVar(&low, "low", "", "lowest `VALUE` allowed, in the unit of the measurement")
	f.StringVar(&high, "high", "", "highest `VALUE` allowed, in the unit of the measurement")
	f.StringVar(&source, "source", "", "where the limits are from, in `TEXT`")
	f.StringVar(&unit, "unit", "", "the control `UNIT` or system it belongs to")
	rec.add(cmd)
	a.completesFlag(cmd, "unit", completeUnit)
	return cmd
}

// limit reads a limit, with or without the measurement's unit.
func (a *app) limit(flag, text, unit string) (*quantity.Number, error) {
	if text == "" {
		return nil, nil
	}
	if m, err := quantity.ParseMeasure(text); err == nil {
		if m.Unit() != unit {
			return nil, a.usage("--%s %q: the measurement is in %s", flag, text, unit)
		}
		n := m.Value()
		return &n, nil
	}
	return a.number(flag, text)
}

// against tells how a measurement stands to its limits.
func against(body *events.MeasureTaken) string {
	switch {
	case body.Low == nil && body.High == nil:
		return "no limit given"
	case body.Low != nil && body.Value.Value().Cmp(*body.Low) < 0:
		return "below the limit " + body.Low.String()
	case body.High != nil && body.Value.Value().Cmp(*body.High) > 0:
		return "above the limit " + body.High.String()
	}
	return "within the limits"
}
