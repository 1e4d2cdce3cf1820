package cli

import (
	"context"

	"github.com/spf13/cobra"

	"mendbook/ledger"
)

// openQuietly opens the book for completion: no notices.
func openQuietly(ctx context.Context, o ledger.Options) (*ledger.Book, error) {
	o.Tell = nil
	return ledger.Open(ctx, o)
}

func newCompletionCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "completion SHELL",
		Short: "Write a script that completes commands in a shell",
		Long: `Writes a script for bash, zsh, fish or powershell that completes verbs, vehicles, jobs
and units. It reads the book and changes nothing.`,
		Example: `  mendbook completion bash
  mendbook completion fish`,
		Args:      takes(1, 1, "a shell: bash, zsh, fish or powershell"),
		ValidArgs: []string{"bash", "zsh", "fish", "powershell"},
		RunE: func(cmd *cobra.Command, args []string) error {
			root := cmd.Root()
			switch args[0] {
			case "bash":
				return root.GenBashCompletionV2(a.env.Out, true)
			case "zsh":
				return root.GenZshCompletion(a.env.Out)
			case "fish":
				return root.GenFishCompletion(a.env.Out, true)
			case "powershell":
				return root.GenPowerShellCompletionWithDesc(a.env.Out)
			}
			return a.usage("no shell %q%s: want bash, zsh, fish or powershell", args[0], didYouMean(args[0], cmd.ValidArgs))
		},
	}
}
