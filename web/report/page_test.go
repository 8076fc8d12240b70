package report

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/mountmodel/sky"
	"polard/web"

	"golang.org/x/net/html"
)

// aligned is the report of a night in which an axis went from two degrees to twenty seconds of arc.
func aligned() *Report {
	begin := time.Date(2026, 11, 24, 17, 42, 0, 0, time.UTC)
	r := &Report{
		Program: "polard 0.1.0", Night: "2026-11-24", SinceUTC: web.UTC(begin), UntilUTC: web.UTC(begin.Add(70 * time.Minute)),
		Folders: []string{`/nights/<b>"tonight"</b>`}, Site: &Site{46.32, 13.07, 640}, Frames: 42, Solved: 40, Tolerance: 1,
		Unsolved: []Reason{{Code: "few_stars", Count: 2, Message: "4 stars, needs about 20: expose longer, or wait for the cloud to pass"}},
		Nights:   []web.WatchedNight{{UntilUTC: web.UTC(begin.Add(-24 * time.Hour)), Frames: 311, Offset: web.Offset{TotalArcmin: 0.7}, UncertaintyArcsec: 6}},
	}
	r.did(begin.Add(20*time.Minute), "did_"+string(mountmodel.Measured))
	r.did(begin.Add(34*time.Minute), "stroke_altitude", 0.5)
	west := mountmodel.Config{Site: sky.Site{Latitude: 46.32 * sky.Degree, Longitude: -13.07 * sky.Degree}}
	east := mountmodel.Config{Site: sky.Site{Latitude: 46.32 * sky.Degree, Longitude: 13.07 * sky.Degree}, Correction: mountmodel.Correction{Ahead: time.Hour}, Free: true}
	r.changed(begin.Add(40*time.Minute), west, east)
	r.did(begin.Add(60*time.Minute), "did_"+string(mountmodel.Locked))
	for i := range 40 {
		total := 120 * math.Exp(-float64(i)/40*math.Log(360))
		r.Curve = append(r.Curve, AxisStatus{
			TimeUTC: web.UTC(begin.Add(10*time.Minute + time.Duration(i)*90*time.Second)), TotalArcmin: web.Number(total), AltArcmin: web.Number(total * 0.6), AzArcmin: web.Number(-total),
			AltSigma: 9, AzSigma: 12, Within: total < 1, result: logbook.Result{SigmaAltArcsec: 9, SigmaAzArcsec: 12, AltDeg: 46, ToleranceArcmin: 1},
		})
	}
	r.Last = &r.Curve[len(r.Curve)-1]
	return r
}

func rendered(t *testing.T, r *Report, language string) string {
	t.Helper()
	var b bytes.Buffer
	if err := r.WritePage(&b, language); err != nil {
		t.Fatal(err)
	}
	if folder := os.Getenv("POLARD_SHOTS"); folder != "" {
		if err := os.WriteFile(filepath.Join(folder, t.Name()+"-"+language+".html"), b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return b.String()
}

// The page loads nothing, takes no text for markup, and holds the numbers and what was done.
func TestPage(t *testing.T) {
	page := rendered(t, aligned(), "en")
	parsed, err := html.Parse(strings.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	var words strings.Builder
	for n := range parsed.Descendants() {
		if n.Type == html.TextNode && n.Parent.Data != "style" && n.Parent.Data != "script" {
			words.WriteString(n.Data + "\n")
		}
		for _, a := range n.Attr {
			if a.Key == "src" || a.Key == "href" {
				t.Errorf("it loads %s", a.Val)
			}
		}
	}
	for _, m := range regexp.MustCompile(`url\("?([^)"]*)`).FindAllStringSubmatch(page, -1) {
		if !strings.HasPrefix(m[1], "data:") {
			t.Errorf("it loads %s", m[1])
		}
	}
	for _, want := range []string{"Night of 24 November 2026", `/nights/<b>"tonight"</b>`, "within the tolerance of 1.0′", "bolts locked", "4 stars, needs", "tolerance", "UTC", "1°", "1′", "20″", "too far west", "18:00",
		"longitude 13.070°; before, 46.320°, −13.070°", "put right by −1 h; before, by 0 s", "no two bolts here"} {
		if !strings.Contains(words.String(), want) {
			t.Errorf("it does not say %q", want)
		}
	}
	if n := strings.Count(page, "<circle"); n != 40 {
		t.Errorf("%d points are drawn", n)
	}
}

// Equal ratios are equally far apart on the upright scale, whatever is shown; labels keep their distance, and every point
// lies in the plot.
func TestScale(t *testing.T) {
	for _, most := range []float64{0.4, 3, 60, 3600, 20000} { // arcminutes
		t.Run(fmt.Sprint(most), func(t *testing.T) {
			r := aligned()
			for i := range r.Curve {
				r.Curve[i].TotalArcmin *= web.Number(most / 120)
			}
			points := points(r)
			s := scaleOf(points, float64(r.Tolerance)*60)
			for _, p := range points {
				if x, y := s.x(p.at), s.y(p.total); x < plotLeft || x > plotWidth-plotRight || y < plotTop || y > plotHeight-plotBottom {
					t.Errorf("%g arcsec at %g, %g", p.total, x, y)
				}
			}
			middle := math.Sqrt(s.low * s.high)
			if up, down := s.y(s.low)-s.y(middle), s.y(middle)-s.y(s.high); math.Abs(up-down) > 1e-6 {
				t.Errorf("one half is %g high, the other %g", up, down)
			}
			ticks := s.distances()
			if len(ticks) < 2 {
				t.Fatalf("labels %v", ticks)
			}
			for i := range ticks[1:] {
				if apart := ticks[i].at - ticks[i+1].at; apart < tickApart {
					t.Errorf("%s and %s are %g apart", ticks[i].label, ticks[i+1].label, apart)
				}
			}
			if n := len(s.times()); n < 2 || n > mostTimes+1 {
				t.Errorf("%d labels of the time", n)
			}
		})
	}
}

// A night without an axis, and one with a single point, are drawn as far as they go.
func TestPageOfLittle(t *testing.T) {
	r := aligned()
	r.Curve, r.Last, r.Events, r.Nights, r.Unsolved, r.Site = nil, nil, nil, nil, nil, nil
	if page := rendered(t, r, "en"); !strings.Contains(page, "No axis came out") || strings.Contains(page, "<svg") {
		t.Error("a night without an axis has a plot")
	}
	r = aligned()
	r.Curve = r.Curve[:1]
	if page := rendered(t, r, "en"); strings.Count(page, "<circle") != 1 || strings.Contains(page, "NaN") {
		t.Error("the only point is not drawn")
	}
}
