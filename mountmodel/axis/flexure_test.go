package axis

import (
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Of tubes that hang by 5" to 2', evenly in the logarithm, on mounts as still as good ones
// are, what is told holds to the deviations stated: 95 % within two, and none that matters
// beyond four; of the third of the heaviest tubes alone too.
func TestFlexureAsStated(t *testing.T) {
	rigs := 4 * *faultyRigs
	all, heavy, within, heavyWithin, beyond := 0, 0, 0, 0, 0
	for _, name := range slices.Sorted(maps.Keys(bodyStations)) {
		c := bodyStations[name]
		if c.bodies < 2 {
			continue
		}
		rng := rand.New(rand.NewPCG(63, uint64(len(c.stations))))
		told, out, sum := 0, 0, 0.0
		for range rigs {
			part := rng.Float64()
			sag := 5 * sky.Arcsecond * sky.Angle(math.Pow(24, part))
			frames, m, _ := measureStations(t, rng, sag, c.stations)
			for i := range frames {
				shake := sky.Vec{X: simmount.Gauss(rng, MechanicalNoise), Y: simmount.Gauss(rng, MechanicalNoise), Z: simmount.Gauss(rng, MechanicalNoise)}
				frames[i].R = sky.RotationFromVector(shake).Mul(frames[i].R)
			}
			fit, err := Find(frames, observed.Pole(m.Site, m.Air, observed.Refracted))
			if err != nil {
				t.Fatal(err)
			}
			hangs, sigma, ok := fit.Flexure()
			if !ok {
				continue
			}
			off := float64((hangs - sag).Abs() / sigma)
			all, told, sum = all+1, told+1, sum+sigma.Arcseconds()
			if off < 2 {
				within++
			} else {
				out++
			}
			if part > 2.0/3 {
				heavy++
				if off < 2 {
					heavyWithin++
				}
			}
			if off > 4 {
				beyond++
			}
		}
		t.Logf("%-32s told of %d in %d, to %.1f\" on average, %d beyond two deviations", name, told, rigs, sum/float64(max(1, told)), out)
	}
	t.Logf("within two deviations %d of %d, of the heaviest %d of %d; beyond four %d", within, all, heavyWithin, heavy, beyond)
	for _, c := range [][2]int{{within, all}, {heavyWithin, heavy}} {
		if n := float64(c[1]); float64(c[0]) < 0.95*n-3*math.Sqrt(0.95*0.05*n) {
			t.Errorf("%d of %d within two deviations", c[0], c[1])
		}
	}
	if beyond > all/100 {
		t.Errorf("%d of %d beyond four deviations", beyond, all)
	}
}
