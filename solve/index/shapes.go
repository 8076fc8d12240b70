package index

import (
	"math"
	"slices"
)

// Shape is what a pattern of the sky may look like: the two shorter sides in units of the longest, each coordinate of them to Tol,
// and the range of the longest, in radians.
type Shape struct {
	U, V              complex128
	Tol               float64
	Shortest, Longest float64
}

// Shapes holds the shapes of an image, filed by what is like them. It does not change.
type Shapes struct {
	any               []uint64 // one bit for each value of hash: whether a shape is filed there
	starts            []uint32 // of each slot, several values of hash
	filed             []filedShape
	shortest, longest float64 // of all
}

type filedShape struct {
	u, v                   complex64
	tol, shortest, longest float32
	number                 uint32
}

const (
	// Bins of shapes, so wide that most shapes are in one of each coordinate and few others with them, and of sizes: two to the octave.
	binsPerUnit = 20
	sizeShift   = 22 // of a single-precision number's bits

	// The bits tell most patterns of the sky that nothing is like them, and fit a processor's second cache, as do the slots.
	hashBits, slotBits = 20, 16
)

// NewShapes files shapes.
func NewShapes(shapes []Shape) *Shapes {
	f := &Shapes{any: make([]uint64, 1<<hashBits/64), starts: make([]uint32, 1<<slotBits+1), shortest: math.Inf(1)}
	eachBin(shapes, func(_ int, h uint32) {
		f.any[h/64] |= 1 << (h % 64)
		f.starts[h>>(hashBits-slotBits)+1]++
	})
	for s := range f.starts[1:] {
		f.starts[s+1] += f.starts[s]
	}
	f.filed = make([]filedShape, f.starts[1<<slotBits])
	next := slices.Clone(f.starts)
	eachBin(shapes, func(i int, h uint32) {
		s, slot := &shapes[i], h>>(hashBits-slotBits)
		f.filed[next[slot]] = filedShape{complex64(s.U), complex64(s.V), float32(s.Tol), float32(s.Shortest), float32(s.Longest), uint32(i)}
		next[slot]++
	})
	for i := range shapes {
		f.shortest, f.longest = min(f.shortest, shapes[i].Shortest), max(f.longest, shapes[i].Longest)
	}
	return f
}

// eachBin visits the bins that hold what is like each shape.
func eachBin(shapes []Shape, visit func(shape int, hash uint32)) {
	for i := range shapes {
		s := &shapes[i]
		t := s.Tol + 1e-6 // what single precision may round
		around := [4]float64{real(s.U), imag(s.U), real(s.V), imag(s.V)}
		var lo, hi, at [4]uint32
		for k, x := range around {
			lo[k], hi[k] = coordinateBin(float32(x-t)), coordinateBin(float32(x+t))
		}
		for size := sizeOf(float32(s.Shortest)); size <= sizeOf(float32(s.Longest)); size++ {
			for at[0] = lo[0]; at[0] <= hi[0]; at[0]++ {
				for at[1] = lo[1]; at[1] <= hi[1]; at[1]++ {
					for at[2] = lo[2]; at[2] <= hi[2]; at[2]++ {
						for at[3] = lo[3]; at[3] <= hi[3]; at[3]++ {
							visit(i, hash(at[0], at[1], at[2], at[3], size))
						}
					}
				}
			}
		}
	}
}

// coordinateBin is the bin of a coordinate, which is not below -1.5.
func coordinateBin(x float32) uint32 { return uint32((x + 1.5) * binsPerUnit) }

func sizeOf(longest float32) uint32 { return math.Float32bits(longest) >> sizeShift }

// hash mixes bins of 6 bits and a size (multiplicative hashing: Knuth, The Art of Computer Programming 3, section 6.4).
func hash(ur, ui, vr, vi, size uint32) uint32 {
	key := uint64(size)<<24 | uint64(ur<<18|ui<<12|vr<<6|vi)
	return uint32(key * 0x9e3779b97f4a7c15 >> (64 - hashBits))
}

// like visits the shapes that a pattern of the sky is like, in either sense.
func (f *Shapes) like(u, v complex64, longest float32, visit func(shape int)) {
	ur, ui, vr, vi := real(u), imag(u), real(v), imag(v)
	if ui < 0 {
		ui, vi = -ui, -vi
	}
	h := hash(coordinateBin(ur), coordinateBin(ui), coordinateBin(vr), coordinateBin(vi), sizeOf(longest))
	if f.any[h/64]>>(h%64)&1 == 0 {
		return
	}
	slot := h >> (hashBits - slotBits)
	filed := f.filed[f.starts[slot]:f.starts[slot+1]]
	for i := range filed {
		s := &filed[i]
		if longest >= s.shortest && longest <= s.longest && abs32(ur-real(s.u)) <= s.tol && abs32(ui-imag(s.u)) <= s.tol &&
			abs32(vr-real(s.v)) <= s.tol && abs32(vi-imag(s.v)) <= s.tol {
			visit(int(s.number))
		}
	}
}
