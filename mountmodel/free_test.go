package mountmodel

import (
	"math/rand/v2"
	"testing"

	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// A rig on a ball head is moved by any rotation, hand over hand. The axis is read where it
// then stands, nothing is taken for a fault, and a star on its mark is what is asked for;
// two bolts are not spoken of.
func TestRigWithoutBolts(t *testing.T) {
	for seed := range uint64(12) {
		rng := rand.New(rand.NewPCG(seed, 77))
		d := newDesk(t, seed, 44*sky.Degree, 8*sky.Degree, func(c *Config) { c.Free = true })
		d.thereAndBack()
		if d.Phase() == Measuring {
			d.tell(t, Measured)
		}
		for n := range 6 {
			by := r3.Scale(float64(2*sky.Degree)*rng.Float64(), simmount.RandomUnit(rng))
			d.m.Ground = sky.RotationFromVector(by).Mul(d.m.Ground)
			v := d.shoot(0)
			major, _, _ := v.Now.Axis.Ellipse()
			if off := sky.Separation(v.Now.Axis.Dir, d.m.AxisNow()); off > 5*major+1*sky.Arcsecond || major > 30*sky.Arcsecond {
				t.Errorf("seed %d, frame %d: the axis is %.1f arcsec off, known to %.1f", seed, n, off.Arcseconds(), major.Arcseconds())
			}
			if v.Doubt || v.Turning != "" || len(v.Moves) > 0 || !v.Free {
				t.Errorf("seed %d, frame %d: doubt %v, turning %q: %+v", seed, n, v.Doubt, v.Turning, v.Warnings)
			}
			for _, w := range v.Warnings {
				t.Errorf("seed %d, frame %d: %s", seed, n, w.Message)
			}
			if !v.Within && v.Said.Code != "put_star" {
				t.Errorf("seed %d, frame %d: %s", seed, n, v.Said)
			}
		}
		// Its bolts found after all, the same frames are read as turned by them.
		cfg := d.cfg
		cfg.Free = false
		if err := d.Reconfigure(cfg); err != nil {
			t.Fatal(err)
		}
		if v := d.View(); v.Free || v.Said.Code == "put_star" {
			t.Errorf("seed %d: %s", seed, v.Said)
		}
	}
}
