package cli

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// Version of the program.
const Version = "0.1.0"

// app is one run of the command line.
type app struct {
	env *Env
	// The flags that every verb has.
	book    string
	json    bool
	noColor bool
	wait    int
	// notices are what the ledger told while --json kept them from being printed.
	notices []string
	// cmd is the command that runs.
	cmd *cobra.Command
}

// The groups of verbs in the help.
const (
	groupRecord = "record"
	groupRead   = "read"
	groupBook   = "book"
)

// Main runs one command and gives the exit code; see exits.go.
func Main(env *Env, args []string) int {
	a := &app{env: env}
	root := a.root()
	root.SetArgs(args)
	err := root.ExecuteContext(env.context())
	if err != nil && !a.json {
		// The flags of a command line that could not be read may not be set.
		for _, arg := range args {
			if arg == "--" {
				break
			}
			a.json = a.json || arg == "--json"
		}
	}
	return a.report(err)
}

// Root is the command tree, for documents and tests that walk it.
func Root(env *Env) *cobra.Command { return (&app{env: env}).root() }

// Verb is a verb as the help shows it, for documents and tests that walk them.
type Verb struct {
	Path     []string // the words after "mendbook"; none for the program itself
	Short    string
	Examples []string // command lines
}

// Verbs are all verbs, each followed by those below it.
func Verbs(env *Env) []Verb {
	var out []Verb
	var walk func(*cobra.Command)
	walk = func(cmd *cobra.Command) {
		v := Verb{Path: strings.Fields(cmd.CommandPath())[1:], Short: cmd.Short}
		for line := range strings.Lines(cmd.Example) {
			v.Examples = append(v.Examples, strings.TrimSpace(line))
		}
		out = append(out, v)
		for _, c := range cmd.Commands() {
			walk(c)
		}
	}
	walk(Root(env))
	return out
}

func (a *app) root() *cobra.Command {
	var version bool
	root := &cobra.Command{
		Use:   "mendbook",
		Short: "A workshop's before-and-after book: what was read, done and read again",
		Long: `mendbook keeps what control units answered before and after a repair, and says of
each fault whether the evidence shows it gone.

A verdict is about what was read: it is not a roadworthiness or safety certificate.`,
		Example: `  mendbook scan van-7 --unit "engine: P0302 present"
  mendbook verify van-7`,
		SilenceUsage: true, SilenceErrors: true,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if version && len(args) == 0 {
				return newVersionCmd(a).RunE(cmd, nil)
			}
			return a.parent(cmd, args)
		},

		PersistentPreRunE: func(cmd *cobra.Command, _ []string) error {
			a.cmd = cmd
			if cmd.Flags().Changed("book") && strings.TrimSpace(a.book) == "" {
				return a.usage("--book is empty: give the directory of a book, or leave the flag out")
			}
			return nil
		},
	}
	root.SetIn(a.env.In)
	root.SetOut(a.env.Out)
	root.SetErr(a.env.Err)
	f := root.PersistentFlags()
	f.StringVar(&a.book, "book", "", "the book's `DIR` (else MENDBOOK_DIR, else the user's data directory)")
	f.BoolVar(&a.json, "json", false, "write JSON instead of text")
	f.BoolVar(&a.noColor, "no-color", false, "no colour on a terminal")
	a.wait = 10
	f.Var(&wholeNumber{&a.wait, 86400}, "wait", "how many `SECONDS` to wait for a busy book")
	root.Flags().BoolVar(&version, "version", false, "show the version, as the verb version does")
	root.SetFlagErrorFunc(flagError)
	root.CompletionOptions.DisableDefaultCmd = true
	root.AddGroup(
		&cobra.Group{ID: groupRecord, Title: "Record what happened:"},
		&cobra.Group{ID: groupRead, Title: "Read and judge:"},
		&cobra.Group{ID: groupBook, Title: "The book itself:"})
	add := func(group string, cmds ...*cobra.Command) {
		for _, c := range cmds {
			c.GroupID = group
			root.AddCommand(c)
		}
	}
	add(groupRecord,
		newVehicleCmd(a), newJobCmd(a), newScanCmd(a), newRepairCmd(a), newEraseCmd(a), newDriveCmd(a),
		newKeyCmd(a), newMeasureCmd(a), newAttachCmd(a), newUnitCmd(a), newVoidCmd(a), newMoveCmd(a))
	add(groupRead,
		newVerifyCmd(a), newSheetCmd(a), newHistoryCmd(a), newFindCmd(a))
	add(groupBook,
		newInitCmd(a), newPolicyCmd(a), newCheckCmd(a), newImportCmd(a), newExportCmd(a), newDemoCmd(a),
		newCompletionCmd(a), newVersionCmd(a))
	for verb, words := range map[string]completer{"verify": completeJob, "sheet": completeJob, "history": completeVehicle} {
		for _, c := range root.Commands() {
			if c.Name() == verb && c.ValidArgsFunction == nil {
				c.ValidArgsFunction = a.completes(words)
			}
		}
	}
	help := newHelpCmd(a)
	help.GroupID = groupBook
	root.SetHelpCommand(help)
	root.InitDefaultHelpCmd()
	closeFlags(root)
	a.completesRest(root)
	return root
}

// closeFlags makes every command say "no arguments" in the house's words, and
// keeps flags in the order in which they are written.
func closeFlags(cmd *cobra.Command) {
	cmd.Flags().SortFlags = false
	cmd.DisableFlagsInUseLine = true
	for _, c := range cmd.Commands() {
		closeFlags(c)
	}
}

// parent is what a command with verbs below it does by itself: help, or an error
// that names the verbs that were probably meant.
func (a *app) parent(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return cmd.Help()
	}
	var names []string
	for _, c := range cmd.Commands() {
		if c.IsAvailableCommand() || c.Name() == "help" {
			names = append(names, c.Name())
		}
	}
	help := strings.TrimSpace(strings.TrimPrefix(cmd.CommandPath(), "mendbook") + " --help")
	return &usageError{fmt.Sprintf("%s has no verb %q%s", cmd.CommandPath(), args[0], didYouMean(args[0], names)), help}
}

func didYouMean(s string, words []string) string {
	near := nearest(s, words, 3)
	if len(near) == 0 {
		return ""
	}
	return "; did you mean " + strings.Join(near, " or ")
}

// flagError puts the flag package's errors into the house's words.
func flagError(cmd *cobra.Command, err error) error {
	text := err.Error()
	var missing *pflag.NotExistError
	if errors.As(err, &missing) {
		var names []string
		cmd.Flags().VisitAll(func(f *pflag.Flag) { names = append(names, f.Name) })
		name := missing.GetSpecifiedName()
		dashes := "--"
		if missing.GetSpecifiedShortnames() != "" {
			dashes = "-"
		}
		text = fmt.Sprintf("%s has no flag %s%s", cmd.CommandPath(), dashes, name)
		if near := nearest(name, names, 2); len(near) > 0 {
			text += "; did you mean --" + strings.Join(near, " or --")
		}
	}
	var wrong *pflag.InvalidValueError
	if errors.As(err, &wrong) {
		reason := wrong.Unwrap().Error()
		if wrong.GetFlag().Value.Type() == "bool" {
			reason = "want true or false"
		}
		text = fmt.Sprintf("--%s %q: %s", wrong.GetFlag().Name, wrong.GetValue(), reason)
	}
	var bare *pflag.ValueRequiredError
	if errors.As(err, &bare) {
		text = "--" + bare.GetFlag().Name + " needs a value"
	}
	return &usageError{text, verbHelp(cmd)}
}

// wholeNumber is a flag of a whole number from 0 to most.
type wholeNumber struct {
	value *int
	most  int
}

func (n *wholeNumber) String() string {
	if n.value == nil {
		return "0"
	}
	return strconv.Itoa(*n.value)
}

func (n *wholeNumber) Type() string { return "int" }

// Set takes decimal digits alone.
func (n *wholeNumber) Set(text string) error {
	v, err := strconv.Atoi(text)
	if err != nil || v < 0 || v > n.most {
		return fmt.Errorf("want a whole number from 0 to %d", n.most)
	}
	*n.value = v
	return nil
}

func verbHelp(cmd *cobra.Command) string {
	return strings.TrimSpace(strings.TrimPrefix(cmd.CommandPath(), "mendbook") + " --help")
}

// usage makes an error of a wrong command line (exit 64).
func (a *app) usage(format string, args ...any) error {
	return &usageError{fmt.Sprintf(format, args...), verbHelp(a.cmd)}
}

// takes checks the count of arguments: names says what they are; most -1 is any.
func takes(least, most int, names string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		switch {
		case len(args) < least && names == "":
			return &usageError{fmt.Sprintf("%s: an argument is missing", cmd.CommandPath()), verbHelp(cmd)}
		case len(args) < least:
			return &usageError{fmt.Sprintf("%s needs %s", cmd.CommandPath(), names), verbHelp(cmd)}
		case most == 0 && len(args) > 0:
			return &usageError{fmt.Sprintf("%s takes no arguments, and got %q", cmd.CommandPath(), args[0]), verbHelp(cmd)}
		case most >= 0 && len(args) > most:
			return &usageError{fmt.Sprintf("%s takes %s, and got %q too; put a text of several words in quotation marks",
				cmd.CommandPath(), names, args[most]), verbHelp(cmd)}
		}
		return nil
	}
}
