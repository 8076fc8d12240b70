package report

import (
	_ "embed"
	"encoding/base64"
	"fmt"
	"io"
	"strings"
	"time"

	"polard/mountmodel/sky"
	"polard/web"

	"golang.org/x/net/html"
)

//go:embed report.css
var style string

// WritePage writes the report for people: one file that loads nothing, with the colours and the type of the service's page.
func (r *Report) WritePage(w io.Writer) error {
	look, err := web.Look(func(font []byte) string { return "data:font/woff2;base64," + base64.StdEncoding.EncodeToString(font) })
	if err != nil {
		return err
	}
	head := element("head", nil,
		element("meta", attr{"charset", "utf-8"}), element("meta", attr{"name", "viewport", "content", "width=device-width, initial-scale=1"}),
		element("title", nil, "polard: night of "+r.Night), element("style", nil, look+style))
	body := element("body", nil, r.heading(), r.axis(), plot(r), habits(r.Habits), r.events(), r.frames(), r.nights(),
		element("footer", nil, r.Program+". Offset is axis minus pole; uncertainties are one standard deviation."))
	if _, err := io.WriteString(w, "<!doctype html>\n"); err != nil {
		return err
	}
	return html.Render(w, element("html", attr{"lang", "en"}, head, body))
}

func angle(arcmin web.Number) string { return sky.AngleWords(sky.Angle(arcmin) * sky.Arcminute) }
func known(arcsec web.Number) string { return sky.KnownWords(sky.Angle(arcsec) * sky.Arcsecond) }

// side is the word for the side on which an offset lies.
func side(offset web.Number, positive, negative string) string {
	if offset < 0 {
		return negative
	}
	return positive
}

// clock is a moment in hours and minutes; date puts the day before it.
func clock(utc string) string { return utc[len("2006-01-02T"):len("2006-01-02T15:04")] }
func date(utc string) string  { return utc[:len("2006-01-02")] + " " + clock(utc) }

func (r *Report) heading() *html.Node {
	night := r.Night
	if day, err := time.Parse(time.DateOnly, r.Night); err == nil {
		night = day.Format("2 January 2006")
	}
	facts := element("p", attr{"class", "facts"}, fmt.Sprintf("%s to %s UTC", date(r.SinceUTC), date(r.UntilUTC)))
	if s := r.Site; s != nil {
		add(facts, fmt.Sprintf(" · latitude %.3f°, longitude %.3f°, %.0f m", s.LatDeg, s.LonDeg, s.ElevationM))
	}
	add(facts, " · frames from "+strings.Join(r.Folders, ", "))
	return element("header", nil, element("h1", nil, "Night of "+night), facts)
}

// axis is how the axis stood at the end.
func (r *Report) axis() *html.Node {
	l := r.Last
	if l == nil {
		return element("section", nil, element("p", attr{"class", "big"}, "No axis came out of this night."))
	}
	within := "outside"
	if l.Within {
		within = "within"
	}
	section := element("section", attr{"class", "stands"},
		element("p", attr{"class", "label"}, "At the end the axis stood"),
		element("p", attr{"class", "number"}, angle(l.TotalArcmin)),
		element("p", attr{"class", "label"}, fmt.Sprintf("from the pole, %s the tolerance of %s", within, angle(r.Tolerance))),
		table([]string{"", "off by", "known to"},
			[]string{"Altitude", angle(l.AltArcmin) + side(l.AltArcmin, " too high", " too low"), known(l.AltSigma)},
			[]string{"Azimuth", angle(l.AzArcmin) + side(l.AzArcmin, " too far east", " too far west"), known(l.AzSigma)}))
	if l.Doubt {
		add(section, element("p", nil, "These numbers are in doubt: the log of the night says why."))
	}
	if m := r.MovedSince; m != nil {
		add(section, element("p", nil, fmt.Sprintf("Since the night before it moved by %s on the sky, known to %s.", angle(m.OnSkyArcmin), known(m.SigmaArcsec))))
	}
	return section
}

func (r *Report) events() *html.Node {
	if len(r.Events) == 0 {
		return nil
	}
	rows := make([][]string, len(r.Events))
	for i, e := range r.Events {
		rows[i] = []string{fmt.Sprint(i + 1), clock(e.TimeUTC), e.What}
	}
	return element("section", nil, element("h2", nil, "What was done"), table([]string{"", "UTC", ""}, rows...))
}

func (r *Report) frames() *html.Node {
	section := element("section", nil, element("h2", nil, "Frames"), element("p", nil, fmt.Sprintf("%d came, %d were solved.", r.Frames, r.Solved)))
	if len(r.Unsolved) == 0 {
		return section
	}
	rows := make([][]string, len(r.Unsolved))
	for i, u := range r.Unsolved {
		rows[i] = []string{fmt.Sprint(u.Count), u.Message}
	}
	return add(section, table([]string{"Frames", "Why not"}, rows...))
}

func (r *Report) nights() *html.Node {
	if len(r.Nights) == 0 {
		return nil
	}
	rows := make([][]string, len(r.Nights))
	for i, n := range r.Nights {
		rows[i] = []string{date(n.UntilUTC), angle(n.Offset.TotalArcmin), known(n.UncertaintyArcsec), fmt.Sprint(n.Frames)}
	}
	return element("section", nil, element("h2", nil, "Nights before"), table([]string{"Until, UTC", "From the pole", "Known to", "Frames"}, rows...))
}

// table is one with a heading for each column.
func table(head []string, rows ...[]string) *html.Node {
	headings := element("tr", nil)
	for _, words := range head {
		add(headings, element("th", attr{"scope", "col"}, words))
	}
	body := element("tbody", nil)
	for _, row := range rows {
		line := element("tr", nil)
		for _, words := range row {
			add(line, element("td", nil, words))
		}
		add(body, line)
	}
	return element("table", nil, element("thead", nil, headings), body)
}
