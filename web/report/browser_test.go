package report

import (
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"polard/web/browsertest"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// overlapping are the texts of a plot whose boxes, as the browser draws them, meet.
const overlapping = `[...document.querySelectorAll("svg")].flatMap(svg => {
	const all = [...svg.querySelectorAll("text")].map(e => [e.textContent, e.getBoundingClientRect()]);
	return all.flatMap(([a, r], i) => all.slice(i + 1).filter(([, q]) =>
		Math.min(r.right, q.right) - Math.max(r.left, q.left) > 0.5 && Math.min(r.bottom, q.bottom) - Math.max(r.top, q.top) > r.height / 3)
		.map(([b]) => a + " | " + b));
})`

// The report on phones and a laptop, by day and by night, and on paper: nothing sticks out, no two texts of the plot meet,
// names are apart, axe-core finds nothing to mend, and by night all light is red.
func TestReportInBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("browser tests take long")
	}
	r := aligned()
	for i := range 9 { // more in a few minutes than there is room for
		r.did(time.Date(2026, 11, 24, 18, 43+i/3, 0, 0, time.UTC), "stroke_altitude", 0.5)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("/report", func(w http.ResponseWriter, q *http.Request) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		if err := r.WritePage(w, q.URL.Query().Get("in")); err != nil {
			t.Error(err)
		}
	})
	mux.HandleFunc("/favicon.ico", func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusNoContent) }) // asked for by the browser itself
	server := httptest.NewServer(mux)
	t.Cleanup(server.Close)
	p := browsertest.NewPage(t, browsertest.Start(t))
	for _, language := range []string{"en", "de", "ja"} {
		p.Do(chromedp.Navigate(server.URL + "/report?in=" + language))
		for _, screen := range []browsertest.Screen{{Name: "320", Width: 320, Height: 568, Mobile: true}, {Name: "390", Width: 390, Height: 844, Mobile: true}, browsertest.Laptop} {
			name := "report-" + language + "-" + screen.Name
			p.Do(screen.Size())
			for _, medium := range []string{"screen", "print"} {
				browsertest.Tell(p, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: medium})
				p.NoOverflow(name + " " + medium)
				for _, pair := range browsertest.Eval[[]string](p, overlapping) {
					t.Errorf("%s %s: %s", name, medium, pair)
				}
			}
			browsertest.Tell(p, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "screen"})
			p.TargetsAreLarge(name)
			p.NamesApart(name)
			for _, look := range []string{"night", "day"} {
				p.Theme(look)
				p.Accessible(name+" "+look, "")
				if look == "night" || browsertest.KeepsShots() {
					if img := p.Shot(name+"-"+look, true); look == "night" {
						p.OnlyRed(name, img)
					}
				}
			}
		}
	}
}
