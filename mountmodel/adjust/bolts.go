package adjust

import (
	"math"
	"slices"

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

// Index is the bolt's place in the order of the two; ok is false for no bolt.
func (b Bolt) Index() (at int, ok bool) {
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

// Response is what is known of how the axis answers a bolt.
type Response struct {
	Bolt Bolt
	// Learnt tells that the sense is known and PerTurn well enough to speak in
	// turns: the person reported turns, and the axis answered.
	Learnt bool
	// PerTurn is how far the axis goes in one turn clockwise, once it bites:
	// altitude (altitude bolt) or azimuth (azimuth bolt), signed.
	PerTurn, PerTurnSigma sky.Angle
	// Backlash is how many turns the bolt goes without effect after a change of
	// direction.
	Backlash, BacklashSigma float64
	// Cross is how far the other adjustment moves with this one, as a part of
	// it, both as angles on the sky.
	Cross, CrossSigma float64
}

// Bolts learns how the axis answers the two bolts, from where the axis stood
// before and after the person turned them. It knows no time and no frames.
//
// A turn t of a bolt that has taken up its backlash moves the axis by g t, where g
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
// The American Statistician 53, 357). One branch holds that what was reported is
// not what was turned: it learns nothing, and keeps a slip of the tongue from
// spoiling what is known.
//
// Without a word of what was turned, a movement still tells the ratio of the
// components of g, provided that one bolt alone was turned: the branches are
// one bolt, the other, both.
type Bolts struct {
	cosAlt     float64 // of the pole: azimuth on the sky over azimuth
	south      bool    // the axis points to the southern pole
	components []component
	reports    [boltCount]int // movements that the person reported, by bolt
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

	// backlashMean and backlashSpread are the turns a bolt goes idle after a change of
	// direction (common practice: none on a new mount, half a turn on a worn
	// one). At the start it stands anywhere in its backlash.
	backlashMean   = 0.15
	backlashSpread = 0.15

	// turnError is the error of a hand's turn, as a part of it, 1-sigma. Common
	// practice: nobody reads a bolt to better than a tenth.
	turnError = 0.1

	// boltWander is by how much the answer changes from one movement to the
	// next, as a part: arms that swing, threads that are not even.
	boltWander = 0.01

	// boltSettle is how far the axis comes to rest from where the bolt put it,
	// per coordinate.
	boltSettle = axis.MechanicalNoise

	// misreported is the probability that the person reported something else than was
	// turned, and misreportedSpread how far the axis may then have gone.
	misreported       = 0.02
	misreportedSpread = 1 * sky.Degree

	// unreportedSpread is by how many turns a bolt may have been turned unsaid.
	unreportedSpread = 1.0

	// oneBolt is the probability that an unreported movement is by one bolt alone,
	// shared by the two.
	oneBolt = 0.8

	// boltMoved is by how many standard deviations the axis must have moved for
	// an unreported movement to teach anything.
	boltMoved = 5

	// mostComponents bounds the Gaussians kept; the least likely go.
	mostComponents = 16

	// boltRounds of the iterated update: the product of an unknown answer and
	// an uncertain turn is settled to a percent in three.
	boltRounds = 4

	// learntPart is the relative uncertainty of the answer from which the
	// instruction speaks in turns, learntSense the probability of its sense.
	learntPart  = 0.25
	learntSense = 0.98

	// MostTurns is more than any adjuster has thread for.
	MostTurns = 100
)

// NewBolts knows of bolts what is common practice. The pole is the one aimed
// at.
func NewBolts(pole sky.Local) *Bolts {
	b := &Bolts{cosAlt: math.Hypot(pole.X, pole.Y), south: pole.Y < 0}
	for _, az := range []float64{1, -1} {
		for _, alt := range []float64{1, -1} {
			g := component{weight: 1.0 / 4}
			g.expect(azimuthAt, az, b.cosAlt)
			g.expect(altitudeAt, alt, 1)
			b.components = append(b.components, g)
		}
	}
	return b
}

// reported learns from a movement of the axis and the strokes, in their order,
// that the person reported. Strokes of no bolt and of no size are passed over.
func (b *Bolts) reported(strokes []Stroke, m movement) {
	components := slices.Clone(b.components)
	for i := range components {
		components[i].wander()
	}
	var touched [boltCount]bool
	for _, s := range strokes {
		bolt, ok := s.Bolt.Index()
		if !ok || s.Turns == 0 {
			continue
		}
		touched[bolt] = true
		var next []component
		for _, g := range components {
			next = append(next, g.afterStroke(bolt, s.Turns)...)
		}
		components = likeliest(next, boltCount*mostComponents)
	}
	var next []component
	for _, g := range components {
		g.weight *= (1 - misreported) * g.observe(m, nil)
		next = append(next, g)
	}
	wide := m.Cov.Plus(1, sky.Diagonal(float64(misreportedSpread*misreportedSpread)))
	for _, g := range b.components {
		g.weight *= misreported * density2(m.By, wide)
		for bolt, t := range touched {
			if t {
				g.loosen(bolt)
			}
		}
		next = append(next, g)
	}
	b.keep(next)
	for bolt, t := range touched {
		if t {
			b.reports[bolt]++
		}
	}
}

// unreported learns from a movement of which the person said nothing. It tells
// whether the axis moved at all.
func (b *Bolts) unreported(m movement) bool {
	if !m.moved() {
		return false
	}
	var next []component
	for _, who := range []struct {
		turned [boltCount]bool
		weight float64
	}{
		{[boltCount]bool{true, false}, oneBolt / 2},
		{[boltCount]bool{false, true}, oneBolt / 2},
		{[boltCount]bool{true, true}, 1 - oneBolt},
	} {
		for _, g := range b.components {
			for bolt, t := range who.turned {
				if t {
					g.cov[atBite+bolt][atBite+bolt] = square(unreportedSpread)
				}
			}
			g.weight *= who.weight * g.observe(m, func(bite [boltCount]float64) {
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

// keep takes over the likeliest components. Where nothing explains what
// was seen, nothing is learnt.
func (b *Bolts) keep(all []component) {
	if kept := likeliest(all, mostComponents); len(kept) > 0 {
		b.components = kept
	}
}

// Clone is a copy that learns on its own.
func (b *Bolts) Clone() *Bolts {
	c := *b
	c.components = slices.Clone(b.components)
	return &c
}

// Loosen forgets where in their backlash the bolts stand.
func (b *Bolts) Loosen() {
	for i := range b.components {
		for bolt := range boltCount {
			b.components[i].loosen(bolt)
		}
	}
}

// Responses tells what is known of the bolts: altitude, then azimuth.
func (b *Bolts) Responses() []Response {
	return []Response{b.response(AltitudeBolt, altitudeAt, 1), b.response(AzimuthBolt, azimuthAt, b.cosAlt)}
}

func (b *Bolts) response(name Bolt, bolt int, onSky float64) Response {
	k := bolt * perBolt
	own, other := k+bolt, k+1-bolt
	perTurn := b.mixture(func(g *component) (float64, float64) { return g.x[own] / onSky, g.cov[own][own] / square(onSky) })
	backlash := b.mixture(func(g *component) (float64, float64) { return g.x[k+atBacklash], g.cov[k+atBacklash][k+atBacklash] })
	cross := b.mixture(func(g *component) (float64, float64) {
		ratio := g.x[other] / g.x[own]
		v := g.cov[other][other] - 2*ratio*g.cov[own][other] + ratio*ratio*g.cov[own][own]
		return ratio, v / square(g.x[own])
	})
	a := Response{
		Bolt:    name,
		PerTurn: sky.Angle(perTurn.mean), PerTurnSigma: sky.Angle(perTurn.sigma),
		Backlash: backlash.mean, BacklashSigma: backlash.sigma,
		Cross: cross.mean, CrossSigma: cross.sigma,
	}
	clockwise := 0.0
	for _, g := range b.components {
		if g.x[own] > 0 {
			clockwise += g.weight
		}
	}
	a.Learnt = b.reports[bolt] > 0 && max(clockwise, 1-clockwise) >= learntSense && a.PerTurnSigma < learntPart*a.PerTurn.Abs()
	return a
}

// value is a number with its standard deviation.
type value struct{ mean, sigma float64 }

// mixture is mean and standard deviation over all components.
func (b *Bolts) mixture(of func(*component) (mean, variance float64)) value {
	var sum, squares float64
	for i := range b.components {
		m, v := of(&b.components[i])
		sum += b.components[i].weight * m
		squares += b.components[i].weight * (v + m*m)
	}
	return value{sum, math.Sqrt(max(0, squares-sum*sum))}
}
