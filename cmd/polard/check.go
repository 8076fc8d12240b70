package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"polard/cmd/polard/internal/pipeline"
	"polard/cmd/polard/internal/service"
	"polard/fits"
	"polard/fits/watch"
	"polard/mountmodel/logbook"
	"polard/mountmodel/sky"

	"github.com/spf13/cobra"
)

// Verdicts of a check.
const (
	checkGood  = "good"
	checkNote  = "note"  // works, but somebody should know
	checkWrong = "wrong" // the night will not go well
)

// finding is what a check found.
type finding struct {
	Check   string `json:"check"`
	Verdict string `json:"verdict"`
	Message string `json:"message"`
}

func newCheck() *cobra.Command {
	var site siteFlags
	var page pageFlags
	var frames framesFlags
	var state stateFlags
	var asJSON bool
	c := &cobra.Command{
		Use:   "check FOLDER",
		Short: "tell before the night what would go wrong in it",
		Long: `check looks at what 'polard serve' would use with the same options, and changes nothing:
the folder of the frames and the newest frame in it, the clock, the place, the catalogue, the
address of the page, and the folder of the logbook.

Exit status: 0 nothing is wrong, 1 something is, 2 the call was wrong.`,
		Example: "  polard check --config /etc/polard/polard.toml\n  polard check /data/tonight --lat 46.32 --lon 13.07",
		Args:    mostOneFolder, Annotations: map[string]string{configured: "yes"},
		RunE: func(c *cobra.Command, args []string) error {
			folder := frames.given(args)
			if folder == "" {
				return wrongCall("name the folder to look at: '%s FOLDER'", c.CommandPath())
			}
			now := time.Now()
			var all []finding
			add := func(check, verdict, format string, args ...any) {
				all = append(all, finding{check, verdict, fmt.Sprintf(format, args...)})
			}
			newest := checkFrames(folder, now, add)
			checkClock(newest, now, add)
			checkSite(c, &site, newest, add)
			checkCatalogue(add)
			checkPage(page, add)
			checkState(state, add)
			checkEnvironment(c, os.Environ(), add)
			return printFindings(c, all, asJSON)
		},
	}
	site.add(c)
	page.add(c)
	frames.add(c)
	state.addFolder(c)
	state.addServer(c)
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object a line")
	return c
}

func printFindings(c *cobra.Command, all []finding, asJSON bool) error {
	wrong := false
	for _, f := range all {
		wrong = wrong || f.Verdict == checkWrong
		var err error
		if asJSON {
			err = writeJSON(c.OutOrStdout(), f)
		} else {
			_, err = fmt.Fprintf(terminal{c.OutOrStdout()}, "%-6s %-10s %s\n", f.Verdict, f.Check, oneLine(f.Message))
		}
		if err != nil {
			return err
		}
	}
	if wrong {
		return errNotFound
	}
	return nil
}

type addFinding func(check, verdict, format string, args ...any)

// newestFrame is the last written frame of a folder.
type newestFrame struct {
	path     string
	modified time.Time
	frame    *fits.Frame // nil when it cannot be read
}

// checkFrames looks into the folder and reads the newest frame; nil when there is
// none.
func checkFrames(folder string, now time.Time, add addFinding) *newestFrame {
	if err := checkFolder(folder); err != nil {
		add("folder", checkWrong, "%v", err)
		return nil
	}
	files, err := watch.WrittenBefore(folder, now.Add(time.Hour)) // an hour of wrong clocks
	if err != nil {
		add("folder", checkWrong, "%s: %v", folder, err)
		return nil
	}
	if _, err := os.ReadDir(folder); err != nil {
		add("folder", checkWrong, "this user may not look into %s: %v", folder, err)
		return nil
	}
	var newest newestFrame
	count := 0
	for path, s := range files {
		if !watch.IsFrameName(path) {
			continue
		}
		count++
		if s.Modified.After(newest.modified) {
			newest.path, newest.modified = path, s.Modified
		}
	}
	if count == 0 {
		add("folder", checkNote, "%s can be read and holds no FITS file yet: take one frame and check again", folder)
		return nil
	}
	add("folder", checkGood, "%s can be read and holds %d FITS files", folder, count)
	frame, err := fits.ReadFile(newest.path)
	if err != nil {
		add("frame", checkWrong, "the newest, %s, cannot be used: %v", filepath.Base(newest.path), pipeline.FileProblem(newest.path, err).Message)
		return &newest
	}
	newest.frame = frame
	add("frame", checkGood, "the newest, %s, of %s: %d x %d pixels", filepath.Base(newest.path), newest.modified.UTC().Format(time.DateTime+" UTC"), frame.Width, frame.Height)
	for _, w := range frame.Warnings {
		add("frame", checkNote, "%s: %s", filepath.Base(newest.path), w)
	}
	if frame.ScaleHint == 0 {
		add("frame", checkNote, "its header gives no pixel size and focal length: the first frame of a night takes longer; --scale helps")
	}
	return &newest
}

// checkClock tells whether times can be believed: a clock that is a minute off
// puts the axis off by up to a quarter of a degree.
func checkClock(newest *newestFrame, now time.Time, add addFinding) {
	built := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC) // no clock that is right shows less
	switch synced, known := clockSynced(); {
	case now.Before(built):
		add("clock", checkWrong, "this machine believes that it is %s: set its clock", now.UTC().Format(time.DateOnly))
	case !known:
		add("clock", checkNote, "it is %s here; whether something keeps that right cannot be told on %s", now.UTC().Format(time.DateTime+" UTC"), runtime.GOOS)
	case !synced:
		add("clock", checkNote, "nothing keeps this machine's clock right (it shows %s): compare it with another, or let NTP or GPS set it", now.UTC().Format(time.DateTime+" UTC"))
	default:
		add("clock", checkGood, "kept by a time service, %s", now.UTC().Format(time.DateTime+" UTC"))
	}
	if newest == nil || newest.frame == nil {
		return
	}
	switch {
	case newest.frame.Mid.IsZero():
		add("clock", checkWrong, "the frames tell no time of exposure (DATE-OBS): let the camera program write it, or no axis can be found")
	case service.ClockSuspect(newest.frame, newest.modified):
		add("clock", checkWrong, "the newest frame says that it was exposed at %s and was written at %s: one of the clocks is wrong, or the camera program writes local time for UTC",
			newest.frame.Mid.UTC().Format(time.DateTime), newest.modified.UTC().Format(time.DateTime))
	default:
		add("clock", checkGood, "the newest frame's time fits the time at which it was written")
	}
}

// siteApart is how far the place given may lie from that in a frame's header:
// common practice, a town's coordinates stand for the site's.
const siteApart = 0.5 * sky.Degree

func checkSite(c *cobra.Command, flags *siteFlags, newest *newestFrame, add addFinding) {
	var header *sky.Site
	if newest != nil && newest.frame != nil {
		header = newest.frame.Site
	}
	cfg, placed, err := startConfig(c, flags)
	switch {
	case err != nil:
		add("site", checkWrong, "%v", err)
	case placed && header != nil && cfg.Site.AngleTo(*header) > siteApart:
		add("site", checkWrong, "given as %s, but the newest frame's header says %s: one of them is wrong (west and south are negative)", placeWords(cfg.Site), placeWords(*header))
	case placed:
		add("site", checkGood, "%s", placeWords(cfg.Site))
	case header != nil:
		add("site", checkGood, "%s, from the newest frame's header", placeWords(*header))
	default:
		add("site", checkWrong, "neither the options nor the frames tell where the mount stands: give --lat and --lon, or it must be said on the page")
	}
}

func placeWords(s sky.Site) string {
	return fmt.Sprintf("latitude %+.4f, longitude %+.4f degrees, %.0f m", s.Latitude.Degrees(), s.Longitude.Degrees(), s.ElevationM)
}

func checkCatalogue(add addFinding) {
	cat, err := pipeline.Catalogue()
	if err != nil {
		add("catalogue", checkWrong, "%v", err)
		return
	}
	added, err := pipeline.Added()
	switch {
	case err != nil:
		add("catalogue", checkWrong, "Tycho-2 with supplement 1, %d stars; the added stars cannot be used: %v", cat.Len(), err)
	case added != nil:
		add("catalogue", checkGood, "Tycho-2 with supplement 1, %d stars; with those added %d, which cover %s square degrees", cat.Len(), added.Len(), squareDegrees(added.Area()))
	default:
		add("catalogue", checkGood, "Tycho-2 with supplement 1, %d stars", cat.Len())
	}
}

// checkPage tries to listen where the page would be served.
func checkPage(page pageFlags, add addFinding) {
	ln, err := net.Listen("tcp", page.addr)
	if err != nil {
		add("address", checkWrong, "the page cannot be served at %s: %v (is another polard running? choose another with --addr)", page.addr, errors.Unwrap(err))
		return
	}
	_ = ln.Close()
	host, _, _ := net.SplitHostPort(page.addr)
	ip := net.ParseIP(host)
	local := host == "localhost" || ip != nil && ip.IsLoopback()
	switch {
	case !local && !page.network:
		add("address", checkWrong, "%s can be reached from the network: say --allow-network if that is meant", page.addr)
	case !local:
		add("address", checkNote, "%s is free; whoever reaches it may look on", page.addr)
	default:
		add("address", checkGood, "%s is free; only this machine reaches it", page.addr)
	}
}

// leastFree is the room that a long night's logbook and its journal take, with
// room to spare.
const leastFree = 200 << 20

// checkState writes a file into the folder of the logbook, or the nearest one
// above it that is there, and takes it away again.
func checkState(flags stateFlags, add addFinding) {
	path, err := flags.path()
	if err != nil {
		add("state", checkWrong, "%v", err)
		return
	}
	if flags.server != "" {
		checkServer(flags, add)
		return
	}
	folder := filepath.Dir(path)
	at := folder
	for {
		if info, err := os.Stat(at); err == nil {
			if !info.IsDir() {
				add("state", checkWrong, "%s is a file: name a folder with --state", at)
				return
			}
			break
		}
		if filepath.Dir(at) == at {
			add("state", checkWrong, "there is no folder %s", folder)
			return
		}
		at = filepath.Dir(at)
	}
	probe, err := os.CreateTemp(at, ".polard-check-")
	if err != nil {
		add("state", checkWrong, "this user may not write into %s: name another with --state", at)
		return
	}
	_ = probe.Close()
	_ = os.Remove(probe.Name())
	if free, known := freeBytes(at); known && free < leastFree {
		add("state", checkWrong, "only %d MB are free in %s", free>>20, at)
		return
	}
	if at != folder {
		add("state", checkGood, "the logbook's folder %s will be made", folder)
		return
	}
	add("state", checkGood, "the logbook can be kept in %s", folder)
}

// checkServer asks the logbook's server, and makes its tables where there are none.
func checkServer(flags stateFlags, add addFinding) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second) // a server that is there answers in one
	defer cancel()
	book, err := logbook.Open(ctx, flags.server)
	if err != nil {
		add("state", checkWrong, "%s: %v", flags.shown(), err)
		return
	}
	_ = book.Close()
	add("state", checkGood, "the logbook can be kept in %s", flags.shown())
}

// checkEnvironment finds names that begin as ours do but are none.
func checkEnvironment(c *cobra.Command, environment []string, add addFinding) {
	known := []string{envPrefix + "CONFIG"}
	for _, other := range c.Root().Commands() {
		if other.Annotations[configured] != "" {
			for option := range configurable(other) {
				known = append(known, envName(option))
			}
		}
	}
	for _, e := range environment {
		name, _, _ := strings.Cut(e, "=")
		if strings.HasPrefix(name, envPrefix) && !slices.Contains(known, name) {
			add("environment", checkNote, "%s is set, but there is no such option", name)
		}
	}
}
