package rehearsal_test

import (
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/rehearsal/rehearsaltest"
	"polard/mountmodel/sky"
)

var (
	measuredRigs = flag.Int("rigs", 2000, "rigs whose axis is measured")
	readRigs     = flag.Int("readings", 150, "rigs whose bolts are turned while the axis is read")
)

// The axis of rehearsed rigs, through sky, air and session: random places from
// pole to pole, axes from arcseconds to 20 degrees off, any declination above the
// ground, two to six frames at any spacing. The stars have the noise stated, so
// the covariance of the frames is the Cramer-Rao bound of the axis, as
// TestAxisStatistics in mountmodel holds by working it out independently; the
// error is compared with it, and with the ellipses.
func TestMeasuredRigs(t *testing.T) {
	in68, in95, count, refused := 0, 0, 0, 0
	var ratios []float64
	for i := range *measuredRigs {
		rng := rand.New(rand.NewPCG(uint64(i), 31))
		c := rehearsaltest.RandomRig(rng)
		if i%5 == 0 { // beyond where the rigs are drawn from, up to the poles
			c.Site.Latitude = sky.Angle(math.Copysign(75+15*rng.Float64(), rng.NormFloat64())) * sky.Degree
			c.Mount.PolarDistance, c.Mount.HourAngle = sky.Angle(60*rng.Float64())*sky.Degree, 0
		}
		total := sky.Angle(math.Pow(20*3600, rng.Float64())) * sky.Arcsecond
		way := sky.Angle(rng.Float64()) * sky.Turn
		// Near the zenith a difference of azimuths grows without bound: there the
		// offset is in altitude.
		c.Mount.OffsetAlt, c.Mount.OffsetAz = total*sky.Angle(way.Sin()), total*sky.Angle(way.Cos()/max(0.2, c.Site.Latitude.Cos()))
		b := newBench(t, c, mountmodel.DefaultTolerance, uint64(i))
		var list []mountmodel.Sighting
		frames := 2 + rng.IntN(5)
		spacing := sky.Angle(20+40*rng.Float64()) * sky.Degree / sky.Angle(frames-1)
		for n := range frames {
			if n > 0 {
				b.must(b.rig.TurnRA(spacing))
			}
			b.now = b.now.Add(40 * time.Second)
			list = append(list, b.sighting())
		}
		v, err := mountmodel.Measure(mountmodel.Config{Site: c.Site, Air: c.Air, Tolerance: mountmodel.DefaultTolerance, AnyHour: true}, list, 0)
		if err != nil {
			refused++ // looks through the ground, or too little turn for so small a field
			continue
		}
		// The drive and the bolts do not move the axis, nor does time.
		q, ratio := against(v.Measured.Fitted, b.rig.Truth(b.now).Axis)
		count++
		ratios = append(ratios, ratio)
		if q < -2*math.Log(1-0.6827) {
			in68++
		}
		if q < -2*math.Log(0.05) {
			in95++
		}
	}
	slices.Sort(ratios)
	p68, p95 := 100*float64(in68)/float64(count), 100*float64(in95)/float64(count)
	t.Logf("%d rigs (%d more gave no axis): 68 %% ellipse holds %.1f %%, 95 %% ellipse %.1f %%; error over the bound: median %.2f", count, refused, p68, p95, ratios[count/2])
	// The job's limits, and three standard deviations of the count where the rigs are few.
	within := func(got, want, limit float64) bool {
		return math.Abs(got-want) < max(limit, 300*math.Sqrt(want/100*(1-want/100)/float64(count)))
	}
	if !within(p68, 68, 4) || !within(p95, 95, 2) || ratios[count/2] > 1.3 {
		t.Errorf("68 %% ellipse %.1f %%, 95 %% ellipse %.1f %%, median over the bound %.2f", p68, p95, ratios[count/2])
	}
	if refused > *measuredRigs/5 {
		t.Errorf("%d of %d rigs gave no axis", refused, *measuredRigs)
	}
}

// against is the squared distance of an axis from the truth in units of its
// covariance, and the distance over the root of the covariance's trace.
func against(a axis.Axis, truth sky.Local) (q, ratio float64) {
	off := axis.OffsetBetween(a.Dir, truth)
	alt, _ := sky.AltAzFromLocal(truth)
	sigmaAlt, sigmaAz := float64(a.SigmaAlt()), float64(a.SigmaAz())
	x, y := float64(off.Alt)/sigmaAlt, float64(off.Az)/sigmaAz
	r := a.Correlation()
	q = (x*x - 2*r*x*y + y*y) / (1 - r*r)
	return q, float64(off.Total) / math.Hypot(sigmaAlt, sigmaAz*alt.Cos())
}

// The axis read from each frame while the bolts of worn rigs are turned: how far
// off, and whether the ellipse says so. Then the same on mounts that wobble by
// an arcsecond from frame to frame: three frames cannot tell that, so that the
// ellipse is of the stars alone, and the error is what the wobble makes it.
func TestReadingsOfRigs(t *testing.T) {
	for _, c := range []struct {
		wobble       sky.Angle
		median, most float64 // of the errors, in arcsec: median, 95th percentile
	}{
		{0, 2, 15},
		{faultWobble, 5, 20},
	} {
		in68, in95 := 0, 0
		var errors []float64
		rigs := sessions(*readRigs)
		for i := range rigs {
			rng := rand.New(rand.NewPCG(uint64(i), 32))
			b := newBench(t, faultRig(rng), mountmodel.DefaultTolerance, uint64(i))
			b.wobble = c.wobble
			b.measure()
			for range 6 {
				b.turn(adjust.AltitudeBolt, rng.NormFloat64()/2)
				b.turn(adjust.AzimuthBolt, rng.NormFloat64()/2)
				v, truth := b.shoot(), b.rig.Truth(b.now).Axis
				q, _ := against(v.Now.Fitted, truth)
				if q < -2*math.Log(1-0.6827) {
					in68++
				}
				if q < -2*math.Log(0.05) {
					in95++
				}
				errors = append(errors, sky.Separation(v.Now.Axis.Dir, truth).Arcseconds())
			}
		}
		slices.Sort(errors)
		n := len(errors)
		p68, p95 := 100*float64(in68)/float64(n), 100*float64(in95)/float64(n)
		t.Logf("wobble of %.0f arcsec, %d readings on %d rigs: error median %.2f, 95th percentile %.2f arcsec; 68 %% ellipse holds %.1f %%, 95 %% %.1f %%",
			c.wobble.Arcseconds(), n, rigs, errors[n/2], errors[n*95/100], p68, p95)
		// Readings of one rig share its measurement: some 600 stand alone.
		scatter := 300 * math.Sqrt(0.05*0.95/float64(2*rigs))
		if c.wobble == 0 && (math.Abs(p68-68) > max(4, 2*scatter) || math.Abs(p95-95) > max(2, scatter)) {
			t.Errorf("68 %% ellipse holds %.1f %%, 95 %% %.1f %%", p68, p95)
		}
		if errors[n/2] > c.median || errors[n*95/100] > c.most {
			t.Errorf("wobble of %.0f arcsec: error median %.2f, 95th percentile %.2f arcsec", c.wobble.Arcseconds(), errors[n/2], errors[n*95/100])
		}
	}
}
