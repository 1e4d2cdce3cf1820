package cli

import (
	"bufio"
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"mendbook/events"
	"mendbook/events/notes"
)

func newExportCmd(a *app) *cobra.Command {
	var force bool
	cmd := &cobra.Command{
		Use:   "export [FILE] [flags]",
		Short: "Write every event of the book, one JSON object a line",
		Long: `Writes every event in order of its id, as import takes them in, to a file or to the
standard output. Taken into an empty book they give the same verdicts. Attached files
are not part of it: their names and hashes are.`,
		Example: `  mendbook export book.ndjson
  mendbook export | mendbook --book copy import -`,
		Args: takes(0, 1, "one file"),
		RunE: func(cmd *cobra.Command, args []string) error {
			name := ""
			if len(args) == 1 && args[0] != "-" {
				name = args[0]
			}
			return a.export(cmd, name, force)
		},
	}
	cmd.Flags().BoolVar(&force, "force", false, "replace the file where there is one")
	return cmd
}

// exported is the JSON form of what export did.
type exported struct {
	Schema string `json:"schema"`
	File   string `json:"file"`
	Events int    `json:"events"`
	// Unknown counts events that this program cannot interpret, Attached those
	// that name a file, whose bytes are not part of it.
	Unknown  int `json:"unknown"`
	Attached int `json:"attached"`
}

func (a *app) export(cmd *cobra.Command, name string, force bool) error {
	if info, err := os.Stat(name); name != "" && err == nil && info.IsDir() {
		return failf("export "+quote(filepath.Join(name, "book.ndjson")), "%s is a directory: name a file", name)
	}
	if name != "" && !force {
		if _, err := os.Lstat(name); err == nil {
			return failf("export --force "+quote(name), "%s is there already, and is not replaced", name)
		} else if !errors.Is(err, fs.ErrNotExist) {
			return cannotWrite(name, err)
		}
	}
	var n exported
	write := func(w io.Writer) error {
		return a.read(cmd, func(ctx context.Context, r reader) (err error) {
			n, err = writeEvents(ctx, r, w)
			return err
		})
	}
	if name == "" {
		if err := write(a.env.Out); err != nil {
			return err
		}
	} else {
		if err := writeWhole(name, write); err != nil {
			return err
		}
		n.Schema, n.File = "mendbook.exported/1", name
		if a.json {
			return a.emit(n)
		}
		a.say("exported %s to %s", plural(n.Events, "event"), name)
	}
	if n.Unknown > 0 {
		a.warn("%s cannot be interpreted here: only a newer program can take them in again", plural(n.Unknown, "event"))
	}
	if n.Attached > 0 {
		a.warn("%s named in it: copy the folder files beside the book to keep their bytes", plural(n.Attached, "attached file"))
	}
	return nil
}

func writeEvents(ctx context.Context, r reader, w io.Writer) (exported, error) {
	var n exported
	b := bufio.NewWriter(w)
	for e, err := range r.All(ctx) {
		if err != nil {
			return n, err
		}
		switch e.Body.(type) {
		case *events.FeedOpened:
			continue // it belongs to the machine that opened the feed
		case *events.Unknown:
			n.Unknown++
		case *events.FileAttached:
			n.Attached++
		}
		if err := notes.WriteLine(b, e, e.Subject.String()); err != nil {
			return n, err
		}
		n.Events++
	}
	return n, b.Flush()
}

// writeWhole writes a file that is there whole or not at all.
func writeWhole(name string, write func(io.Writer) error) (err error) {
	f, err := os.CreateTemp(filepath.Dir(name), ".export-*")
	if err != nil {
		return cannotWrite(name, err)
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if err := write(f); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return cannotWrite(name, err)
	}
	if err := f.Close(); err != nil {
		return cannotWrite(name, err)
	}
	if err := os.Rename(f.Name(), name); err != nil {
		return cannotWrite(name, err)
	}
	return nil
}

// cannotWrite names the file that was asked for, once, and not the temporary one
// beside it that it was to come from.
func cannotWrite(name string, err error) error {
	var path *fs.PathError
	var link *os.LinkError
	switch {
	case errors.As(err, &path):
		err = path.Err
	case errors.As(err, &link):
		err = link.Err
	}
	return failf("export "+quote(filepath.Base(name)), "%s cannot be written: %w", name, err)
}
