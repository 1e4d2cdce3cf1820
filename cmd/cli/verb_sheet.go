package cli

import (
	"context"
	"time"

	"github.com/spf13/cobra"

	"mendbook/verify"
)

func newSheetCmd(a *app) *cobra.Command {
	var q asked
	cmd := &cobra.Command{
		Use:   "sheet VEHICLE|JOB [flags]",
		Short: "The whole before-and-after sheet of a job, to print or to keep",
		Long: `Shows the judgement of a job with everything it rests on: the verdicts and their
reasons, repairs with their scores and parts, lamps, measurements, sign-offs, what
happened in order, what the words mean, and the numbers that judgement used.

Unlike verify, it ends with 0 whatever the verdicts are.`,
		Example: `  mendbook sheet FB-1041
  mendbook sheet van-7 > van-7.txt`,
		Args: takes(1, 1, "a vehicle or a job"), ValidArgsFunction: a.completes(completeJob),
		RunE: func(cmd *cobra.Command, args []string) error {
			q.text = args[0]
			var r *verify.Report
			var loc *time.Location
			err := a.read(cmd, func(ctx context.Context, rd reader) (err error) {
				r, loc, err = a.judge(ctx, rd, q)
				return err
			})
			if err != nil {
				return err
			}
			if a.json {
				return a.emit(r)
			}
			return a.sheet(r, loc, true)
		},
	}
	f := cmd.Flags()
	f.StringVar(&q.job, "job", "", "the `JOB` of the vehicle: card number, or id or its ending")
	f.StringVar(&q.before, "before", "", "show two scans instead of a job: the `SCAN` before the work")
	f.StringVar(&q.after, "after", "", "the `SCAN` after the work")
	a.completesFlag(cmd, "job", completeJob)
	return cmd
}
