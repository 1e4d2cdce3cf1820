package cli

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"mendbook/events"
	"mendbook/events/quantity"
	"mendbook/verify"
)

func newRepairCmd(a *app) *cobra.Command {
	var targets, parts, renewed []string
	var hours, labour string
	var rec recordFlags
	cmd := &cobra.Command{
		Use:   "repair VEHICLE ACTION COMPONENT [flags]",
		Short: "Record work on the vehicle, and the faults it is meant to cure",
		Long: `Records a repair: what was done to what, and with --for the faults that it is meant
to cure. A repair without --for cannot be proven.

Work on restraint systems, high voltage, brakes, steering and fuel belongs to
trained people, by the maker's procedure and the local rules.`,
		Example: `  mendbook repair van-7 replaced "ignition coil 2" --for engine/P0302 --by Ida
  mendbook repair van-7 cleaned "earth point" --for "tailgate/no answer" --hours 0.5 --labour "40 EUR"
  mendbook repair van-7 replaced "ignition coil 2" --for engine/P0302 --part "number=IC-2207,name=ignition coil,price=84.50 EUR"`,
		Args: takes(3, 3, "a vehicle, an action and a component"), ValidArgsFunction: a.completes(completeVehicle, completeActions),
		RunE: func(cmd *cobra.Command, args []string) error {
			body := &events.RepairDone{Action: strings.TrimSpace(args[1]), Component: strings.TrimSpace(args[2]), By: a.who(&rec), Note: rec.note}
			for _, text := range targets {
				unit, code, noAnswer, err := faultName(text)
				if err != nil {
					return a.usage("--for %v", err)
				}
				body.Targets = append(body.Targets, events.Target{Unit: unit, Code: code, NoAnswer: noAnswer})
			}
			for _, text := range renewed {
				unit, how, ok := cutLast(text, "=")
				if !ok {
					return a.usage("--renewed %q: write it like engine=replaced or engine=reprogrammed", text)
				}
				if !slices.Contains(events.Renewed("").Values(), how) {
					return a.usage("--renewed %q: want %s%s", text, strings.Join(events.Renewed("").Values(), " or "), didYouMean(how, events.Renewed("").Values()))
				}
				body.Renewed = append(body.Renewed, events.Renewal{Unit: unit, How: events.Renewed(how)})
			}
			var err error
			if body.Hours, err = a.number("hours", hours); err != nil {
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
				for _, text := range parts {
					part, err := s.part(text)
					if err != nil {
						return err
					}
					body.Parts = append(body.Parts, part)
				}
				if body.Labour, err = s.money("labour", labour); err != nil {
					return err
				}
				v := l.vehicle
				job, ok := l.jobAt(at)
				if ok {
					body.Job = job.ID
				} else {
					s.warn("%s has no open job: the repair belongs to none", v.Label)
				}
				e, err := s.add(v.ID, at, body)
				if err != nil {
					return err
				}
				if len(body.Targets) == 0 {
					s.warn("the repair names no fault with --for, so nothing can be proven by it")
				}
				s.oddTargets(l, body.Targets)
				s.say("repair of %s recorded (%s): %s %s%s", v.Label, e.ID.Short(), body.Action, body.Component, s.backdated(at))
				if l.history.LastScan() == nil {
					s.next("scan %s --edit", v.name())
				} else {
					s.next("erase %s --all", v.name())
				}
				return nil
			})
		},
	}
	f := cmd.Flags()
	f.StringArrayVar(&targets, "for", nil, "a fault it is meant to cure: `UNIT/CODE`, or \"UNIT/no answer\" (repeatable)")
	f.StringArrayVar(&parts, "part", nil, "a part: `KEYS` \"number=..,name=..,serial=..,batch=..,price=84.50 EUR,quantity=2\" (repeatable)")
	f.StringVar(&hours, "hours", "", "`HOURS` worked, like 1.5")
	f.StringVar(&labour, "labour", "", "`AMOUNT` for labour, like \"120 EUR\"")
	f.StringArrayVar(&renewed, "renewed", nil, "a unit whose memory began anew: `UNIT=HOW`, replaced or reprogrammed (repeatable)")
	rec.add(cmd)
	a.completesFlag(cmd, "for", completeFault)
	return cmd
}

func cutLast(s, sep string) (before, after string, ok bool) {
	i := strings.LastIndex(s, sep)
	if i < 0 {
		return s, "", false
	}
	return strings.TrimSpace(s[:i]), strings.TrimSpace(s[i+len(sep):]), true
}

// oddTargets warns of targets that no scan has shown: a slip of the pen there
// would make a proof impossible.
func (s *session) oddTargets(l look, targets []events.Target) {
	read := map[string]map[string]bool{} // folded unit → codes
	for _, e := range verify.Standing(l.evs) {
		switch body := e.Body.(type) {
		case *events.UnitNamed:
			for _, name := range []string{body.Known, body.Unit} {
				if read[events.Fold(name)] == nil {
					read[events.Fold(name)] = nil
				}
			}
		case *events.ScanTaken:
			for _, u := range body.Units {
				key := events.Fold(u.Unit)
				if read[key] == nil {
					read[key] = map[string]bool{}
				}
				for _, c := range u.Codes {
					read[key][c.Code.String()] = true
				}
				if u.Reach == events.Silent {
					read[key][verify.NoAnswer] = true
				}
			}
		}
	}
	for _, t := range targets {
		word := t.Code.String()
		if t.NoAnswer {
			word = verify.NoAnswer
		}
		codes, known := read[events.Fold(t.Unit)]
		switch {
		case !known:
			s.warn("no scan of %s has a unit %s%s", l.vehicle.Label, t.Unit, didYouMean(t.Unit, l.history.Units()))
		case codes != nil && !codes[word]:
			s.warn("no scan of %s has shown %s/%s", l.vehicle.Label, t.Unit, word)
		}
	}
}

// part reads "number=..,name=..,serial=..,batch=..,price=..,quantity=..". A comma
// parts two pairs only where another key follows it.
func (s *session) part(text string) (events.Part, error) {
	keys := []string{"number", "name", "serial", "batch", "price", "quantity"}
	var part events.Part
	var pairs [][2]string
	for _, piece := range strings.Split(text, ",") {
		key, value, ok := strings.Cut(piece, "=")
		key = events.Fold(key)
		switch {
		case ok && slices.Contains(keys, key):
			pairs = append(pairs, [2]string{key, strings.TrimSpace(value)})
		case ok && len(pairs) == 0, ok && strings.IndexFunc(key, func(r rune) bool { return r < 'a' || r > 'z' }) < 0:
			return part, s.a.usage("--part has no key %q%s: want %s", key, didYouMean(key, keys), strings.Join(keys, ", "))
		case len(pairs) == 0:
			return part, s.a.usage("--part %q: write pairs like number=IC-2207,price=84.50 EUR", text)
		default:
			pairs[len(pairs)-1][1] += "," + piece
		}
	}
	seen := map[string]bool{}
	for _, pair := range pairs {
		key, value := pair[0], strings.TrimSpace(pair[1])
		if seen[key] || value == "" {
			return part, s.a.usage("--part %q: want one value for %s", text, key)
		}
		seen[key] = true
		switch key {
		case "number":
			part.Number = value
		case "name":
			part.Name = value
		case "serial":
			part.Serial = value
		case "batch":
			part.Batch = value
		case "price":
			m, err := s.money("part", value)
			if err != nil {
				return part, err
			}
			part.Price = m
		case "quantity":
			n, err := quantity.ParseNumber(value)
			if err != nil {
				return part, s.a.usage("--part: %v", fmt.Errorf("quantity: %w", err))
			}
			part.Quantity = &n
		}
	}
	return part, nil
}
