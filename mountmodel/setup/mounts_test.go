package setup

import (
	"slices"
	"strings"
	"testing"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Each kind of mount has its own steps; a fork's wedge leans by 90 degrees less the
// latitude (the axis is square to the plate that it stands on); all say what to press
// where there are no clutches.
func TestMountSteps(t *testing.T) {
	site := sky.Site{Latitude: -31 * sky.Degree}
	p, err := newPlace(site, sky.StandardAir(0), observed.Refracted)
	if err != nil {
		t.Fatal(err)
	}
	for kind, says := range map[Mount][]string{
		German:  {"counterweight", "31.0 degrees above"},
		Fork:    {"towards south", "59.0 degrees from level", "31.0 degrees", "no flip"},
		Tracker: {"true south, 31.0 degrees", "drops", "which star to put"},
	} {
		text := strings.Join(MountSteps(kind, p), "\n")
		for _, want := range append(says, "direction keys") {
			if !strings.Contains(text, want) {
				t.Errorf("%s: no %q in %s", kind, want, text)
			}
		}
	}
}

// A fork and a camera on a ball head have no counterweight, nor a shaft that pinches or is to be
// balanced by; what they have instead is said.
func TestNoCounterweightWithoutShaft(t *testing.T) {
	for _, lat := range []sky.Angle{1, 46, -31} {
		site := sky.Site{Latitude: lat * sky.Degree}
		p, err := newPlace(site, sky.StandardAir(0), observed.Refracted)
		if err != nil {
			t.Fatal(err)
		}
		for kind, says := range map[Mount]string{German: "counterweight", Fork: "two people", Tracker: "ball head"} {
			text := strings.Join(slices.Concat(GroundSteps(site, kind), LatitudeSteps(p, kind), BalanceSteps(kind), MountSteps(kind, p)), "\n")
			for _, c := range Cautions(false, kind) {
				text += "\n" + c.Title + ". " + c.Text
			}
			// "no shaft" and "there is no shaft" say that there is none.
			text = strings.ReplaceAll(strings.ToLower(text), "no shaft", "")
			if shaft := strings.Contains(text, "counterweight") || strings.Contains(text, "shaft"); shaft != (kind == German) || !strings.Contains(text, says) {
				t.Errorf("%s at %.0f degrees: %s", kind, lat, text)
			}
			if low := strings.Contains(text, "the pole stands low, at 1."); kind != Tracker && (low != (lat == 1) || low == strings.Contains(text, "trees hide the pole")) {
				t.Errorf("%s at %.0f degrees: where to point is not said once: %s", kind, lat, text)
			}
		}
	}
}

// Near the equator no leg stands towards the pole, since the shaft hangs there: two lines
// in the meridian, one leaning by the latitude and one by some 25 degrees, lie within ten
// degrees of each other from 15 degrees on, and the shaft meets the hub below.
func TestLegsNearTheEquator(t *testing.T) {
	for _, c := range []struct {
		lat  sky.Angle
		legs [3]float64
		near bool
	}{
		{5 * sky.Degree, [3]float64{180, 300, 60}, true},
		{-5 * sky.Degree, [3]float64{0, 120, 240}, true},
		{40 * sky.Degree, [3]float64{0, 120, 240}, false},
		{-40 * sky.Degree, [3]float64{180, 300, 60}, false},
	} {
		site := sky.Site{Latitude: c.lat}
		for i, leg := range legAzimuths(site, German) {
			if got := leg.Degrees(); got < c.legs[i]-1e-9 || got > c.legs[i]+1e-9 {
				t.Errorf("latitude %.0f: leg %d at %.1f, want %.1f", c.lat.Degrees(), i, got, c.legs[i])
			}
		}
		text := strings.Join(GroundSteps(site, German), "\n")
		if ShaftNearLeg(site, German) != c.near || strings.Contains(text, "Two legs towards") != c.near || strings.Contains(text, "One leg towards") == c.near {
			t.Errorf("latitude %.0f: %s", c.lat.Degrees(), text)
		}
		// A fork has no shaft; its load hangs over the side of the pole, and one leg is below it.
		text = strings.Join(GroundSteps(site, Fork), "\n")
		if ShaftNearLeg(site, Fork) || strings.Contains(text, "shaft") || !strings.Contains(text, "One leg towards") || (legAzimuths(site, Fork)[0] == 0) == site.South() {
			t.Errorf("latitude %.0f, fork: %s", c.lat.Degrees(), text)
		}
	}
}
