package plan

import (
	"math"

	"gonum.org/v1/gonum/optimize"
	"gonum.org/v1/gonum/spatial/r3"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Best is the axis for which the worst star of the planned exposures trails least,
// and how far it trails. It is not the refracted pole everywhere: that is the
// point about which stars near it are seen to turn (King 1931), while stars far
// from it are carried by a refraction of their own. The trail's valley is
// flat: the axis is found to where the trail is within a per cent of its least.
func (p Plan) Best() (sky.Local, sky.Angle, error) {
	if err := p.Check(); err != nil {
		return sky.Local{}, 0, err
	}
	start := sky.Vec(observed.Pole(p.Site, p.Air, observed.Refracted))
	b := sky.TangentBasis(start)
	at := func(x []float64) sky.Local {
		return sky.Local(sky.Unit(r3.Add(start, r3.Add(r3.Scale(x[0]*bestUnit, b[0]), r3.Scale(x[1]*bestUnit, b[1])))))
	}
	trail := func(x []float64) float64 {
		m, err := p.assess(at(x))
		if err != nil {
			return math.Inf(1)
		}
		return m.Trail.Size.Arcseconds()
	}
	// The greatest of many trails has no derivative where two are alike: a simplex.
	found, err := optimize.Minimize(optimize.Problem{Func: trail}, []float64{0, 0},
		&optimize.Settings{FuncEvaluations: bestEvaluations, Converger: &optimize.FunctionConverge{Relative: 1e-3, Iterations: 20}}, &optimize.NelderMead{SimplexSize: 1})
	if found == nil {
		return sky.Local{}, 0, err
	}
	return at(found.X), sky.Angle(found.F) * sky.Arcsecond, nil
}

const (
	// bestUnit is the first step of the search: what lies between the refracted and
	// the true pole at middle latitudes.
	bestUnit = float64(1 * sky.Arcminute)

	// bestEvaluations bounds the search.
	bestEvaluations = 300
)

// GuiderDrift is how fast stars near the target drift in declination, in
// radians a second, for an axis so far off in the worst direction: what a guider
// has to make good. It is the offset times the sidereal rate (Hook 1989, for a
// small offset).
func GuiderDrift(offset sky.Angle) float64 { return offset.Sin() * observed.SiderealRate }
