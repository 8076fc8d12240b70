package observed

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// The compression of a field whose stars are taken for airless, and are not, is what refraction is
// worked out to make of it; with the air known nothing is left.
func TestCompressionIsThatOfTheAir(t *testing.T) {
	site := sky.Site{Latitude: 40 * sky.Degree, Longitude: 12 * sky.Degree}
	o, err := NewObserver(site, sky.StandardAir(0), time.Date(2026, 3, 7, 22, 0, 0, 0, time.UTC), 0)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(3, 8))
	for _, alt := range []sky.Angle{15, 30, 50, 75} {
		z := sky.Vec(sky.LocalFromAltAz(alt*sky.Degree, sky.Angle(360*rng.Float64())*sky.Degree))
		x := sky.Unit(r3.Cross(z, sky.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}))
		r := sky.FromColumns(x, r3.Cross(z, x), z)
		var airless, right []Star
		for i := range 49 {
			u := sky.Unit(sky.Vec{X: (float64(i%7) - 3) * 0.004, Y: (float64(i/7) - 3) * 0.003, Z: 1})
			place := o.ICRS(sky.Local(r.Apply(u)))
			airless = append(airless, Star{u, sky.Vec(o.Airless(place)), 1e-6})
			right = append(right, Star{u, sky.Vec(o.Observed(place)), 1e-6})
		}
		want, up := o.Refraction().CompressionAt(r, sky.Vec{Z: 1})
		fit, err := FitAttitude(airless)
		if err != nil || !up {
			t.Fatal(err)
		}
		got, ok := compression(airless, fit.R)
		// The slope of refraction changes within the field: some parts in a hundred.
		size := math.Hypot(want[0], want[1])
		if off := math.Hypot(got.Q[0]-want[0], got.Q[1]-want[1]); !ok || off > 0.03*size+1e-7 {
			t.Errorf("altitude %.0f: %.3g, want %.3g", float64(alt), got.Q, want)
		}
		// 2.8e-4 tan(z)^2 / 2, from 58.3 arcsec tan z (Smart; from memory).
		if tan := 1 / (alt * sky.Degree).Tan(); math.Abs(size/(1.413e-4*tan*tan)-1) > 0.06 {
			t.Errorf("altitude %.0f: refraction squeezes by %.3g", float64(alt), size)
		}
		if none, ok := compression(right, r); !ok || math.Hypot(none.Q[0], none.Q[1]) > 1e-9 {
			t.Errorf("altitude %.0f: %.3g is left", float64(alt), none.Q)
		}
	}
}
