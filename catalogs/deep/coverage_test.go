package deep

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"polard/catalogs"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Blocks hold every star of the cells to which some were added once as their own, at its place of the year, and all others
// within the margin of it, across the cube's edges and corners as well.
func TestBlocksHoldEveryStarOnce(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	var table strings.Builder
	table.WriteString(top)
	const year, margin = 2031.5, 0.6 * sky.Degree
	for _, at := range [][2]float64{{45, 35.264}, {45, 10}, {135, 44.5}, {10, 89.5}, {280, -3}} {
		center := sky.ICRSFromRADec(sky.Angle(at[0])*sky.Degree, sky.Angle(at[1])*sky.Degree)
		for range 120 {
			d := sky.Unit(sky.ICRS{X: center.X + 0.03*rng.NormFloat64(), Y: center.Y + 0.03*rng.NormFloat64(), Z: center.Z + 0.03*rng.NormFloat64()})
			table.WriteString(line(d, 300*rng.NormFloat64(), 300*rng.NormFloat64(), 0, 13+3*rng.Float64()))
		}
	}
	c := build(t, table.String())
	var all []sky.ICRS
	c.Cone(sky.ICRS{Z: 1}, math.Pi, math.Inf(1), func(s catalogs.Star) {
		if _, ok := c.Depth(s.At(yearOfPlaces)); ok {
			all = append(all, s.At(year))
		}
	})
	within := func(d sky.Vec, radius sky.Angle, stars []sky.ICRS) (n int) {
		for _, s := range stars {
			if r3.Norm(r3.Sub(d, sky.Vec(s))) <= float64(radius) {
				n++
			}
		}
		return n
	}
	const mas = 2e-3 * sky.Arcsecond
	for _, side := range []int{4, 7, 24, perEdge} {
		owned := 0
		for _, b := range c.Blocks(side, sky.ICRS{X: 1}, math.Pi) {
			var own []sky.Vec
			var held []sky.ICRS
			c.Thinned(b, margin, 1e9, year, func(p Placed) {
				held = append(held, sky.ICRS(p.At))
				if p.Own {
					own = append(own, p.At)
				}
			})
			owned += len(own)
			for _, d := range own {
				if n := within(d, mas, all); n != 1 {
					t.Errorf("blocks of %d: %d stars stand where one is told to be", side, n)
				}
				if got, want := within(d, margin-30*sky.Arcsecond, held), within(d, margin-30*sky.Arcsecond, all); got != want {
					t.Errorf("blocks of %d: %d stars within the margin of one, want %d", side, got, want)
				}
			}
		}
		for _, center := range all[:20] {
			const radius = 3 * sky.Degree
			n := 0
			for _, b := range c.Blocks(side, center, radius) {
				c.Thinned(b, 0, 1e9, year, func(p Placed) {
					if p.Own && r3.Norm(r3.Sub(p.At, sky.Vec(center))) <= float64(radius) {
						n++
					}
				})
			}
			if want := within(sky.Vec(center), radius, all); n != want {
				t.Errorf("blocks of %d about a place own %d stars within %v, want %d", side, n, radius, want)
			}
		}
		if owned != len(all) {
			t.Errorf("blocks of %d own %d stars, want %d", side, owned, len(all))
		}
	}
}
