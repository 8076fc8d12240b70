package mountmodel

import (
	"math"
	"slices"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Tracker follows the axis while the bolts are turned.
//
// The measurement leaves two things that bolts do not touch: where the axis
// stands in the camera's own frame (c), and the angle about it. A new frame
// with attitude R therefore gives the axis at once, R c, whatever the bolts and
// the drive did. Its weak side is the roll of a small field, which matters the
// more the farther the field is from the axis. So a second piece of knowledge
// is used: bolts turn the mount about a line that is roughly vertical and about
// a hinge level with it; what remains of the change of attitude is the turn
// about the axis, and that is known when the drive either followed the sky or
// stood still. Which of the two it was, or whether somebody turned the axis, is
// decided by the likelihoods; where they do not decide, the answers are mixed
// with their probabilities, and the uncertainty says so.
//
// The third is that bolts rest between most frames. How far the axis went since
// the frame before, from not at all to anywhere, is a choice among sizes, again
// by likelihood. While it rests, the rolls of all frames are averaged; and a turn
// about the axis meanwhile, by hand or by the drive, turns the direction in which
// a frame knows the axis badly, so that two such frames know it as well as the
// measurement did.
//
// The state is the joint Gaussian of: the axis at the measurement (2), the axis
// in the camera (2), the angle about the axis (1), the tilt of the azimuth
// bolt's line from the vertical, east and north (2), the axis at the newest frame
// (2). Each frame adds its attitude error (3) and is one update of an iterated
// extended Kalman filter (Jazwinski 1970, Stochastic Processes and Filtering
// Theory, section 8.3).
type Tracker struct {
	n, c    sky.Vec
	bn, bc  [2]sky.Vec
	ba      [2]sky.Vec // at latest, the axis at the newest frame
	ref     sky.Matrix // attitude of the reference frame, the last of the measurement: ref c = n
	theta   sky.Angle  // of the newest frame since the reference frame
	tilt    [2]float64
	lean    lean          // of the newest frame
	cov     *mat.SymDense // of the state, stateSize
	extra   float64       // model variance of the measurement, per coordinate
	rate    float64       // of a tracking axis, radians per second about n
	tracks  float64       // probability that the drive follows the sky
	stiff   float64       // probability that the axis, at rest, stays within the first of restSizes, not the second
	rests   float64       // probability that nobody turned a bolt before the newest frame
	newest  time.Time
	turnRef sky.Angle // angle of the reference frame since the first frame of the measurement
	latest  axis.Axis
	seen    sky.Attitude // of the newest frame
	leans   leaning
}

// Places in the state, and in the state joined with the attitude error of the
// newest frame.
const (
	atAxis    = 0
	atBody    = 2
	atTheta   = 4
	atTilt    = 5
	atNow     = 7
	stateSize = 9
	atFrame   = stateSize
	jointSize = stateSize + 3
)

const (
	// tiltPrior is how level a base is taken to be, 1-sigma: common practice
	// asks for a bubble level, few obey, five degrees catch the eye.
	tiltPrior = 3 * sky.Degree

	// drivePlay is by how much an axis at rest or tracking departs from where
	// it should be when bolts are turned: play of the worm, the user's hands.
	// Common practice.
	drivePlay = 2 * sky.Arcsecond

	// driveWander is the growth of the departure of a tracking drive per
	// second, up to driveWanderMost: periodic error of 10 arcsec amplitude and
	// some eight minutes' period has a root mean square slope of 0.09 arcsec
	// per second and size of 7 arcsec. Common practice.
	driveWander     = 0.09 * sky.Arcsecond
	driveWanderMost = 7 * sky.Arcsecond

	// rateDoubt covers drives at solar instead of sidereal rate, 0.27 %.
	rateDoubt = 0.003

	// turnedPrior is the probability beforehand that somebody turned the axis
	// between two frames.
	turnedPrior = 0.05

	// restGoesOn and restBegins are the probabilities beforehand that nobody turns
	// a bolt between two frames, after one between which nobody did and after one
	// between which somebody did: people turn, and then look. The sizes by which
	// the axis may go all the same are restSizes, of a mount that is as good as
	// rigid and of one that shakes; when bolts are turned boltSizes, or anything up
	// to largestJump: by hand, steps of all sizes are as common, from a tweak to a
	// search. All are 1-sigma and per coordinate. Common practice.
	restGoesOn = 0.8
	restBegins = 0.5

	// restTurned is the same where somebody turned the RA axis: hands on the
	// clutch turn no bolt. Common practice.
	restTurned = 0.95

	// stiffPersists is the probability beforehand that a mount goes on shaking, or
	// not shaking: the wind changes.
	stiffPersists = 0.98

	// drivePersists is the probability beforehand that a drive goes on doing
	// what it did.
	drivePersists = 0.95

	// driveTold is the probability from which the drive's doing is told.
	driveTold = 0.9

	// hingeZenith is the distance of the axis from the zenith within which
	// nothing is assumed of the drive and the bolts: the tilt of the base there
	// moves the azimuth of the axis against the hinge by a large angle, and
	// bolts and axis turn the same way. The frame then speaks alone. Two and a
	// half times tiltPrior.
	hingeZenith = 7.5 * sky.Degree

	// updateRounds of the iterated filter. The second-order terms are products
	// of arcseconds to arcminutes; one round more than linear.
	updateRounds = 2

	// diffStep of the central differences, radians: truncation 1e-12, rounding
	// 1e-10, relative.
	diffStep = 1e-6
)

var (
	restSizes = [...]sky.Angle{0.3 * sky.Arcsecond, axis.MechanicalNoise}
	boltSizes = [...]sky.Angle{15 * sky.Arcsecond, 2 * sky.Arcminute, 15 * sky.Arcminute}
)

// NewTracker starts from a measurement. mids are the mid-exposure times of the
// fit's frames, south tells that the axis points to the southern pole.
func NewTracker(fit *axis.Fit, mids []time.Time, south bool) *Tracker {
	last := 0
	for i, m := range mids {
		if !m.Before(mids[last]) {
			last = i
		}
	}
	f := fit.Frames[last]
	n, c := sky.Vec(fit.Axis.Dir), sky.Vec(fit.Body)
	extra := float64(fit.ModelError * fit.ModelError)
	t := &Tracker{
		n: n, c: c, bn: sky.TangentBasis(n), bc: sky.TangentBasis(c), ba: sky.TangentBasis(n),
		ref:     sky.RotationFromVector(fit.Residuals[last]).Mul(f.R),
		extra:   extra,
		rate:    -observed.SiderealRate,
		tracks:  0.5,
		stiff:   0.5,
		rests:   1,
		newest:  mids[last],
		turnRef: fit.Turns[last],
		latest:  fit.Axis,
		seen:    f,
		cov:     mat.NewSymDense(stateSize, nil),
	}
	if south {
		t.rate = observed.SiderealRate
	}
	// The angle about the axis given the four: likelyTurn's part along the
	// axis, k . y with y = d(n) - E^T R F d(c), and the variance left.
	b := t.bn
	turn := [2]sky.Vec{r3.Cross(t.n, b[0]), r3.Cross(t.n, b[1])}
	w, _ := sky.Invert2(axis.Across(f.Cov, t.n, b, extra)) // the fit has inverted the same
	cn := f.Cov.Apply(t.n)
	v := [2]float64{r3.Dot(cn, turn[0]), r3.Dot(cn, turn[1])}
	k := [2]float64{w[0][0]*v[0] + w[0][1]*v[1], w[1][0]*v[0] + w[1][1]*v[1]}
	left := r3.Dot(t.n, cn) + extra - k[0]*v[0] - k[1]*v[1]
	var row [4]float64
	row[0], row[1] = k[0], k[1]
	for j := range 2 {
		g := f.R.Apply(t.bc[j])
		row[2+j] = -k[0]*r3.Dot(b[0], g) - k[1]*r3.Dot(b[1], g)
	}
	variance := left
	for i := range 4 {
		with := 0.0
		for j := range 4 {
			t.cov.SetSym(i, j, fit.Cov.At(i, j))
			with += fit.Cov.At(i, j) * row[j]
		}
		t.cov.SetSym(i, atTheta, with)
		variance += row[i] * with
	}
	t.cov.SetSym(atTheta, atTheta, variance)
	for i := range 2 {
		t.cov.SetSym(atTilt+i, atTilt+i, float64(tiltPrior*tiltPrior))
	}
	for i := range 2 { // the axis stands where it was measured
		for j := range atNow {
			t.cov.SetSym(atNow+i, j, t.cov.At(atAxis+i, j))
		}
		for j := range 2 {
			t.cov.SetSym(atNow+i, atNow+j, t.cov.At(atAxis+i, atAxis+j))
		}
	}
	return t
}

// Reading is what one frame tells while the bolts are turned.
type Reading struct {
	Axis         axis.Axis
	Turn         sky.Angle // about the axis since the first frame of the measurement, in [-180, 180) degrees
	Drive        Drive
	TrackingOdds float64 // probability that the drive follows the sky
	Jump         sky.Angle
}

// LearnTilt takes what the bolts did from the frame before, as the tracker then
// stood, to the newest as telling of their tilt: see [Tracker.Tilt]. It is for
// frames between which the bolts were turned and nothing else happened.
func (t *Tracker) LearnTilt(before *Tracker) {
	axis := t.seen.R.Apply(t.c)
	if math.Hypot(axis.X, axis.Y) <= hingeZenith.Sin() {
		return
	}
	seconds := t.newest.Sub(before.newest).Seconds()
	variance := turnVariance(axis, before.seen, t.seen, t.extra) + float64(drivePlay*drivePlay) + wanderVariance(seconds, t.rate)
	t.leans = before.leans.learn(t.c, before.seen, t.seen, sky.Angle(t.rate*seconds), before.followed(), variance)
}

// Axis is how the axis stood at the newest frame.
func (t *Tracker) Axis() axis.Axis { return t.latest }

// Newest is the mid-exposure time of the newest frame taken in.
func (t *Tracker) Newest() time.Time { return t.newest }

// Tilt is what the bolts' answers have told of the tilt of the azimuth bolt's
// line from the vertical, towards east and north, with standard deviations.
//
// It holds for any tilt up to some twenty degrees, other than the tilt in the
// tracker's own state, which is taken as small.
func (t *Tracker) Tilt() (east, north, sigmaEast, sigmaNorth sky.Angle) {
	mean, sigma := t.leans.tilt()
	return mean[0], mean[1], sigma[0], sigma[1]
}

// point is what the model says at one value of state and frame error.
type point struct {
	n, c  sky.Vec
	ref   sky.Matrix
	tilt  [2]float64
	was   sky.Vec   // the axis at the frame before
	axis  sky.Vec   // as the frame has it
	theta sky.Angle // of the frame since the reference frame
}

// lean is how the angle about the axis, as a frame gives it, depends on the
// tilt: derivative and, for the remainder, second difference over tiltPrior,
// to the east and to the north.
//
// The derivative is taken at a level base, once per frame, and never at the
// estimate: bolts turned in a fixed ratio tell only one combination of the two
// tilts, and derivatives taken at a wandering estimate would make the filter
// believe that it had learnt the other (Huang, Mourikis and Roumeliotis 2010,
// Int. J. Robotics Research 29, 502: first-estimates Jacobian).
type lean struct {
	slope, bend [2]float64
}

func (t *Tracker) leanOf(r sky.Matrix) lean {
	axis := r.Apply(t.c)
	seen := r.Mul(t.ref.Transpose())
	theta := func(i int, tilt float64) float64 {
		v := sky.Vec{Z: 1}
		if i == 0 {
			v.X = tilt
		} else {
			v.Y = tilt
		}
		return float64(sky.TurnAbout(bolts(sky.Unit(v), t.n, axis).Transpose().Mul(seen), t.n))
	}
	var l lean
	level := theta(0, 0)
	for i := range 2 {
		up := float64(sky.Angle(theta(i, float64(tiltPrior)) - level).Signed())
		down := float64(sky.Angle(theta(i, -float64(tiltPrior)) - level).Signed())
		l.slope[i] = (up - down) / (2 * float64(tiltPrior))
		l.bend[i] = up + down
	}
	return l
}

// remainder is the variance of what the derivatives leave of the change of the
// angle from frame to frame: half the second difference times the square of a
// standard Gaussian, whose mean square is 3, for each of the two tilts, and
// as much again for their product.
func (l lean) remainder(before lean) float64 {
	sum := 0.0
	for i := range 2 {
		d := l.bend[i] - before.bend[i]
		sum += 2 * 3.0 / 4 * d * d
	}
	return sum
}

// at evaluates the model at the departures z from the present state and the
// frame's attitude r, whose dependence on the tilt is l.
func (t *Tracker) at(z *[jointSize]float64, r sky.Matrix, l lean) point {
	p := point{
		n:    sky.Moved(t.n, t.bn, z[atAxis], z[atAxis+1]),
		c:    sky.Moved(t.c, t.bc, z[atBody], z[atBody+1]),
		tilt: [2]float64{t.tilt[0] + z[atTilt], t.tilt[1] + z[atTilt+1]},
		was:  sky.Moved(sky.Vec(t.latest.Dir), t.ba, z[atNow], z[atNow+1]),
	}
	p.ref = smallest(t.ref.Apply(p.c), p.n).Mul(t.ref)
	seen := sky.RotationFromVector(sky.Vec{X: z[atFrame], Y: z[atFrame+1], Z: z[atFrame+2]}).Mul(r)
	p.axis = seen.Apply(p.c)
	b := bolts(sky.Vec{Z: 1}, p.n, p.axis)
	p.theta = sky.TurnAbout(b.Transpose().Mul(seen).Mul(p.ref.Transpose()), p.n) +
		sky.Angle(l.slope[0]*p.tilt[0]+l.slope[1]*p.tilt[1])
	return p
}

// smallest is the smallest rotation that takes a to b.
func smallest(a, b sky.Vec) sky.Matrix {
	k := r3.Cross(a, b)
	s := r3.Norm(k)
	if s == 0 {
		return sky.Identity
	}
	return sky.RotationFromVector(r3.Scale(math.Atan2(s, r3.Dot(a, b))/s, k))
}

// bolts is the rotation by which the two bolts take the axis from one place
// to another: about the hinge, which is level with the azimuth bolt's line up
// and square to the axis, then about that line. Of the two ways the one with
// the smaller turn about up is taken, so that an axis that passes over the top
// does so by its hinge.
func bolts(up, from, to sky.Vec) sky.Matrix {
	level := r3.Cross(from, up)
	if r3.Norm(level) == 0 {
		return smallest(from, to)
	}
	hinge := sky.Unit(level) // a right-handed turn about it raises the axis
	toward := r3.Cross(up, hinge)
	height := func(v sky.Vec) (alt, az sky.Angle) {
		x, y := r3.Dot(v, toward), r3.Dot(v, hinge)
		return sky.Atan2(r3.Dot(v, up), math.Hypot(x, y)), sky.Atan2(-y, x)
	}
	alt0, _ := height(from)
	alt, az := height(to)
	if az.Abs() > sky.Turn/4 {
		az, alt = (az + sky.Turn/2).Signed(), sky.Turn/2-alt
	}
	return sky.Rotation(up, az).Mul(sky.Rotation(hinge, alt-alt0))
}

// guess is one hypothesis about drive and bolts with what follows from it.
type guess struct {
	drive  int // tracks, stands, turned
	size   int // of what the axis did: among restSizes, and then boltSizes or any
	weight float64
	z      [jointSize]float64
	cov    *mat.SymDense
}

// What the RA axis did between two frames.
const (
	tracks = iota
	stands
	turned
)

// clue is something that a hypothesis says of the residuals: that these are
// nothing but noise of the given variances.
type clue struct {
	rows     []int // of the residuals
	variance []float64
	step     sky.Angle // by which the angle has grown, where that is a clue
}

// Places among the residuals: by how much the frame has the axis elsewhere than
// the frame before had it (2), and the angle about it another than it should be.
const (
	byAxis    = 0
	byTheta   = 2
	residuals = 3
)

// Take reads a frame that was taken after the measurement. The frame is to be
// newer than the ones before.
func (t *Tracker) Take(frame sky.Attitude, mid time.Time) Reading {
	u, bare := t.join(frame)
	seconds := mid.Sub(t.newest).Seconds()
	told := math.Hypot(bare.axis.X, bare.axis.Y) > hingeZenith.Sin()
	guesses := u.guesses(t.clues(seconds, u.lean, told))
	drive := t.learn(guesses, told)
	before := t.latest.Dir
	t.merge(guesses, u, bare)
	t.lean = u.lean
	t.newest, t.seen = mid, frame
	return Reading{
		Axis:         t.latest,
		Turn:         (t.turnRef + t.theta).Signed(),
		Drive:        drive,
		TrackingOdds: t.tracks,
		Jump:         sky.Separation(before, t.latest.Dir),
	}
}

// join is the beginning of an update: the state joined with the frame's attitude error, and what the
// model says before any clue.
func (t *Tracker) join(frame sky.Attitude) (*update, point) {
	prior := mat.NewSymDense(jointSize, nil)
	for i := range stateSize {
		for j := i; j < stateSize; j++ {
			prior.SetSym(i, j, t.cov.At(i, j))
		}
	}
	for i := range 3 {
		for j := i; j < 3; j++ {
			prior.SetSym(atFrame+i, atFrame+j, frame.Cov[i][j])
		}
		prior.SetSym(atFrame+i, atFrame+i, frame.Cov[i][i]+t.extra)
	}
	l := t.leanOf(frame.R)
	var still [jointSize]float64
	bare := t.at(&still, frame.R, l)
	u := &update{tracker: t, r: frame.R, lean: l, prior: prior, base: sky.TangentBasis(bare.axis)}
	u.first = u.linearise(&still)
	return u, bare
}

// hypothesis is what may have happened between two frames: its probability
// beforehand (a density where something may have gone anywhere), and what it
// says of the residuals.
type hypothesis struct {
	drive, size int
	weight      float64
	clue
}

// clues lists what may have happened in so many seconds: each doing of the drive
// with each size of what the bolts did. Where the drive is not told, it may have
// done anything.
func (t *Tracker) clues(seconds float64, l lean, told bool) []hypothesis {
	follow, stiff := t.followed(), t.stays()
	remainder := l.remainder(t.lean)
	settled := float64(axis.DriftPrior) * seconds / 3600
	sizes := append(restSizes[:], boltSizes[:]...)
	// share is the weight of size k where bolts rest with the probability given.
	share := func(k int, rests float64) float64 {
		switch k {
		case 0:
			return rests * stiff
		case 1:
			return rests * (1 - stiff)
		case len(sizes): // anywhere
			return (1 - rests) / float64(len(boltSizes)+1) / (math.Pi * float64(largestJump*largestJump))
		}
		return (1 - rests) / float64(len(boltSizes)+1)
	}
	var out []hypothesis
	for k := range len(sizes) + 1 {
		var axis clue
		play := drivePlay
		if k < len(sizes) {
			variance := float64(sizes[k]*sizes[k]) + settled*settled
			axis.rows, axis.variance = []int{byAxis, byAxis + 1}, []float64{variance, variance}
			play = min(play, sizes[k]) // hands that turn no bolt shake no axis
		}
		out = append(out, hypothesis{turned, k, share(k, restTurned) * turnedPrior / float64(sky.Turn), axis})
		if !told {
			continue
		}
		for _, d := range []struct {
			drive    int
			weight   float64
			step     sky.Angle
			variance float64
		}{
			{tracks, follow, sky.Angle(t.rate * seconds), wanderVariance(seconds, t.rate)},
			{stands, 1 - follow, 0, 0},
		} {
			c := clue{rows: append(slices.Clone(axis.rows), byTheta), step: d.step,
				variance: append(slices.Clone(axis.variance), remainder+d.variance+float64(play*play))}
			out = append(out, hypothesis{d.drive, k, share(k, t.rested()) * (1 - turnedPrior) * d.weight, c})
		}
	}
	return out
}

// followed is the probability that the drive followed the sky up to the next
// frame, before that is seen.
func (t *Tracker) followed() float64 {
	return drivePersists*t.tracks + (1-drivePersists)*(1-t.tracks)
}

// wanderVariance is that of the departure of a tracking drive after so many
// seconds, its play apart.
func wanderVariance(seconds, rate float64) float64 {
	wander := min(driveWander*sky.Angle(seconds), driveWanderMost)
	slow := rateDoubt * rate * seconds
	return float64(wander*wander) + slow*slow
}

// rested is the probability that nobody turns a bolt up to the next frame, before
// that is seen.
func (t *Tracker) rested() float64 { return restGoesOn*t.rests + restBegins*(1-t.rests) }

// stays is the probability of a stiff mount up to the next frame, before that is
// seen.
func (t *Tracker) stays() float64 { return stiffPersists*t.stiff + (1-stiffPersists)*(1-t.stiff) }

// learn takes what the guesses say of drive, bolts and mount, and names what the
// drive did.
func (t *Tracker) learn(guesses []guess, told bool) Drive {
	var drive [turned + 1]float64
	var rest [len(restSizes)]float64
	bolts := 0.0
	for _, g := range guesses {
		drive[g.drive] += g.weight
		if g.size < len(rest) {
			rest[g.size] += g.weight
		} else {
			bolts += g.weight
		}
	}
	// Bolts that are turned tell nothing of how stiff a mount is.
	t.stiff = rest[0] + bolts*t.stays()
	t.rests = rest[0] + rest[1]
	if !told {
		return DriveUnknown
	}
	return t.learnDrive(drive[tracks], drive[stands])
}

// learnDrive updates the probability that the drive tracks and names what it
// did.
func (t *Tracker) learnDrive(tracks, stands float64) Drive {
	if tracks+stands < 1-driveTold {
		return DriveTurned
	}
	t.tracks = tracks / (tracks + stands)
	switch {
	case t.tracks > driveTold:
		return DriveTracks
	case t.tracks < 1-driveTold:
		return DriveStands
	}
	return DriveUnknown
}

// update is one frame under way: the prior of state and attitude error, and the
// model about it.
type update struct {
	tracker *Tracker
	r       sky.Matrix
	lean    lean
	prior   *mat.SymDense
	base    [2]sky.Vec // at the axis as the frame has it
	first   linear     // at no departure
}

// linear is the model about one value of state and attitude error.
type linear struct {
	z    [jointSize]float64
	miss [residuals]float64 // without the step of the angle
	rows *mat.Dense         // derivatives: residuals x jointSize
}

func (u *update) linearise(z *[jointSize]float64) linear {
	p := u.tracker.at(z, u.r, u.lean)
	out := linear{z: *z, rows: mat.NewDense(residuals, jointSize, nil)}
	d := r3.Sub(p.axis, p.was)
	out.miss = [residuals]float64{r3.Dot(u.base[0], d), r3.Dot(u.base[1], d),
		float64((p.theta - u.tracker.theta - sky.Angle(z[atTheta])).Signed())}
	for i := range jointSize {
		up, down := *z, *z
		up[i] += diffStep
		down[i] -= diffStep
		p, q := u.tracker.at(&up, u.r, u.lean), u.tracker.at(&down, u.r, u.lean)
		d := r3.Sub(r3.Sub(p.axis, q.axis), r3.Sub(p.was, q.was))
		out.rows.Set(byAxis, i, r3.Dot(u.base[0], d)/(2*diffStep))
		out.rows.Set(byAxis+1, i, r3.Dot(u.base[1], d)/(2*diffStep))
		out.rows.Set(byTheta, i, float64((p.theta-q.theta).Signed())/(2*diffStep))
	}
	out.rows.Set(byTheta, atTheta, out.rows.At(byTheta, atTheta)-1)
	return out
}

// guesses are what follows from each hypothesis, with weights that sum to 1.
func (u *update) guesses(all []hypothesis) []guess {
	const negligible = 1e-6 // weight against the likeliest; such a guess moves no digit that is shown
	logs := make([]float64, len(all))
	top := math.Inf(-1)
	for i, h := range all {
		_, _, likelihood := u.condition(&u.first, h.clue)
		logs[i] = math.Log(h.weight) + likelihood
		top = max(top, logs[i])
	}
	var out []guess
	sum := 0.0
	for i, h := range all {
		weight := math.Exp(logs[i] - top)
		if weight < negligible {
			continue
		}
		g := guess{drive: h.drive, size: h.size, weight: weight}
		at := u.first
		for round := range updateRounds {
			if round > 0 {
				at = u.linearise(&g.z)
			}
			g.z, g.cov, _ = u.condition(&at, h.clue)
		}
		out = append(out, g)
		sum += weight
	}
	for i := range out {
		out[i].weight /= sum
	}
	return out
}

// condition takes a clue for true: mean and covariance of what is then known,
// and the logarithm of the clue's likelihood, with the model as it is about at.
func (u *update) condition(at *linear, c clue) (z [jointSize]float64, cov *mat.SymDense, likelihood float64) {
	k := len(c.rows)
	if k == 0 {
		return z, u.prior, 0
	}
	rows := mat.NewDense(k, jointSize, nil)
	miss := mat.NewVecDense(k, nil) // at the prior mean
	for i, r := range c.rows {
		row := at.rows.RawRowView(r)
		rows.SetRow(i, row)
		m := at.miss[r]
		if r == byTheta {
			m = float64(sky.Angle(m - float64(c.step)).Signed())
		}
		for j, d := range row {
			m -= d * at.z[j]
		}
		miss.SetVec(i, m)
	}
	var with, gain mat.Dense
	with.Mul(rows, u.prior)
	total := mat.NewSymDense(k, nil)
	for i := range k {
		for j := i; j < k; j++ {
			total.SetSym(i, j, floats.Dot(with.RawRowView(i), rows.RawRowView(j)))
		}
		total.SetSym(i, i, total.At(i, i)+c.variance[i])
	}
	var factor mat.Cholesky
	if !factor.Factorize(total) || factor.SolveTo(&gain, &with) != nil {
		return z, u.prior, math.Inf(-1)
	}
	var scaled mat.VecDense
	if factor.SolveVecTo(&scaled, miss) != nil {
		return z, u.prior, math.Inf(-1)
	}
	likelihood = -(mat.Dot(miss, &scaled) + factor.LogDet() + float64(k)*math.Log(2*math.Pi)) / 2
	cov = mat.NewSymDense(jointSize, nil)
	for i := range jointSize {
		for m := range k {
			z[i] -= gain.At(m, i) * miss.AtVec(m)
		}
		for j := i; j < jointSize; j++ {
			v := u.prior.At(i, j)
			for m := range k {
				v -= gain.At(m, i) * with.At(m, j)
			}
			cov.SetSym(i, j, v)
		}
	}
	return z, cov, likelihood
}

// slopes are the derivatives of where the frame has the axis (2 rows, in the
// plane that touches the sky there) and of the angle about it.
func (t *Tracker) slopes(z *[jointSize]float64, u *update) (axis [2]*mat.VecDense, theta *mat.VecDense) {
	axis = [2]*mat.VecDense{mat.NewVecDense(jointSize, nil), mat.NewVecDense(jointSize, nil)}
	theta = mat.NewVecDense(jointSize, nil)
	for i := range jointSize {
		up, down := *z, *z
		up[i] += diffStep
		down[i] -= diffStep
		p, q := t.at(&up, u.r, u.lean), t.at(&down, u.r, u.lean)
		d := r3.Sub(p.axis, q.axis)
		axis[0].SetVec(i, r3.Dot(u.base[0], d)/(2*diffStep))
		axis[1].SetVec(i, r3.Dot(u.base[1], d)/(2*diffStep))
		theta.SetVec(i, float64((p.theta-q.theta).Signed())/(2*diffStep))
	}
	return axis, theta
}

// merge replaces the state by the mixture of the guesses, mean and covariance
// matched.
func (t *Tracker) merge(guesses []guess, u *update, bare point) {
	outcomes := make([][stateSize]float64, len(guesses))
	var mean [stateSize]float64
	state := mat.NewSymDense(stateSize, nil)
	for k, g := range guesses {
		p := t.at(&g.z, u.r, u.lean)
		o := &outcomes[k]
		copy(o[:], g.z[:stateSize])
		o[atTheta] = float64((p.theta - bare.theta).Signed())
		d := r3.Sub(p.axis, bare.axis)
		o[atNow], o[atNow+1] = r3.Dot(u.base[0], d), r3.Dot(u.base[1], d)

		// How the new state depends on the joint vector: angle and axis are those
		// of the new frame, all else stays.
		axis, theta := t.slopes(&g.z, u)
		var rows [stateSize]*mat.VecDense
		for i := range stateSize {
			rows[i] = mat.NewVecDense(jointSize, nil)
			rows[i].SetVec(i, 1)
		}
		rows[atTheta], rows[atNow], rows[atNow+1] = theta, axis[0], axis[1]
		for i := range stateSize {
			for j := i; j < stateSize; j++ {
				state.SetSym(i, j, state.At(i, j)+g.weight*mat.Inner(rows[i], g.cov, rows[j]))
			}
			mean[i] += g.weight * o[i]
		}
	}
	for k, g := range guesses {
		for i := range stateSize {
			for j := i; j < stateSize; j++ {
				state.SetSym(i, j, state.At(i, j)+g.weight*(outcomes[k][i]-mean[i])*(outcomes[k][j]-mean[j]))
			}
		}
	}
	now := sky.Moved(bare.axis, u.base, mean[atNow], mean[atNow+1])
	var z [jointSize]float64
	copy(z[:], mean[:])
	z[atNow], z[atNow+1] = 0, 0 // there they count from the frame before
	p := t.at(&z, u.r, u.lean)
	t.theta = (bare.theta + sky.Angle(mean[atTheta])).Signed()
	t.n, t.c, t.ref, t.tilt = p.n, p.c, p.ref, p.tilt
	t.bn, t.bc, t.ba = carried(t.bn, t.n), carried(t.bc, t.c), carried(u.base, now)
	t.cov = state
	t.latest = axis.Axis{Dir: sky.Local(now)}
	for i := range 2 {
		for j := range 2 {
			t.latest.Cov[i][j] = state.At(atNow+i, atNow+j)
		}
	}
}

// carried is the basis moved along to a nearby direction.
func carried(b [2]sky.Vec, d sky.Vec) [2]sky.Vec {
	first := sky.Unit(r3.Sub(b[0], r3.Scale(r3.Dot(b[0], d), d)))
	return [2]sky.Vec{first, r3.Cross(first, d)}
}
