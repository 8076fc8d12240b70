package plan

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Tolerance is how far the axis may be from the pole of the given kind, in
// whatever direction, so that no star of any planned exposure trails by more
// than the limit (an angle on the sky). Trails are taken as linear in the
// offset, which is true to a fraction offset/2 (in radians): 1 % at a degree.
// The answer is at most 5 degrees. [ErrAirAlone] means that no alignment will
// do.
func (p Plan) Tolerance(limit sky.Angle, kind observed.PoleKind) (sky.Angle, error) {
	if err := p.Check(); err != nil {
		return 0, err
	}
	if !(limit > 0) {
		return 0, fmt.Errorf("a limit of %g arcsec: give an angle above 0, for example one pixel, which is %s", limit.Arcseconds(), sky.KnownWords(p.Scale()))
	}
	pole := observed.Pole(p.Site, p.Air, kind)
	b := sky.TangentBasis(sky.Vec(pole))
	probe := float64(toleranceProbe)
	axes := [3]sky.Vec{sky.Vec(pole), sky.Moved(sky.Vec(pole), b, probe, 0), sky.Moved(sky.Vec(pole), b, 0, probe)}
	air, points := observed.NewRefraction(p.Air), p.points()
	hours, moments := p.starts()
	best := mostTolerance
	for _, guide := range p.guides() {
		for _, hour := range hours {
			var walks [3]path
			for k, a := range axes {
				var err error
				if walks[k], err = p.expose(a, air, hour, moments, points, guide); err != nil {
					return 0, err
				}
			}
			for i := range points {
				for to := range walks[0] {
					for from := range to {
						still := r3.Sub(walks[0][to][i], walks[0][from][i])
						if !(r3.Norm(still) < float64(limit)) {
							return 0, ErrAirAlone
						}
						var slope [2]sky.Vec
						for k := range slope {
							slope[k] = r3.Scale(1/probe, r3.Sub(r3.Sub(walks[1+k][to][i], walks[1+k][from][i]), still))
						}
						best = min(best, reach(still, slope, limit))
					}
				}
			}
		}
	}
	return best, nil
}

// reach is the least offset, over all its directions, at which a displacement
// that is still without offset and grows by slope reaches the limit.
func reach(still sky.Vec, slope [2]sky.Vec, limit sky.Angle) sky.Angle {
	least := math.Inf(1)
	c := r3.Norm2(still) - float64(limit*limit)
	for d := sky.Angle(0); d < sky.Turn; d += toleranceStep {
		m := r3.Add(r3.Scale(d.Cos(), slope[0]), r3.Scale(d.Sin(), slope[1]))
		a, b := r3.Norm2(m), r3.Dot(still, m)
		if a > 0 { // |still + r m| = limit, in the form that does not cancel
			least = min(least, -c/(b+math.Sqrt(b*b-a*c)))
		}
	}
	return sky.Angle(least)
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
		q := p
		q.Exposure = t
		m, err := q.assess(axis)
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
