package plan

import (
	"math"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// The verdict holds together: at the tolerance it asks for, in the worst
// direction, the trail is the limit; inside it, it is good enough; the longest
// exposure trails by the limit.
func TestVerdictIsOfOnePiece(t *testing.T) {
	p := planAt(47*sky.Degree, -20*sky.Degree, 41*sky.Degree, 4*time.Minute, sky.StandardAir(500))
	p.HourTo = 30 * sky.Degree
	pole := observed.Pole(p.Site, p.Air, observed.Refracted)
	v, err := Judge(p, nil, observed.Refracted, 1.5)
	if err != nil {
		t.Fatal(err)
	}
	if v.GoodEnough() || v.Motion != nil || v.Longest != 0 {
		t.Errorf("an unknown axis was judged: %+v", v)
	}
	b := sky.TangentBasis(sky.Vec(pole))
	worst := 0.0
	for d := sky.Angle(0); d < sky.Turn; d += 5 * sky.Degree {
		axis := sky.Local(sky.Moved(sky.Vec(pole), b, float64(v.Tolerance)*d.Cos(), float64(v.Tolerance)*d.Sin()))
		at, err := Judge(p, &axis, observed.Refracted, 1.5)
		if err != nil {
			t.Fatal(err)
		}
		worst = max(worst, float64(at.Motion.Trail.Size/v.Limit))
		half := sky.Local(sky.Moved(sky.Vec(pole), b, 0.5*float64(v.Tolerance)*d.Cos(), 0.5*float64(v.Tolerance)*d.Sin()))
		if at, err = Judge(p, &half, observed.Refracted, 1.5); err != nil || !at.GoodEnough() {
			t.Errorf("half the tolerance towards %.0f degrees is not good enough: %v", d.Degrees(), err)
		}
	}
	// Directions and moments are sampled to parts in a thousand, and the trail is
	// linear to half the offset.
	if math.Abs(worst-1) > 0.01 {
		t.Errorf("at the tolerance the worst trail is %.4f of the limit", worst)
	}
	axis := sky.Local(sky.Moved(sky.Vec(pole), b, 3*float64(v.Tolerance), 0))
	far, err := Judge(p, &axis, observed.Refracted, 1.5)
	if err != nil {
		t.Fatal(err)
	}
	p.Exposure = far.Longest
	again, err := Judge(p, &axis, observed.Refracted, 1.5)
	if err != nil || math.Abs(float64(again.Motion.Trail.Size/v.Limit)-1) > 0.01 {
		t.Errorf("the longest exposure, %v, trails by %v (%v)", far.Longest, again.Motion, err)
	}
	words := strings.Join(sky.English(far.Sentences), " ")
	for _, want := range []string{"as long as the axis is within", "That is too much", "longest exposure that stays within", "refracted pole"} {
		if !strings.Contains(words, want) {
			t.Errorf("%q does not say %q", words, want)
		}
	}
}

func TestVerdictRefusals(t *testing.T) {
	p := planAt(47*sky.Degree, 0, 41*sky.Degree, time.Minute, sky.StandardAir(0))
	for _, limit := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		if _, err := Judge(p, nil, observed.Refracted, limit); err == nil || !strings.Contains(err.Error(), "limit") {
			t.Errorf("limit %g: %v", limit, err)
		}
	}
	low := p
	low.Declination = -60 * sky.Degree
	if _, err := Judge(low, nil, observed.Refracted, 1); err == nil || !strings.Contains(err.Error(), "altitude") {
		t.Errorf("a target below the horizon: %v", err)
	}
	// Near the horizon, for an hour: no alignment helps.
	air := planAt(47*sky.Degree, 75*sky.Degree, 0, time.Hour, sky.StandardAir(0))
	air.HourTo = 76 * sky.Degree
	v, err := Judge(air, nil, observed.Refracted, 1)
	if err == nil && (v.Tolerance != 0 || !strings.Contains(v.Sentences[0].Text, "Refraction alone")) {
		t.Errorf("near the horizon: %+v", v)
	}
}

func BenchmarkJudge(b *testing.B) {
	p := planAt(47*sky.Degree, -60*sky.Degree, 41*sky.Degree, 10*time.Minute, sky.StandardAir(500))
	p.HourTo, p.Guided, p.GuideDistance = 60*sky.Degree, true, 30*sky.Arcminute
	axis := axisOff(p, observed.Refracted, 3*sky.Arcminute, 4*sky.Arcminute)
	for b.Loop() {
		if _, err := Judge(p, &axis, observed.Refracted, 1); err != nil {
			b.Fatal(err)
		}
	}
}
