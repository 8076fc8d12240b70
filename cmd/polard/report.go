package main

import (
	"os"
	"path/filepath"
	"time"

	"polard/web/report"

	"github.com/spf13/cobra"
)

func newReport() *cobra.Command {
	var state stateFlags
	var frames framesFlags
	var asJSON bool
	var date, to, pier string
	c := &cobra.Command{
		Use:   "report [FOLDER]",
		Short: "write the report of a night, as a page or as JSON",
		Long: `report reads from the logbook what 'polard serve' kept of a night: how many frames came and
were solved and why others were not, how the axis stood and with what uncertainty, what was
done, and how that compares with the nights before. Without --night it takes the newest
night; without a folder the frames of all folders.

Exit status: 0, 1 when the logbook holds no such night, 2 the call was wrong.`,
		Example:     "  polard report > last-night.html\n  polard report --night 2026-11-24 --json",
		Args:        mostOneFolder,
		Annotations: map[string]string{configured: "yes"},
		RunE: func(c *cobra.Command, args []string) error {
			folder := frames.named
			if len(args) == 1 {
				folder = args[0]
			}
			if folder != "" {
				absolute, err := filepath.Abs(folder)
				if err != nil {
					return callError{err}
				}
				folder = absolute
			}
			var night time.Time
			if date != "" {
				var err error
				if night, err = time.Parse(time.DateOnly, date); err != nil {
					return wrongCall("--night %q: give the date of its evening, such as 2026-11-24", date)
				}
			}
			book, err := state.openToRead(c.Context())
			if err != nil {
				return err
			}
			defer book.Close()
			if state.server != "" {
				book.Pier = pier
				if folder != "" {
					folder = pier + ":" + folder
				}
			}
			r, err := report.Night(c.Context(), book, programName(), folder, night)
			if err != nil {
				return err
			}
			out := c.OutOrStdout()
			if to != "" {
				f, err := os.Create(to)
				if err != nil {
					return wrongCall("--out: %w", err)
				}
				defer f.Close()
				out = f
			}
			if asJSON {
				return r.WriteJSON(out)
			}
			return r.WritePage(out)
		},
	}
	state.addFolder(c)
	state.addServer(c)
	frames.add(c)
	c.Flags().StringVar(&date, "night", "", "the `DATE` of the night's evening, such as 2026-11-24; without it the newest night")
	c.Flags().StringVar(&to, "out", "", "write into this `FILE` instead of standard output")
	c.Flags().StringVar(&pier, "pier", "", "`NAME` of the pier in a shared logbook; without it all")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object instead of a page")
	return c
}
