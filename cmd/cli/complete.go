package cli

import (
	"context"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"mendbook/cmd/sheet"
	"mendbook/events"
	"mendbook/verify"
)

// completion is what a completer can look at: the book, open for reading, and the
// arguments before the one that is completed.
type completion struct {
	ctx  context.Context
	r    reader
	args []string
}

// completer gives words, each with a description after a tab.
type completer func(*app, completion) []string

type completeFunc = func(cmd *cobra.Command, args []string, toComplete string) ([]string, cobra.ShellCompDirective)

// completes completes the arguments in turn; after the last there is nothing.
func (a *app) completes(each ...completer) completeFunc {
	return func(cmd *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
		if len(args) >= len(each) {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		return a.complete(cmd, args, each[len(args)]), cobra.ShellCompDirectiveNoFileComp
	}
}

// complete asks a completer. It never makes a book, waits for one or says anything:
// where something is amiss there is nothing to complete.
func (a *app) complete(cmd *cobra.Command, args []string, do completer) []string {
	ctx := cmd.Context()
	if ctx == nil {
		ctx = a.env.context()
		cmd.SetContext(ctx)
	}
	a.wait = 0
	o, err := a.options(cmd, true)
	if err != nil {
		return nil
	}
	b, err := openQuietly(ctx, o)
	if err != nil {
		return nil
	}
	words := do(a, completion{ctx, b, args})
	_ = b.Close() // opened for reading: nothing can be lost
	return words
}

// completesRest closes what no command has said how to complete: events for void
// and move, and nothing where the shell would offer the names of files, save where
// a file is wanted. It is called once, when all commands are there.
func (a *app) completesRest(cmd *cobra.Command) {
	switch cmd.CommandPath() {
	case "mendbook void":
		cmd.ValidArgsFunction = a.completes(completeEvent)
	case "mendbook move":
		cmd.ValidArgsFunction = func(cmd *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
			return a.complete(cmd, args, completeEvent), cobra.ShellCompDirectiveNoFileComp
		}
	case "mendbook import", "mendbook export":
	default:
		if cmd.ValidArgsFunction == nil && !cmd.HasSubCommands() {
			cmd.ValidArgsFunction = a.completes()
		}
	}
	shut := func(f *pflag.Flag) {
		if f.Name == "book" || f.Name == "dir" || f.Value.Type() == "bool" {
			return
		}
		if _, ok := cmd.GetFlagCompletionFunc(f.Name); !ok {
			a.completesFlag(cmd, f.Name, func(*app, completion) []string { return nil })
		}
	}
	cmd.LocalNonPersistentFlags().VisitAll(shut)
	cmd.PersistentFlags().VisitAll(shut)
	for _, c := range cmd.Commands() {
		a.completesRest(c)
	}
}

// mostEvents is how many events completion offers.
const mostEvents = 50

// completeEvent gives the latest events that stand, by the ending of their ids,
// leaving out what is already on the command line.
func completeEvent(a *app, c completion) []string {
	all, err := a.vehicles(c.ctx, c.r)
	if err != nil {
		return nil
	}
	labels := map[events.ID]string{}
	for _, v := range all {
		for _, id := range v.Set {
			labels[id] = v.Label
		}
	}
	evs, err := collect(c.r.All(c.ctx))
	if err != nil {
		return nil
	}
	p, _, err := a.policy(c.ctx, c.r)
	if err != nil {
		return nil
	}
	standing := verify.Standing(evs)
	slices.SortStableFunc(standing, func(x, y events.Event) int { return y.Happened().Std().Compare(x.Happened().Std()) })
	var out []string
	for _, e := range standing {
		label := labels[e.Subject]
		if _, opens := e.Body.(*events.FeedOpened); opens || label == "" || slices.Contains(c.args, e.ID.Short()) {
			continue
		}
		text := sheet.Wrap(label+" "+when(e.Happened(), zone(p))+" "+kindName(e.Type)+": "+eventText(e), 80)
		if out = append(out, withText(e.ID.Short(), text[0])); len(out) == mostEvents {
			break
		}
	}
	return out
}

// completesFlag completes the value of a flag.
func (a *app) completesFlag(cmd *cobra.Command, flag string, do completer) {
	err := cmd.RegisterFlagCompletionFunc(flag, func(cmd *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
		return a.complete(cmd, args, do), cobra.ShellCompDirectiveNoFileComp
	})
	if err != nil {
		panic(err) // a mistake in the program: no such flag
	}
}

// completesScan completes a vehicle and then a file.
func (a *app) completesScan(cmd *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
	if len(args) == 0 {
		return a.complete(cmd, args, completeVehicle), cobra.ShellCompDirectiveNoFileComp
	}
	return nil, cobra.ShellCompDirectiveDefault
}

func (a *app) completesAttach(cmd *cobra.Command, args []string, text string) ([]string, cobra.ShellCompDirective) {
	return a.completesScan(cmd, args, text)
}

// completesUnits completes a vehicle and then units, most of them; 0 is any number.
func (a *app) completesUnits(most int) completeFunc {
	return func(cmd *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
		switch {
		case len(args) == 0:
			return a.complete(cmd, args, completeVehicle), cobra.ShellCompDirectiveNoFileComp
		case most > 0 && len(args) > most:
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		return a.complete(cmd, args, completeUnit), cobra.ShellCompDirectiveNoFileComp
	}
}

// withText is a word with its description, as the shells take it.
func withText(word, text string) string {
	return word + "\t" + strings.Join(strings.Fields(text), " ")
}

func completeVehicle(a *app, c completion) []string {
	all, err := a.vehicles(c.ctx, c.r)
	if err != nil {
		return nil
	}
	var out []string
	for _, v := range all {
		text := described(v.Reg)
		if text == "" {
			text = "vehicle " + v.ID.Short()
		}
		out = append(out, withText(v.Label, text))
	}
	return out
}

func completeJob(a *app, c completion) []string {
	all, err := a.vehicles(c.ctx, c.r)
	if err != nil {
		return nil
	}
	jobs, err := a.allJobs(c.ctx, c.r, all)
	if err != nil {
		return nil
	}
	var out []string
	for i := len(jobs) - 1; i >= 0; i-- {
		j := jobs[i]
		state := "closed"
		if j.IsOpen() {
			state = "open"
		}
		out = append(out, withText(j.shown(), j.Vehicle.Label+", "+state+" "+j.Open.Complaint))
	}
	return append(out, completeVehicle(a, c)...)
}

// seen is the history of the vehicle of the first argument; nil where it is not known.
func (a *app) seen(c completion) (*verify.History, []events.Event) {
	if len(c.args) == 0 {
		return nil, nil
	}
	v, err := a.vehicle(c.ctx, c.r, c.args[0])
	if err != nil {
		return nil, nil
	}
	evs, err := a.history(c.ctx, c.r, v)
	if err != nil {
		return nil, nil
	}
	p, _, err := a.policy(c.ctx, c.r)
	if err != nil {
		return nil, nil
	}
	return verify.NewHistory(evs, p), evs
}

func completeUnit(a *app, c completion) []string {
	h, _ := a.seen(c)
	if h == nil {
		return nil
	}
	var out []string
	for _, u := range h.Units() {
		out = append(out, withText(u, "control unit of "+h.Vehicle().Label))
	}
	return out
}

// completeFault gives what the scans of the vehicle listed, as UNIT/CODE, the
// latest state of each.
func completeFault(a *app, c completion) []string {
	_, evs := a.seen(c)
	state := map[string]string{}
	for _, e := range verify.Standing(evs) {
		scan, ok := e.Body.(*events.ScanTaken)
		if !ok {
			continue
		}
		for _, u := range scan.Units {
			if u.Reach == events.Silent {
				state[u.Unit+"/"+verify.NoAnswer] = "silent"
			}
			for _, code := range u.Codes {
				text := code.State.String()
				if code.Status != nil {
					text += " status " + code.Status.String()
				}
				state[u.Unit+"/"+code.Code.String()] = text
			}
		}
	}
	var out []string
	for _, name := range slices.Sorted(maps.Keys(state)) {
		out = append(out, withText(name, state[name]))
	}
	return out
}

func completeActions(*app, completion) []string {
	return []string{"replaced", "cleaned", "repaired", "adjusted", "reprogrammed"}
}
