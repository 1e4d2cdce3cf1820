package cli

import (
	"context"
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"mendbook/events"
)

func newAttachCmd(a *app) *cobra.Command {
	var to string
	var rec recordFlags
	cmd := &cobra.Command{
		Use:   "attach VEHICLE FILE [flags]",
		Short: "Keep a file with the vehicle: a photo, a print, a capture",
		Long: `Copies a file beside the book, under the SHA-256 of its bytes, and records that it
belongs to the vehicle or, with --to, to one event of it.`,
		Example: `  mendbook attach van-7 photo.jpg --note "coil 2, burnt"`,
		Args:    takes(2, 2, "a vehicle and a file"), ValidArgsFunction: a.completesAttach,
		RunE: func(cmd *cobra.Command, args []string) error {
			file, err := os.Open(args[1])
			if err != nil {
				return failf("attach --help", "%w", err)
			}
			defer file.Close()
			if info, err := file.Stat(); err != nil {
				return err
			} else if !info.Mode().IsRegular() {
				return failf("attach --help", "%s is not a file", args[1])
			}
			start := make([]byte, 512)
			n, err := io.ReadFull(file, start)
			if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
				return err
			}
			if _, err := file.Seek(0, io.SeekStart); err != nil {
				return err
			}
			b, err := a.open(cmd, false)
			if err != nil {
				return err
			}
			err = func(ctx context.Context) error {
				// Nothing is copied for a vehicle or an event that is not there.
				v, err := a.vehicle(ctx, b, args[0])
				if err != nil {
					return err
				}
				var about events.ID
				if to != "" {
					e, err := a.event(ctx, b, to)
					if err != nil {
						return err
					}
					if !slices.Contains(v.Set, e.Subject) {
						return failf("history "+v.name(), "event %s is not one of %s", e.ID, v.Label)
					}
					about = e.ID
				}
				sum, size, err := b.PutFile(ctx, file)
				if err != nil {
					return err
				}
				return a.recordIn(ctx, b, func(s *session) error {
					at, err := s.when(rec.at)
					if err != nil {
						return err
					}
					e, err := s.add(v.ID, at, &events.FileAttached{Name: filepath.Base(args[1]), SHA256: sum, Size: size,
						Media: http.DetectContentType(start[:n]), To: about, By: a.who(&rec), Note: rec.note})
					if err != nil {
						return err
					}
					s.say("file %s attached to %s (%s): %d bytes, sha-256 %s", filepath.Base(args[1]), v.Label, e.ID.Short(), size, sum)
					s.next("history %s", v.name())
					return nil
				})
			}(cmd.Context())
			return errors.Join(err, b.Close())
		},
	}
	cmd.Flags().StringVar(&to, "to", "", "the `EVENT` it illustrates, by id or the end of it")
	rec.add(cmd)
	return cmd
}
