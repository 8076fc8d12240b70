package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"polard/web/report"

	"github.com/spf13/cobra"
)

// reportFlags are the options of 'polard report'.
type reportFlags struct {
	state          stateFlags
	frames         framesFlags
	asJSON         bool
	date, to, pier string
	language       string
}

func newReport() *cobra.Command {
	var f reportFlags
	c := &cobra.Command{
		Use:   "report [FOLDER]",
		Short: "write the report of a night, as a page or as JSON",
		Long: `report reads from the logbook what 'polard serve' kept of a night: how many frames came and
were solved and why others were not, where the axis pointed and with what uncertainty, what was
done, and how that compares with the nights before. Without --night it takes the newest
night; without a folder the frames of all folders.

Exit status: 0, 1 when the logbook holds no such night, 2 the call was wrong.`,
		Example:     "  polard report > last-night.html\n  polard report --night 2026-11-24 --json",
		Args:        mostOneFolder,
		Annotations: map[string]string{configured: "yes"},
		RunE:        f.run,
	}
	f.state.addFolder(c)
	f.state.addServer(c)
	f.frames.add(c)
	c.Flags().StringVar(&f.date, "night", "", "the `DATE` of the night's evening, such as 2026-11-24; without it the newest night")
	c.Flags().StringVar(&f.to, "out", "", "write into this `FILE` instead of standard output")
	c.Flags().StringVar(&f.pier, "pier", "", "`NAME` of the pier in a shared logbook; without it all")
	c.Flags().StringVar(&f.language, "language", "", "`CODE` of the page's language, of "+strings.Join(report.Languages, ", ")+"; without it that of the environment (LANG)")
	c.Flags().BoolVar(&f.asJSON, "json", false, "print one JSON object instead of a page")
	return c
}

func (f *reportFlags) run(c *cobra.Command, args []string) error {
	folder := f.frames.given(args)
	if folder != "" {
		absolute, err := filepath.Abs(folder)
		if err != nil {
			return callError{err}
		}
		folder = absolute
	}
	var night time.Time
	if f.date != "" {
		var err error
		if night, err = time.Parse(time.DateOnly, f.date); err != nil {
			return wrongCall("--night %q: give the date of its evening, such as 2026-11-24", f.date)
		}
	}
	book, err := f.state.openToRead(c.Context())
	if err != nil {
		return err
	}
	defer book.Close()
	if f.state.server != "" {
		book.Pier = f.pier
		if folder != "" {
			folder = f.pier + ":" + folder
		}
	}
	r, err := report.Night(c.Context(), book, programName(), folder, night)
	if err != nil {
		return err
	}
	language := f.language
	if language == "" {
		language = languageOf(cmp.Or(os.Getenv("LC_ALL"), os.Getenv("LC_MESSAGES"), os.Getenv("LANG")))
	} else if !slices.Contains(report.Languages, language) {
		return wrongCall("--language %q: give one of %s", language, strings.Join(report.Languages, ", "))
	}
	write := func(w io.Writer) error { return r.WritePage(w, language) }
	if f.asJSON {
		write = r.WriteJSON
	}
	if f.to == "" {
		return write(c.OutOrStdout())
	}
	file, err := os.Create(f.to)
	if err != nil {
		return wrongCall("--out: %w", err)
	}
	if err := errors.Join(write(file), file.Close()); err != nil {
		return err
	}
	_, err = fmt.Fprintf(c.ErrOrStderr(), "the report of the night of %s is in %s\n", r.Night, shownName(f.to))
	return err
}

// languageOf is the report's language by a locale's name, such as de_AT.UTF-8; English where it names none of them.
func languageOf(locale string) string {
	name, _, _ := strings.Cut(strings.ToLower(locale), "_")
	if name, _, _ = strings.Cut(name, "."); slices.Contains(report.Languages, name) {
		return name
	}
	return report.Languages[0]
}
