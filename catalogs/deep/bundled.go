package deep

import (
	"math"

	"polard/catalogs"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Which bundled stars an extract holds. Those with proper motion are compared at J2016.0; the others, which
// stand where the satellite saw them (catalogs/doc.go), at J1991.5.
const (
	unmovedYear = 1991.5

	// A star is the bundled one where it stands within nearPlace of it and is as bright to nearMag, or stands
	// within samePlace and is as bright to sameMag. Tycho-2's places are good to 0.1 arcsec in 2016, but of two
	// stars closer than some arcseconds it has one, between them and brighter by up to 0.75; variable stars and
	// those that saturated differ by more. With a hundred stars brighter than magnitude 13 in a square degree,
	// another stands within nearPlace of one by chance in ten thousand.
	nearPlace, nearMag = 2 * sky.Arcsecond, 1.2
	samePlace, sameMag = 0.7 * sky.Arcsecond, 3.0

	// faintestBundled is the V beyond which there are no bundled stars to speak of, with nearMag to spare.
	faintestBundled = 13.5

	// medianColour is V - G of a star of the median colour of bundled stars, BP - RP = 0.9: Gaia EDR3
	// documentation, section 5.5.1, table 5.9 (from memory).
	medianColour = 0.18
)

// vFromGaia is Johnson V from Gaia's G and BP - RP, good to 0.03 for colours of -0.5 to 5 (Gaia EDR3
// documentation, section 5.5.1, table 5.9; from memory).
func vFromGaia(g, bp, rp float64) float64 {
	c := bp - rp
	if !(c > -0.5 && c < 5) {
		return g + medianColour
	}
	return g + 0.02704 - c*(0.01424+c*(-0.2156+c*0.01426))
}

// bundledStars knows which bundled stars have been found in extracts.
type bundledStars struct {
	moving, still *places
	found         []bool // by number in the bundled catalogue
}

func newBundledStars(cat *catalogs.Catalogue) *bundledStars {
	b := &bundledStars{moving: newPlaces(cat.Len()), still: newPlaces(cat.Len() / 16), found: make([]bool, cat.Len())}
	for cell := range cat.Cells() {
		for s := range cat.CellStars(cell) {
			if s.HasPM {
				b.moving.add(s.At(yearOfPlaces), s.V, s.ID)
			} else {
				b.still.add(s.Dir, s.V, s.ID)
			}
		}
	}
	return b
}

// see marks the bundled stars that a star is. Its place is that of J2016.0; v is its V.
func (b *bundledStars) see(s *catalogs.Star, v float64) {
	b.mark(b.moving, s.Dir, v)
	then := s.Dir
	if s.HasPM {
		j2000 := catalogs.FromEpoch(*s, yearOfPlaces)
		j2000.Parallax = 0
		then = j2000.At(unmovedYear)
	}
	b.mark(b.still, then, v)
}

func (b *bundledStars) mark(p *places, at sky.ICRS, v float64) {
	p.near(at, nearPlace, func(sep sky.Angle, mag float32, id int32) {
		off := math.Abs(v - float64(mag))
		if off <= nearMag || sep <= samePlace && off <= sameMag {
			b.found[id] = true
		}
	})
}

// places finds the stars near a place: a table of small boxes in space, as wide as twice nearPlace, each with
// a list of its stars.
type places struct {
	heads []int32 // first star of a list, by hash of the box; -1 for none
	next  []int32
	at    []sky.ICRS
	mag   []float32
	id    []int32
}

const boxSide = 2 * float64(nearPlace)

func newPlaces(expected int) *places {
	size := 1 << 10
	for size < expected {
		size *= 2
	}
	p := &places{heads: make([]int32, size)}
	for i := range p.heads {
		p.heads[i] = -1
	}
	return p
}

func (p *places) hash(x, y, z int64) int {
	h := uint64(x)*0x9e3779b97f4a7c15 ^ uint64(y)*0xc2b2ae3d27d4eb4f ^ uint64(z)*0x165667b19e3779f9
	h ^= h >> 29
	return int(h * 0xbf58476d1ce4e5b9 >> 32 & uint64(len(p.heads)-1))
}

func box(x float64) int64 { return int64(math.Floor(x / boxSide)) }

func (p *places) add(at sky.ICRS, mag float32, id int32) {
	h := p.hash(box(at.X), box(at.Y), box(at.Z))
	p.at, p.mag, p.id, p.next = append(p.at, at), append(p.mag, mag), append(p.id, id), append(p.next, p.heads[h])
	p.heads[h] = int32(len(p.at) - 1)
}

// near visits the stars within a radius of at most nearPlace.
func (p *places) near(at sky.ICRS, radius sky.Angle, visit func(sep sky.Angle, mag float32, id int32)) {
	// The nearer neighbour of the place's box, along each axis.
	lower := func(x float64) int64 { return int64(math.Floor(x/boxSide - 0.5)) }
	x, y, z := lower(at.X), lower(at.Y), lower(at.Z)
	var seen [8]int
	for k := range 8 {
		h := p.hash(x+int64(k&1), y+int64(k>>1&1), z+int64(k>>2))
		seen[k] = h
		again := false
		for _, other := range seen[:k] {
			again = again || other == h
		}
		if again {
			continue
		}
		for i := p.heads[h]; i >= 0; i = p.next[i] {
			// A chord is shorter than its arc by parts in 1e11 here.
			if d := r3.Norm(r3.Sub(sky.Vec(p.at[i]), sky.Vec(at))); d <= radius.Radians() {
				visit(sky.Angle(d), p.mag[i], p.id[i])
			}
		}
	}
}
