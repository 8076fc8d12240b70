package web

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/sky"
	"polard/web/browsertest"

	"github.com/chromedp/chromedp"
)

// The bolts keep their places and the one to turn stays large, whatever the numbers are; the
// person changes over by pressing the other one.
func testBoltsKeepTheirPlaces(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec})
	finished(t, s)
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	for i, az := range []float64{58, 28, 3, 1.2} { // while altitude stays at 40
		v := viewOf(northSite, mountmodel.Adjusting, sky.Angle(az)*sky.Arcminute, 40*sky.Arcminute)
		v.Turning = adjust.AzimuthBolt
		publish(t, s, StateFromView(v, Around{Latest: latestOf(int64(i+1), time.Now(), nil)}))
		p.Until(fmt.Sprintf(`document.querySelector("#now .figure").textContent === %q`, strings.ReplaceAll(sky.AngleWords(sky.Angle(az)*sky.Arcminute), "'", "′")))
		if got := browsertest.Eval[string](p, `[...document.querySelectorAll(".choice button")].map(b => b.dataset.changeOver + b.getAttribute("aria-pressed")).join()`); got != "altitudefalse,azimuthtrue" {
			t.Errorf("with azimuth %g' off the bolts stand %s", az, got)
		}
		if size := browsertest.Eval[float64](p, `parseFloat(getComputedStyle(document.querySelector("#now .figure")).fontSize)`); size < leastFigure {
			t.Errorf("the number is %g px high, wanted %d", size, leastFigure)
		}
	}
	browsertest.Eval[bool](p, `(document.querySelector(".choice button").focus(), true)`)
	wrong := readings([2]float64{20, 40}, [2]float64{30, 40})
	wrong.Turning = adjust.AzimuthBolt
	publish(t, s, StateFromView(wrong, Around{Latest: latestOf(9, time.Now(), nil)}))
	p.Says("That was the wrong way: 10.0′ worse.")
	p.Says("To your left as you face the pole")
	p.Until(`document.querySelectorAll("#now .notch").length === 1 && document.activeElement === document.querySelector(".choice button")`)
	p.Inspect("wrong-way-phone")
	p.Click(`[data-change-over="altitude"]`)
	waitTold(t, rec, "event turn_altitude")
}

// leastFigure is the height of the one number, in CSS pixels: read from two metres on a phone.
const leastFigure = 96

// After a bolt has moved the axis the page asks how far it was turned; one touch tells, another
// takes it back.
func testBoltReport(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec})
	finished(t, s)
	state := func(id int64, offsets ...[2]float64) State {
		return StateFromView(readings(offsets...), Around{Latest: latestOf(id, time.Now(), nil)})
	}
	publish(t, s, state(1, [2]float64{27, 7}))
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	p.Says("Turn the mount west")
	if browsertest.Eval[bool](p, browsertest.Shows("How far did you turn")) {
		t.Error("asked although nothing was turned")
	}
	publish(t, s, state(2, [2]float64{27, 7}, [2]float64{15, 7}))
	p.Says("How far did you turn the azimuth bolt?")
	p.Inspect("bolt-report-phone")
	p.Click(`[data-turns="-0.25"]`)
	waitTold(t, rec, "turned azimuth -0.25")
	p.Says("Told: Azimuth bolt, ¼ turn anticlockwise.")
	p.Until(`document.querySelector(".bolt-report-question").hidden`)
	p.Click(`[data-bolt-report="undo"]`)
	waitTold(t, rec, "turned azimuth -0.25", "event take_back")
	p.Says("Taken back.")
	// The other bolt; then what the session asks for, with one press.
	asks := state(3, [2]float64{27, 7}, [2]float64{15, 7}, [2]float64{15, 2})
	asks.Strokes = []Stroke{{Bolt: "altitude", TurnDeg: 36, Text: "altitude bolt: about a tenth of a turn clockwise, raising"}}
	publish(t, s, asks)
	p.Says("How far did you turn the altitude bolt?")
	p.Click(`[data-asked="altitude"]`)
	waitTold(t, rec, "turned azimuth -0.25", "event take_back", "turned altitude 0.10")
	p.Says("Told: Altitude bolt, as asked.")
	// What is learnt is not asked about any more.
	learnt := state(4, [2]float64{27, 7}, [2]float64{15, 7}, [2]float64{15, 2}, [2]float64{9, 2})
	learnt.Bolts = []Bolt{{Bolt: "altitude", Learnt: true}, {Bolt: "azimuth", Learnt: true}}
	publish(t, s, learnt)
	p.Until(`document.querySelector(".picture-file").textContent === "pole_0004.fits"`)
	p.Until(`document.querySelector(".bolt-report-question").hidden`)
}

// A sound comes with each new frame of the bolts, never from old numbers, and
// its notes draw together with the error.
func testSound(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	finished(t, s)
	state := adjusting(0, time.Minute)
	publish(t, s, state)
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	p.Until(`document.querySelector(".sound").getAttribute("aria-checked") === "false"`)
	browsertest.Eval[bool](p, `(() => { window.played = []; const start = OscillatorNode.prototype.start;
		OscillatorNode.prototype.start = function (at) { window.played.push(this.frequency.value); return start.call(this, at); }; return true; })()`)
	frame := func(id int64, az sky.Angle) []float64 {
		t.Helper()
		browsertest.Eval[bool](p, `(window.played = [], true)`)
		next := StateFromView(viewOf(northSite, mountmodel.Adjusting, az, 0), Around{Latest: latestOf(id, time.Now(), nil)})
		publish(t, s, next)
		p.Until(fmt.Sprintf(`document.querySelector(".picture-file").textContent === "pole_%04d.fits"`, id))
		return browsertest.Eval[[]float64](p, `window.played`)
	}
	if notes := frame(2, 30*sky.Arcminute); len(notes) != 0 {
		t.Errorf("sounds although it is off: %v", notes)
	}
	p.Click(".sound")
	p.Until(`document.querySelector(".sound").getAttribute("aria-checked") === "true"`)
	const pole = 523
	last := 1e9
	for i, az := range []sky.Angle{300 * sky.Arcminute, 90 * sky.Arcminute, 30 * sky.Arcminute, 8 * sky.Arcminute, 2 * sky.Arcminute} {
		notes := frame(int64(3+i), az)
		if len(notes) != 3 || notes[0] != pole || notes[1] != pole || !(notes[2] < last) || !(notes[2] > pole) {
			t.Fatalf("%.0f' too far right: %v after %.0f", az.Arcminutes(), notes, last)
		}
		last = notes[2]
	}
	if notes := frame(8, -30*sky.Arcminute); len(notes) != 3 || !(notes[2] < pole) {
		t.Errorf("too far left: %v", notes)
	}
	if notes := frame(9, 0.5*sky.Arcminute); len(notes) != 3 || notes[1] != pole || !(notes[2] > pole) {
		t.Errorf("inside the tolerance: %v", notes)
	}
	// One knock for the other bolt; up and down are told as right and left are.
	for _, c := range []struct {
		way  string
		high bool
	}{{"raise", false}, {"lower", true}} {
		got := browsertest.Eval[[]float64](p, fmt.Sprintf(`import("/assets/%s/js/sound.js").then(m => m.notes({within: false, turning: "altitude", now: {moves: [{bolt: "altitude", way: %q, amount_arcmin: 20, gate_arcmin: 0.7}]}}))`, s.assets.version, c.way))
		if len(got) != 2 || got[0] != 0 || got[1] == 0 || (got[1] > 0) != c.high {
			t.Errorf("%s: %v", c.way, got)
		}
	}
	// The same frame sounds once, and an old one not at all.
	browsertest.Eval[bool](p, `(window.played = [], true)`)
	again := adjusting(time.Hour, time.Second)
	again.Latest.ID, again.Latest.File = 10, "pole_0010.fits"
	publish(t, s, again)
	p.Until(looksOld)
	if notes := browsertest.Eval[[]float64](p, `window.played`); len(notes) != 0 {
		t.Errorf("an old number sounds: %v", notes)
	}
	p.Do(chromedp.Reload())
	p.Until(`document.querySelector(".sound").getAttribute("aria-checked") === "true"`) // remembered
}
