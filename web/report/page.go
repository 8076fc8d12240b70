package report

import (
	_ "embed"
	"encoding/base64"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"polard/web"

	"golang.org/x/net/html"
)

//go:embed report.css
var style string

//go:embed report.js
var script string

// WritePage writes the report for people, in one of [Languages]: one file that loads nothing, with the colours and the type of the
// service's page, red by night.
func (r *Report) WritePage(w io.Writer, language string) error {
	in, err := wordsOf(language)
	if err != nil {
		return err
	}
	look, err := web.Look(func(font []byte) string { return "data:font/woff2;base64," + base64.StdEncoding.EncodeToString(font) })
	if err != nil {
		return err
	}
	theme, err := web.FirstTheme()
	if err != nil {
		return err
	}
	head := element("head", nil,
		element("meta", attr{"charset", "utf-8"}), element("meta", attr{"name", "viewport", "content", "width=device-width, initial-scale=1"}),
		element("title", nil, in.say("title", r.Night)), element("style", nil, look+style), element("script", nil, theme))
	body := element("body", nil, r.heading(in),
		element("main", nil, r.axis(in), plot(r, in), habits(r.Habits, in), r.events(in), r.frames(in), r.nights(in)),
		element("footer", nil, in.say("footer", r.Program)),
		element("script", nil, script))
	if _, err := io.WriteString(w, "<!doctype html>\n"); err != nil {
		return err
	}
	return html.Render(w, element("html", attr{"lang", in.tag()}, head, body))
}

// side says by how much an offset lies on which side.
func (w words) side(offset web.Number, positive, negative string) string {
	switch {
	case math.Abs(float64(offset))*60 < 0.5: // on neither
		return w.angle(offset)
	case offset < 0:
		return w.say(negative, w.angle(offset))
	}
	return w.say(positive, w.angle(offset))
}

// clock is a moment in hours and minutes; date puts the day before it.
func clock(utc string) string { return utc[len("2006-01-02T"):len("2006-01-02T15:04")] }
func date(utc string) string  { return utc[:len("2006-01-02")] + " " + clock(utc) }

func (r *Report) heading(in words) *html.Node {
	night := r.Night
	if day, err := time.Parse(time.DateOnly, r.Night); err == nil {
		night = day.Format(in.say("date"))
	}
	facts := element("p", attr{"class", "facts"}, in.say("span", date(r.SinceUTC), date(r.UntilUTC)))
	if s := r.Site; s != nil {
		add(facts, " · "+in.say("site", s.LatDeg, s.LonDeg, s.ElevationM))
	}
	add(facts, " · "+in.say("frames_from", strings.Join(r.Folders, ", ")))
	theme := element("button", attr{"type", "button", "class", "quiet", "id", "theme", "role", "switch", "aria-checked", "false", "hidden", ""}, in.say("night"))
	return element("header", nil, theme, element("h1", nil, in.say("night_of", night)), facts)
}

// axis is where the axis pointed at the end.
func (r *Report) axis(in words) *html.Node {
	l := r.Last
	if l == nil {
		return element("section", nil, element("p", attr{"class", "big"}, in.say("no_axis")))
	}
	within := "outside"
	if l.Within {
		within = "within"
	}
	section := element("section", attr{"class", "stands"},
		element("p", attr{"class", "label"}, in.say("stood")),
		element("p", attr{"class", "number"}, in.angle(l.TotalArcmin)),
		element("p", attr{"class", "label"}, in.say(within, in.angle(r.Tolerance))),
		table([]string{"", in.say("off_by"), in.say("known_to")},
			[]string{in.say("altitude"), in.side(l.AltArcmin, "too_high", "too_low"), in.known(l.AltSigma)},
			[]string{in.say("azimuth"), in.side(l.AzArcmin, "too_east", "too_west"), in.known(l.AzSigma)}))
	if l.Doubt {
		add(section, element("p", nil, in.say("doubt")))
	}
	if m := r.MovedSince; m != nil {
		add(section, element("p", nil, in.say("moved", in.angle(m.OnSkyArcmin), in.known(m.SigmaArcsec))))
	}
	return section
}

func (r *Report) events(in words) *html.Node {
	if len(r.Events) == 0 {
		return nil
	}
	rows := make([][]string, len(r.Events))
	for i, e := range r.Events {
		rows[i] = []string{fmt.Sprint(i + 1), clock(e.TimeUTC), in.say(e.Code, e.args...)}
	}
	return element("section", nil, element("h2", nil, in.say("done")), table([]string{"", "UTC", ""}, rows...))
}

func (r *Report) frames(in words) *html.Node {
	section := element("section", nil, element("h2", nil, in.say("frames")), element("p", nil, in.say("came", r.Frames, r.Solved)))
	if len(r.Unsolved) == 0 {
		return section
	}
	rows := make([][]string, len(r.Unsolved))
	for i, u := range r.Unsolved {
		rows[i] = []string{fmt.Sprint(u.Count), in.reason(u)}
	}
	return add(section, table([]string{in.say("frames"), in.say("why_not")}, rows...))
}

func (r *Report) nights(in words) *html.Node {
	if len(r.Nights) == 0 {
		return nil
	}
	rows := make([][]string, len(r.Nights))
	for i, n := range r.Nights {
		rows[i] = []string{date(n.UntilUTC), in.angle(n.Offset.TotalArcmin), in.known(n.UncertaintyArcsec), fmt.Sprint(n.Frames)}
	}
	return element("section", nil, element("h2", nil, in.say("nights")), table([]string{in.say("until"), in.say("from_pole"), in.say("known_to"), in.say("frames")}, rows...))
}

// reason says why frames were not solved. In English the service's own sentence stands, which has the numbers of the last.
func (w words) reason(u Reason) string {
	switch code := "why_" + u.Code; {
	case w.language == "en" && u.Message != "":
		return u.Message
	case w.has(code):
		return w.say(code)
	}
	return w.say("why_other")
}

// table is one with a heading for each column; a first column without one heads the rows.
func table(head []string, rows ...[]string) *html.Node {
	headings := element("tr", nil)
	for _, words := range head {
		if words == "" {
			add(headings, element("td", nil))
			continue
		}
		add(headings, element("th", attr{"scope", "col"}, words))
	}
	body := element("tbody", nil)
	for _, row := range rows {
		line := element("tr", nil)
		for i, words := range row {
			if i == 0 && head[0] == "" {
				add(line, element("th", attr{"scope", "row"}, words))
				continue
			}
			add(line, element("td", nil, words))
		}
		add(body, line)
	}
	return element("table", nil, element("thead", nil, headings), body)
}
