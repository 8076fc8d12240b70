package axis

import (
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

	// leastAsked, mostAsked and askedStep are the further turns considered.
	leastAsked = 5 * sky.Degree
	mostAsked  = 120 * sky.Degree
	askedStep  = 5 * sky.Degree
)

// PredictTurn says what turning the RA axis further would bring: the expected
// uncertainty of the axis after one more frame, as good as the last one, at
// 15, 30 and 60 degrees more, and the least turn after which it is at most
// wanted (semi-major axis, 1-sigma, on the sky). One frame is enough to
// predict from; the axis is then taken to be near the pole. Frames hold
// attitudes in the local frame.
func PredictTurn(frames []sky.Attitude, pole sky.Local, wanted sky.Angle) TurnAdvice {
	if len(frames) == 0 {
		return TurnAdvice{}
	}
	n, sense, modelError := sky.Vec(pole), 1.0, sky.Angle(0)
	if fit, err := Find(frames, pole); err == nil {
		n, modelError = fit.n, fit.ModelError
		last := fit.Turns[len(fit.Turns)-1] - fit.Turns[len(fit.Turns)-2]
		if last.Signed() < 0 {
			sense = -1
		}
	}
	var a TurnAdvice
	for _, t := range []sky.Angle{15 * sky.Degree, 30 * sky.Degree, 60 * sky.Degree} {
		if s, ok := forecast(frames, n, sky.Angle(sense)*t, modelError); ok {
			a.Expected = append(a.Expected, TurnForecast{Turn: t, Uncertainty: s})
		}
	}
	for t := leastAsked; t <= mostAsked; t += askedStep {
		if s, ok := forecast(frames, n, sky.Angle(sense)*t, modelError); ok && s <= wanted {
			a.Least = t
			break
		}
	}
	return a
}

// forecast is the 1-sigma semi-major axis of the axis after one more frame,
// turned by turn about n since the last.
func forecast(frames []sky.Attitude, n sky.Vec, turn, modelError sky.Angle) (sky.Angle, bool) {
	last := frames[len(frames)-1]
	q := sky.Rotation(n, turn)
	next := sky.Attitude{R: q.Mul(last.R), Cov: q.Mul(last.Cov).Mul(q.Transpose())}
	return spread(append(frames[:len(frames):len(frames)], next), n, modelError)
}

// spread is the 1-sigma semi-major axis that the frames give to an axis near
// n, with the mechanical noise added.
func spread(frames []sky.Attitude, n sky.Vec, modelError sky.Angle) (sky.Angle, bool) {
	m := rigid(frames, n)
	m.extra = float64(modelError*modelError + MechanicalNoise*MechanicalNoise)
	if _, err := m.normal(); err != nil {
		return 0, false
	}
	cov, err := invertScaled(m.info)
	if err != nil {
		return 0, false
	}
	a := Axis{Dir: sky.Local(n), Cov: [2][2]float64{{cov.At(0, 0), cov.At(0, 1)}, {cov.At(1, 0), cov.At(1, 1)}}}
	major, _, _ := a.Ellipse()
	return major, true
}

// TurnAdvice says what turning the RA axis further would bring.
type TurnAdvice struct {
	Least    sky.Angle // the least further turn that reaches the wanted uncertainty; 0 when no turn up to the limit does
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

// least is the turn to ask for: the least that reaches the wanted uncertainty,
// within what is asked for in one go.
func (a *TurnAdvice) least() sky.Angle {
	if a == nil || a.Least == 0 {
		return UsualTurn
	}
	return min(max(a.Least, shortTurn), longTurn)
}
