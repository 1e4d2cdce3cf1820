package cli

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"mendbook/events"
	"mendbook/events/vin"
	"mendbook/verify"
)

func newVehicleCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "vehicle",
		Short: "Add, list, show and join vehicles",
		Long: `A vehicle is named by its label, its VIN, or its id or at least the last four
characters of that.`,
		Example: `  mendbook vehicle list
  mendbook vehicle show van-7`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error { return a.parent(cmd, args) },
	}
	cmd.AddCommand(newVehicleAddCmd(a), newVehicleListCmd(a), newVehicleShowCmd(a), newVehicleJoinCmd(a))
	return cmd
}

func newVehicleAddCmd(a *app) *cobra.Command {
	var number, market, makeName, model, year, engine, fuel, note string
	var anyway bool
	cmd := &cobra.Command{
		Use:   "add LABEL [flags]",
		Short: "Add a vehicle by what the workshop calls it",
		Long: `Adds a vehicle. The label is what the workshop calls it: a fleet number or a plate.
Customers do not belong in the book; the job card's number leads to them.`,
		Example: `  mendbook vehicle add van-8
  mendbook vehicle add bus-4 --year 2019 --fuel diesel --engine "2.0 l"`,
		Args: takes(1, 1, "a label"),
		RunE: func(cmd *cobra.Command, args []string) error {
			body := &events.VehicleRegistered{Label: strings.TrimSpace(args[0]), Market: strings.ToUpper(market), Make: makeName, Model: model, Engine: engine, Fuel: fuel, Note: note}
			if body.Label == "" {
				return a.usage("the label is empty")
			}
			if year != "" {
				n, err := strconv.Atoi(year)
				if err != nil {
					return a.usage("--year %q: want a year like 2019", year)
				}
				body.Year = n
			}
			var vinNote string
			if number != "" {
				var err error
				if body.VIN, err = vin.Parse(strings.TrimSpace(number)); err != nil {
					return a.usage("--vin: %v", err)
				}
				if vinNote, err = vin.Judge(body.VIN, body.Market); err != nil {
					return a.usage("--vin: %v", err)
				}
			}
			return a.record(cmd, func(s *session) error {
				all, err := a.vehicles(s.ctx, s.w)
				if err != nil {
					return err
				}
				for _, v := range all {
					if anyway {
						break
					}
					if !body.VIN.IsZero() && slices.Contains(v.VINs, body.VIN.String()) {
						return failf("vehicle show "+v.name(), "the VIN %s is there already, as %s; --anyway adds a second record", body.VIN, v.Label)
					}
					if slices.ContainsFunc(v.Labels, func(l string) bool { return events.Fold(l) == events.Fold(body.Label) }) {
						return failf("vehicle show "+v.name(), "a vehicle with the label %s is there already; --anyway adds a second record", v.Label)
					}
				}
				e, err := s.add(events.ID{}, events.Time{}, body)
				if err != nil {
					return err
				}
				if vinNote != "" {
					s.warn("vin %s: %s", body.VIN, vinNote)
				}
				s.say("vehicle %s added (%s)", body.Label, e.ID.Short())
				s.next("job open %s", vehicleRef{Label: body.Label}.name())
				return nil
			})
		},
	}
	f := cmd.Flags()
	f.StringVar(&number, "vin", "", "vehicle identification number, 17 characters (ISO 3779)")
	f.StringVar(&market, "market", "", "`COUNTRY` it was built for, two letters (ISO 3166); in some the VIN's check digit must fit")
	f.StringVar(&makeName, "make", "", "make")
	f.StringVar(&model, "model", "", "model")
	f.StringVar(&year, "year", "", "model `YEAR`")
	f.StringVar(&engine, "engine", "", "engine")
	f.StringVar(&fuel, "fuel", "", "fuel")
	f.StringVar(&note, "note", "", "a remark, in `TEXT`")
	f.BoolVar(&anyway, "anyway", false, "add it although the label or the VIN is there already")
	return cmd
}

type vehicleJSON struct {
	ID      events.ID   `json:"id"`
	Records []events.ID `json:"records"`
	Label   string      `json:"label"`
	VIN     string      `json:"vin,omitempty"`
	VINNote string      `json:"vinNote,omitempty"`
	Market  string      `json:"market,omitempty"`
	Make    string      `json:"make,omitempty"`
	Model   string      `json:"model,omitempty"`
	Year    int         `json:"year,omitempty"`
	Engine  string      `json:"engine,omitempty"`
	Fuel    string      `json:"fuel,omitempty"`
	Note    string      `json:"note,omitempty"`
	Jobs    int         `json:"jobs"`
	OpenJob events.ID   `json:"openJob,omitzero"`
	Units   []string    `json:"units,omitempty"`
}

type vehiclesJSON struct {
	Schema   string        `json:"schema"`
	Vehicles []vehicleJSON `json:"vehicles"`
}

func vehicleAsJSON(v vehicleRef, jobs []jobRef) vehicleJSON {
	out := vehicleJSON{ID: v.ID, Records: v.Set, Label: v.Label, VIN: v.Reg.VIN.String(), Market: v.Reg.Market, Make: v.Reg.Make,
		Model: v.Reg.Model, Year: v.Reg.Year, Engine: v.Reg.Engine, Fuel: v.Reg.Fuel, Note: v.Reg.Note, Jobs: len(jobs)}
	if !v.Reg.VIN.IsZero() {
		out.VINNote, _ = vin.Judge(v.Reg.VIN, v.Reg.Market)
	}
	if j, ok := current(jobs); ok && j.IsOpen() {
		out.OpenJob = j.ID
	}
	return out
}

// described is make, model, year, engine and fuel, as far as they are known.
func described(r *events.VehicleRegistered) string {
	words := []string{r.Make, r.Model}
	if r.Year != 0 {
		words = append(words, strconv.Itoa(r.Year))
	}
	words = append(words, r.Engine, r.Fuel)
	return strings.Join(slices.DeleteFunc(words, func(w string) bool { return w == "" }), " ")
}

func newVehicleListCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:     "list",
		Short:   "List all vehicles",
		Example: `  mendbook vehicle list`,
		Args:    takes(0, 0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.read(cmd, func(ctx context.Context, r reader) error {
				all, err := a.vehicles(ctx, r)
				if err != nil {
					return err
				}
				jobs, err := a.allJobs(ctx, r, all)
				if err != nil {
					return err
				}
				of := map[events.ID][]jobRef{}
				for _, j := range jobs {
					of[j.Vehicle.ID] = append(of[j.Vehicle.ID], j)
				}
				if a.json {
					out := vehiclesJSON{Schema: "mendbook.vehicles/1", Vehicles: []vehicleJSON{}}
					for _, v := range all {
						out.Vehicles = append(out.Vehicles, vehicleAsJSON(v, of[v.ID]))
					}
					return a.emit(out)
				}
				if len(all) == 0 {
					a.empty("no vehicle yet: mendbook vehicle add van-7 adds one")
					return nil
				}
				var rows [][]string
				for _, v := range all {
					state := "no job"
					if j, ok := current(of[v.ID]); ok {
						state = "job " + j.shown() + " closed"
						if j.IsOpen() {
							state = "job " + j.shown() + " open"
						}
					}
					number := v.Reg.VIN.String()
					if number == "" {
						number = "no VIN"
					}
					rows = append(rows, []string{v.Label, number, state, described(v.Reg)})
				}
				a.table(rows)
				return nil
			})
		},
	}
}

func newVehicleShowCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:     "show VEHICLE",
		Short:   "Show one vehicle: what it is, its units and its jobs",
		Example: `  mendbook vehicle show van-7`,
		Args:    takes(1, 1, "a vehicle"), ValidArgsFunction: a.completes(completeVehicle),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.read(cmd, func(ctx context.Context, r reader) error {
				v, err := a.vehicle(ctx, r, args[0])
				if err != nil {
					return err
				}
				evs, err := a.history(ctx, r, v)
				if err != nil {
					return err
				}
				p, _, err := a.policy(ctx, r)
				if err != nil {
					return err
				}
				jobs := jobsIn(v, evs)
				shown := vehicleAsJSON(v, jobs)
				shown.Units = verify.NewHistory(evs, p).Units()
				if a.json {
					return a.emit(vehiclesJSON{Schema: "mendbook.vehicles/1", Vehicles: []vehicleJSON{shown}})
				}
				rows := [][]string{{"vehicle", v.Label}, {"id", v.ID.String()}}
				row := func(name, value string) {
					if value != "" {
						rows = append(rows, []string{name, value})
					}
				}
				row("vin", shown.VIN)
				row("", shown.VINNote)
				row("market", shown.Market)
				row("what", described(v.Reg))
				row("note", v.Reg.Note)
				for i, id := range v.Set[1:] {
					row("joined", fmt.Sprintf("%s (%s)", id, v.Labels[min(i+1, len(v.Labels)-1)]))
				}
				row("units", strings.Join(shown.Units, ", "))
				for _, j := range jobs {
					row("job", jobLine(j, p))
				}
				a.table(rows)
				if len(jobs) == 0 {
					a.next("job open %s", v.name())
				} else {
					a.next("history %s", v.name())
				}
				return nil
			})
		},
	}
}

func newVehicleJoinCmd(a *app) *cobra.Command {
	var why string
	cmd := &cobra.Command{
		Use:   "join VEHICLE INTO [flags]",
		Short: "Say that two records are one vehicle",
		Long: `Says that the record VEHICLE is the same vehicle as INTO: from then on everything of
it belongs to INTO. To take it back, void the event that this records.`,
		Example: `  mendbook vehicle join tipper-2 van-7 --why "the same plate, typed twice"`,
		Args:    takes(2, 2, "two vehicles"), ValidArgsFunction: a.completes(completeVehicle, completeVehicle),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.record(cmd, func(s *session) error {
				from, err := s.vehicle(args[0])
				if err != nil {
					return err
				}
				into, err := s.vehicle(args[1])
				if err != nil {
					return err
				}
				if from.ID == into.ID {
					return failf("vehicle show "+into.name(), "%s and %s are one vehicle already", args[0], args[1])
				}
				e, err := s.add(from.ID, events.Time{}, &events.VehicleJoined{Into: into.ID, Why: why})
				if err != nil {
					return err
				}
				if len(from.VINs) > 0 && len(into.VINs) > 0 && !slices.Equal(from.VINs, into.VINs) {
					s.warn("their VINs differ: %s and %s", strings.Join(from.VINs, ", "), strings.Join(into.VINs, ", "))
				}
				s.say("%s is joined into %s (%s)", from.Label, into.Label, e.ID.Short())
				s.next("history %s", into.name())
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&why, "why", "", "the reason, in `TEXT`")
	return cmd
}
