package adjust

import (
	"math"
	"slices"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Directions are those in which the bolts moved the axis, frame by frame, and what
// they tell of the place and the clock. It never changes; the zero value has seen
// nothing.
//
// From one frame to the next the camera turns by a small rotation vector w, and the
// axis a moves by d = w x a. The azimuth bolt turns the mount about the vertical: of a
// movement of the axis towards growing azimuth by d.across, the camera turns about the
// axis by w.a = -tan(altitude) d.across. The altitude bolt does not turn it about the
// axis at all, and the drive by what it runs. So w.a less the drive is -tan(altitude)
// times the part of d along the direction into which the azimuth bolt moves the axis,
// whichever of the two bolts was turned, and by how much.
//
// With a clock that is wrong, or a longitude, all directions come out turned about the
// pole by one angle, that direction too. It is what is looked for here. A base that
// leans east or west by t turns it by about t / sin(altitude).
type Directions struct {
	seen   sky.Attitude
	at     time.Time
	swings []swing
	last   swing // the newest, counted or not
}

// swing is the change from one frame to the next.
type swing struct {
	across, up float64 // of the axis
	about      float64 // turn of the camera about the axis, as the drive turns the north
	seconds    float64
	rise       float64 // tangent of the axis's altitude
}

// undoes tells whether a swing takes back the one right before it, as after a frame that
// was wrong. The two say the same then, right or wrong, and count once.
func (s swing) undoes(before swing) bool {
	return math.Hypot(s.across+before.across, s.up+before.up) < 0.3*math.Hypot(before.across, before.up)
}

const (
	// leastSwing is the movement of the axis that counts as one.
	leastSwing = 3 * sky.Arcminute
	// mostSwings is how many are kept, the newest.
	mostSwings = 40
	// swingNoise is that of the turn about the axis between two frames: gears, wind, a
	// clutch that gives (common practice), and swingPart of the movement, since hinges are
	// not square. A base that leans north or south, by swingLean as bases do, changes the
	// tangent t by (1+t^2) times that.
	swingNoise = 30 * sky.Arcsecond
	swingPart  = 0.03
	swingLean  = 3 * sky.Degree
	// stray is the probability of a turn that is none of the bolts' and the drive's: by
	// hand, a clutch that slipped, a wrong frame. Its size is that of the movement, with the
	// long tails of a Cauchy distribution.
	stray = 0.05
	// leastSwings is how many movements must tell.
	leastSwings = 3
	// wrongBase is how far a base may lean before it is looked at: common practice, five
	// degrees catch the eye.
	wrongBase = 7 * sky.Degree
	// certain is the probability left to all that is within a base's lean.
	certain = 1e-4
)

// With is d after one more frame, in which the axis of the body is c.
func (d Directions) With(c sky.Vec, seen sky.Attitude, at time.Time) Directions {
	before := d.seen
	seconds := at.Sub(d.at).Seconds()
	if d.at.IsZero() {
		d.seen, d.at = seen, at
		return d
	}
	d.seen, d.at = seen, at
	a := before.R.Apply(c)
	turn := sky.VectorFromRotation(seen.R.Mul(before.R.Transpose()))
	moved := r3.Sub(seen.R.Apply(c), a)
	if r3.Norm(moved) < float64(leastSwing) {
		d.last = swing{}
		return d
	}
	across, up := sky.Tangents(sky.Local(a))
	alt, _ := sky.AltAzFromLocal(sky.Local(a))
	now := swing{r3.Dot(moved, across), r3.Dot(moved, up), r3.Dot(turn, a), seconds, alt.Tan()}
	undone := now.undoes(d.last)
	if d.last = now; undone {
		d.last = swing{}
		return d
	}
	d.swings = append(slices.Clone(d.swings[max(0, len(d.swings)-mostSwings+1):]), now)
	return d
}

// Turned is by how much the direction into which the azimuth bolt moves the axis is
// turned from the one that the place implies, from growing azimuth towards growing
// altitude: the probability of each degree. It is nil while nothing is told, or no more
// than what a base that leans does. The altitude bolt alone tells two directions, half a
// turn apart.
func (d Directions) Turned(pole sky.Local, south bool) []float64 {
	if len(d.swings) < leastSwings {
		return nil
	}
	return sky.TurnProbabilities(d.likelihoods(south), turnByLean(pole), certain)
}

// Agrees tells whether the bolts move the axis into the directions that place and time imply, to
// two hours' turn of the sky: all others together are less likely than one in a hundred. So near
// the equator that a leaning base turns them by half of that, nothing is confirmed.
func (d Directions) Agrees(pole sky.Local, south bool) bool {
	const twoHours, doubt = 30 * sky.Degree, 1e-2
	return len(d.swings) >= leastSwings && turnByLean(pole) <= twoHours/2 && sky.TurnProbabilities(d.likelihoods(south), twoHours, 1-doubt) == nil
}

// turnByLean is by how much a base that leans east or west turns the directions.
func turnByLean(pole sky.Local) sky.Angle {
	alt, _ := sky.AltAzFromLocal(pole)
	return wrongBase / sky.Angle(max(alt.Sin(), wrongBase.Sin()))
}

// likelihoods are those of each degree of a turn, as logarithms.
func (d Directions) likelihoods(south bool) (logs [360]float64) {
	for i := range logs {
		logs[i] = d.likelihood(sky.Angle(i)*sky.Degree, south)
	}
	return logs
}

// likelihood is the logarithm of that of a turn, the drive running or standing.
func (d Directions) likelihood(turned sky.Angle, south bool) float64 {
	var runs, stands float64
	for _, s := range d.swings {
		want := -s.rise * (s.across*turned.Cos() + s.up*turned.Sin())
		drive := -observed.SiderealRate * s.seconds // the sky turns left-handed about the north pole
		if south {
			drive = -drive
		}
		part := math.Hypot(swingPart, float64(swingLean)*(1+s.rise*s.rise))
		size := math.Hypot(s.across, s.up)
		noise := math.Hypot(float64(swingNoise), part*size)
		density := func(expected float64) float64 {
			miss := float64(sky.Angle(s.about-expected).Signed()) / noise
			return math.Log((1-stray)*math.Exp(-miss*miss/2)/(noise*math.Sqrt(2*math.Pi)) + stray*size/(math.Pi*(size*size+s.about*s.about)))
		}
		runs += density(want + drive)
		stands += density(want)
	}
	high := max(runs, stands)
	return high + math.Log(math.Exp(runs-high)+math.Exp(stands-high))
}
