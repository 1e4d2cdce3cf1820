package cli

import (
	"runtime"

	"github.com/spf13/cobra"

	"mendbook/verify"
)

type versionJSON struct {
	Schema  string `json:"schema"`
	Version string `json:"version"`
	Rules   string `json:"rules"`
	Go      string `json:"go"`
	System  string `json:"system"`
}

func newVersionCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:     "version",
		Short:   "Show the version of the program and of its rules of evidence",
		Example: `  mendbook version`,
		Args:    takes(0, 0, ""),
		RunE: func(*cobra.Command, []string) error {
			system := runtime.GOOS + "/" + runtime.GOARCH
			if a.json {
				return a.emit(versionJSON{"mendbook.version/1", a.env.Version, verify.Rules, runtime.Version(), system})
			}
			a.say("mendbook %s, rules of evidence %s, %s, %s", a.env.Version, verify.Rules, runtime.Version(), system)
			return nil
		},
	}
}
