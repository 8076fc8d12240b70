package main

import (
	"context"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/mountmodel/sky"
	"polard/web"

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
			r, err := nightReport(c.Context(), book, folder, night)
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
			return r.write(out, asJSON)
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

// The wire form of a night's report; units in the keys.
type (
	reportJSON struct {
		Program    string             `json:"program"`
		Night      string             `json:"night"` // date of its evening at the mount, by mean solar time
		SinceUTC   string             `json:"since_utc"`
		UntilUTC   string             `json:"until_utc"`
		Folders    []string           `json:"folders"`
		Site       *reportSite        `json:"site,omitempty"`
		Frames     int                `json:"frames"`
		Solved     int                `json:"solved"`
		Unsolved   []reportReason     `json:"unsolved"` // why, the commonest first
		Events     []reportEvent      `json:"events"`
		First      *reportStanding    `json:"first,omitempty"` // of the night
		Last       *reportStanding    `json:"last,omitempty"`
		Curve      []reportStanding   `json:"curve"`  // the axis through the night, thinned
		Nights     []web.WatchedNight `json:"nights"` // before it, oldest first
		MovedSince *reportMove        `json:"moved_since_night_before,omitempty"`
	}
	reportSite struct {
		LatDeg     float64 `json:"lat_deg"`
		LonDeg     float64 `json:"lon_deg"`
		ElevationM float64 `json:"elevation_m"`
	}
	reportReason struct {
		Code    string `json:"code"`
		Count   int    `json:"count"`
		Message string `json:"message"` // of the last
	}
	reportEvent struct {
		TimeUTC string `json:"time_utc"`
		What    string `json:"what"`
	}
	reportStanding struct {
		TimeUTC     string     `json:"time_utc"`
		Phase       string     `json:"phase"`
		AltArcmin   web.Number `json:"alt_arcmin"` // axis minus pole
		AzArcmin    web.Number `json:"az_arcmin"`
		TotalArcmin web.Number `json:"total_arcmin"`
		AltSigma    web.Number `json:"alt_sigma_arcsec"`
		AzSigma     web.Number `json:"az_sigma_arcsec"`
		Within      bool       `json:"within"`
		Doubt       bool       `json:"doubt"`

		result logbook.Result
	}
	reportMove struct {
		OnSkyArcmin web.Number `json:"on_sky_arcmin"`
		SigmaArcsec web.Number `json:"sigma_arcsec"`
	}
)

// curvePoints bounds the standings in a report: more than a plot shows.
const curvePoints = 200

// nightReport collects what the logbook holds of a night: of the given evening, or the
// newest.
func nightReport(ctx context.Context, book *logbook.Book, folder string, evening time.Time) (*reportJSON, error) {
	sessions, err := book.Sessions(ctx, time.Time{}, 0)
	if err != nil {
		return nil, err
	}
	sessions = slices.DeleteFunc(sessions, func(s logbook.Session) bool { return folder != "" && s.Folder != folder || s.Count == 0 })
	if len(sessions) == 0 {
		return nil, errors.New("the logbook holds no session of that folder: 'polard log' lists those it has")
	}
	// A night runs from noon to noon at the mount.
	offset := time.Duration(sessions[0].Called.Site.Longitude.Degrees() / 15 * float64(time.Hour))
	if evening.IsZero() {
		evening = sessions[0].Heard.Add(offset - 12*time.Hour).Truncate(24 * time.Hour)
	}
	from := evening.Add(12*time.Hour - offset)
	to := from.Add(24 * time.Hour)
	r := &reportJSON{
		Program: programName(), Night: evening.Format(time.DateOnly),
		Folders: []string{}, Unsolved: []reportReason{}, Events: []reportEvent{}, Curve: []reportStanding{}, Nights: []web.WatchedNight{},
	}
	reasons := make(map[string]*reportReason)
	slices.Reverse(sessions) // oldest first
	for _, s := range sessions {
		if s.Begun.After(to) || s.Heard.Before(from) {
			continue
		}
		used := false
		err := book.Entries(ctx, s.ID, false, func(e logbook.Entry) error {
			if e.Config != nil && !e.Unplaced && e.At.Before(to) {
				at := e.Config.Site
				r.Site = &reportSite{at.Latitude.Degrees(), at.Longitude.Degrees(), at.ElevationM}
			}
			if e.At.Before(from) || !e.At.Before(to) {
				return nil
			}
			used = true
			if r.SinceUTC == "" {
				r.SinceUTC = wireTime(e.At)
			}
			r.UntilUTC = wireTime(e.At)
			r.take(e, reasons)
			return nil
		})
		if err != nil {
			return nil, err
		}
		if used && !slices.Contains(r.Folders, s.Folder) {
			r.Folders = append(r.Folders, s.Folder)
		}
	}
	if r.SinceUTC == "" {
		return nil, fmt.Errorf("the logbook holds nothing of the night of %s: 'polard log' lists the sessions it has", r.Night)
	}
	for _, reason := range reasons {
		r.Unsolved = append(r.Unsolved, *reason)
	}
	slices.SortFunc(r.Unsolved, func(a, b reportReason) int { return b.Count - a.Count })
	if n := len(r.Curve); n > 0 {
		first, last := r.Curve[0], r.Curve[n-1]
		r.First, r.Last = &first, &last
		if n > curvePoints {
			thin := make([]reportStanding, curvePoints)
			for i := range thin {
				thin[i] = r.Curve[i*(n-1)/(curvePoints-1)]
			}
			r.Curve = thin
		}
	}
	return r, r.compare(ctx, book, from)
}

// take counts an entry in.
func (r *reportJSON) take(e logbook.Entry, reasons map[string]*reportReason) {
	switch {
	case e.Frame != nil:
		r.Frames++
		if e.Frame.Sighting.Refused == "" {
			r.Solved++
			break
		}
		reason := reasons[e.Frame.Code]
		if reason == nil {
			reason = &reportReason{Code: e.Frame.Code}
			reasons[e.Frame.Code] = reason
		}
		reason.Count++
		reason.Message = e.Frame.Sighting.Refused
	case e.Event != "":
		r.Events = append(r.Events, reportEvent{wireTime(e.At), eventWords[e.Event]})
	case e.Stroke != nil:
		r.Events = append(r.Events, reportEvent{wireTime(e.At), fmt.Sprintf("%s bolt turned by %.2f turns, clockwise positive", e.Stroke.Bolt, e.Stroke.Turns)})
	}
	if x := e.Result; x != nil {
		r.Curve = append(r.Curve, reportStanding{
			TimeUTC: wireTime(e.At), Phase: string(x.Phase), AltArcmin: web.Number(x.OffsetAltArcmin), AzArcmin: web.Number(x.OffsetAzArcmin),
			TotalArcmin: web.Number(x.OffsetTotalArcmin), AltSigma: web.Number(x.SigmaAltArcsec), AzSigma: web.Number(x.SigmaAzArcsec),
			Within: x.Within, Doubt: x.Doubt, result: *x,
		})
	}
}

var eventWords = map[mountmodel.Event]string{
	mountmodel.StartOver: "started over", mountmodel.Measured: "measurement ended", mountmodel.Locked: "bolts locked",
	mountmodel.Unlocked: "bolts unlocked", mountmodel.WatchOnly: "watching ordinary exposures",
}

// compare tells how the axis stood on the nights before, and how far it moved since the
// last of them.
func (r *reportJSON) compare(ctx context.Context, book *logbook.Book, from time.Time) error {
	var before []logbook.Night
	for _, folder := range r.Folders {
		nights, err := book.Nights(ctx, folder, from.Add(-historyKept))
		if err != nil {
			return err
		}
		for _, n := range nights {
			if n.Until.Before(from) {
				before = append(before, n)
			}
		}
	}
	slices.SortFunc(before, func(a, b logbook.Night) int { return a.Until.Compare(b.Until) })
	for _, n := range before {
		r.Nights = append(r.Nights, watchedNight(n))
	}
	if r.Last == nil || len(before) == 0 {
		return nil
	}
	then, now := before[len(before)-1].Result, r.Last.result
	at := func(x logbook.Result) sky.Local {
		return sky.LocalFromAltAz(sky.Angle(x.AltDeg)*sky.Degree, sky.Angle(x.AzDeg)*sky.Degree)
	}
	r.MovedSince = &reportMove{
		OnSkyArcmin: web.Number(sky.Separation(at(then), at(now)).Arcminutes()),
		SigmaArcsec: web.Number(math.Hypot(largerHalfAxis(then), largerHalfAxis(now))),
	}
	return nil
}

func (r *reportJSON) write(w io.Writer, asJSON bool) error {
	if asJSON {
		enc := json.NewEncoder(w)
		enc.SetEscapeHTML(false)
		return enc.Encode(r)
	}
	_, err := io.WriteString(w, r.page())
	return err
}

//go:embed report.css
var reportStyle string

// page is the report for people: one file that loads nothing.
func (r *reportJSON) page() string {
	var b strings.Builder
	say := func(format string, args ...any) {
		for i, a := range args {
			if s, ok := a.(string); ok {
				args[i] = html.EscapeString(s)
			}
		}
		fmt.Fprintf(&b, format+"\n", args...)
	}
	angle := func(arcmin web.Number) string { return sky.AngleWords(sky.Angle(arcmin) * sky.Arcminute) }
	known := func(arcsec web.Number) string { return sky.KnownWords(sky.Angle(arcsec) * sky.Arcsecond) }
	clock := func(utc string) string { return strings.Replace(utc[:len("2006-01-02T15:04")], "T", " ", 1) }

	b.WriteString("<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n")
	say("<title>polard: night of %s</title>", r.Night)
	b.WriteString("<style>\n" + reportStyle + "</style>\n</head>\n<body>\n")
	say("<h1>Night of %s</h1>", r.Night)
	place := ""
	if s := r.Site; s != nil {
		place = fmt.Sprintf(", at latitude %.3f, longitude %.3f degrees, %.0f m", s.LatDeg, s.LonDeg, s.ElevationM)
	}
	say("<p>%s to %s UTC%s. Frames from %s.</p>", clock(r.SinceUTC), clock(r.UntilUTC), place, strings.Join(r.Folders, ", "))
	b.WriteString("<h2>Axis</h2>\n")
	if l := r.Last; l != nil {
		side := "outside"
		if l.Within {
			side = "within"
		}
		say("<p>At the end the axis stood <strong>%s from the pole</strong>: %s in altitude (known to %s) and %s of azimuth (known to %s), %s the tolerance.</p>",
			angle(l.TotalArcmin), angle(l.AltArcmin), known(l.AltSigma), angle(l.AzArcmin), known(l.AzSigma), side)
		if l.Doubt {
			b.WriteString("<p>These numbers are in doubt: see what the service told.</p>\n")
		}
	} else {
		b.WriteString("<p>No axis came out of this night.</p>\n")
	}
	if m := r.MovedSince; m != nil {
		say("<p>Since the night before it moved by %s on the sky, known to %s.</p>", angle(m.OnSkyArcmin), known(m.SigmaArcsec))
	}
	if p := r.plot(); len(p.Marks) > 0 {
		say(`<figure><svg viewBox="-6 -6 %d %d" role="img" aria-label="distance of the axis from the pole through the night">`, p.W+12, p.H+12)
		for _, m := range p.Marks {
			say(`<line x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f"/><circle cx="%.1f" cy="%.1f" r="2.5"/>`, m.X, m.X, m.Low, m.High, m.X, m.Y)
		}
		say("</svg><figcaption>Distance from the pole, 0 to %s, with one standard deviation.</figcaption></figure>", angle(p.Top))
	}
	say("<h2>Frames</h2>\n<p>%d came, %d were solved.</p>", r.Frames, r.Solved)
	table := func(rows int, head string, row func(int)) {
		if rows == 0 {
			return
		}
		b.WriteString("<table>" + head + "\n")
		for i := range rows {
			row(i)
		}
		b.WriteString("</table>\n")
	}
	table(len(r.Unsolved), "<tr><th>Frames</th><th>Why not</th></tr>", func(i int) {
		say("<tr><td>%d</td><td>%s</td></tr>", r.Unsolved[i].Count, r.Unsolved[i].Message)
	})
	table(len(r.Events), "<caption>What was done</caption><tr><th>UTC</th><th></th></tr>", func(i int) {
		say("<tr><td>%s</td><td>%s</td></tr>", clock(r.Events[i].TimeUTC), r.Events[i].What)
	})
	table(len(r.Nights), "<caption>Nights before</caption><tr><th>Until, UTC</th><th>From the pole</th><th>Known to</th><th>Frames</th></tr>", func(i int) {
		n := r.Nights[i]
		say("<tr><td>%s</td><td>%s</td><td>%s</td><td>%d</td></tr>", clock(n.UntilUTC), angle(n.Offset.TotalArcmin), known(n.UncertaintyArcsec), n.Frames)
	})
	say("<footer>%s. Offset is axis minus pole; uncertainties are one standard deviation.</footer>\n</body>\n</html>", r.Program)
	return b.String()
}

// plotted is a curve ready to be drawn.
type plotted struct {
	Marks []plotMark
	Top   web.Number // arcminutes
	W, H  int
}

type plotMark struct{ X, Y, Low, High float64 }

// plot scales the total offsets of the night, with one standard deviation.
func (r *reportJSON) plot() plotted {
	p := plotted{W: 640, H: 180}
	var known []reportStanding
	for _, s := range r.Curve {
		if !math.IsNaN(float64(s.TotalArcmin)) {
			known = append(known, s)
		}
	}
	if len(known) == 0 {
		return p
	}
	begin, _ := time.Parse(time.RFC3339, known[0].TimeUTC)
	end, _ := time.Parse(time.RFC3339, known[len(known)-1].TimeUTC)
	span := max(end.Sub(begin).Seconds(), 1)
	for _, s := range known {
		p.Top = max(p.Top, 1.05*(s.TotalArcmin+web.Number(largerHalfAxis(s.result)/60)))
	}
	p.Top = max(p.Top, 0.1)
	y := func(arcmin float64) float64 { return float64(p.H) * (1 - min(max(arcmin, 0)/float64(p.Top), 1)) }
	for _, s := range known {
		at, _ := time.Parse(time.RFC3339, s.TimeUTC)
		sigma := largerHalfAxis(s.result) / 60
		total := float64(s.TotalArcmin)
		p.Marks = append(p.Marks, plotMark{X: float64(p.W) * at.Sub(begin).Seconds() / span, Y: y(total), Low: y(total - sigma), High: y(total + sigma)})
	}
	return p
}
