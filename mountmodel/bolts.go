package mountmodel

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

// Bolt is one of the two adjustments of the mount's head.
type Bolt string

// The bolts, as words so that a page can send them.
const (
	AltitudeBolt Bolt = "altitude"
	AzimuthBolt  Bolt = "azimuth"
)

// The order of the bolts wherever there are two of something, and of the two
// components of a movement of the axis: across (towards growing azimuth) and
// up, as in [Axis].
const (
	azimuthAt  = 0
	altitudeAt = 1
	boltCount  = 2
)

func (b Bolt) at() (int, bool) {
	switch b {
	case AzimuthBolt:
		return azimuthAt, true
	case AltitudeBolt:
		return altitudeAt, true
	}
	return 0, false
}

// Stroke is a turn of a bolt in one direction.
type Stroke struct {
	Bolt  Bolt
	Turns float64 // clockwise as seen by who faces the bolt's head; negative the other way
}

// BoltAnswer is what is known of how the axis answers a bolt.
type BoltAnswer struct {
	Bolt Bolt
	// Learnt tells that the sense is known and PerTurn well enough to speak in
	// turns: the person told turns, and the axis answered.
	Learnt bool
	// PerTurn is how far the axis goes in one turn clockwise, once it bites:
	// altitude (altitude bolt) or azimuth (azimuth bolt), signed.
	PerTurn, PerTurnSigma sky.Angle
	// Play is how many turns the bolt goes without effect after a change of
	// direction.
	Play, PlaySigma float64
	// Cross is how far the other adjustment moves with this one, as a part of
	// it, both as angles on the sky.
	Cross, CrossSigma float64
}

// Bolts learns how the axis answers the two bolts, from where the axis stood
// before and after the person turned them. It knows no time and no frames.
//
// A turn t of a bolt that has taken up its play moves the axis by g t, where g
// is a vector on the sky: mostly along the bolt's own direction, a little along
// the other where the base is not level or the bolts couple. The two g are the
// columns of the 2 by 2 matrix of responses. After a change of direction the
// first p turns do nothing. Unknown are, for each bolt, g (2), p, and the gap
// that is left before a clockwise turn bites; between a turn that bit clockwise
// and one that bit the other way the gap goes from 0 to p.
//
// Whether a turn bit is a branch: within a branch all is linear but the
// product of response and turn. So the knowledge is a sum of Gaussians (Sorenson
// and Alspach 1971, Automatica 7, 465), one for each history of branches that
// is still likely, each updated as an iterated extended Kalman filter (Jazwinski
// 1970, section 8.3), which for an unknown without process noise is recursive
// least squares. A bound (the gap was longer than the turn) cuts a Gaussian,
// and mean and variance of what is left take its place (Barr and Sherrill 1999,
// The American Statistician 53, 357). One branch holds that what was told is
// not what was turned: it learns nothing, and keeps a slip of the tongue from
// spoiling what is known.
//
// Without a word of what was turned, a movement still tells the ratio of the
// components of g, provided that one bolt alone was turned: the branches are
// one bolt, the other, both.
type Bolts struct {
	cosAlt  float64 // of the pole: azimuth on the sky over azimuth
	south   bool    // the axis points to the southern pole
	guesses []boltGuess
	told    [boltCount]int // movements that the person told, by bolt
}

// Places in the state of one bolt, and of the numbers that live only while a
// movement is taken in: how far each bolt turned past its play, and the error
// of the turn at hand.
const (
	atAcross  = 0
	atUp      = 1
	atPlay    = 2
	atGap     = 3
	perBolt   = 4
	boltState = boltCount * perBolt
	atBite    = boltState
	atSlipped = atBite + boltCount
	boltJoint = atSlipped + 1
)

type boltVector [boltJoint]float64

// boltGuess is one Gaussian. Angles are radians, turns are turns.
type boltGuess struct {
	x      boltVector
	cov    [boltJoint]boltVector
	weight float64 // probability, all guesses together 1
}

const (
	// perTurnMean and perTurnSpread are the answer expected of a bolt before it
	// has moved: adjusters make 30 to 90 arcminutes a turn (common practice: a
	// thread of 1 to 1.5 mm on an arm of 60 to 120 mm). Its sense is open.
	perTurnMean   = 55 * sky.Arcminute
	perTurnSpread = 22 * sky.Arcminute

	// crossSpread is how far the other adjustment goes along, as a part, 1-sigma:
	// a base off level by tiltPrior makes 0.05, worn bolts as much.
	crossSpread = 0.08

	// playMean and playSpread are the turns a bolt goes idle after a change of
	// direction (common practice: none on a new mount, half a turn on a worn
	// one). At the start it stands anywhere in its play.
	playMean   = 0.15
	playSpread = 0.15

	// turnError is the error of a hand's turn, as a part of it, 1-sigma. Common
	// practice: nobody reads a bolt to better than a tenth.
	turnError = 0.1

	// boltWander is by how much the answer changes from one movement to the
	// next, as a part: arms that swing, threads that are not even.
	boltWander = 0.01

	// boltSettle is how far the axis comes to rest from where the bolt put it,
	// per coordinate.
	boltSettle = axis.MechanicalNoise

	// misTold is the probability that the person told something else than was
	// turned, and misToldSpread how far the axis may then have gone.
	misTold       = 0.02
	misToldSpread = 1 * sky.Degree

	// untoldSpread is by how many turns a bolt may have been turned unsaid.
	untoldSpread = 1.0

	// oneBolt is the probability that an untold movement is by one bolt alone,
	// shared by the two.
	oneBolt = 0.8

	// boltMoved is by how many standard deviations the axis must have moved for
	// an untold movement to teach anything.
	boltMoved = 5

	// mostGuesses bounds the Gaussians kept; the least likely go.
	mostGuesses = 16

	// boltRounds of the iterated update: the product of an unknown answer and
	// an uncertain turn is settled to a percent in three.
	boltRounds = 4

	// leastPlay keeps a variance from vanishing: no bolt is known better.
	leastPlay = 1e-3

	// learntPart is the relative uncertainty of the answer from which the
	// instruction speaks in turns, learntSense the probability of its sense.
	learntPart  = 0.25
	learntSense = 0.98

	// mostTurns is more than any adjuster has thread for.
	mostTurns = 100
)

// NewBolts knows of bolts what is common practice. The pole is the one aimed
// at.
func NewBolts(pole sky.Local) *Bolts {
	b := &Bolts{cosAlt: math.Hypot(pole.X, pole.Y), south: pole.Y < 0}
	for _, az := range []float64{1, -1} {
		for _, alt := range []float64{1, -1} {
			g := boltGuess{weight: 1.0 / 4}
			g.expect(azimuthAt, az, b.cosAlt)
			g.expect(altitudeAt, alt, 1)
			b.guesses = append(b.guesses, g)
		}
	}
	return b
}

// expect sets what is expected of a bolt whose clockwise turn goes one way.
func (g *boltGuess) expect(bolt int, sense, onSky float64) {
	k := bolt * perBolt
	own, other := k+bolt, k+1-bolt // components are in the order of the bolts
	g.x[own] = sense * onSky * float64(perTurnMean)
	g.cov[own][own] = square(onSky * float64(perTurnSpread))
	g.cov[other][other] = square(crossSpread * onSky * float64(perTurnMean))
	g.x[k+atPlay] = playMean
	g.cov[k+atPlay][k+atPlay] = square(playSpread)
	g.bound(bolt)
	g.loose(bolt)
}

// loose forgets where in its play a bolt stands: anywhere.
func (g *boltGuess) loose(bolt int) {
	k := bolt * perBolt
	var half boltVector
	half[k+atPlay] = 0.5
	g.set(k+atGap, half, square(g.x[k+atPlay])/12) // the variance of a uniform distribution
}

func square(x float64) float64 { return x * x }

// set replaces component i by a linear form of the state and independent noise.
func (g *boltGuess) set(i int, form boltVector, noise float64) {
	mean, row := g.form(form)
	variance := noise
	for j := range boltJoint {
		variance += form[j] * row[j]
	}
	for j := range boltJoint {
		g.cov[i][j], g.cov[j][i] = row[j], row[j]
	}
	g.x[i], g.cov[i][i] = mean, variance
}

// form is the mean of a linear form and its covariance with the state.
func (g *boltGuess) form(f boltVector) (mean float64, row boltVector) {
	for i, a := range f {
		if a == 0 {
			continue
		}
		mean += a * g.x[i]
		for j := range boltJoint {
			row[j] += a * g.cov[i][j]
		}
	}
	return mean, row
}

// above keeps the part of the Gaussian where a linear form exceeds a bound,
// and gives the probability of it.
func (g *boltGuess) above(f boltVector, bound float64) float64 {
	mean, row := g.form(f)
	variance := 0.0
	for i, a := range f {
		variance += a * row[i]
	}
	if !(variance > 0) {
		if mean > bound {
			return 1
		}
		return 0
	}
	sigma := math.Sqrt(variance)
	z := (mean - bound) / sigma
	part := math.Erfc(-z/math.Sqrt2) / 2
	if z > 6 { // nothing is cut
		return part
	}
	ratio := mills(z)
	shift, shrink := ratio/sigma, ratio*(z+ratio)/variance
	for i := range boltJoint {
		g.x[i] += row[i] * shift
		for j := range boltJoint {
			g.cov[i][j] -= row[i] * row[j] * shrink
		}
	}
	return part
}

// mills is the density of the standard Gaussian at z over the probability
// below z; far down it is its asymptote (Abramowitz and Stegun 1964, 26.2.12).
func mills(z float64) float64 {
	if z < -10 {
		return -z - 1/z
	}
	return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) / (math.Erfc(-z/math.Sqrt2) / 2)
}

// Movement is by how much the axis moved on the sky: index 0 across, towards
// growing azimuth, 1 up, in radians, with the covariance.
type Movement struct {
	By  [2]float64
	Cov [2][2]float64
}

// Told learns from a movement of the axis and the strokes, in their order,
// that the person told. Strokes of no bolt and of no size are passed over.
func (b *Bolts) Told(strokes []Stroke, m Movement) {
	guesses := slices.Clone(b.guesses)
	for i := range guesses {
		guesses[i].wander()
	}
	var touched [boltCount]bool
	for _, s := range strokes {
		bolt, ok := s.Bolt.at()
		if !ok || s.Turns == 0 {
			continue
		}
		touched[bolt] = true
		var next []boltGuess
		for _, g := range guesses {
			next = append(next, g.turn(bolt, s.Turns)...)
		}
		guesses = likeliest(next, boltCount*mostGuesses)
	}
	var next []boltGuess
	for _, g := range guesses {
		g.weight *= (1 - misTold) * g.observe(m)
		next = append(next, g)
	}
	wide := m.Cov
	wide[0][0] += float64(misToldSpread * misToldSpread)
	wide[1][1] += float64(misToldSpread * misToldSpread)
	for _, g := range b.guesses {
		g.weight *= misTold * density2(m.By, wide)
		for bolt, t := range touched {
			if t {
				g.loose(bolt)
			}
		}
		next = append(next, g)
	}
	b.keep(next)
	for bolt, t := range touched {
		if t {
			b.told[bolt]++
		}
	}
}

// Untold learns from a movement of which the person said nothing. It tells
// whether the axis moved at all.
func (b *Bolts) Untold(m Movement) bool {
	if !m.moved() {
		return false
	}
	var next []boltGuess
	for _, who := range []struct {
		turned [boltCount]bool
		weight float64
	}{
		{[boltCount]bool{true, false}, oneBolt / 2},
		{[boltCount]bool{false, true}, oneBolt / 2},
		{[boltCount]bool{true, true}, 1 - oneBolt},
	} {
		for _, g := range b.guesses {
			for bolt, t := range who.turned {
				if t {
					g.cov[atBite+bolt][atBite+bolt] = square(untoldSpread)
				}
			}
			g.weight *= who.weight * g.observeWith(m, func(bite [boltCount]float64) {
				for bolt, t := range who.turned {
					if t {
						g.contact(bolt, bite[bolt])
					}
				}
			})
			next = append(next, g)
		}
	}
	b.keep(next)
	return true
}

// moved tells whether the axis moved beyond the noise.
func (m Movement) moved() bool {
	cov := m.settled()
	w, ok := sky.Invert2(cov)
	if !ok {
		return false
	}
	q := 0.0
	for i := range 2 {
		for j := range 2 {
			q += m.By[i] * w[i][j] * m.By[j]
		}
	}
	return q > boltMoved*boltMoved
}

// settled is the covariance with the error of coming to rest.
func (m Movement) settled() [2][2]float64 {
	cov := m.Cov
	for i := range 2 {
		cov[i][i] += float64(boltSettle * boltSettle)
	}
	return cov
}

// wander lets the answers change a little.
func (g *boltGuess) wander() {
	for bolt := range boltCount {
		k := bolt * perBolt
		noise := square(boltWander) * (square(g.x[k+atAcross]) + square(g.x[k+atUp]))
		g.cov[k+atAcross][k+atAcross] += noise
		g.cov[k+atUp][k+atUp] += noise
	}
}

// turn gives the guesses that follow from a stroke: that it bit, and that it
// stayed within the play.
func (g boltGuess) turn(bolt int, turns float64) []boltGuess {
	k := bolt * perBolt
	g.set(atSlipped, boltVector{}, square(turnError*turns))
	g.x[atSlipped] = turns // as done: what was told and the error

	// past is how far the turn goes beyond the play, along its own direction.
	var past boltVector
	past[atSlipped], past[k+atGap] = 1, -1
	if turns < 0 {
		past[k+atPlay] = 1
	}
	sense := math.Copysign(1, turns)
	var forward boltVector
	for i := range past {
		forward[i] = sense * past[i]
	}

	bit := g
	bit.weight *= bit.above(forward, 0)
	var grown boltVector
	grown = past
	grown[atBite+bolt] = 1
	bit.set(atBite+bolt, grown, 0)
	bit.contact(bolt, turns)
	bit.set(atSlipped, boltVector{}, 0)

	idle := g
	for i := range forward {
		forward[i] = -forward[i]
	}
	idle.weight *= idle.above(forward, 0)
	var less boltVector
	less[k+atGap], less[atSlipped] = 1, -1
	idle.set(k+atGap, less, 0)
	idle.set(atSlipped, boltVector{}, 0)
	return []boltGuess{bit, idle}
}

// contact sets the gap after a turn that bit.
func (g *boltGuess) contact(bolt int, turns float64) {
	k := bolt * perBolt
	var gap boltVector
	if turns < 0 {
		gap[k+atPlay] = 1
	}
	g.set(k+atGap, gap, 0)
}

func (g *boltGuess) observe(m Movement) float64 { return g.observeWith(m, func([boltCount]float64) {}) }

// observeWith updates by the movement seen and gives its likelihood. What then
// follows from how far the bolts turned is done by then, before that is
// forgotten. The state is as in an iterated extended Kalman filter; the
// likelihood is that of the linear model at the solution.
func (g *boltGuess) observeWith(m Movement, then func(bite [boltCount]float64)) float64 {
	noise := m.settled()
	prior := *g
	var gain [2]boltVector
	var rows [2]boltVector
	var miss [2]float64
	var total [2][2]float64
	x := start(prior, m)
	for range boltRounds {
		rows = [2]boltVector{}
		for i := range 2 {
			h := 0.0
			for bolt := range boltCount {
				response, bite := bolt*perBolt+i, atBite+bolt
				rows[i][response] = x[bite]
				rows[i][bite] = x[response]
				h += x[response] * x[bite]
			}
			// The miss of the linear model at the prior mean.
			miss[i] = m.By[i] - h
			for j := range boltJoint {
				miss[i] -= rows[i][j] * (prior.x[j] - x[j])
			}
		}
		total = noise
		var cross [2]boltVector
		for i := range 2 {
			_, cross[i] = prior.form(rows[i])
		}
		for i := range 2 {
			for j := range 2 {
				for k := range boltJoint {
					total[i][j] += rows[j][k] * cross[i][k]
				}
			}
		}
		w, ok := sky.Invert2(total)
		if !ok {
			return 0
		}
		for j := range boltJoint {
			gain[0][j] = cross[0][j]*w[0][0] + cross[1][j]*w[1][0]
			gain[1][j] = cross[0][j]*w[0][1] + cross[1][j]*w[1][1]
			x[j] = prior.x[j] + gain[0][j]*miss[0] + gain[1][j]*miss[1]
		}
		for i := range boltJoint {
			for j := range boltJoint {
				g.cov[i][j] = prior.cov[i][j] - gain[0][i]*cross[0][j] - gain[1][i]*cross[1][j]
			}
		}
	}
	g.x = x
	then([boltCount]float64{x[atBite+azimuthAt], x[atBite+altitudeAt]})
	for bolt := range boltCount {
		g.set(atBite+bolt, boltVector{}, 0)
		g.bound(bolt)
	}
	return density2(miss, total)
}

// start is where the iteration starts: at the prior, but a turn of which
// nothing was told starts at what the expected answer makes of the movement.
func start(prior boltGuess, m Movement) boltVector {
	x := prior.x
	for bolt := range boltCount {
		if prior.cov[atBite+bolt][atBite+bolt] == square(untoldSpread) && x[atBite+bolt] == 0 {
			own := x[bolt*perBolt+bolt]
			x[atBite+bolt] = m.By[bolt] / own
		}
	}
	return x
}

// bound keeps play and gap possible: the play is not negative, and known no
// better than leastPlay; the gap lies within it.
func (g *boltGuess) bound(bolt int) {
	k := bolt * perBolt
	var play boltVector
	play[k+atPlay] = 1
	g.above(play, 0)
	g.cov[k+atPlay][k+atPlay] += square(leastPlay)
}

// density2 is the density of a Gaussian of two components.
func density2(y [2]float64, cov [2][2]float64) float64 {
	w, ok := sky.Invert2(cov)
	if !ok {
		return 0
	}
	q := y[0]*y[0]*w[0][0] + 2*y[0]*y[1]*w[0][1] + y[1]*y[1]*w[1][1]
	return math.Exp(-q/2) / (2 * math.Pi) * math.Sqrt(w[0][0]*w[1][1]-w[0][1]*w[1][0])
}

// keep takes over the likeliest of the guesses. Where nothing explains what
// was seen, nothing is learnt.
func (b *Bolts) keep(guesses []boltGuess) {
	if kept := likeliest(guesses, mostGuesses); len(kept) > 0 {
		b.guesses = kept
	}
}

// likeliest are the guesses of highest weight, at most so many, their weights
// brought to 1.
func likeliest(guesses []boltGuess, most int) []boltGuess {
	slices.SortStableFunc(guesses, func(p, q boltGuess) int { return cmp.Compare(q.weight, p.weight) })
	guesses = guesses[:min(most, len(guesses))]
	sum := 0.0
	for _, g := range guesses {
		sum += g.weight
	}
	if !(sum > 0) || math.IsInf(sum, 0) {
		return nil
	}
	for i := range guesses {
		guesses[i].weight /= sum
	}
	return guesses
}

// Clone is a copy that learns on its own.
func (b *Bolts) Clone() *Bolts {
	c := *b
	c.guesses = slices.Clone(b.guesses)
	return &c
}

// Loosen forgets where in their play the bolts stand.
func (b *Bolts) Loosen() {
	for i := range b.guesses {
		for bolt := range boltCount {
			b.guesses[i].loose(bolt)
		}
	}
}

// Answers tells what is known of the bolts: altitude, then azimuth.
func (b *Bolts) Answers() []BoltAnswer {
	return []BoltAnswer{b.answer(AltitudeBolt, altitudeAt, 1), b.answer(AzimuthBolt, azimuthAt, b.cosAlt)}
}

func (b *Bolts) answer(name Bolt, bolt int, onSky float64) BoltAnswer {
	k := bolt * perBolt
	own, other := k+bolt, k+1-bolt
	perTurn := b.mixture(func(g *boltGuess) (float64, float64) { return g.x[own] / onSky, g.cov[own][own] / square(onSky) })
	play := b.mixture(func(g *boltGuess) (float64, float64) { return g.x[k+atPlay], g.cov[k+atPlay][k+atPlay] })
	cross := b.mixture(func(g *boltGuess) (float64, float64) {
		ratio := g.x[other] / g.x[own]
		v := g.cov[other][other] - 2*ratio*g.cov[own][other] + ratio*ratio*g.cov[own][own]
		return ratio, v / square(g.x[own])
	})
	a := BoltAnswer{
		Bolt:    name,
		PerTurn: sky.Angle(perTurn.mean), PerTurnSigma: sky.Angle(perTurn.sigma),
		Play: play.mean, PlaySigma: play.sigma,
		Cross: cross.mean, CrossSigma: cross.sigma,
	}
	clockwise := 0.0
	for _, g := range b.guesses {
		if g.x[own] > 0 {
			clockwise += g.weight
		}
	}
	a.Learnt = b.told[bolt] > 0 && max(clockwise, 1-clockwise) >= learntSense && a.PerTurnSigma < learntPart*a.PerTurn.Abs()
	return a
}

// value is a number with its standard deviation.
type value struct{ mean, sigma float64 }

// mixture is mean and standard deviation over all guesses.
func (b *Bolts) mixture(of func(*boltGuess) (mean, variance float64)) value {
	var sum, squares float64
	for i := range b.guesses {
		m, v := of(&b.guesses[i])
		sum += b.guesses[i].weight * m
		squares += b.guesses[i].weight * (v + m*m)
	}
	return value{sum, math.Sqrt(max(0, squares-sum*sum))}
}

const (
	// shyOf is by how many standard deviations of its expected error a stroke
	// aims short. What is left then lies ahead, most often, and the next stroke
	// goes the same way with the play taken up; past the aim, it would have to
	// come back through the play, whose error, as a rule, is larger than what
	// is left. Found best by TestBoltsSettleInFewerMoves.
	shyOf = 1.0

	// shyAtMost bounds that, as a part of the way.
	shyAtMost = 0.5

	// nearBolt is the part of the tolerance up to which a bolt is left alone,
	// and up to which an expected error needs no aiming short: two bolts within
	// a third each leave half of the tolerance.
	nearBolt = 1.0 / 3
)

// BoltMove is the stroke that brings a bolt's part of the offset to zero, or
// nearer to it.
type BoltMove struct {
	Stroke
	Error sky.Angle // expected of it, 1-sigma on the sky
	Idle  float64   // the part of Turns that takes up play, not negative
	Grows bool      // the altitude or azimuth of the axis grows by it
	Words string    // "altitude bolt: about a third of a turn clockwise, raising"
}

// Moves are the strokes that bring the axis to the pole from offset (index 0
// across, 1 up, radians on the sky), for both bolts together, so that what one
// does to the other's part is made up for. Left out are bolts that may be left
// alone and bolts whose answer is not learnt.
func (b *Bolts) Moves(offset [2]float64, tolerance sky.Angle) []BoltMove {
	var moves []BoltMove
	g := &b.guesses[0] // the likeliest: a mean over branches is where none of them is
	az, alt := azimuthAt*perBolt, altitudeAt*perBolt
	det := g.x[az+atAcross]*g.x[alt+atUp] - g.x[az+atUp]*g.x[alt+atAcross]
	if !(math.Abs(det) > leastDet*math.Abs(g.x[az+atAcross]*g.x[alt+atUp])) {
		return nil
	}
	want := [boltCount]float64{
		azimuthAt:  -(offset[0]*g.x[alt+atUp] - offset[1]*g.x[alt+atAcross]) / det,
		altitudeAt: -(g.x[az+atAcross]*offset[1] - g.x[az+atUp]*offset[0]) / det,
	}
	near := nearBolt * float64(tolerance)
	for _, a := range b.Answers() {
		bolt, _ := a.Bolt.at()
		if m, needed := g.move(bolt, want[bolt], near); needed && a.Learnt {
			m.Words = b.words(m)
			moves = append(moves, m)
		}
	}
	return moves
}

// leastDet is how far from parallel the two answers must be, as a part of
// their product, for the bolts to be told apart.
const leastDet = 0.3

// move is the stroke by which a bolt turns past its play by want; near is what
// may be left.
func (g *boltGuess) move(bolt int, want, near float64) (BoltMove, bool) {
	k := bolt * perBolt
	own := g.x[k+bolt]
	if math.Abs(want*own) <= near {
		return BoltMove{}, false
	}
	idle, idleVariance := g.x[k+atGap], g.cov[k+atGap][k+atGap]
	if want < 0 {
		idle -= g.x[k+atPlay]
		idleVariance += g.cov[k+atPlay][k+atPlay] - 2*g.cov[k+atPlay][k+atGap]
	}
	if idle*want < 0 { // contact already
		idle = 0
	}
	expected := func(want float64) float64 { // error of the stroke, turns
		return math.Sqrt(square(want)*g.cov[k+bolt][k+bolt]/square(own) + square(turnError*(want+idle)) + max(0, idleVariance))
	}
	if e := expected(want); e*math.Abs(own) > near {
		want -= math.Copysign(min(shyOf*e, shyAtMost*math.Abs(want)), want)
	}
	name := AzimuthBolt
	if bolt == altitudeAt {
		name = AltitudeBolt
	}
	return BoltMove{
		Stroke: Stroke{Bolt: name, Turns: told(want + idle)},
		Error:  sky.Angle(expected(want) * math.Abs(own)),
		Idle:   math.Abs(idle),
		Grows:  want*own > 0,
	}, true
}

// words say a stroke as a person does it: which bolt, how far, which way by the
// hand, and which way the axis then goes.
func (b *Bolts) words(m BoltMove) string {
	hand, way := "clockwise", ""
	if m.Turns < 0 {
		hand = "anticlockwise"
	}
	switch {
	case m.Bolt == AltitudeBolt && m.Grows:
		way = "raising"
	case m.Bolt == AltitudeBolt:
		way = "lowering"
	case m.Grows != b.south: // as azimuthWords tells the compass side
		way = "moving east"
	default:
		way = "moving west"
	}
	return fmt.Sprintf("%s bolt: about %s %s, %s", m.Bolt, TurnsWords(m.Turns), hand, way)
}

// plainTurns are the turns that have a name, near enough to each other for a
// hand that errs by turnError.
var plainTurns = [...]struct {
	turns float64
	words string
}{
	{1.0 / 100, "a hundredth of a turn"},
	{1.0 / 70, "a seventieth of a turn"},
	{1.0 / 50, "a fiftieth of a turn"},
	{1.0 / 40, "a fortieth of a turn"},
	{1.0 / 30, "a thirtieth of a turn"},
	{1.0 / 25, "a twenty-fifth of a turn"},
	{1.0 / 20, "a twentieth of a turn"},
	{1.0 / 16, "a sixteenth of a turn"},
	{1.0 / 12, "a twelfth of a turn"},
	{1.0 / 10, "a tenth of a turn"},
	{1.0 / 8, "an eighth of a turn"},
	{1.0 / 7, "a seventh of a turn"},
	{1.0 / 6, "a sixth of a turn"},
	{1.0 / 5, "a fifth of a turn"},
	{1.0 / 4, "a quarter of a turn"},
	{3.0 / 10, "three tenths of a turn"},
	{1.0 / 3, "a third of a turn"},
	{3.0 / 8, "three eighths of a turn"},
	{2.0 / 5, "two fifths of a turn"},
	{1.0 / 2, "half a turn"},
	{3.0 / 5, "three fifths of a turn"},
	{2.0 / 3, "two thirds of a turn"},
	{3.0 / 4, "three quarters of a turn"},
	{5.0 / 6, "five sixths of a turn"},
	{9.0 / 10, "nine tenths of a turn"},
	{1, "one turn"},
	{1.25, "one and a quarter turns"},
	{1.5, "one and a half turns"},
	{1.75, "one and three quarter turns"},
	{2, "two turns"},
	{2.5, "two and a half turns"},
	{3, "three turns"},
}

// TurnsWords says the size of a turn as a hand can do it: by the nearest name up
// to three turns, in half turns beyond.
func TurnsWords(turns float64) string {
	turns = math.Abs(told(turns))
	for _, p := range plainTurns {
		if turns == p.turns {
			return p.words
		}
	}
	return strconv.FormatFloat(turns, 'f', -1, 64) + " turns"
}

// told rounds turns to what TurnsWords says.
func told(turns float64) float64 {
	size := math.Abs(turns)
	last := plainTurns[len(plainTurns)-1].turns
	if half := math.Round(2*size) / 2; half > last {
		return math.Copysign(half, turns)
	}
	nearest := plainTurns[0].turns
	for _, p := range plainTurns {
		if math.Abs(size-p.turns) < math.Abs(size-nearest) {
			nearest = p.turns
		}
	}
	return math.Copysign(nearest, turns)
}
