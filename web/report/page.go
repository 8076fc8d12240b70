package report

import (
	_ "embed"
	"fmt"
	"html"
	"io"
	"math"
	"strings"
	"time"

	"polard/mountmodel/sky"
	"polard/web"
)

// WritePage writes the report for people: one file that loads nothing.
func (r *Report) WritePage(w io.Writer) error {
	_, err := io.WriteString(w, r.page())
	return err
}

//go:embed report.css
var reportStyle string

// page is the report for people: one file that loads nothing.
func (r *Report) page() string {
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
func (r *Report) plot() plotted {
	p := plotted{W: 640, H: 180}
	var known []Standing
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
