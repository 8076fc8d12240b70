package solve

import (
	"errors"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// plainList is a spec for the tests: a field of five degrees, some hundred stars.
func plainList(rng *rand.Rand) listSpec {
	return listSpec{
		field: 5 * sky.Degree, width: 1600, height: 1200, mirrored: rng.IntN(2) == 0, most: 120,
		missing: 0.1, spurious: 0.1, scatter: 0.3, shear: 2e-4, noise: 1,
	}
}

func (s *starList) hint() Hint { return Hint{Scale: s.Scale * 1.03, Epoch: s.epoch} }

// TestCandidateFromExactTriangle: a triangle of stars and its image give the
// similarity that carries any star nearby onto its place.
func TestCandidateFromExactTriangle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2))
		mirrored := rapid.Bool().Draw(t, "mirrored")
		c := randomCamera(rng, 1000, 800, sky.Degree, mirrored)
		var s [4]vec32
		var z [4]complex128
		for i := range s {
			p := sky.Pixel{X: 1000 * rng.Float64(), Y: 800 * rng.Float64()}
			s[i], z[i] = vec32FromICRS(c.ICRS(p)), complex(p.X, p.Y)
		}
		if u, v := z[1]-z[0], z[2]-z[0]; math.Abs(imag(cmplx.Conj(u)*v)) < 0.05*cmplx.Abs(u)*cmplx.Abs(v) ||
			math.Min(cmplx.Abs(u), cmplx.Abs(v)) < 50 {
			t.Skip("nearly a line, which has no sense of turning, or nearly a point")
		}
		got, misfit := fitTriangle(s[0], s[1], s[2], z[0], z[1], z[2])
		// A degree's tangent plane against the chords of unit vectors: a part in ten
		// thousand of the field, a tenth of a pixel; single precision, 0.01 arcsec, is less.
		const flatness = 0.15
		if math.Sqrt(misfit) > flatness || got.mirrored != mirrored {
			t.Fatalf("misfit %g pixels, mirrored %v, want %v", math.Sqrt(misfit), got.mirrored, mirrored)
		}
		scale := 1 / cmplx.Abs(got.alpha)
		if math.Abs(scale/c.Scale.Radians()-1) > 2e-3 {
			t.Errorf("scale %g, want %g", scale, c.Scale.Radians())
		}
	})
}

// TestImageTrianglesAgainstPlainLoop: each triple of a star and two of its
// nearest comes once.
func TestImageTrianglesAgainstPlainLoop(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	in := spots{width: 1000, height: 1000}
	for range 25 {
		in.at = append(in.at, complex(1000*rng.Float64(), 1000*rng.Float64()))
	}
	got := map[[3]int]bool{}
	for _, tr := range imageTriangles(in) {
		key := sorted3(tr.v[0], tr.v[1], tr.v[2])
		if got[key] {
			t.Fatalf("triangle %v comes twice", key)
		}
		got[key] = true
		a := cmplx.Abs(in.at[tr.v[1]] - in.at[tr.v[2]])
		b := cmplx.Abs(in.at[tr.v[0]] - in.at[tr.v[2]])
		c := cmplx.Abs(in.at[tr.v[0]] - in.at[tr.v[1]])
		if !(a > b && b > c) || tr.longest != a || tr.x != b/a || tr.y != c/a {
			t.Fatalf("triangle %+v has sides %g %g %g", tr, a, b, c)
		}
	}
	for a := range in.at {
		for b := range a {
			for c := range b {
				side := [3]float64{cmplx.Abs(in.at[b] - in.at[c]), cmplx.Abs(in.at[a] - in.at[c]), cmplx.Abs(in.at[a] - in.at[b])}
				_, _, _, ok := shape(side)
				near := false
				for _, v := range [3][3]int{{a, b, c}, {b, a, c}, {c, a, b}} {
					rank := func(j int) (n int) {
						for k := range in.at {
							if k != v[0] && cmplx.Abs(in.at[k]-in.at[v[0]]) < cmplx.Abs(in.at[j]-in.at[v[0]]) {
								n++
							}
						}
						return n
					}
					near = near || rank(v[1]) < imageNeighbours && rank(v[2]) < imageNeighbours
				}
				if want := near && ok && slices.Min(side[:]) >= shortestSide; want != got[sorted3(a, b, c)] {
					t.Errorf("triangle %d %d %d: formed %v, want %v", a, b, c, !want, want)
				}
			}
		}
	}
}

func TestOccupancyNeverMisses(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	in := spots{width: 300, height: 200}
	for range 40 {
		in.at = append(in.at, complex(300*rng.Float64()-0.5, 200*rng.Float64()-0.5))
	}
	const tol = 4
	o := newOccupancy(in, tol)
	hits := 0
	for range 20000 {
		z := complex(300*rng.Float64()-0.5, 200*rng.Float64()-0.5)
		near := slices.ContainsFunc(in.at, func(s complex128) bool { return cmplx.Abs(s-z) <= tol })
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

// TestOrderOfDetectionsDoesNotMatter: stars of one brightness come in any order;
// the solution is the same.
func TestOrderOfDetectionsDoesNotMatter(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	for range 5 {
		list := drawList(rng, theCatalogue(), plainList(rng))
		first, err := theSolver().match(list.Width, list.Height, list.det, list.hint())
		if err != nil {
			t.Fatal(err)
		}
		shuffled := *list.det
		shuffled.Stars = slices.Clone(list.det.Stars)
		rng.Shuffle(len(shuffled.Stars), func(i, j int) {
			shuffled.Stars[i], shuffled.Stars[j] = shuffled.Stars[j], shuffled.Stars[i]
		})
		second, err := theSolver().match(list.Width, list.Height, &shuffled, list.hint())
		if err != nil {
			t.Fatal(err)
		}
		// What is left is where the iteration of the fit ended: 1e-4 of a sigma.
		if off := sky.Separation(first.ICRS(first.Centre()), second.ICRS(second.Centre())); off > 1e-3*first.Scale || len(first.Pairs) != len(second.Pairs) {
			t.Errorf("centres %g arcsec apart, %d and %d pairs", off.Arcseconds(), len(first.Pairs), len(second.Pairs))
		}
	}
}

// TestSameInputSameAnswer: goroutines share the search and leave no trace in its result.
func TestSameInputSameAnswer(t *testing.T) {
	rng := rand.New(rand.NewPCG(16, 6))
	list := drawList(rng, theCatalogue(), plainList(rng))
	var first *Solution
	for range 5 {
		sol, err := theSolver().match(list.Width, list.Height, list.det, list.hint())
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = sol
		} else if sol.Camera != first.Camera || sol.Trials != first.Trials || sol.Log10Odds != first.Log10Odds {
			t.Errorf("%+v, then %+v", first.Camera, sol.Camera)
		}
	}
}

// TestTurnedAndFlippedImages: turning an image by 90 degrees turns the
// rows' direction in the sky by as much; flipping it makes a mirrored image of it.
func TestTurnedAndFlippedImages(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	for range 5 {
		list := drawList(rng, theCatalogue(), plainList(rng))
		plain, err := theSolver().match(list.Width, list.Height, list.det, list.hint())
		if err != nil {
			t.Fatal(err)
		}
		for name, c := range map[string]struct {
			width, height int
			to            func(p sky.Pixel) sky.Pixel
			flips         bool
		}{
			"turned":  {list.Height, list.Width, func(p sky.Pixel) sky.Pixel { return sky.Pixel{X: float64(list.Height-1) - p.Y, Y: p.X} }, false},
			"flipped": {list.Width, list.Height, func(p sky.Pixel) sky.Pixel { return sky.Pixel{X: float64(list.Width-1) - p.X, Y: p.Y} }, true},
		} {
			det := *list.det
			det.Stars = slices.Clone(list.det.Stars)
			for i, star := range det.Stars {
				det.Stars[i].Pos = c.to(star.Pos)
			}
			sol, err := theSolver().match(c.width, c.height, &det, list.hint())
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if sol.Mirrored != (plain.Mirrored != c.flips) || plain.Mirrored != list.Mirrored {
				t.Errorf("%s: mirrored %v, was %v", name, sol.Mirrored, plain.Mirrored)
			}
			// A different triangle may have led here, and with it a faint pair more or
			// less: a tenth of a star's error.
			p := sky.Pixel{X: 300, Y: 500}
			if off := sky.Separation(sol.ICRS(c.to(p)), plain.ICRS(p)); off > 0.02*plain.Scale {
				t.Errorf("%s: a pixel's place moves by %g arcsec", name, off.Arcseconds())
			}
			if sign := sol.Attitude.R.Det(); (sign > 0) != sol.Mirrored {
				t.Errorf("%s: determinant %g, mirrored %v", name, sign, sol.Mirrored)
			}
		}
	}
}

// TestChanceCandidatesKeepTheirOdds: in lists of random places every candidate is
// chance's. As if it were the only one tried, evidence of x decades may show in
// no more than one of 10^x candidates; no neighbours are asked beforehand.
func TestChanceCandidatesKeepTheirOdds(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	most := 8000
	if raceEnabled {
		most = 1500
	}
	if *surveyFields > 0 {
		most = 20000 * *surveyFields
	}
	var above [6]int
	strongest := math.Inf(-1)
	candidates := 0
	for candidates < most {
		image := spots{width: 1600, height: 1200}
		for range 15 + rng.IntN(300) {
			image.at = append(image.at, complex(1600*rng.Float64(), 1200*rng.Float64()))
		}
		trials := 0
		v := newVerifier(theCatalogue(), 2025, image)
		hint := Hint{Scale: sky.Angle(5+15*rng.Float64()) * sky.Arcsecond, Quick: true}
		turn := theSolver().plan(image, hint)[rng.IntN(2)] // with the sharp or the soft tolerance
		s := theSolver().newSearch(turn.ranges[0], turn.sweep, image, v, &trials)
		s.prepare()
		s.quick, s.near = make([]int, len(s.quick)), make([]int, len(s.near))
		list := 0
		s.weigh = func(c *candidate) (proven, bool) {
			if list++; list > 500 {
				return proven{}, false
			}
			candidates++
			e := v.follow(c, s.level.spec.shapeTol).evidence
			strongest = max(strongest, e)
			for x := range above {
				if e >= float64(x) {
					above[x]++
				}
			}
			return proven{}, false
		}
		for _, tr := range s.triangles {
			if s.try(tr); list > 500 {
				break
			}
		}
	}
	t.Logf("of %d candidates, %v reach 10^0 ... 10^5; the strongest 10^%.1f", candidates, above, strongest)
	for x, n := range above {
		expected := float64(candidates) * math.Pow(10, -float64(x))
		if float64(n) > expected+3*math.Sqrt(expected)+1 {
			t.Errorf("odds of 10^%d or more for %d of %d candidates, at most %.1f may have them", x, n, candidates, expected)
		}
	}
}

// TestScrambledStarsDoNotSolve: the stars of a real field, each moved to
// where chance puts it.
func TestScrambledStarsDoNotSolve(t *testing.T) {
	rng := rand.New(rand.NewPCG(10, 10))
	for range 4 {
		list := drawList(rng, theCatalogue(), plainList(rng))
		for i := range list.det.Stars {
			list.det.Stars[i].Pos.X = list.det.Stars[rng.IntN(len(list.det.Stars))].Pos.X
		}
		hint := list.hint()
		hint.Quick = true
		sol, err := theSolver().match(list.Width, list.Height, list.det, hint)
		var failure *Failure
		if sol != nil || !errors.As(err, &failure) || failure.Code != "no_match" {
			t.Errorf("solution %v, error %v", sol, err)
		}
	}
}

func TestFewStars(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 11))
	list := drawList(rng, theCatalogue(), plainList(rng))
	for n := range fewestStars {
		det := Detection{Stars: list.det.Stars[:n]}
		_, err := theSolver().match(list.Width, list.Height, &det, list.hint())
		var failure *Failure
		if !errors.As(err, &failure) || failure.Code != "few_stars" {
			t.Errorf("%d stars: %v", n, err)
		}
	}
}

// TestStatedErrorsAreTrue: over many fields, what the camera is off by, in its own
// stated errors, has unit variance. The rotation vector between the fitted
// and the true attitude is normalised by its full covariance.
func TestStatedErrorsAreTrue(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 12))
	fields := 500
	if raceEnabled {
		fields = 60
	}
	var chi2, scale2, n float64
	for range fields {
		spec := plainList(rng)
		spec.missing, spec.spurious, spec.shear = 0.1, 0.05, 0
		spec.most = 30 + rng.IntN(120)
		list := drawList(rng, theCatalogue(), spec)
		hint := list.hint()
		hint.Quick = true
		sol, err := theSolver().match(list.Width, list.Height, list.det, hint)
		if err != nil {
			continue
		}
		e := sky.VectorFromRotation(list.Attitude.R.Mul(sol.Attitude.R.Transpose()))
		chi2 += mahalanobis(sol.Attitude.Cov, e)
		scale2 += sq(float64((sol.Scale - list.Scale) / sol.ScaleSigma))
		n++
	}
	if n < 0.9*float64(fields) {
		t.Fatalf("only %g of %d fields solved", n, fields)
	}
	attitude, scale := chi2/(3*n), scale2/n
	t.Logf("%g fields: normalised variance of the attitude %.3f, of the scale %.3f", n, attitude, scale)
	// Ten percent is the claim; the sample's own error comes on top: a variance of k
	// normal numbers is known to sqrt(2/k).
	if limit := 0.1 + 3*math.Sqrt(2/(3*n)); math.Abs(attitude-1) > limit {
		t.Errorf("attitude: normalised variance %.3f", attitude)
	}
	if limit := 0.1 + 3*math.Sqrt(2/n); math.Abs(scale-1) > limit {
		t.Errorf("scale: normalised variance %.3f", scale)
	}
}

// mahalanobis is e' cov^-1 e, by Cramer's rule.
func mahalanobis(cov sky.Matrix, e sky.Vec) float64 {
	det := cov.Det()
	x := [3]float64{e.X, e.Y, e.Z}
	var sum float64
	for k := range 3 {
		m := cov
		for r := range 3 {
			m[r][k] = x[r]
		}
		sum += x[k] * m.Det() / det
	}
	return sum
}
