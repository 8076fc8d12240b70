package adjust

import (
	"fmt"
	"math"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// tiltGrid is what the bolts' answers have shown of the line about which the
// azimuth bolt turns the mount: the logarithm of the probability of each tilt
// towards east and north on a grid. The filter of tracker takes the tilt as
// small; here it may be as large as a wrong latitude makes it. From one frame to
// the next the camera turns by the two bolts and about the axis, and the part
// about the axis is that of a drive that tracks or stands, or is unknown.
// Under a wrong tilt it comes out otherwise.
//
// It holds for any tilt up to some twenty degrees, other than the tilt in the
// tracker's own state, which is taken as small.
type tiltGrid struct {
	logs  []float64 // tiltCells x tiltCells, rows to the north; nil while nothing is known
	moves int       // that showed it
}

const (
	// tiltMost is the largest tilt considered, tiltStep the distance of the
	// cells; their width counts in the uncertainty.
	tiltMost  = 24 * sky.Degree
	tiltStep  = 1.5 * sky.Degree
	tiltCells = 33 // 2 tiltMost/tiltStep + 1

	// Before anything is known, the tilt is that of a base (tiltPrior), or, with
	// the probability tiltOdd, of a base or latitude that is badly wrong: tiltWide,
	// 1-sigma.
	tiltOdd  = 0.1
	tiltWide = 10 * sky.Degree

	// tiltMoved is the movement of the axis from which it tells of the tilt: less
	// would cost time and tell nothing.
	tiltMoved = 1 * sky.Arcminute
)

// tiltAt is the tilt of a cell.
func tiltAt(cell int) sky.Angle { return sky.Angle(cell)*tiltStep - tiltMost }

// learn gives what is known after one more frame. A drive that tracks has turned
// by drive, which has the probability follow beforehand; variance is that of the
// turn about the axis.
func (l tiltGrid) learn(c sky.Vec, from, to sky.Attitude, drive sky.Angle, follow, variance float64) tiltGrid {
	axis, now := from.R.Apply(c), to.R.Apply(c)
	moved := sky.Separation(sky.Local(axis), sky.Local(now))
	if moved < tiltMoved {
		return l
	}
	// The hinge of a real mount is not quite square to its axes.
	variance += float64(moved*moved) * coneError.Sin() * coneError.Sin()
	turned := to.R.Mul(from.R.Transpose())
	next := make([]float64, tiltCells*tiltCells)
	angles := make([]float64, tiltCells*tiltCells)
	for i := range tiltCells {
		for j := range tiltCells {
			up := sky.Unit(sky.Vec{X: tiltAt(j).Tan(), Y: tiltAt(i).Tan(), Z: 1})
			angles[i*tiltCells+j] = float64(sky.TurnAbout(bolts(up, axis, now).Transpose().Mul(turned), axis))
		}
	}
	for i := range tiltCells {
		for j := range tiltCells {
			at := i*tiltCells + j
			// A cell stands for all tilts within it.
			slope := func(a, b int) float64 { return float64(sky.Angle(angles[b]-angles[a]).Signed()) / 2 }
			width := 0.0
			if j > 0 && j < tiltCells-1 {
				width += slope(at-1, at+1) * slope(at-1, at+1) / 12
			}
			if i > 0 && i < tiltCells-1 {
				width += slope(at-tiltCells, at+tiltCells) * slope(at-tiltCells, at+tiltCells) / 12
			}
			v := variance + width
			density := func(step sky.Angle) float64 {
				miss := float64((sky.Angle(angles[at]) - step).Signed())
				return math.Exp(-miss*miss/(2*v)) / math.Sqrt(2*math.Pi*v)
			}
			next[at] = l.log(i, j) + math.Log((1-turnedPrior)*(follow*density(drive)+(1-follow)*density(0))+turnedPrior/float64(sky.Turn))
		}
	}
	return tiltGrid{next, l.moves + 1}
}

// log is the logarithm of the probability of a cell, up to a constant.
func (l tiltGrid) log(i, j int) float64 {
	if l.logs != nil {
		return l.logs[i*tiltCells+j]
	}
	prior := func(a sky.Angle) float64 {
		x, wide := float64(a/tiltPrior), float64(a/tiltWide)
		return math.Log((1-tiltOdd)*math.Exp(-x*x/2)/float64(tiltPrior) + tiltOdd*math.Exp(-wide*wide/2)/float64(tiltWide))
	}
	return prior(tiltAt(i)) + prior(tiltAt(j))
}

// tilt is mean and standard deviation towards east and north.
func (l tiltGrid) tilt() (mean, sigma [2]sky.Angle) {
	top := math.Inf(-1)
	for i := range tiltCells {
		for j := range tiltCells {
			top = max(top, l.log(i, j))
		}
	}
	var sum float64
	var first, second [2]float64
	for i := range tiltCells {
		for j := range tiltCells {
			p := math.Exp(l.log(i, j) - top)
			sum += p
			for k, x := range [2]float64{float64(tiltAt(j)), float64(tiltAt(i))} {
				first[k] += p * x
				second[k] += p * x * x
			}
		}
	}
	const within = float64(tiltStep*tiltStep) / 12
	for k := range 2 {
		m := first[k] / sum
		mean[k], sigma[k] = sky.Angle(m), sky.Angle(math.Sqrt(max(0, second[k]/sum-m*m)+within))
	}
	return mean, sigma
}

// turnVariance is that of the turn about the axis between two frames, drive
// wander apart.
func turnVariance(axis sky.Vec, from, to sky.Attitude, extra float64) float64 {
	return r3.Dot(axis, from.Cov.Apply(axis)) + r3.Dot(axis, to.Cov.Apply(axis)) + 2*extra
}

const (
	// doubtfulTilt is more than any base is out of level: common practice, five
	// degrees catch the eye; and a cell of the grid (tiltStep) with it.
	doubtfulTilt = 7 * sky.Degree

	// tiltMoves is how many movements of the axis must tell of it: among fewer, one
	// frame that is wrong has too much to say.
	tiltMoves = 5

	// tiltClear is how many standard deviations it must be clear of none.
	tiltClear = 6
)

// latitudeByBolt reads a wrong latitude from the line about which the azimuth
// bolt turned the axis: see [tiltGrid]. In a local frame of too northern a
// latitude the true vertical leans south by the error. A base that is not level
// looks the same, so both are named. A lean is seen when both bolts were turned,
// by some arcminutes at least. What it gives is for the user, and empty while the frames do not
// tell, or nothing is wrong.
func latitudeByBolt(t *tracker) string {
	if t.tilts.moves < tiltMoves {
		return ""
	}
	mean, sigmas := t.tilts.tilt()
	north, sigma := mean[1], sigmas[1]
	if north.Abs() < doubtfulTilt || north.Abs() < tiltClear*sigma {
		return ""
	}
	way, lean := "north", "south"
	if north > 0 {
		way, lean = "south", "north"
	}
	return fmt.Sprintf("The azimuth bolt turns the mount about a line that leans about %.0f° to the %s. Either the base is out of level by that much, or the latitude given is about %.0f° too far %s. The bubble level tells which; the correction holds in both cases.",
		north.Abs().Degrees(), lean, north.Abs().Degrees(), way)
}

// learnTilt takes what the bolts did from the frame before, as the tracker then
// stood, to the newest as telling of their tilt: see [tiltGrid]. It is for
// frames between which the bolts were turned and nothing else happened.
func (t *tracker) learnTilt(before *tracker) {
	axis := t.seen.R.Apply(t.c)
	if math.Hypot(axis.X, axis.Y) <= hingeZenith.Sin() {
		return
	}
	seconds := t.newest.Sub(before.newest).Seconds()
	variance := turnVariance(axis, before.seen, t.seen, t.extra) + float64(driveBacklash*driveBacklash) + wanderVariance(seconds, t.rate)
	t.tilts = before.tilts.learn(t.c, before.seen, t.seen, sky.Angle(t.rate*seconds), before.followed(), variance)
}
