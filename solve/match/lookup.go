package match

import (
	"math"
	"math/cmplx"

	"polard/solve/index"
)

// From a pattern of the image to the shapes that are looked up in the index.

const (
	// centroidTol is how far (pixels) a bright star's centroid may lie from where it should: three sigma of a
	// good one. Of a bad one (trailed, saturated, blended) it would be four times as much, and what that costs grows
	// as the square; no list of 5,620 surveyed ones was solved by it alone.
	centroidTol = 0.35

	// loosestShape is the widest tolerance of a shape with which it is worth looking
	// up: with an eighth of the unit circle's radius in each of four coordinates, one
	// shape in some hundred fits by chance.
	loosestShape = 0.12
)

// lookup is a shape to look for in the index.
type lookup struct {
	index.Query
	z             [4]complex128
	turned        bool       // the shape is of the image's mirror image
	least2, most2 [2]float32 // squares of the shorter sides over that of the longest
}

// lookups gives the shapes as which an image pattern may be filed: more than one
// where centroid errors may change which side is longer, or on which side of
// the longest the second lies.
func (s *rangeSearch) lookups(p pattern) (all []lookup) {
	z := [4]complex128{s.flat.At[p[0]], s.flat.At[p[1]], s.flat.At[p[2]], s.flat.At[p[3]]}
	longest := max(norm2(z[1]-z[0]), norm2(z[2]-z[0]), norm2(z[3]-z[0]))
	longest = math.Sqrt(longest)
	spec := s.level.Spec
	// Both ends of a side and of the longest one move.
	tol := spec.ShapeTol + 2*centroidTol/longest
	if tol > loosestShape {
		return nil
	}
	sizeLo, sizeHi, ok := s.level.Sizes(longest*s.scaleLo*(1-tol), longest*s.scaleHi*(1+tol))
	if !ok {
		return nil
	}
	orders := anyOrder
	if p.isPartial() {
		orders = [][4]uint8{{0, 1, 2, 0}, {0, 2, 1, 0}}
	} else if spec.Thinned() && !mayBeCentral(z, tol*longest) { // by its central star the catalogue's pattern is filed
		return nil
	}
	return shapesOf(z, orders, index.Query{Tol: tol, SizeLo: sizeLo, SizeHi: sizeHi}, s.partial == anyShorter)
}

// anyOrder lists the orders of a pattern's sides.
var anyOrder = [][4]uint8{{0, 1, 2, 3}, {0, 1, 3, 2}, {0, 2, 1, 3}, {0, 2, 3, 1}, {0, 3, 1, 2}, {0, 3, 2, 1}}

// shapesOf gives the shapes of a pattern, pivot first, with its sides in such of some orders as the tolerance allows. In an order that
// ends with the pivot the third side is missing, or with either the second.
func shapesOf(z [4]complex128, orders [][4]uint8, of index.Query, either bool) (all []lookup) {
	for _, o := range orders {
		l := lookup{
			Query: of,
			z:     [4]complex128{z[0], z[o[1]], z[o[2]], z[o[3]]},
		}
		tol := of.Tol
		if o[3] == 0 {
			l.Missing = 3
		}
		d1, d2, d3 := l.z[1]-z[0], l.z[2]-z[0], l.z[3]-z[0]
		back := cmplx.Conj(d1) * complex(1/norm2(d1), 0)
		l.U, l.V = d2*back, d3*back
		long := norm2(l.U)
		if long > sq(1+tol) || norm2(l.V) > sq(math.Sqrt(long)+tol) {
			continue
		}
		for i, w := range [2]complex128{l.U, l.V} {
			r, slack := cmplx.Abs(w), math.Sqrt2*tol
			l.least2[i], l.most2[i] = float32(sq(max(r-slack, 0))), float32(sq(r+slack))
		}
		if l.Missing != 0 && either {
			all = l.eitherSide(all)
		}
		if side := imag(l.U); side > -tol {
			all = append(all, l)
			if side > tol {
				continue
			}
		}
		l.U, l.V, l.turned = cmplx.Conj(l.U), cmplx.Conj(l.V), true
		all = append(all, l)
	}
	return all
}

// mayBeCentral tells whether the first of four places may lie nearest to their middle.
func mayBeCentral(z [4]complex128, slack float64) bool {
	middle := (z[1] + z[2] + z[3] - 3*z[0]) / 4
	for _, to := range z[1:] {
		if cmplx.Abs(to-z[0]-middle) < cmplx.Abs(middle)-slack {
			return false
		}
	}
	return true
}

// eitherSide adds the shapes of a partial pattern whose second side is the missing one: it is filed on
// either side of the longest, as the missing one decides.
func (l lookup) eitherSide(all []lookup) []lookup {
	u := l.U
	l.Missing = 2
	for _, l.V = range [2]complex128{u, cmplx.Conj(u)} {
		for _, l.turned = range [2]bool{false, true} {
			if side := imag(u); side > -l.Tol && !l.turned || side < l.Tol && l.turned {
				all = append(all, l)
			}
		}
	}
	return all
}

// lengthsFit tells whether the shorter sides of a catalogue pattern are what the lookup asks,
// in units of the longest: most of what shares a bucket is not, and a fit costs more.
func (l *lookup) lengthsFit(p *[4]index.Vec32, seen int) bool {
	d := p[1].Sub(p[0])
	longest2 := d.Dot(d)
	for i := 2; i < seen; i++ {
		d := p[i].Sub(p[0])
		if r2 := d.Dot(d); r2 < l.least2[i-2]*longest2 || r2 > l.most2[i-2]*longest2 {
			return false
		}
	}
	return true
}
