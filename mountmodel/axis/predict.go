package axis

import (
	"math"

	"polard/mountmodel/sky"
)

const (
	// MechanicalNoise is what a mount adds to each attitude, per coordinate,
	// beyond the stars: bearings, gears, wind, air moving as a whole. Common
	// practice. It enters only the judgement of how much turn is enough, where
	// star noise alone would be content with a few degrees.
	MechanicalNoise = 2 * sky.Arcsecond

	// DriftPrior is how fast an axis is taken to drift, per hour and
	// coordinate, if it does: common practice; a tripod on grass settles by an
	// arcminute in a night, one on frozen ground in an hour.
	DriftPrior = 30 * sky.Arcsecond

	// askedStep is the step of the turns considered.
	askedStep = 5 * sky.Degree
)

// PredictTurn says which turn of the RA axis to ask for next. Frames that all turn
// the same way hardly show a tripod that sinks or a declination that slips: what
// goes with time looks like a turn about another axis. One taken where an
// earlier one was shows it at once, so that turns there and back are asked for,
// the least with which everything that may have moved is bounded to wanted
// (semi-major axis, 1-sigma, on the sky; the power of other orders:
// TestPowerOfOrders). One frame is enough to predict from; the axis is then
// taken to be near the pole. Frames hold attitudes in the local frame; fit is
// their axis, nil where they give none.
func PredictTurn(frames []sky.Attitude, fit *Fit, pole sky.Local, wanted sky.Angle) TurnAdvice {
	if len(frames) == 0 {
		return TurnAdvice{}
	}
	p := prediction{frames: frames, n: sky.Vec(pole)}
	// Frames of a drive that only tracks may give an axis, but none by which turns are told apart: noise would
	// have the advice change its side from frame to frame.
	if fit == nil || Arc(fit.Turns) < shortTurn {
		return p.first(wanted)
	}
	p.n, p.modelError = fit.n, fit.ModelError
	last := len(fit.Turns) - 1
	onward := sky.Angle(1)
	if (fit.Turns[last] - fit.Turns[last-1]).Signed() < 0 {
		onward = -1
	}
	var a TurnAdvice
	for _, t := range forecasts {
		if s, ok := p.after(onward * t); ok {
			a.Expected = append(a.Expected, TurnForecast{Turn: t, Uncertainty: s})
		}
	}
	// Home first: it is the turn that is told most easily.
	turns := []sky.Angle{-fit.Turns[last].Signed()}
	for t := shortTurn; t <= longTurn; t += askedStep {
		turns = append(turns, -onward*t, onward*t)
	}
	best := sky.Angle(math.Inf(1))
	for _, t := range turns {
		if t.Abs() < shortTurn || t.Abs() > homeMost {
			continue
		}
		s, ok := p.after(t)
		if !ok || !(s < best) {
			continue
		}
		best = s
		a.Turn, a.Back, a.Enough, a.Uncertainty = t.Abs(), t*onward < 0, s <= wanted, s
		if a.Enough {
			break
		}
	}
	return a
}

// homeMost is the farthest way home that is asked for in one go: what was turned
// there in one go, and what the drive has added since.
const homeMost = longTurn + 15*sky.Degree

// first is the advice while there is no axis: as far as is asked for in one go,
// since the axis is known the better the farther it is turned, then back.
func (p prediction) first(wanted sky.Angle) (a TurnAdvice) {
	for _, t := range forecasts {
		if s, ok := p.after(t, -t); ok {
			a.Expected = append(a.Expected, TurnForecast{Turn: t, Uncertainty: s})
		}
	}
	if s, ok := p.after(longTurn, -longTurn); ok {
		a.Turn, a.Enough, a.Uncertainty = longTurn, s <= wanted, s
	}
	return a
}

// forecasts are the turns whose outcome is told.
var forecasts = []sky.Angle{15 * sky.Degree, 30 * sky.Degree, 60 * sky.Degree}

// prediction is what further frames are predicted from.
type prediction struct {
	frames     []sky.Attitude
	n          sky.Vec
	modelError sky.Angle
}

// after is the uncertainty after further frames, each turned about the axis by
// so much since the one before and as good as the last.
func (p prediction) after(turns ...sky.Angle) (sky.Angle, bool) {
	frames := p.frames[:len(p.frames):len(p.frames)]
	for _, t := range turns {
		last := frames[len(frames)-1]
		q := sky.Rotation(p.n, t)
		frames = append(frames, sky.Attitude{R: q.Mul(last.R), Cov: q.Mul(last.Cov).Mul(q.Transpose())})
	}
	return spread(frames, p.n, p.modelError)
}

// spread is the 1-sigma semi-major axis that the frames give to an axis near n,
// with the mechanical noise and what the rig may have moved meanwhile.
func spread(frames []sky.Attitude, n sky.Vec, modelError sky.Angle) (sky.Angle, bool) {
	m := rigid(frames, n)
	m.extra = float64(modelError*modelError + MechanicalNoise*MechanicalNoise)
	p, err := m.normal()
	if err != nil {
		return 0, false
	}
	inv, err := invertScaled(m.info)
	if err != nil {
		return 0, false
	}
	return Major(m.movement(p).Plus(1, ofAxis(inv))), true
}

// TurnAdvice says which turn of the RA axis to ask for next.
type TurnAdvice struct {
	Turn   sky.Angle // how far; 0 when nothing is known
	Back   bool      // towards where the frames before were taken, not on
	Enough bool      // one more frame there is expected to suffice
	// Uncertainty is what is expected after it: semi-major axis of the 1-sigma ellipse of the axis, on the sky.
	Uncertainty sky.Angle
	// Expected is the uncertainty after one more frame farther on; while there is
	// one frame only, after a turn there and back.
	Expected []TurnForecast
}

// TurnForecast is the predicted uncertainty after one more frame.
type TurnForecast struct {
	Turn        sky.Angle // further turn
	Uncertainty sky.Angle // semi-major axis of the 1-sigma ellipse of the axis, on the sky
}

// UsualTurn is asked for where the prediction has no better advice.
const UsualTurn = 30 * sky.Degree

// The turn asked for in one go: less, and the frames hardly differ; more, and
// the tube may meet the tripod, while two smaller turns do as well.
const (
	shortTurn = 15 * sky.Degree
	longTurn  = 60 * sky.Degree
)

// Wanted is the turn that is asked for.
func (a *TurnAdvice) Wanted() sky.Angle {
	if a == nil || a.Turn == 0 {
		return UsualTurn
	}
	return a.Turn
}
