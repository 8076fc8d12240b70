package plan

import (
	"errors"
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/optimize"
	"gonum.org/v1/gonum/spatial/r3"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Tolerance is how far the axis may be from a direction, such as a pole, in
// whatever direction from there, so that no star of any planned exposure trails by more
// than the limit (an angle on the sky), to half a per cent of the limit. The answer is at most 5
// degrees. [ErrAirAlone] means that no alignment will
// do.
func (p Plan) Tolerance(limit sky.Angle, pole sky.Local) (sky.Angle, error) {
	if err := p.Check(); err != nil {
		return 0, err
	}
	if !(limit > 0) {
		return 0, fmt.Errorf("a limit of %g arcsec: give an angle above 0, for example one pixel, which is %s", limit.Arcseconds(), sky.KnownWords(p.Scale()))
	}
	s := newSamples(p)
	still, err := s.assess(pole)
	if err != nil {
		return 0, err
	}
	if !(still.Trail.Size < limit) {
		return 0, ErrAirAlone
	}
	low, least := sky.Angle(0), still.Trail.Size
	high, most := sky.Angle(0), sky.Angle(0)      // none yet
	offset := min(limit/p.swept(), mostTolerance) // what stars far from the pole bear without a guide star
	aim := limit * (1 - tolerancePrecision/2)
	for range toleranceRounds {
		worst, err := worstBeside(&s, sky.Vec(pole), offset)
		switch {
		case err != nil && !errors.Is(err, ErrNotSteerable):
			return 0, err
		case err != nil:
			high, most = offset, 0
		case worst > limit:
			high, most = offset, worst
		case worst >= limit*(1-tolerancePrecision) || offset == mostTolerance:
			return offset, nil
		default:
			low, least = offset, worst
		}
		switch {
		case high == 0: // trails grow faster and faster: along the chord it comes beyond the end
			offset = min(low+low*(aim-least)/max(least-still.Trail.Size, 0), mostTolerance)
		case most == 0:
			offset = (low + high) / 2
		default: // along the chord, but never next to an end
			part := min(max(float64((aim-least)/(most-least)), 0.05), 0.95)
			offset = low + sky.Angle(part)*(high-low)
		}
	}
	if low == 0 {
		return 0, ErrNotSteerable
	}
	return low, nil
}

const (
	// toleranceWays are the directions of the offset in which exact trails are
	// worked out; halving the step between them twice more leaves the worst missed by
	// 1 - cos(4 degrees).
	toleranceWays = 12

	// toleranceRounds and tolerancePrecision end the search for the offset at which the
	// exact trail is the limit.
	toleranceRounds    = 30
	tolerancePrecision = 0.005
)

// worstBeside is the worst trail of all directions in which the axis may stand so
// far from the pole.
func worstBeside(s *samples, pole sky.Vec, offset sky.Angle) (sky.Angle, error) {
	worst, where := sky.Angle(0), sky.Angle(0)
	b := sky.TangentBasis(pole)
	look := func(way sky.Angle) error {
		side := r3.Add(r3.Scale(way.Cos(), b[0]), r3.Scale(way.Sin(), b[1]))
		m, err := s.assess(sky.Local(r3.Add(r3.Scale(offset.Cos(), pole), r3.Scale(offset.Sin(), side))))
		if err == nil && m.Trail.Size > worst {
			worst, where = m.Trail.Size, way
		}
		return err
	}
	const step = sky.Turn / toleranceWays
	for k := range toleranceWays {
		if err := look(sky.Angle(k) * step); err != nil {
			return 0, err
		}
	}
	for by := step / 2; by > step/5; by /= 2 {
		for _, way := range [2]sky.Angle{where - by, where + by} {
			if err := look(way); err != nil {
				return 0, err
			}
		}
	}
	return worst, nil
}

// LongestExposure is the longest exposure, to a part in a thousand, in which no
// star trails by more than the limit at any planned hour angle, for the axis as
// it stands. It is at most the time planned from HourFrom to HourTo (or the
// plan's own exposure, where that is longer), and 0 when even a millisecond
// is too long.
func (p Plan) LongestExposure(axis sky.Local, limit sky.Angle) (time.Duration, error) {
	if err := p.Check(); err != nil {
		return 0, err
	}
	if !(limit > 0) {
		return 0, fmt.Errorf("a limit of %g arcsec: give an angle above 0, for example one pixel, which is %s", limit.Arcseconds(), sky.KnownWords(p.Scale()))
	}
	fits := func(t time.Duration) (bool, error) {
		p.Exposure = t
		s := newSamples(p)
		m, err := s.assess(axis)
		return m.Trail.Size <= limit, err
	}
	planned := time.Duration(float64((p.HourTo-p.HourFrom)/observed.SiderealRate) * float64(time.Second))
	low, high := shortestPlanned, min(max(planned, p.Exposure), longestPlanned)
	switch ok, err := fits(high); {
	case err != nil:
		return 0, err
	case ok:
		return high, nil
	}
	if ok, err := fits(low); err != nil || !ok {
		return 0, err
	}
	const precision = 1.001
	for float64(high) > precision*float64(low) {
		middle := time.Duration(math.Sqrt(float64(low) * float64(high)))
		ok, err := fits(middle)
		if err != nil {
			return 0, err
		}
		if ok {
			low = middle
		} else {
			high = middle
		}
	}
	return low, nil
}

// Best is the axis for which the worst star of the planned exposures trails least,
// and how far it trails. It is not the refracted pole everywhere: that is the
// point about which stars near it are seen to turn (King 1931), while stars far
// from it are carried by a refraction of their own. The trail's valley is
// flat: the axis is found to where the trail is within 3 per cent, or a hundredth
// of an arcsecond, of its least.
func (p Plan) Best() (sky.Local, sky.Angle, error) {
	if err := p.Check(); err != nil {
		return sky.Local{}, 0, err
	}
	s := newSamples(p)
	start := sky.Vec(observed.Pole(p.Site, p.Air, observed.Refracted))
	b := sky.TangentBasis(start)
	at := func(x []float64) sky.Local {
		return sky.Local(sky.Unit(r3.Add(start, r3.Add(r3.Scale(x[0]*bestUnit, b[0]), r3.Scale(x[1]*bestUnit, b[1])))))
	}
	trail := func(x []float64) float64 {
		m, err := s.assess(at(x))
		if err != nil {
			return math.Inf(1)
		}
		return m.Trail.Size.Arcseconds()
	}
	// The greatest of many trails has no derivative where two are alike: a simplex.
	found, err := optimize.Minimize(optimize.Problem{Func: trail}, []float64{0, 0},
		&optimize.Settings{FuncEvaluations: mostEvaluations, Converger: &optimize.FunctionConverge{Relative: 1e-3, Iterations: 20}}, &optimize.NelderMead{SimplexSize: 1})
	if found == nil {
		return sky.Local{}, 0, err
	}
	return at(found.X), sky.Angle(found.F) * sky.Arcsecond, nil
}

const (
	// bestUnit is the first step of the search: what lies between the refracted and
	// the true pole at middle latitudes.
	bestUnit = float64(1 * sky.Arcminute)

	// mostEvaluations bounds the search.
	mostEvaluations = 300
)

// guiderDrift is how fast stars near the target drift in declination, in
// radians a second, for an axis so far off in the worst direction: what a guider
// has to make good. It is the offset times the sidereal rate (Hook 1989, for a
// small offset).
func guiderDrift(offset sky.Angle) float64 { return offset.Sin() * observed.SiderealRate }
