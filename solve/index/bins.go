package index

import "math"

const (
	// sizeBits is how many leading bits of the mantissa tell bins of pattern size
	// apart: 4 to the octave.
	sizeBits = 2

	// smallestSize bounds the longest side in units of the grid's cell: for
	// shorter ones there are finer levels. sizeBins steps above it, at twelve
	// cells, the pattern would span more than a field.
	smallestSize = 0.05
	sizeBins     = 32

	// longestSide is the longest chord that is filed, 40 degrees: from there on it would
	// not be in the widest field.
	longestSide = 0.684
)

// shapeBins maps a shape to a bucket: a grid over the four coordinates, u within
// the upper half of the unit circle, v within the circle.
type shapeBins struct {
	perUnit float64 // bins in a unit of each coordinate
	half    int     // bins in the range from 0 to 1
	perSize float64 // one over the smallest longest side, 1/radian
}

func newShapeBins(s Spec) shapeBins {
	return shapeBins{
		perUnit: 1 / s.ShapeBin,
		half:    int(math.Ceil(1/s.ShapeBin)) + 1,
		perSize: 1 / (smallestSize * s.CellSide().Radians()),
	}
}

// sizeBin is the bin of a longest side in radians, negative or beyond sizeBins-1
// for one that is not filed: the exponent and first bits of the mantissa, which
// grow as the logarithm does and cost a shift.
func (b shapeBins) sizeBin(longest float64) int {
	const shift = 23 - sizeBits
	const one = 127 << sizeBits // bin of 1
	return int(math.Float32bits(float32(longest*b.perSize))>>shift) - one
}

// signed is the bin of a coordinate that runs from -1 to 1, positive that of one from
// 0 to 1; what lies outside gets the nearest.
func (b shapeBins) signed(x float64) int {
	// From 0 on cutting off is rounding down, and below it the bin is 0 either way.
	return min(max(int(x*b.perUnit+float64(b.half)), 0), 2*b.half-1)
}

func (b shapeBins) positive(x float64) int {
	return min(max(int(x*b.perUnit), 0), b.half-1)
}

func (b shapeBins) bucket(u, v complex128) int {
	return b.row(b.signed(real(u)), b.positive(imag(u)), b.signed(real(v))) + b.signed(imag(v))
}

// row is the first bucket of those that differ in the last coordinate only.
func (b shapeBins) row(ur, ui, vr int) int {
	return ((ur*b.half+ui)*2*b.half + vr) * 2 * b.half
}

func (b shapeBins) buckets() int { return 8 * b.half * b.half * b.half * b.half }
