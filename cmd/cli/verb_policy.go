package cli

import (
	"context"
	"slices"

	"github.com/spf13/cobra"

	"mendbook/events"
	"mendbook/verify"
)

type policyJSON struct {
	Schema   string              `json:"schema"`
	Settings []policySettingJSON `json:"settings"`
	Warnings []string            `json:"warnings"`
}

type policySettingJSON struct {
	Name    string `json:"name"`
	Value   string `json:"value"`
	Default string `json:"default"`
	Means   string `json:"means"`
}

func newPolicyCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "policy",
		Short: "Show or change the settings that judgement uses",
		Long: `Shows the settings that judgement uses, for the whole workshop. The defaults are
common practice, not a standard.`,
		Example: `  mendbook policy
  mendbook policy set drive-distance "15 km" --why "our road test is longer"`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return a.parent(cmd, args)
			}
			return a.read(cmd, func(ctx context.Context, r reader) error { return a.showPolicy(ctx, r) })
		},
	}
	cmd.AddCommand(newPolicySetCmd(a))
	return cmd
}

func (a *app) showPolicy(ctx context.Context, r reader) error {
	p, warnings, err := a.policy(ctx, r)
	if err != nil {
		return err
	}
	defaults := map[string]string{}
	for _, v := range verify.DefaultPolicy().Values() {
		defaults[v.Name] = v.Value
	}
	out := policyJSON{Schema: "mendbook.policy/1", Warnings: append([]string{}, warnings...)}
	var rows [][]string
	for _, v := range p.Values() {
		out.Settings = append(out.Settings, policySettingJSON{v.Name, v.Value, defaults[v.Name], verify.SettingDoc(v.Name)})
		value := v.Value
		if value != defaults[v.Name] {
			value += " (set)"
		}
		rows = append(rows, []string{v.Name, value, verify.SettingDoc(v.Name)})
	}
	if a.json {
		return a.emit(out)
	}
	for _, w := range warnings {
		a.warn("%s", w)
	}
	a.table(rows)
	return nil
}

func newPolicySetCmd(a *app) *cobra.Command {
	var why string
	var rec recordFlags
	cmd := &cobra.Command{
		Use:   "set NAME VALUE [flags]",
		Short: "Change one setting",
		Example: `  mendbook policy set time-zone Europe/Vienna
  mendbook policy set window-days 120 --why "our own promise"`,
		Args: takes(2, 2, "a name and a value"),
		ValidArgsFunction: a.completes(func(*app, completion) []string {
			var out []string
			for _, name := range verify.SettingNames() {
				out = append(out, withText(name, verify.SettingDoc(name)))
			}
			return out
		}),
		RunE: func(cmd *cobra.Command, args []string) error {
			name, value := events.Fold(args[0]), args[1]
			if !slices.Contains(verify.SettingNames(), name) {
				return &usageError{"no setting is called " + quote(args[0]) + didYouMean(name, verify.SettingNames()), "policy"}
			}
			return a.record(cmd, func(s *session) error {
				was := settingValue(s.policy, name)
				changed := s.policy
				if err := changed.Set(name, value); err != nil {
					return &usageError{err.Error(), "policy"}
				}
				// What the setting makes of it is recorded, so that one value has one spelling.
				value = settingValue(changed, name)
				if _, err := s.add(events.ID{}, events.Time{}, &events.PolicySet{Name: name, Value: value, By: a.who(&rec), Why: why}); err != nil {
					return err
				}
				means := "every verdict is judged by it from now on"
				if name == "time-zone" {
					means = "times that are typed without a zone, and those shown, are in it from now on"
				}
				s.say("%s is %s now, and was %s; %s", name, value, was, means)
				s.next("policy")
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&why, "why", "", "the reason, in `TEXT`")
	cmd.Flags().StringVar(&rec.by, "by", "", "who did it, a `NAME` (else MENDBOOK_BY)")
	return cmd
}

func settingValue(p verify.Policy, name string) string {
	for _, v := range p.Values() {
		if v.Name == name {
			return v.Value
		}
	}
	return ""
}
