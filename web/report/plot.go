package report

import (
	"fmt"
	"math"
	"time"

	"golang.org/x/net/html"
)

// The plot: distance of the axis from the pole against time, by the logarithm of the distance, so that the first degree and
// the last seconds of arc of an alignment can be read from one picture.

// Measures of the plot, in units of its own.
const (
	plotWidth, plotHeight = 720.0, 372.0
	plotLeft, plotRight   = 58.0, 12.0
	plotTop, plotBottom   = 66.0, 56.0 // above: what the scale is of, then the numbers of events
	// tickApart is the least distance between two labels of the upright scale: a line of its type on a phone.
	tickApart = 27.0
	// mostTimes bounds the labels of the time.
	mostTimes = 8
)

// scale places a moment and a distance in the plot.
type scale struct {
	from, to  time.Time
	low, high float64 // arcseconds
}

func (s scale) x(at time.Time) float64 {
	span := max(s.to.Sub(s.from).Seconds(), 1)
	return plotLeft + (plotWidth-plotLeft-plotRight)*min(max(at.Sub(s.from).Seconds()/span, 0), 1)
}

func (s scale) y(arcsec float64) float64 {
	part := (math.Log(max(arcsec, s.low)) - math.Log(s.low)) / (math.Log(s.high) - math.Log(s.low))
	return plotHeight - plotBottom - (plotHeight-plotTop-plotBottom)*min(part, 1)
}

// point is how far from the pole the axis stood at a moment, with one standard deviation, in arcseconds.
type point struct {
	at           time.Time
	total, sigma float64
}

func points(r *Report) []point {
	var out []point
	for _, s := range r.Curve {
		at, err := time.Parse(time.RFC3339, s.TimeUTC)
		if total := float64(s.TotalArcmin) * 60; err == nil && total > 0 {
			out = append(out, point{at, total, largerHalfAxis(s.result)})
		}
	}
	return out
}

// scaleOf holds all points, with their errors as far as the logarithm goes, and the tolerance in arcseconds.
func scaleOf(points []point, tolerance float64) scale {
	s := scale{from: points[0].at, to: points[len(points)-1].at, low: math.Inf(1)}
	take := func(low, high float64) { s.low, s.high = min(s.low, low), max(s.high, high) }
	for _, p := range points {
		take(max(p.total-p.sigma, p.total/2), p.total+p.sigma)
	}
	if tolerance > 0 {
		take(tolerance, tolerance)
	}
	s.low, s.high = s.low/1.25, s.high*1.25
	return s
}

// tick is a labelled place on a scale.
type tick struct {
	at    float64
	label string
}

// distances are the labels of the upright scale: 1, 2, 5, 10, 20 and 30 seconds and minutes of arc, then degrees.
func (s scale) distances() []tick {
	var out []tick
	for _, unit := range []struct {
		arcsec float64
		sign   string
		steps  []float64
	}{
		{1, "″", []float64{0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30}},
		{60, "′", []float64{1, 2, 5, 10, 20, 30}},
		{3600, "°", []float64{1, 2, 5, 10, 20, 45, 90}},
	} {
		for _, step := range unit.steps {
			arcsec := step * unit.arcsec
			if arcsec < s.low || arcsec > s.high {
				continue
			}
			if y := s.y(arcsec); len(out) == 0 || out[len(out)-1].at-y >= tickApart {
				out = append(out, tick{y, fmt.Sprintf("%g%s", step, unit.sign)})
			}
		}
	}
	return out
}

// times are the labels of the time, at round moments.
func (s scale) times() []tick {
	span := s.to.Sub(s.from)
	step := 12 * time.Hour
	for _, d := range []time.Duration{time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour} {
		if span/d < mostTimes {
			step = d
			break
		}
	}
	var out []tick
	for at := s.from.Truncate(step); !at.After(s.to); at = at.Add(step) {
		if !at.Before(s.from) {
			out = append(out, tick{s.x(at), at.UTC().Format("15:04")})
		}
	}
	return out
}

// plot draws the night; nil when there is nothing to draw.
func plot(r *Report, in words) *html.Node {
	points, tolerance := points(r), float64(r.Tolerance)*60
	if len(points) == 0 {
		return nil
	}
	s := scaleOf(points, tolerance)
	bottom, right := plotHeight-plotBottom, plotWidth-plotRight
	svg := element("svg", attr{"viewBox", fmt.Sprintf("0 0 %g %g", plotWidth, plotHeight), "role", "img", "aria-label", in.say("plot")})
	line := func(class string, x1, y1, x2, y2 float64) *html.Node {
		return element("line", attr{"class", class, "x1", px(x1), "y1", px(y1), "x2", px(x2), "y2", px(y2)})
	}
	text := func(class string, x, y float64, words string) *html.Node {
		return element("text", attr{"class", class, "x", px(x), "y", px(y)}, words)
	}
	for _, t := range s.distances() {
		add(svg, line("grid", plotLeft, t.at, right, t.at), text("end", plotLeft-6, t.at+4.5, in.comma(t.label)))
	}
	for _, t := range s.times() {
		add(svg, line("mark", t.at, bottom, t.at, bottom+5), text("middle", t.at, bottom+23, t.label))
	}
	add(svg, line("frame", plotLeft, plotTop, plotLeft, bottom), line("frame", plotLeft, bottom, right, bottom),
		text("", 2, 20, in.say("from_pole")), text("end", right, plotHeight-6, "UTC"))
	if tolerance > 0 {
		add(svg, line("tolerance", plotLeft, s.y(tolerance), right, s.y(tolerance)))
	}
	marks := s.marks(r.Events)
	for _, m := range marks {
		add(svg, line("event", m.x, plotTop-6, m.x, bottom))
	}
	for _, l := range labels(marks) {
		left, right := l.box()
		add(svg, text("middle did", (left+right)/2, plotTop-10, l.text()))
	}
	for _, p := range points {
		x := s.x(p.at)
		add(svg, line("sigma", x, s.y(p.total-p.sigma), x, s.y(p.total+p.sigma)),
			element("circle", attr{"cx", px(x), "cy", px(s.y(p.total)), "r", "3"}))
	}
	if tolerance > 0 { // over the points
		add(svg, text("end strong", right, s.y(tolerance)-6, in.say("tolerance")))
	}
	caption := in.say("caption")
	if len(r.Events) > 0 {
		caption += " " + in.say("caption_numbers")
	}
	return element("figure", nil, svg, element("figcaption", nil, caption))
}
