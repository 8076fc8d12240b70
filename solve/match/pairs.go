package match

import (
	"cmp"
	"context"
	"math"
	"math/cmplx"
	"slices"

	"polard/mountmodel/sky"
	"polard/solve/index"
	"polard/solve/match/proof"

	"gonum.org/v1/gonum/spatial/r3"
)

// The pass by pairs: where scale and place are hinted, two detections and two catalogue stars as far apart are a
// candidate already. When a part p of the brightest detections is of the catalogue, one is met with the odds p^2, where a
// pattern of four has p^4: plates around galaxies, frames full of hot pixels, and fields of so few stars that their
// patterns are hardly ever whole.

const (
	// pairRadius is how far from a hinted place the middle of the image may lie; half the image's longer side is tried first, and then twice as much.
	pairRadius = 1.5 * sky.Degree

	// pairStars of the catalogue in an area as large as the image form pairs, the brightest, and mostPaired detections.
	pairStars, mostPaired = 16, 100

	// pairsAtOnce are looked up before it is asked whether candidates enough were tried.
	pairsAtOnce = 8

	// shortestPair is the shortest side of a pair, as a part of the image's longer side: shorter ones
	// point to the rest of the field too coarsely.
	shortestPair = 0.25

	// pairTol is how far (pixels) a star around the pair may lie from its place, and pairOdds what they must show together.
	pairTol  = 3
	pairOdds = 1e-4

	// brightAround stars are the brightest around a pair, of which a right one shows some: not all are looked at for
	// the others.
	brightAround = 8
)

// pairSearch finds candidates by pairs. It does not change.
type pairSearch struct {
	image            proof.Detections // those that form pairs
	stars            []pairStar
	sides            []starPair // by their length
	scaleLo, scaleHi float64    // radians per pixel
	radius           float64    // of the hinted place, on the tangent plane there
	occupied         *occupancy
	least            []int // how many of n places must be occupied, see proof.LeastHits
	verifier         *verifier
}

// pairStar is a catalogue star about the hinted place.
type pairStar struct {
	at     complex128 // on the tangent plane: east + i north
	dir    index.Vec32
	around []int32 // stars that may be in the image with it, brightest first
}

// starPair is two of them.
type starPair struct {
	length float64
	a, b   int32
}

// newPairSearch prepares the pass about a place.
func newPairSearch(s *Search, order order, near sky.ICRS, within sky.Angle, source starSource) *pairSearch {
	image, _ := s.ordered(order)
	scale := s.hint.Scale.Radians()
	p := &pairSearch{
		image: image.Brightest(mostPaired), scaleLo: scale * (1 - hintTolerance), scaleHi: scale * (1 + hintTolerance),
		radius:   math.Tan(within.Radians()),
		verifier: newVerifier(source, s.hint.Epoch, image, verifyDetections),
	}
	p.occupied = newOccupancy(p.image, pairTol)
	diagonal := math.Hypot(float64(image.Width), float64(image.Height)) * p.scaleHi
	radius := within + sky.Angle(math.Atan(diagonal/2))
	area := float64(image.Width) * float64(image.Height) * scale * scale
	circle := 2 * math.Pi * (1 - radius.Cos())
	east, north := eastAndNorth(near)
	for _, star := range source.Brightest(near, radius, int(pairStars*circle/area)) {
		d := star.At(s.hint.Epoch)
		v := sky.Vec(d)
		z := r3.Dot(v, sky.Vec(near)) // the circle is some degrees wide
		p.stars = append(p.stars, pairStar{at: complex(r3.Dot(v, east)/z, r3.Dot(v, north)/z), dir: index.VecOf(d)})
	}
	shortest := shortestPair * scale * float64(max(image.Width, image.Height))
	for i := range p.stars {
		for j := range p.stars {
			length := cmplx.Abs(p.stars[j].at - p.stars[i].at)
			if i == j || length > diagonal {
				continue
			}
			p.stars[i].around = append(p.stars[i].around, int32(j))
			if j < i && length >= shortest*(1-hintTolerance) {
				p.sides = append(p.sides, starPair{length, int32(i), int32(j)})
			}
		}
	}
	slices.SortFunc(p.sides, func(a, b starPair) int {
		return cmp.Or(cmp.Compare(a.length, b.length), cmp.Compare(a.a, b.a), cmp.Compare(a.b, b.b))
	})
	most := 0
	for i := range p.stars {
		most = max(most, len(p.stars[i].around))
	}
	p.least = proof.LeastHits(p.occupied.fill, pairOdds, most)
	return p
}

// queue gives the pairs of detections, in the order of the fainter one, some at a time while more are wanted.
func (p *pairSearch) queue(wanted func() bool) patternQueue {
	shortest := sq(shortestPair * float64(max(p.image.Width, p.image.Height)))
	last, other := 1, 0
	return patternQueue{more: func() (out []pattern) {
		for wanted() && last < len(p.image.At) && len(out) < pairsAtOnce {
			if norm2(p.image.At[last]-p.image.At[other]) >= shortest {
				out = append(out, pattern{uint16(last), uint16(other)})
			}
			if other++; other == last {
				last, other = last+1, 0
			}
		}
		return out
	}}
}

// try looks at every pair of stars as long as a pair of detections, either way round and either way seen.
func (p *pairSearch) try(ctx context.Context, d pattern) (trials int, found []proven) {
	at := p.image.At[d[0]]
	side := p.image.At[d[1]] - at
	pixels := cmplx.Abs(side)
	toMiddle := (p.image.Centre() - at) / side
	first, _ := slices.BinarySearchFunc(p.sides, pixels*p.scaleLo, func(s starPair, length float64) int { return cmp.Compare(s.length, length) })
	for _, s := range p.sides[first:] {
		if s.length > pixels*p.scaleHi || ctx.Err() != nil {
			break
		}
		for _, ends := range [2][2]int32{{s.a, s.b}, {s.b, s.a}} {
			star := p.stars[ends[0]].at
			w := p.stars[ends[1]].at - star
			for _, mirrored := range [2]bool{false, true} {
				f := pairFit{star: star, at: at, alpha: side * cmplx.Conj(w) * complex(1/norm2(w), 0), mirrored: mirrored}
				middle := star + w*toMiddle
				if !mirrored {
					f.alpha = side * w * complex(1/norm2(w), 0)
					middle = star + w*cmplx.Conj(toMiddle)
				}
				if norm2(middle) > sq(p.radius) {
					continue
				}
				trials++
				if !p.seen(&f, ends) {
					continue
				}
				if q, ok := p.verifier.verify(p.candidate(&f, ends, d), 0); ok {
					found = append(found, q)
				}
			}
		}
	}
	return trials, found
}

// pairFit carries the tangent plane at the hinted place to the image.
type pairFit struct {
	star, at complex128
	alpha    complex128
	mirrored bool
}

func (f *pairFit) pixel(w complex128) complex128 {
	w -= f.star
	if !f.mirrored {
		w = cmplx.Conj(w)
	}
	return f.at + f.alpha*w
}

// seen tells whether enough stars around the pair show.
func (p *pairSearch) seen(f *pairFit, ends [2]int32) bool {
	inside, hits := 0, 0
	for _, j := range p.stars[ends[0]].around {
		if j == ends[1] {
			continue
		}
		if z := f.pixel(p.stars[j].at); p.image.Holds(z, 0) {
			inside++
			if p.occupied.near(z) {
				hits++
			}
			if inside == brightAround && hits == 0 {
				return false
			}
		}
	}
	return hits >= p.least[inside]
}

// candidate is what is verified.
func (p *pairSearch) candidate(f *pairFit, ends [2]int32, d pattern) *candidate {
	from, to := p.stars[ends[0]].dir, p.stars[ends[1]].dir
	c := candidate{star: from, at: f.at, mirrored: f.mirrored}
	c.e1, c.e2 = index.Tangent(from, to.Sub(from))
	c.alpha = (p.image.At[d[1]] - p.image.At[d[0]]) / complex(float64(to.Sub(from).Dot(c.e1)), 0)
	c.stars = [4]complex128{p.image.At[d[0]], p.image.At[d[1]], p.image.At[d[0]], p.image.At[d[1]]}
	return &c
}

// eastAndNorth are unit vectors that way from a place.
func eastAndNorth(at sky.ICRS) (east, north sky.Vec) {
	ra, dec := sky.RADecFromICRS(at)
	return sky.Vec(sky.ICRSFromRADec(ra+90*sky.Degree, 0)), sky.Vec(sky.ICRSFromRADec(ra, dec+90*sky.Degree))
}

// byPairs makes the pass.
func byPairs(ctx context.Context, s *Search, p *pass) (*Match, error) {
	if s.hint.Scale <= 0 || s.longSide() > wideField {
		return nil, nil
	}
	for radius := s.longSide() / 2; ; radius *= 2 {
		radius = min(radius, pairRadius)
		search := newPairSearch(s, p.order, *s.hint.Near, radius, s.index.Catalogue)
		enough := s.trials + p.patterns
		m, err := s.look(ctx, search, search.queue(func() bool { return s.trials < enough }), toTheEnd, s.starsFor)
		if m != nil || err != nil {
			return m, err
		}
		if radius == pairRadius {
			return nil, nil
		}
	}
}
