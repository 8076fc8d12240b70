package camera

import (
	"cmp"
	"context"
	"math"
	"runtime"
	"slices"

	"polard/mountmodel/sky"
	"polard/solve/parallel"
)

// terms of a fit: which the pairs demand.

// lensField is the field (long side) from which a lens's distortion and the place
// of its axis can be told from scale and attitude. At 3 degrees, half a percent
// of distortion at the corner of a wide lens has shrunk to a hundredth of a pixel.
const lensField = 3 * sky.Degree

// extensions are the groups of terms that may join the fit together.
var extensions = []terms{
	{radial1: true},
	{shear: true},
	{axis: true},
	{radial1: true, axis: true},
	{radial1: true, radial2: true},
	{radial1: true, radial2: true, axis: true},
}

// extendStars is how many pairs, the brightest, decide about terms: they hold
// most of what is known, and each group costs a fit.
const extendStars = 300

// Extend adds groups of terms to the fit, the most telling first, as far as the
// pairs demand them: a group stays when it lowers chi-square by more than the
// Bayesian information criterion asks, ln(observations) for each number (Schwarz
// 1978, Annals of Statistics 6, 461), chi-square being counted in units of
// the richer fit's own scatter, and doubled for the choice among groups. It
// tells whether it added any; the error is the context's.
func (f *Fit) Extend(ctx context.Context, pairs []Pair) (extended bool, err error) {
	field := sky.Angle(max(f.Width, f.Height)) * f.Scale
	now := *f
	some := slices.Clone(pairs[:min(extendStars, len(pairs))])
	if len(some) < len(pairs) && !now.Solve(some, CoarseStep) {
		return false, nil
	}
	for {
		tried := make([]extension, len(extensions))
		if err := parallel.Each(ctx, runtime.GOMAXPROCS(0), len(tried), func(_, i int) {
			if field >= lensField || extensions[i] == (terms{shear: true}) {
				tried[i] = now.tryTerms(extensions[i], some)
			}
		}); err != nil {
			return false, err
		}
		best := slices.MaxFunc(tried, func(a, b extension) int { return cmp.Compare(a.gain, b.gain) })
		if best.gain <= 0 {
			break
		}
		now, some, extended = best.fit, best.pairs, true
	}
	if extended {
		*f = now
	}
	return extended, nil
}

// extension is a fit with more terms, and what it gains.
type extension struct {
	fit   Fit
	pairs []Pair
	gain  float64
}

// tryTerms fits with a group of terms more. The gain is nothing where they cannot be fitted.
func (f *Fit) tryTerms(group terms, pairs []Pair) (e extension) {
	e.fit = *f
	e.fit.terms = f.terms.with(group)
	extra := e.fit.terms.count() - f.terms.count()
	if extra == 0 || len(pairs) < pairsPerTerm*e.fit.terms.count() {
		return e
	}
	e.pairs = slices.Clone(pairs)
	if !e.fit.Solve(e.pairs, CoarseStep) {
		return e
	}
	unit := sq(max(e.fit.Residuals(e.pairs), 1))
	e.gain = (robustSum(pairs)-robustSum(e.pairs))/unit - float64(extra)*2*math.Log(2*float64(len(pairs)))
	return e
}

// pairsPerTerm is how many stars a number of the camera model needs behind it.
const pairsPerTerm = 3

// robustSum is chi-square with large residuals counted linearly, after Huber.
func robustSum(pairs []Pair) float64 {
	var sum float64
	for _, p := range pairs {
		t := math.Hypot(p.DX, p.DY) / p.Sigma
		if t <= 2*huberLimit {
			sum += t * t
		} else {
			sum += 2*huberLimit*(2*t) - sq(2*huberLimit)
		}
	}
	return sum
}
