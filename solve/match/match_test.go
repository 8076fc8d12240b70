package match

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"polard/mountmodel/sky"
	"polard/solve/index"
	"polard/solve/match/proof"
)

// find makes the whole search.
func find(ctx context.Context, x *index.Index, in Image, hint Hint) (*Match, error) {
	s := New(x, in, hint)
	m, err := s.Cheap(ctx)
	if failure := (*Failure)(nil); errors.As(err, &failure) && s.More() {
		return s.Rest(ctx)
	}
	return m, err
}

// plainList is a spec for the tests: a field of five degrees, some hundred stars.
func plainList(rng *rand.Rand) listSpec {
	return listSpec{
		field: 5 * sky.Degree, width: 1600, height: 1200, mirrored: rng.IntN(2) == 0, most: 120,
		missing: 0.1, spurious: 0.1, scatter: 0.3, shear: 2e-4, noise: 1,
	}
}

func (s *starList) hint() Hint { return Hint{Scale: s.Scale * 1.03, Epoch: s.epoch} }

// TestOrderOfDetectionsDoesNotMatter: stars of one brightness come in any order;
// the solution is the same.
func TestOrderOfDetectionsDoesNotMatter(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	for range 5 {
		list := drawList(rng, theCatalogue(), plainList(rng))
		first, err := find(t.Context(), theIndex(), list.image, list.hint())
		if err != nil {
			t.Fatal(err)
		}
		shuffled := list.image
		shuffled.Detections = slices.Clone(list.image.Detections)
		rng.Shuffle(len(shuffled.Detections), func(i, j int) {
			shuffled.Detections[i], shuffled.Detections[j] = shuffled.Detections[j], shuffled.Detections[i]
		})
		second, err := find(t.Context(), theIndex(), shuffled, list.hint())
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
	var first *Match
	for range 5 {
		sol, err := find(t.Context(), theIndex(), list.image, list.hint())
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = sol
		} else if sol.Camera != first.Camera || sol.Log10Odds != first.Log10Odds {
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
		plain, err := find(t.Context(), theIndex(), list.image, list.hint())
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
			det := Image{Width: c.width, Height: c.height}
			det.Detections = slices.Clone(list.image.Detections)
			for i, star := range det.Detections {
				det.Detections[i].Pos = c.to(star.Pos)
			}
			sol, err := find(t.Context(), theIndex(), det, list.hint())
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if sol.Mirrored != (plain.Mirrored != c.flips) || plain.Mirrored != list.Mirrored {
				t.Errorf("%s: mirrored %v, was %v", name, sol.Mirrored, plain.Mirrored)
			}
			// A different pattern may have led here, and with it a faint pair more or
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
		image := proof.Detections{Width: 1600, Height: 1200}
		for range 15 + rng.IntN(300) {
			image.At = append(image.At, complex(1600*rng.Float64(), 1200*rng.Float64()))
		}
		v := newVerifier(theCatalogue(), 2025, image, verifyDetections)
		hint := Hint{Scale: sky.Angle(5+15*rng.Float64()) * sky.Arcsecond}
		if rng.IntN(4) == 0 { // wide fields meet few candidates
			hint.Scale *= 6
		}
		// By any of the cheap passes.
		all := New(theIndex(), Image{Width: image.Width, Height: image.Height}, hint)
		all.image = image
		all.scales.image = image
		var some []*pass
		for i := range passes {
			if p := &passes[i]; all.makes(p) && len(all.scales.of(p)) > 0 && all.isCheap(p) {
				some = append(some, p)
			}
		}
		p := some[rng.IntN(len(some))]
		ranges := all.scales.of(p)
		s, queue, err := all.newRange(t.Context(), ranges[rng.IntN(len(ranges))], p)
		if err != nil {
			t.Fatal(err)
		}
		s.leastAtPivot, s.leastInAll = make([]int, len(s.leastAtPivot)), make([]int, len(s.leastInAll))
		list := 0
		s.weigh = func(c *candidate) (proven, bool) {
			if list++; list > 500 {
				return proven{}, false
			}
			candidates++
			p, _ := v.verify(c, s.level.Spec.ShapeTol)
			e := p.evidence
			strongest = max(strongest, e)
			for x := range above {
				if e >= float64(x) {
					above[x]++
				}
			}
			return proven{}, false
		}
		for _, p := range queue.ready {
			if s.try(t.Context(), p); list > 500 {
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
		for i := range list.image.Detections {
			list.image.Detections[i].Pos.X = list.image.Detections[rng.IntN(len(list.image.Detections))].Pos.X
		}
		hint := list.hint()
		sol, err := cheaply(t, list.image, hint)
		var failure *Failure
		if sol != nil || !errors.As(err, &failure) || failure.Code != "no_match" {
			t.Errorf("solution %v, error %v", sol, err)
		}
	}
}

func TestFewStars(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 11))
	list := drawList(rng, theCatalogue(), plainList(rng))
	for n := range FewestStars {
		det := Image{Width: list.Width, Height: list.Height, Detections: list.image.Detections[:n]}
		_, err := find(t.Context(), theIndex(), det, list.hint())
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
		spec.missing, spec.spurious = 0.1, 0.05
		// Lenses and air such as the fit expects them, and surveyField draws.
		spec.shear, spec.axis, spec.distortion = expectedShear, expectedAxis, distortionOf60*5/60*(2*rng.Float64()-1)
		spec.most = 30 + rng.IntN(120)
		list := drawList(rng, theCatalogue(), spec)
		hint := list.hint()
		sol, err := cheaply(t, list.image, hint)
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

// TestClaimsOfFieldsOfAllSizes: the same through lenses, for what a person reads off a frame: where its
// middle looks (two numbers), how it is turned, and its scale. With "-survey N", N fields of
// each size.
func TestClaimsOfFieldsOfAllSizes(t *testing.T) {
	if testing.Short() || raceEnabled {
		t.Skip("many fields")
	}
	const seed = 20261128
	fields := max(40, *surveyFields)
	sizes := []float64{0.5, 1, 2, 4, 8, 16, 30, 60}
	type variance struct{ middle, rotation, scale, n float64 }
	var all variance
	t.Logf("seed %d; variance of errors over what is claimed", seed)
	t.Logf("degrees  fields  middle  rotation  scale")
	tell := func(name string, v variance) {
		t.Logf("%7s %7.0f %7.3f %9.3f %6.3f", name, v.n, v.middle/(2*v.n), v.rotation/v.n, v.scale/v.n)
	}
	for k, degrees := range sizes {
		rng := rand.New(rand.NewPCG(seed, uint64(k)))
		var v variance
		for range 3 * fields {
			if v.n == float64(fields) {
				break
			}
			spec := surveyField(rng, degrees)
			if sky.Angle(degrees)*sky.Degree > lensField {
				spec.axis = expectedAxis
			}
			list := drawList(rng, theCatalogue(), spec)
			if list.real < surveyedStars {
				continue
			}
			hint := list.hint()
			sol, err := cheaply(t, list.image, hint)
			if err != nil {
				continue
			}
			truth := list.Attitude.R.Mul(list.DetectorFrame().Transpose())
			turn := sky.VectorFromRotation(truth.Mul(sol.Detector.R.Transpose()))
			own := sol.Detector.R.Transpose().Apply(turn)
			x, y, rotation := sol.SigmaOfDetector()
			v.middle += sq(own.Y/x.Radians()) + sq(own.X/y.Radians())
			v.rotation += sq(own.Z / rotation.Radians())
			v.scale += sq(float64((sol.Scale - list.Scale) / sol.ScaleSigma))
			v.n++
		}
		if v.n < 0.75*float64(fields) {
			t.Errorf("%g degrees: only %g fields solved", degrees, v.n)
		}
		tell(fmt.Sprint(degrees), v)
		all = variance{all.middle + v.middle, all.rotation + v.rotation, all.scale + v.scale, all.n + v.n}
	}
	tell("all", all)
	for _, c := range []struct {
		name     string
		variance float64
		numbers  float64
	}{
		{"middle", all.middle / (2 * all.n), 2 * all.n},
		{"rotation", all.rotation / all.n, all.n},
		{"scale", all.scale / all.n, all.n},
	} {
		// As above: a tenth, and three times what chance does to so many numbers.
		if math.Abs(c.variance-1) > 0.1+3*math.Sqrt(2/c.numbers) {
			t.Errorf("%s: variance %.3f", c.name, c.variance)
		}
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

// TestWrongHintsCostTimeNotTheAnswer: a scale, a place, an epoch that are not true.
func TestWrongHintsCostTimeNotTheAnswer(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 6))
	for name, wrong := range map[string]func(h *Hint, list *starList){
		"scale, three times":    func(h *Hint, _ *starList) { h.Scale *= 3 },
		"scale, a fifth":        func(h *Hint, _ *starList) { h.Scale /= 5 },
		"scale never searched":  func(h *Hint, _ *starList) { h.Scale = 1000 * sky.Arcsecond },
		"the other half of sky": func(h *Hint, l *starList) { c := l.ICRS(l.Centre()); h.Near = &sky.ICRS{X: -c.X, Y: -c.Y, Z: -c.Z} },
		"the pole":              func(h *Hint, _ *starList) { h.Near = &sky.ICRS{Z: 1} },
		"epoch of 1900":         func(h *Hint, _ *starList) { h.Epoch = 1900 },
		"scale, place, epoch":   func(h *Hint, _ *starList) { *h = Hint{Scale: 30 * h.Scale, Near: &sky.ICRS{Z: -1}, Epoch: 2150} },
	} {
		for range 3 {
			list := drawList(rng, theCatalogue(), plainList(rng))
			hint := list.hint()
			wrong(&hint, &list)
			sol, err := find(t.Context(), theIndex(), list.image, hint)
			if err != nil {
				t.Errorf("%s: %v", name, err)
				continue
			}
			// A century of proper motion moves the mean of the stars by some arcseconds.
			if off := list.off(sol); off > 10*sky.Arcsecond {
				t.Errorf("%s: centre %g arcsec off", name, off.Arcseconds())
			}
		}
	}
}

// TestFailureNamesTheCause: what is known of scale and place tells whether the catalogue
// could have served.
func TestFailureNamesTheCause(t *testing.T) {
	rng := rand.New(rand.NewPCG(18, 6))
	det := Image{Width: 1200, Height: 900}
	for range 20 {
		det.Detections = append(det.Detections, Detection{Pos: sky.Pixel{X: 1200 * rng.Float64(), Y: 900 * rng.Float64()}})
	}
	// The galactic pole, and the Milky Way in Cygnus.
	pole, plane := sky.ICRSFromRADec(192.86*sky.Degree, 27.13*sky.Degree), sky.ICRSFromRADec(300*sky.Degree, 35*sky.Degree)
	for _, c := range []struct {
		hint Hint
		want string
	}{
		{Hint{Scale: 10 * sky.Arcsecond}, "check focus"},
		// 0.2 by 0.15 degrees of 41253 square degrees with 2 557 501 stars.
		{Hint{Scale: 0.6 * sky.Arcsecond}, "0.20 by 0.15 degrees holds about 2 of the bundled stars on average"},
		{Hint{Scale: 0.6 * sky.Arcsecond}, "'polard catalogue plan --field 0.2' says how"},
		{Hint{Scale: 0.6 * sky.Arcsecond, Near: &pole}, "of the known stars there, and about 12 are needed; those to magnitude 17."},
		// At the pole a little fewer than wanted, denser towards the plane whichever way.
		{Hint{Scale: 2.2 * sky.Arcsecond, Near: &pole}, "or turn 15 degrees to the north-east"},
		{Hint{Scale: 1.5 * sky.Arcsecond}, "about 12 of the bundled stars on average"},
		{Hint{Scale: 1.5 * sky.Arcsecond, Near: &plane}, "check focus"}, // rich enough there
		{Hint{Scale: 0.05 * sky.Arcsecond}, "0.1 to 700 are searched"},
		{Hint{Scale: 500 * sky.Arcsecond}, "at its scale it would see 167 degrees"},
		{Hint{}, "that the lens sees no more than 125 degrees"},
	} {
		if c.hint.Scale == 0 && (testing.Short() || raceEnabled) {
			continue
		}
		if _, err := cheaply(t, det, c.hint); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.hint, err, c.want)
		}
	}
	// Of too few stars as well: it is no use to wait for a cloud to pass that is none.
	for seen, want := range map[int]string{0: "no star found", 1: "only one star found", 3: "only 3 stars found"} {
		few := Image{Width: 1200, Height: 900, Detections: det.Detections[:seen]}
		for hint, field := range map[Hint]bool{{Scale: 10 * sky.Arcsecond}: false, {Scale: 0.6 * sky.Arcsecond}: true} {
			_, err := cheaply(t, few, hint)
			if err == nil || !strings.HasPrefix(err.Error(), want) || strings.Contains(err.Error(), "0.20 by 0.15 degrees") != field {
				t.Errorf("%d stars, %+v: %v, want %q", seen, hint, err, want)
			}
		}
	}
}

// cheaply makes the cheap passes only.
func cheaply(t *testing.T, in Image, hint Hint) (*Match, error) {
	return New(theIndex(), in, hint).Cheap(t.Context())
}
