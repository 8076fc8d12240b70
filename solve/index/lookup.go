package index

import "iter"

// Query is a shape to look for: the image's two shorter sides, as complex numbers in units of the longest.
type Query struct {
	U, V           complex128
	Missing        int     // the side that a partial pattern misses, 2 or 3: whatever its place is; 0 for none
	Tol            float64 // in each coordinate
	SizeLo, SizeHi int     // bins of the longest side
}

// Sizes gives the bins of longest sides from lo to hi (radians), first and last; not ok when none is filed.
func (l *Level) Sizes(lo, hi float64) (first, last int, ok bool) {
	first, last = max(l.bins.sizeBin(lo), 0), min(l.bins.sizeBin(hi), sizeBins-1)
	return first, last, first <= last
}

// Rows gives the parts of the index that may hold the shape, of any size.
func (l *Level) Rows(q *Query) iter.Seq[[]uint32] {
	return func(yield func([]uint32) bool) {
		b := l.bins
		vLo, vHi := b.signed(imag(q.V)-q.Tol), b.signed(imag(q.V)+q.Tol)
		if q.Missing == 2 {
			for u := range 2 * b.half * b.half {
				for vr := b.signed(real(q.V) - q.Tol); vr <= b.signed(real(q.V)+q.Tol); vr++ {
					row := b.row(u/b.half, u%b.half, vr)
					if part := l.entry[l.starts[row+vLo]:l.starts[row+vHi+1]]; len(part) > 0 && !yield(part) {
						return
					}
				}
			}
			return
		}
		for ur := b.signed(real(q.U) - q.Tol); ur <= b.signed(real(q.U)+q.Tol); ur++ {
			for ui := b.positive(imag(q.U) - q.Tol); ui <= b.positive(imag(q.U)+q.Tol); ui++ {
				if q.Missing == 3 {
					row, next := b.row(ur, ui, 0), b.row(ur, ui, 2*b.half)
					if !yield(l.entry[l.starts[row]:l.starts[next]]) {
						return
					}
					continue
				}
				for vr := b.signed(real(q.V) - q.Tol); vr <= b.signed(real(q.V)+q.Tol); vr++ {
					row := b.row(ur, ui, vr)
					if !yield(l.entry[l.starts[row+vLo]:l.starts[row+vHi+1]]) {
						return
					}
				}
			}
		}
	}
}
