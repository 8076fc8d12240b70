package match

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"polard/mountmodel/sky"
	"polard/solve/camera/cameratest"
	"polard/solve/index"
	"polard/solve/match/proof"
)

// TestEveryPatternIsFound: the image of a catalogue pattern, through any camera and
// with the errors of centroids, leads back to it, and to its camera.
func TestEveryPatternIsFound(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	for i, spec := range index.Specs {
		if raceEnabled && spec.Grid > 48 {
			continue
		}
		l := levelNumbered(t, i)
		for range 500 {
			e := randomEntry(rng, l)
			p := l.Pattern(e)
			side := l.Place(p[1]).Sub(l.Place(p[0]))
			if float64(side.Dot(side)) > mostStars(spec)/spec.StarsIn(1) {
				continue // wider than the level's fields: among brighter stars only, some lie far away
			}
			mirrored := rng.IntN(2) == 0
			at := l.Place(p[0])
			// So narrow a camera that its plane does not matter.
			const cells = 12
			c := randomCamera(rng, 3000, 3000, min(cells*spec.CellSide(), 4*sky.Degree), mirrored)
			c.Attitude.R = cameratest.AttitudeTo(at.Vec(), sky.Angle(rng.Float64())*sky.Turn, mirrored)
			var z [4]complex128
			longest := 0.0
			for k, star := range p {
				v := l.Place(star)
				d := c.CameraFromICRS(sky.ICRS(v.Vec()))
				// The chord is kept, as patternsOf does.
				diff := v.Sub(at)
				r := math.Sqrt(float64(diff.Dot(diff))) / c.Scale.Radians()
				z[k] = complex(d.X, d.Y) * complex(r/max(math.Hypot(d.X, d.Y), 1e-30), 0)
				longest = max(longest, cmplx.Abs(z[k]))
				z[k] += complex(2*rng.Float64()-1, 2*rng.Float64()-1) * centroidTol / 2
			}
			longer := z
			rng.Shuffle(3, func(a, b int) { z[a+1], z[b+1] = z[b+1], z[a+1] })
			s := rangeSearch{
				level: l, scaleLo: c.Scale.Radians() * 0.95, scaleHi: c.Scale.Radians() * 1.05,
				flat: proof.Detections{At: z[:]},
			}
			found := false
			for _, look := range s.lookups(pattern{0, 1, 2, 3}) {
				for row := range l.Rows(&look.Query) {
					for _, f := range row {
						if size := index.SizeOf(f); f != e || size < look.SizeLo || size > look.SizeHi {
							continue
						}
						var places [4]index.Vec32
						for k, star := range p {
							places[k] = l.Place(star)
						}
						fit, residual := fitPattern(places[:], look.z[:], look.turned)
						// Nearly a line, it is looked up as either sense; one of them is right.
						found = found || math.Sqrt(residual) < centroidTol+spec.ShapeTol*longest && fit.mirrored == mirrored
					}
				}
			}
			// Without its shortest side it is found as an partial pattern.
			s.flat.At = longer[:]
			foundOpen := false
			for _, look := range s.lookups(pattern{0, 1, 2, 0}) {
				for row := range l.Rows(&look.Query) {
					foundOpen = foundOpen || slices.Contains(row, e)
				}
			}
			// Patterns smaller than loosestShape allows are not looked up.
			if tol := spec.ShapeTol + 2*centroidTol/longest; (!found || !foundOpen) && tol < loosestShape {
				t.Errorf("level %d: the image of pattern %v is found %v, as an open one %v", i, p, found, foundOpen)
			}
		}
	}
}
