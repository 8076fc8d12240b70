package match

import (
	"math"
	"math/cmplx"

	"polard/solve/match/proof"
)

// lensPlane is what is assumed of the lens while patterns are looked up.
type lensPlane struct {
	scale      float64 // radians per pixel, for flattening a wide field; 0 for narrow ones
	distortion float64 // see flatten
}

// flatten undoes the tangent plane for a wide field, and the distortion of a lens
// whose image of the tangent plane is r = t (1 + distortion t^2): each place is moved so
// that distances near it are those of the sky at its centre's scale. The move
// is the equidistant one, t = tan(theta) to theta, which is right along the
// radius to second order; what is left is within the level's shapeTol.
func (l lensPlane) flatten(in proof.Detections) proof.Detections {
	if l.scale == 0 {
		return in
	}
	c := in.Centre()
	out := in
	out.At = make([]complex128, len(in.At))
	for i, z := range in.At {
		r := cmplx.Abs(z-c) * l.scale
		f := 1.0
		if r > 0 {
			t := r
			for range 3 { // enough for a tenth of distortion
				t = r / (1 + l.distortion*t*t)
			}
			f = math.Atan(t) / r
		}
		out.At[i] = c + (z-c)*complex(f, 0)
	}
	return out
}
