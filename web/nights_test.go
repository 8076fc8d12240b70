package web

import (
	"fmt"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/nights"
	"polard/mountmodel/sky"
	"polard/web/browsertest"

	"github.com/chromedp/chromedp"
)

// The page draws a mark with its uncertainty for each night and for this one, at
// heights in proportion to the distance from the pole.
func TestNightsChart(t *testing.T) {
	if testing.Short() {
		t.Skip("browser tests take long")
	}
	p := browsertest.NewPage(t, browsertest.Start(t))
	s := serve(t, Options{})
	finished(t, s)
	v := viewOf(northSite, mountmodel.Watching, 0.5*sky.Arcminute, -0.4*sky.Arcminute)
	v.Instruction = "Watching: the axis is 4.0' from the pole, outside the tolerance."
	v.Watch = &nights.View{Since: testNight, Until: testNight.Add(2 * time.Hour), Frames: 61, Sentences: []sky.Saying{sky.Say("stands", "The axis stands %s from the pole, known to %s.", sky.Amount(31*sky.Arcsecond), sky.Known(4*sky.Arcsecond))}}
	state := StateFromView(v, Around{Latest: latestOf(12, time.Now(), nil)})
	state.Watch.Offset = &Offset{TotalArcmin: 4}
	state.Watch.Uncertainty = &Uncertainty{AltArcsec: 6, AzArcsec: 6}
	for n := range 14 {
		state.Watch.Nights = append(state.Watch.Nights, WatchedNight{
			SinceUTC: UTC(testNight.AddDate(0, 0, n-20)), UntilUTC: UTC(testNight.AddDate(0, 0, n-20).Add(8 * time.Hour)), Frames: 400,
			Offset: Offset{TotalArcmin: Number(1 + 0.1*float64(n))}, UncertaintyArcsec: Number(6 + n),
		})
	}
	publish(t, s, state)
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	p.Until(`document.querySelectorAll(".nights circle").length === 15`)
	p.Until(`document.querySelectorAll(".nights .spread").length === 15`)
	// 0 is at the foot; the first night stands at a quarter of this one's height.
	const height = `(n) => document.querySelector(".nights .axis").y1.baseVal.value - document.querySelectorAll(".nights circle")[n].cy.baseVal.value`
	p.Until(fmt.Sprintf(`Math.abs((%s)(0) / (%s)(14) - 0.25) < 0.001`, height, height))
	p.Until(`document.querySelector(".nights").getAttribute("aria-label").includes("15 nights")`)
	p.Inspect("nights-phone")
}
