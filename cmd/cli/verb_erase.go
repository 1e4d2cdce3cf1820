package cli

import (
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"mendbook/events"
	"mendbook/verify"
)

func newEraseCmd(a *app) *cobra.Command {
	var all bool
	var refused, silent, unknown []string
	var service, group string
	var rec recordFlags
	cmd := &cobra.Command{
		Use:   "erase VEHICLE [UNIT...] [flags]",
		Short: "Record that codes were erased, with each unit's answer",
		Long: `Records an erase. The units named accepted it; the flags name those that did not.
With --all every unit that answered in the latest scan accepted, and those that
were silent then are recorded silent.

Erasing also deletes freeze frames and makes readiness monitors incomplete. It
proves nothing by itself.`,
		Example: `  mendbook erase van-7 engine
  mendbook erase van-7 --all --refused tailgate
  mendbook erase van-7 engine --service 14 --group FFFFFF`,
		Args: takes(1, -1, "a vehicle"), ValidArgsFunction: a.completesUnits(0),
		RunE: func(cmd *cobra.Command, args []string) error {
			named := args[1:]
			if all && len(named) > 0 {
				return a.usage("give units or --all, not both")
			}
			if !all && len(named)+len(refused)+len(silent)+len(unknown) == 0 {
				return a.usage("which units? name them, or give --all")
			}
			if err := a.eachOnce([]string{"as accepted", "with --refused", "with --silent", "with --unknown"}, [][]string{named, refused, silent, unknown}); err != nil {
				return err
			}
			services := []string{"14", "04", "DM11", "DM3"} // those of which fault.GroupCovers knows what they reach
			if service != "" && !slices.Contains(services, strings.ToUpper(service)) {
				return a.usage("--service %q: want one of %s", service, strings.Join(services, ", "))
			}
			if group != "" && service == "" {
				return a.usage("--group stands without --service: give both, like --service 14 --group FFFFFF")
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
				body := &events.CodesErased{Service: strings.ToUpper(service), Group: strings.ToUpper(group), By: a.who(&rec), Note: rec.note}
				given := map[string]bool{}
				add := func(units []string, result events.EraseResult) {
					for _, u := range units {
						given[events.Fold(u)] = true
						body.Units = append(body.Units, events.UnitErase{Unit: u, Result: result})
					}
				}
				add(named, events.EraseAccepted)
				add(refused, events.EraseRefused)
				add(silent, events.EraseSilent)
				add(unknown, events.EraseUnknown)
				if all {
					last := l.history.LastScan()
					if last == nil {
						return failf("scan --help", "--all takes the units of the latest scan, and %s has none: name the units", l.vehicle.Label)
					}
					for _, u := range last.Body.(*events.ScanTaken).Units {
						if given[events.Fold(u.Unit)] {
							continue
						}
						given[events.Fold(u.Unit)] = true
						one := events.UnitErase{Unit: u.Unit, Address: u.Address}
						switch u.Reach {
						case events.Answered, events.Truncated:
							one.Result = events.EraseAccepted
						case events.Silent:
							one.Result = events.EraseSilent
							s.warn("%s was silent in the latest scan: recorded as silent to the erase too", u.Unit)
						case events.Refused:
							one.Result = events.EraseUnknown
							s.warn("%s refused in the latest scan: its answer to the erase is recorded as unknown", u.Unit)
						default:
							continue
						}
						body.Units = append(body.Units, one)
					}
				}
				e, err := s.add(l.vehicle.ID, at, body)
				if err != nil {
					return err
				}
				known := l.history.Units()
				for _, u := range body.Units {
					if !s.oddUnit(l.vehicle, known, u.Unit) && l.reads() && !l.hasUnit(u.Unit) {
						s.warn("no scan of %s has shown a unit %s", l.vehicle.Label, u.Unit)
					}
				}
				if !l.reads() {
					s.warn("%s has no scan yet: what was erased was not read before", l.vehicle.Label)
				}
				s.warn("erasing makes readiness monitors incomplete: a vehicle due for an emissions inspection must complete them first")
				s.say("erase on %s recorded (%s): %s%s", l.vehicle.Label, e.ID.Short(), eraseSummary(body), s.backdated(at))
				s.next("drive %s --distance \"14 km\" --minutes 20", l.vehicle.name())
				return nil
			})
		},
	}
	f := cmd.Flags()
	f.BoolVar(&all, "all", false, "all units that answered in the latest scan")
	f.StringArrayVar(&refused, "refused", nil, "a `UNIT` that refused (repeatable)")
	f.StringArrayVar(&silent, "silent", nil, "a `UNIT` that did not answer (repeatable)")
	f.StringArrayVar(&unknown, "unknown", nil, "a `UNIT` whose answer is not known (repeatable)")
	f.StringVar(&service, "service", "", "`SERVICE` that was used: 14 (ISO 14229-1), 04 (SAE J1979), DM11, DM3 (SAE J1939-73)")
	f.StringVar(&group, "group", "", "`GROUP` of codes in hex, with --service: FFFFFF is all (ISO 14229-1)")
	rec.add(cmd)
	for _, name := range []string{"refused", "silent", "unknown"} {
		a.completesFlag(cmd, name, completeUnit)
	}
	return cmd
}

// eachOnce refuses a unit that is given twice, and says how.
func (a *app) eachOnce(ways []string, units [][]string) error {
	how := map[string]string{}
	for i, way := range ways {
		for _, u := range units[i] {
			switch before, twice := how[events.Fold(u)]; {
			case twice && before == way:
				return a.usage("unit %s is given twice %s", events.Fold(u), way)
			case twice:
				return a.usage("unit %s is given %s and %s", events.Fold(u), before, way)
			}
			how[events.Fold(u)] = way
		}
	}
	return nil
}

// hasUnit reports whether a scan has shown a unit of this name, or it was named.
func (l look) hasUnit(unit string) bool {
	same := func(name string) bool { return name != "" && events.Fold(name) == events.Fold(unit) }
	for _, e := range verify.Standing(l.evs) {
		switch body := e.Body.(type) {
		case *events.UnitNamed:
			if same(body.Known) || same(body.Unit) {
				return true
			}
		case *events.ScanTaken:
			for _, u := range body.Units {
				if same(u.Unit) || same(u.Address) {
					return true
				}
			}
		}
	}
	return false
}

func (l look) reads() bool { return l.history.LastScan() != nil }

func eraseSummary(body *events.CodesErased) string {
	var parts []string
	for _, result := range events.EraseResult("").Values() {
		var units []string
		for _, u := range body.Units {
			if string(u.Result) == result {
				units = append(units, u.Unit)
			}
		}
		if len(units) > 0 {
			parts = append(parts, result+" "+strings.Join(units, ", "))
		}
	}
	return strings.Join(parts, "; ")
}
