package tracking

import (
	"math"
	"testing"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// A tube that hangs by its weight drifts beyond the axis by what its hanging changes as
// the mount turns: s (cos altitude) along the vertical, projected on the way to the pole.
// The expected rate is worked out here from the hour angle alone.
func TestBendingOverTheSky(t *testing.T) {
	const hangs = 60 * sky.Arcsecond
	lat := 45 * sky.Degree
	setting := Setting{Site: sky.Site{Latitude: lat}, Air: sky.Air{TemperatureC: 10, WavelengthUm: 0.55}}
	pole := observed.Pole(setting.Site, setting.Air, observed.Refracted)
	for _, hour := range []sky.Angle{-60 * sky.Degree, -30 * sky.Degree, 0, 45 * sky.Degree} {
		const dec = 20 * sky.Degree
		r := newRig(1)
		r.setting, r.axis, r.hangs, r.wobble, r.worm, r.rate = setting, pole, hangs, 0.01*sky.Arcsecond, 0, 1
		r.tube = sky.Vec(sky.LocalFromHour(lat, hour, dec))
		frames := r.track(40, 15*time.Second)
		bends := BendingOf(setting, [][]Frame{frames, frames[:3]}, r.known(0))
		if len(bends) != 1 {
			t.Fatalf("%d places", len(bends))
		}
		// The component of "down" across the line of sight towards the pole, at hour angle
		// h: -(sin lat cos dec - cos lat sin dec cos h).
		down := func(h sky.Angle) float64 { return -(lat.Sin()*dec.Cos() - lat.Cos()*dec.Sin()*h.Cos()) }
		span := sky.Angle(39 * 15 * observed.SiderealRate)
		want := float64(hangs) * (down(hour+span) - down(hour)) / (39 * 15.0 / 3600)
		if off := sky.Angle(float64(bends[0].Rate) - want).Arcseconds(); math.Abs(off) > 0.25 {
			t.Errorf("hour angle %.0f: %.2f arcsec an hour, want %.2f", hour.Degrees(), bends[0].Rate.Arcseconds(), sky.Angle(want).Arcseconds())
		}
		if sep := r3.Norm(r3.Sub(sky.Vec(bends[0].At), r.tube)); sep > 0.05 {
			t.Errorf("hour angle %.0f: told at a place %.2f away", hour.Degrees(), sep)
		}
	}
}
