package cli

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"mendbook/verify"
)

type topic struct {
	name, short string
	text        func() string
}

func topics() []topic {
	return []topic{
		{"notes", "how a scan is typed", notesHelp},
		{"exit-codes", "what the exit codes mean", exitCodesHelp},
		{"words", "the verdicts, the grades and the words of the trade", wordsHelp},
	}
}

func newHelpCmd(a *app) *cobra.Command {
	var list strings.Builder
	for _, t := range topics() {
		fmt.Fprintf(&list, "\n  %-12s %s", t.name, t.short)
	}
	return &cobra.Command{
		Use:   "help [VERB | TOPIC]",
		Short: "Explain a verb or a topic: notes, exit-codes, words",
		Long:  "Explains a verb, or one of these topics:\n" + list.String(),
		Example: `  mendbook help notes
  mendbook help scan`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return cmd.Root().Help()
			}
			var names []string
			for _, t := range topics() {
				if len(args) == 1 && t.name == args[0] {
					a.say("%s", strings.TrimSpace(t.text()))
					return nil
				}
				names = append(names, t.name)
			}
			found, rest, err := cmd.Root().Find(args)
			if err == nil && len(rest) == 0 && found != cmd.Root() {
				return found.Help()
			}
			for _, c := range cmd.Root().Commands() {
				names = append(names, c.Name())
			}
			word := strings.Join(args, " ")
			return &usageError{fmt.Sprintf("there is no help on %q%s", word, didYouMean(word, names)), "help"}
		},
		ValidArgsFunction: func(cmd *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
			var out []string
			if len(args) == 0 {
				for _, t := range topics() {
					out = append(out, withText(t.name, t.short))
				}
				for _, c := range cmd.Root().Commands() {
					if c.IsAvailableCommand() {
						out = append(out, withText(c.Name(), c.Short))
					}
				}
			}
			return out, cobra.ShellCompDirectiveNoFileComp
		},
	}
}

func exitCodesHelp() string {
	var b strings.Builder
	b.WriteString("The exit codes:\n\n")
	for _, row := range exitCodes() {
		fmt.Fprintf(&b, "  %3s  %s\n", row[0], row[1])
	}
	b.WriteString(`
A script should take any other code as a failure. With --json an error is one JSON
object on the standard error output: {"error": ..., "hint": ..., "exit": ...}.
`)
	return b.String()
}

func wordsHelp() string {
	var b strings.Builder
	b.WriteString("The verdicts on a fault:\n\n")
	for _, v := range verify.Verdicts() {
		fmt.Fprintf(&b, "  %-12s %-5s %s\n", v, v.Group(), v.Means())
	}
	b.WriteString(`
The grades of a good verdict, strongest first:

  answered     a unit that had been silent answered
  tested       the unit's own test for this code ran and passed
  monitored    the readiness monitor that may cover the code completed
  driven       a drive of the set length, and the code did not come

The words of the trade:

  vehicle      named by its label, its VIN, or its id or the end of that
  job          a visit of a vehicle; its card is the paper that leads to the customer
  unit         a control unit; one may be silent, refuse, or be skipped
  code         a trouble code; present, pending, stored or permanent
  scan         what the units answered at one time
  repair       work that is meant to cure faults
  erase        the request to erase codes, and each unit's answer
  drive, key   a drive; the ignition off and on again

A verdict is about what was read: it is not a roadworthiness or safety certificate.
`)
	return b.String()
}

func notesHelp() string {
	return `A scan note is a text file, one thing a line:

  at 2026-03-02 09:05           when it was taken; else it is now
  odometer 214880 km            or mi
  ignition on                   off, on
  engine running                off, running
  battery 12.4 V
  lamp engine on                on, off or flashing; "lamp engine flashing, under load"
  by Ida
  note smells of fuel

  unit engine                   begins a unit; its codes follow, one a line
    P0302 present               present, pending or stored
    P0455 stored
  unit brakes
    no codes                    the unit answered and listed none
  unit tailgate silent          it did not answer; also: refused, skipped, truncated
  unit gearbox
    P0741-07 stored             with the failure type byte
    9C41 stored                 a maker's own code, as the unit printed it

What follows a # after a space is a remark. A code may also have its status byte, its
occurrence counter and its freeze frame; a unit its address, service, mask, views,
readiness monitors and counters since the last erase.

A note with a mistake is not recorded. Each mistake is told with its line and column.

  mendbook scan van-7 NOTE.txt  takes a note from a file; - is the standard input
  mendbook scan van-7 --edit    begins one in the editor of VISUAL or EDITOR
`
}
