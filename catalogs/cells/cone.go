package cells

import (
	"iter"
	"math"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Slack for rounding in the choice of cells, far above the rounding of a
// unit vector (1e-16) and far below a cell (1e-2 radian).
const (
	slackRadians = 1e-9
	slackCosine  = 1e-12
)

// Cone is a circle on the sky, made ready for tests.
type Cone struct {
	axis     sky.Vec
	radius   float64 // radians, 0 to pi
	sin, cos float64
	chord2   float64 // squared length of the chord that spans radius
}

// NewCone is false when nothing can lie in the cone: the centre is no
// direction, or the radius is negative or NaN.
func NewCone(centre sky.ICRS, radius sky.Angle) (Cone, bool) {
	if !IsDirection(centre) || !(radius >= 0) {
		return Cone{}, false
	}
	r := math.Min(float64(radius), math.Pi)
	k := Cone{axis: sky.Vec(sky.Unit(centre)), radius: r}
	k.sin, k.cos = math.Sincos(r)
	h := math.Sin(r / 2)
	k.chord2 = 4 * h * h
	return k, true
}

// whole tells whether the cone is the whole sky.
func (k *Cone) whole() bool { return k.radius >= math.Pi }

// Holds tells whether the unit vector d lies in the cone. The chord keeps its
// digits for small radii, where the cosine does not.
func (k *Cone) Holds(d sky.Vec) bool {
	return k.whole() || r3.Norm2(r3.Sub(d, k.axis)) <= k.chord2
}

// touches tells whether a cell of the given centre and size may meet the
// cone. It may say yes to a cell that does not, never no to one that does.
func (k *Cone) touches(centre sky.Vec, s size) bool {
	if k.radius+float64(s.radius) >= math.Pi {
		return true
	}
	return r3.Dot(centre, k.axis) >= k.cos*s.cos-k.sin*s.sin-slackCosine
}

// Covers tells whether the whole cell lies in the cone; when in doubt, no.
func (k *Cone) Covers(g *Grid, cell int) bool {
	centre, s := g.Centre(cell), g.size[cell%(g.n*g.n)]
	if k.whole() {
		return true
	}
	return k.radius > float64(s.radius) && r3.Dot(centre, k.axis) >= k.cos*s.cos+k.sin*s.sin+slackCosine
}

// InCone yields, in ascending order, every cell that meets the cone and few
// others.
func (g *Grid) InCone(k Cone) iter.Seq[int] {
	return func(yield func(int) bool) {
		for face := range Faces {
			a, b, n := ToFace(face, k.axis)
			colLo, colHi := g.strips(k, a, n)
			rowLo, rowHi := g.strips(k, b, n)
			for row := rowLo; row < rowHi; row++ {
				for col := colLo; col < colHi; col++ {
					cell := (face*g.n+row)*g.n + col
					if k.touches(g.Centre(cell), g.size[row*g.n+col]) && !yield(cell) {
						return
					}
				}
			}
		}
	}
}

// strips gives the strips lo..hi-1 of one face that the cone can meet. The
// planes between strips share an axis, so a strip is a range of longitude
// about that axis: x and n are the components of the cone's axis across it. A circle of radius r at latitude l spans asin(sin r /
// cos l) of longitude to either side, or all of it if it holds a pole.
func (g *Grid) strips(k Cone, x, n float64) (lo, hi int) {
	across := math.Hypot(x, n)
	if k.radius >= math.Pi/2-slackRadians || k.sin >= across-slackRadians {
		return 0, g.n
	}
	longitude := math.Atan2(x, n)
	reach := math.Asin(k.sin/across) + slackRadians
	scale := float64(g.n) / (math.Pi / 2)
	l := math.Floor((longitude - reach + math.Pi/4) * scale)
	h := math.Floor((longitude+reach+math.Pi/4)*scale) + 1
	if l >= float64(g.n) || h <= 0 {
		return 0, 0
	}
	return max(int(l), 0), min(int(h), g.n)
}
