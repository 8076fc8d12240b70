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

	"pgregory.net/rapid"
)

// TestCandidateFromExactPattern: four stars and their image give the
// similarity that carries any star nearby onto its place.
func TestCandidateFromExactPattern(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2))
		mirrored := rapid.Bool().Draw(t, "mirrored")
		c := randomCamera(rng, 1000, 800, sky.Degree, mirrored)
		var s [4]index.Vec32
		var z [4]complex128
		for i := range s {
			p := sky.Pixel{X: 1000 * rng.Float64(), Y: 800 * rng.Float64()}
			s[i], z[i] = index.VecOf(c.ICRS(p)), complex(p.X, p.Y)
		}
		side := imag((z[2] - z[0]) / (z[1] - z[0]))
		if math.Abs(side) < 0.05 || cmplx.Abs(z[1]-z[0]) < 50 {
			t.Skip("nearly a line, which has no sense of turning, or nearly a point")
		}
		got, residual := fitPattern(s[:], z[:], side < 0)
		// A degree's tangent plane against the chords of unit vectors: a part in ten
		// thousand of the field, a tenth of a pixel; single precision, 0.01 arcsec, is less.
		const flatness = 0.15
		if math.Sqrt(residual) > flatness || got.mirrored != mirrored {
			t.Fatalf("misfit %g pixels, mirrored %v, want %v", math.Sqrt(residual), got.mirrored, mirrored)
		}
		p := sky.Pixel{X: 1000 * rng.Float64(), Y: 800 * rng.Float64()}
		if off := cmplx.Abs(got.pixel(index.VecOf(c.ICRS(p))) - complex(p.X, p.Y)); off > 10*flatness {
			t.Errorf("a star falls %g pixels off", off)
		}
	})
}

// TestPlaneFromCandidate: a similarity found far from the centre of a wide image, whose
// places flatten has flattened, says where the centre points.
func TestPlaneFromCandidate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 3))
		mirrored := rapid.Bool().Draw(t, "mirrored")
		c := randomCamera(rng, 1200, 900, 50*sky.Degree, mirrored)
		centre := complex(c.Centre().X, c.Centre().Y)
		lens := lensPlane{scale: c.Scale.Radians()}
		pivot := cmplx.Rect(300+200*rng.Float64(), 2*math.Pi*rng.Float64()) + centre
		in := proof.Detections{Width: c.Width, Height: c.Height}
		var s [4]index.Vec32
		for i := range s {
			z := pivot
			if i > 0 {
				z += cmplx.Rect(20, 2*float64(i)+rng.Float64())
			}
			in.At = append(in.At, z)
			s[i] = index.VecOf(c.ICRS(sky.Pixel{X: real(z), Y: imag(z)}))
		}
		z := [4]complex128(lens.flatten(in).At)
		got, _ := fitPattern(s[:], z[:], imag((z[2]-z[0])/(z[1]-z[0])) < 0)
		fit := planeFromCandidate(&got, centre)
		// Within the pattern the flattened image is wider across the radius than along it, by
		// theta/sin(theta), at most 3 % at 21 degrees; the mean scale is off by half of that and
		// moves the centre by as much of the way to it, 500 pixels. A pattern of four turns by
		// at most the same part.
		const tolerance = 500 * 0.03
		if off := sky.Separation(sky.ICRS(fit.boresight), c.ICRS(c.Centre())); off > tolerance*c.Scale {
			t.Errorf("the centre is %g pixels off", float64(off/c.Scale))
		}
		w, ok := fit.plane(sky.Vec(c.ICRS(sky.Pixel{X: real(pivot), Y: imag(pivot)})))
		if off := cmplx.Abs(fit.pixel(w) - pivot); !ok || off > 2*tolerance {
			t.Errorf("the pattern itself falls %g pixels off", off)
		}
	})
}

// TestImagePatternsAgainstPlainLoop: each star with three of its nearest comes once,
// in order of brightness.
func TestImagePatternsAgainstPlainLoop(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	in := proof.Detections{Width: 1000, Height: 1000}
	for range 25 {
		in.At = append(in.At, complex(1000*rng.Float64(), 1000*rng.Float64()))
	}
	in.At = append(in.At, in.At[3]+complex(shortestSide-1, 0)) // too close
	for _, brighter := range []bool{false, true} {
		got := map[[4]int]bool{}
		last := 0
		for _, p := range pivotPatterns(in, false, brighter) {
			spokes := sorted3(int(p[1]), int(p[2]), int(p[3]))
			key := [4]int{int(p[0]), spokes[0], spokes[1], spokes[2]}
			if got[key] {
				t.Fatalf("pattern %v comes twice", key)
			}
			got[key] = true
			rank := key[0] + key[1] + key[2] + key[3]
			if rank < last {
				t.Fatalf("pattern %v of rank %d after one of rank %d", key, rank, last)
			}
			last = rank
		}
		for pivot := range in.At {
			near := func(j int) bool {
				n := 0
				counts := func(k int) bool { return !brighter || float64(k) <= rankSlack*float64(pivot)+rankMargin }
				for k := range in.At {
					if !counts(k) {
						continue
					}
					if d := cmplx.Abs(in.At[k] - in.At[pivot]); k != pivot && d >= shortestSide && d < cmplx.Abs(in.At[j]-in.At[pivot]) {
						n++
					}
				}
				return counts(j) && j != pivot && n < imageNeighbours && cmplx.Abs(in.At[j]-in.At[pivot]) >= shortestSide
			}
			for c := range in.At {
				for b := range c {
					for a := range b {
						if want := near(a) && near(b) && near(c); want != got[[4]int{pivot, a, b, c}] {
							t.Errorf("pivot %d, sides %d %d %d, brighter %v: formed %v, want %v", pivot, a, b, c, brighter, !want, want)
						}
					}
				}
			}
		}
	}
}

// TestPartialPatternsMissEitherSide: an image of a catalogue pattern of which one of the shorter
// sides is missing leads to the pattern.
func TestPartialPatternsMissEitherSide(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 12))
	li := slices.IndexFunc(index.Specs, func(s index.Spec) bool { return s.Grid == 24 && s.PerCell == 3 })
	l := levelNumbered(t, li)
	for range 300 {
		e := randomEntry(rng, l)
		stars := l.Pattern(e)
		c := randomCamera(rng, 1000, 1000, 10*sky.Degree, rng.IntN(2) == 0)
		pivot := l.Place(stars[0])
		c.Attitude.R = cameratest.AttitudeTo(pivot.Vec(), sky.Angle(rng.Float64())*sky.Turn, c.Mirrored)
		for _, missing := range []int{2, 3} {
			image := proof.Detections{Width: 1000, Height: 1000}
			for k, star := range stars {
				if k == missing {
					continue
				}
				v := l.Place(star)
				p, _ := c.Pixel(c.CameraFromICRS(sky.ICRS(v.Vec())))
				image.At = append(image.At, complex(p.X, p.Y))
			}
			met := 0
			scale := c.Scale.Radians()
			s := &rangeSearch{
				level: l, image: image, scaleLo: 0.95 * scale, scaleHi: 1.05 * scale, partial: anyShorter, asked: expected,
			}
			s.weigh = func(can *candidate) (proven, bool) {
				if can.mirrored == c.Mirrored && can.star == pivot && can.stars[0] == image.At[0] && cmplx.Abs(can.pixel(l.Place(stars[1]))-image.At[1]) < 5 {
					met++
				}
				return proven{}, false
			}
			s.chosen, s.flat = image, image
			s.occupied, s.leastAtPivot, s.leastInAll = newOccupancy(image, 2), make([]int, 4*index.Neighbours+1), make([]int, 4*index.Neighbours+1)
			s.try(t.Context(), pattern{0, 1, 2, 0})
			if met == 0 {
				t.Errorf("side %d missing: pattern %v is not met", missing, stars)
			}
		}
	}
}

func sorted3(a, b, c int) [3]int {
	s := []int{a, b, c}
	slices.Sort(s)
	return [3]int(s)
}

func TestOccupancyNeverMisses(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	in := proof.Detections{Width: 300, Height: 200}
	for range 40 {
		in.At = append(in.At, complex(300*rng.Float64()-0.5, 200*rng.Float64()-0.5))
	}
	const tol = 4
	o := newOccupancy(in, tol)
	hits := 0
	for range 20000 {
		z := complex(300*rng.Float64()-0.5, 200*rng.Float64()-0.5)
		near := slices.ContainsFunc(in.At, func(s complex128) bool { return cmplx.Abs(s-z) <= tol })
		if near && !o.near(z) {
			t.Fatalf("%v lies within %d pixels of a detection, and the table says no", z, tol)
		}
		if o.near(z) {
			hits++
		}
	}
	// fill is the rate of chance hits
	if p := float64(hits) / 20000; math.Abs(p-o.fill) > 0.03 {
		t.Errorf("%g of random places are occupied, fill says %g", p, o.fill)
	}
}
