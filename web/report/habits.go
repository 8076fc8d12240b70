package report

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/mountmodel/sky"
	"polard/web"

	"golang.org/x/net/html"
)

// watched are the exposures of a night by which the mount was watched.
type watched struct {
	config    mountmodel.Config
	placed    bool
	watching  bool // since the last entry
	sightings []mountmodel.Sighting
}

// take counts an entry in; within tells whether it is one of the night.
func (w *watched) take(e logbook.Entry, within bool) {
	switch {
	case e.Config != nil:
		w.config, w.placed = *e.Config, !e.Unplaced
	case e.Event != "":
		w.watching = e.Event == mountmodel.WatchOnly
	case e.Frame != nil && within && w.watching && e.Frame.Sighting.Refused == "":
		w.sightings = append(w.sightings, e.Frame.Sighting)
	}
	if e.Result != nil {
		w.watching = e.Result.Phase == mountmodel.Done || e.Result.Phase == mountmodel.Watching
	}
}

// habitsOf works out what the ordinary exposures of a night tell of the mount, in one of its sessions; nil when
// that is nothing. The stars are read from the entry first on only.
func habitsOf(ctx context.Context, book *logbook.Book, s logbook.Session, first int64, from, to time.Time) (*web.Habits, error) {
	w := watched{config: s.Called, placed: s.Placed}
	if err := book.EntriesBut(ctx, s.ID, 0, first, func(e logbook.Entry) error {
		w.take(e, !e.At.Before(from) && e.At.Before(to))
		return nil
	}); err != nil || !w.placed || len(w.sightings) == 0 {
		return nil, err
	}
	v, err := mountmodel.Watch(w.config, w.sightings)
	if err != nil {
		return nil, nil // they do not tell the axis, nor what goes beyond it
	}
	return web.HabitsFromView(v), nil
}

// habits is their section of the page.
func habits(h *web.Habits, in words) *html.Node {
	if h == nil {
		return nil
	}
	section := element("section", nil, element("h2", nil, in.say("habits")))
	if p := h.Periodic; p != nil {
		words := in.say("periodic", float64(p.AmplitudeArcsec), period(p), float64(p.SigmaArcsec))
		add(section, element("p", nil, words), element("figure", nil, curve(p, in),
			element("figcaption", nil, in.say("periodic_caption", len(p.Curve)))))
	}
	if bends := h.Bends; len(bends) > 0 {
		rows := make([][]string, len(bends))
		for i, b := range bends {
			rows[i] = []string{fmt.Sprint(i + 1), in.say("hours", clock(b.FromUTC), clock(b.ToUTC)), fmt.Sprintf("%.0f°", b.AltDeg), fmt.Sprintf("%.0f°", b.AzDeg),
				in.comma(signed(float64(b.RateArcsecH))), in.comma(fmt.Sprintf("%.1f\"", b.SigmaArcsecH)), fmt.Sprint(b.Frames)}
		}
		add(section, element("figure", attr{"class", "small"}, bending(bends, in),
			element("figcaption", nil, in.say("bends_caption"))),
			table([]string{"", "UTC", in.say("altitude"), in.say("azimuth"), in.say("per_hour"), in.say("known_to"), in.say("frames")}, rows...))
	}
	return section
}

func period(p *web.Periodic) string {
	s := int(math.Round(float64(p.PeriodS)))
	if s < 60 {
		return fmt.Sprintf("%d s", s)
	}
	return fmt.Sprintf("%d min %d s", s/60, s%60)
}

// signed is a number of arcseconds with its sign, but for one that rounds to nothing.
func signed(arcsec float64) string {
	if math.Abs(arcsec) < 0.05 {
		return "0\""
	}
	return fmt.Sprintf("%+.1f\"", arcsec)
}

// Measures of the curve and of the map.
const (
	curveHeight = 200.0
	mapSize     = 320.0
	mapRadius   = 130.0
)

// curve draws the frames over one period, and the even part of their error.
func curve(p *web.Periodic, in words) *html.Node {
	right, bottom := plotWidth-plotRight, curveHeight-plotBottom/2
	amplitude := float64(p.AmplitudeArcsec)
	top := max(amplitude, 0.1)
	var c, s float64 // cosine and sine of the points themselves
	for _, k := range p.Curve {
		e, f := float64(k.ErrorArcsec), 2*math.Pi*float64(k.Phase)
		top = max(top, math.Abs(e))
		c, s = c+e*math.Cos(f), s+e*math.Sin(f)
	}
	top *= 1.15
	x := func(phase float64) string { return px(plotLeft + (right-plotLeft)*phase) }
	y := func(e float64) float64 { return 8 + (bottom-8)*(top-e)/(2*top) }
	svg := element("svg", attr{"viewBox", fmt.Sprintf("0 0 %g %g", plotWidth, curveHeight), "role", "img", "aria-label", in.say("periodic_plot")})
	for _, e := range []float64{-amplitude, 0, amplitude} {
		add(svg, element("line", attr{"class", "grid", "x1", px(plotLeft), "y1", px(y(e)), "x2", px(right), "y2", px(y(e))}),
			element("text", attr{"class", "end", "x", px(plotLeft - 6), "y", px(y(e) + 4.5)}, in.comma(signed(e))))
	}
	turned := max(math.Hypot(c, s), 1e-9)
	even := ""
	for i := range 61 {
		f := float64(i) / 60
		even += x(f) + "," + px(y(amplitude*(c*math.Cos(2*math.Pi*f)+s*math.Sin(2*math.Pi*f))/turned)) + " "
	}
	add(svg, element("polyline", attr{"points", even}))
	for _, k := range p.Curve {
		add(svg, element("circle", attr{"cx", x(float64(k.Phase)), "cy", px(y(float64(k.ErrorArcsec))), "r", "3"}))
	}
	return add(svg, element("text", attr{"x", x(0), "y", px(curveHeight - 4)}, "0"),
		element("text", attr{"class", "end", "x", x(1), "y", px(curveHeight - 4)}, period(p)))
}

// bending draws the sky from below, the zenith in the middle, north up and east left; a dot at each place, the larger the
// more bends there.
func bending(bends []web.Bend, in words) *html.Node {
	most := 1.0
	for _, b := range bends {
		most = max(most, math.Abs(float64(b.RateArcsecH)))
	}
	const middle = mapSize / 2
	place := func(alt, az sky.Angle) (x, y float64) {
		away := mapRadius * float64((90*sky.Degree-alt)/(90*sky.Degree))
		return middle - away*az.Sin(), middle - away*az.Cos()
	}
	svg := element("svg", attr{"viewBox", fmt.Sprintf("0 0 %g %g", mapSize, mapSize), "role", "img", "aria-label", in.say("bends_plot")})
	for _, alt := range []float64{0, 30, 60} {
		add(svg, element("circle", attr{"class", "ring", "cx", px(middle), "cy", px(middle), "r", px(mapRadius * (90 - alt) / 90)}))
	}
	for i, name := range strings.Fields(in.say("compass")) {
		x, y := place(-10*sky.Degree, sky.Angle(90*i)*sky.Degree)
		add(svg, element("text", attr{"class", "middle", "x", px(x), "y", px(y + 4.5)}, name))
	}
	for i, b := range bends {
		x, y := place(sky.Angle(b.AltDeg)*sky.Degree, sky.Angle(b.AzDeg)*sky.Degree)
		class := ""
		if b.RateArcsecH < 0 {
			class = "away"
		}
		add(svg, element("circle", attr{"class", class, "cx", px(x), "cy", px(y), "r", px(3 + 7*math.Abs(float64(b.RateArcsecH))/most)}),
			element("text", attr{"x", px(x + 12), "y", px(y + 4.5)}, fmt.Sprint(i+1)))
	}
	return svg
}
