package cli

import (
	"github.com/spf13/cobra"

	"mendbook/ledger"
)

func newInitCmd(a *app) *cobra.Command {
	var station string
	cmd := &cobra.Command{
		Use:   "init [--station NAME]",
		Short: "Make a new, empty book",
		Long: `Makes a new, empty book in the directory of --book, else MENDBOOK_DIR, else the
user's data directory. A book belongs on a disk of this machine: network shares
are refused. The user who records must be able to write there; for reading it is
enough to be able to read.

A directory that holds a station.key or attached files but no book.db is left as
it is: they belong to a book that is lost. Put book.db back from a copy, or name
another directory.`,
		Example: `  mendbook --book ./new-book init --station "bay 2"`,
		Args:    takes(0, 0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error {
			o, err := a.options(cmd, false)
			if err != nil {
				return err
			}
			if station != "" {
				o.Station = station
			}
			b, err := ledger.Create(cmd.Context(), o)
			if err != nil {
				return err
			}
			if err := b.Close(); err != nil {
				return err
			}
			if a.json {
				return a.emit(recordedJSON{Schema: schemaRecorded, Events: []recordedEv{}, Notes: []string{},
					Said: []string{"new book in " + o.Dir}})
			}
			a.say("new book in %s, station %s", o.Dir, o.Station)
			a.next("vehicle add van-7")
			return nil
		},
	}
	cmd.Flags().StringVar(&station, "station", "", "the plain `NAME` of this machine (else its own)")
	return cmd
}
