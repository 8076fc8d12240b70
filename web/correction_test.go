package web

import (
	"fmt"
	"math"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/clock"
	"polard/mountmodel/sky"
	"polard/web/browsertest"

	"github.com/chromedp/chromedp"
)

// hourOff is a session whose frames are an hour ahead.
func hourOff() mountmodel.View {
	v := viewOf(northSite, mountmodel.Adjusting, 27.2*sky.Arcminute, -7*sky.Arcminute)
	v.Suggested = &mountmodel.Suggested{
		Suggestion: clock.Suggestion{Mistake: clock.HourOff, Site: northSite, Ahead: time.Hour},
		Said: sky.Say("hour_off", "Summer time is probably set wrong on the camera's computer: the frames' times are %s.",
			sky.Say("ahead", "%s ahead", "1 h")),
	}
	return v
}

// westTyped is one whose longitude was put right.
func westTyped() mountmodel.View {
	v := viewOf(northSite, mountmodel.Adjusting, 27.2*sky.Arcminute, -7*sky.Arcminute)
	typed := northSite
	typed.Longitude = -typed.Longitude
	v.Correction = mountmodel.Correction{Mistake: clock.LongitudeSign, Typed: typed, Placed: true}
	v.Confirmed = mountmodel.ByBolts
	return v
}

// On the wire stands either the place or the clock, and what was typed before.
func TestCorrectionOnTheWire(t *testing.T) {
	near := func(n Number, want float64) bool { return math.Abs(float64(n)-want) < 1e-9 }
	s := StateFromView(hourOff(), Around{})
	if g := s.Suggestion; g == nil || g.LatDeg != nil || g.LonDeg != nil || *g.AheadS != 3600 || g.Said.Code != "hour_off" || s.Corrected != nil {
		t.Errorf("%+v, %+v", s.Suggestion, s.Corrected)
	}
	s = StateFromView(westTyped(), Around{})
	if c := s.Corrected; c == nil || c.AheadS != nil || !near(*c.LonDeg, -11.5) || s.Suggestion != nil {
		t.Errorf("%+v, %+v", s.Suggestion, s.Corrected)
	}
	v := westTyped()
	v.Correction, v.Suggested = mountmodel.Correction{}, &mountmodel.Suggested{Suggestion: clock.Suggestion{Mistake: clock.LongitudeSign, Site: northSite}}
	if g := StateFromView(v, Around{}).Suggestion; g.AheadS != nil || !near(*g.LonDeg, 11.5) || !near(*g.LatDeg, 47.25) {
		t.Errorf("%+v", g)
	}
}

// What confirms place and clock is told once the axis is measured, and not beside what denies them.
func TestPlaceConfirmedOnTheWire(t *testing.T) {
	for _, by := range []mountmodel.Witness{mountmodel.ByHeaders, mountmodel.ByAir, mountmodel.ByBolts, mountmodel.ByNothing} {
		v := viewOf(northSite, mountmodel.Adjusting, 27.2*sky.Arcminute, -7*sky.Arcminute)
		v.Confirmed = by
		if c := StateFromView(v, Around{}).PlaceConfirmed; c == nil || c.By != string(by) || c.Said == nil || c.Said.Code != "confirmed_"+string(by) {
			t.Errorf("%s: %+v", by, c)
		}
		v.Measured = nil
		if c := StateFromView(v, Around{}).PlaceConfirmed; c != nil {
			t.Errorf("%s, nothing measured: %+v", by, c)
		}
	}
	if c := StateFromView(hourOff(), Around{}).PlaceConfirmed; c != nil {
		t.Errorf("beside a suggestion: %+v", c)
	}
}

// What is wrong about place and clock is put right by one press, and taken back by
// another; nothing happens without.
func testCorrection(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec})
	finished(t, s)
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	publish(t, s, StateFromView(hourOff(), Around{Latest: latestOf(1, time.Now(), nil)}))
	p.Says("Summer time set wrong?")
	p.Says("The frames’ times are 1 h ahead.")
	if calls := rec.told(); len(calls) > 0 {
		t.Fatalf("done unasked: %q", calls)
	}
	p.Inspect("correction")
	last := func(want string) {
		t.Helper()
		for range 100 {
			if calls := rec.told(); len(calls) > 0 && calls[len(calls)-1] == want {
				return
			}
			time.Sleep(20 * time.Millisecond)
		}
		t.Errorf("told: %q, want %q last", rec.told(), want)
	}
	p.Until(`document.querySelector("#does button.strong").textContent === "Correct the frames’ times by −1 h"`)
	p.Click("#does button.strong")
	last("event correct")
	publish(t, s, StateFromView(westTyped(), Around{Latest: latestOf(2, time.Now(), nil), StaleAfter: time.Hour})) // old numbers would hide what confirms them
	p.Says(fmt.Sprintf("Put right: the place. Before, it was %s", "47.25°, −11.50°"))
	p.Says("Your place and time are confirmed, to two hours, by the ways your bolts move the axis.")
	p.Click(`[data-tell="uncorrect"]`)
	last("event uncorrect")
}
