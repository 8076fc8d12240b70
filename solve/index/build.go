package index

import (
	"context"
	"math/cmplx"
	"runtime"
	"runtime/debug"

	"polard/catalogs"
	"polard/solve/parallel"
)

// buildLevel thins the catalogue, finds neighbours and files the patterns. The error is the context's.
func buildLevel(ctx context.Context, cat *catalogs.Catalogue, spec Spec) (*Level, error) {
	if spec.stars >= manyStars {
		// What images and smaller levels have left behind is given back first, and
		// what this one leaves behind at the end: the peak decides what a small computer
		// needs.
		debug.FreeOSMemory()
		defer debug.FreeOSMemory()
	}
	l := &Level{Spec: spec, bins: newShapeBins(spec), pivotShift: spec.pivotShift()}
	var mags []float32 // nil where neighbours may be fainter
	var err error
	if spec.Thinned() {
		l.nodes, err = thin(ctx, cat, spec.Grid, spec.PerCell)
	} else {
		l.nodes, mags, err = starsTo(ctx, cat, spec.faintest)
	}
	if err != nil {
		return nil, err
	}
	if l.far, err = nearest(ctx, l.nodes, mags, spec); err != nil {
		return nil, err
	}
	if spec.stars >= manyStars {
		runtime.GC() // what the search for neighbours has left behind, before the entries are made
	}
	if err := filePatterns(ctx, l); err != nil {
		return nil, err
	}
	return l, nil
}

// filePatterns sorts all patterns into buckets by counting them first.
func filePatterns(ctx context.Context, l *Level) error {
	workers := runtime.GOMAXPROCS(0)
	pivots := min(len(l.nodes), l.Spec.mostPivots())
	chunk := (pivots + workers - 1) / workers
	counts := make([][]uint32, workers)
	each := func(visit func(w int, p []filedPattern)) error {
		return parallel.Each(ctx, workers, workers, func(_, w int) {
			g := newGatherer(l.bins.buckets(), func(p []filedPattern) { visit(w, p) })
			for i := w * chunk; i < min((w+1)*chunk, pivots); i++ {
				if i%pivotsAtOnce == 0 && ctx.Err() != nil {
					return
				}
				patternsOf(l, uint32(i), g.add)
			}
			g.flush()
		})
	}
	for w := range counts {
		counts[w] = make([]uint32, l.bins.buckets())
	}
	if err := each(func(w int, patterns []filedPattern) {
		for _, p := range patterns {
			counts[w][p.bucket]++
		}
	}); err != nil {
		return err
	}
	l.starts = make([]uint32, l.bins.buckets()+1)
	var total uint32
	for b := range l.bins.buckets() {
		l.starts[b] = total
		for w := range workers {
			n := counts[w][b]
			counts[w][b] = total
			total += n
		}
	}
	l.starts[l.bins.buckets()] = total
	l.entry = make([]uint32, total)
	return each(func(w int, patterns []filedPattern) {
		for _, p := range patterns {
			l.entry[counts[w][p.bucket]] = p.entry
			counts[w][p.bucket]++
		}
	})
}

// pivotsAtOnce are filed, a millisecond's work, before another look at the context.
const pivotsAtOnce = 1024

// patternsOf visits the patterns of which a star is the pivot. Of a group of stars one is: the
// faintest if it is the nearest brighter ones that it is filed with, or else the one that lies
// nearest to the middle of the four.
func patternsOf(l *Level, pivot uint32, visit func(bucket int, e uint32)) {
	at := l.nodes[pivot].vec()
	var side [mostNeighbours]Vec32
	var length [mostNeighbours]float32
	var gram [mostNeighbours][mostNeighbours]float32 // the sides' scalar products, for central
	n := 0
	for ; n < l.Spec.nearest; n++ {
		j, ok := l.Neighbour(pivot, n)
		if !ok {
			break
		}
		side[n] = l.nodes[j].vec().Sub(at)
		square := side[n].Dot(side[n])
		length[n] = sqrt32(square)
		if l.Spec.Thinned() {
			gram[n][n] = square
			for k := range n {
				gram[n][k] = side[n].Dot(side[k])
				gram[k][n] = gram[n][k]
			}
		}
	}
	far, size := uint8(0), -1
	var shape [mostNeighbours]complex128
	for t, triple := range neighbourTriples[:l.Spec.triples()] {
		if int(triple[0]) >= n {
			break
		}
		if triple[0] != far {
			far = triple[0]
			longest := length[far]
			size = -1
			if longest < longestSide {
				size = l.bins.sizeBin(float64(longest))
			}
			if size >= 0 && size < sizeBins {
				e1, e2 := Tangent(at, side[far])
				for k := range far {
					shape[k] = turned(side[k], e1, e2, length[k]/longest)
				}
			}
		}
		if size < 0 || size >= sizeBins || l.Spec.Thinned() && !central(&gram, triple) {
			continue
		}
		u, v := shape[triple[1]], shape[triple[2]]
		if imag(u) < 0 {
			u, v = cmplx.Conj(u), cmplx.Conj(v)
		}
		visit(l.bins.bucket(u, v), pivot<<l.pivotShift|uint32(t)*sizeBins|uint32(size))
	}
}

// central tells whether the pivot lies nearest to the middle of the four stars, given the
// scalar products of the sides.
func central(gram *[mostNeighbours][mostNeighbours]float32, triple [3]uint8) bool {
	for _, k := range triple {
		// |d - middle|^2 >= |middle|^2, middle = (a + b + c) / 4
		if 2*gram[k][k] < gram[k][triple[0]]+gram[k][triple[1]]+gram[k][triple[2]] {
			return false
		}
	}
	return true
}

// turned is a side as a complex number of the given size, its angle counted from e1.
// Chords and the angle at the pivot tell the shape of a wide pattern better than
// a plane does.
func turned(d, e1, e2 Vec32, size float32) complex128 {
	x, y := d.Dot(e1), d.Dot(e2)
	r := sqrt32(x*x + y*y)
	if r == 0 {
		return 0
	}
	size /= r
	return complex(float64(x*size), float64(y*size))
}

// filedPattern is an entry and the bucket it belongs to.
type filedPattern struct{ bucket, entry uint32 }

// gatherer collects patterns and hands over those of neighbouring buckets
// together, in the order in which they came: scattered one by one over a hundred
// megabytes, each would cost a wait for memory.
type gatherer struct {
	shift int // of a bucket's number, to that of its part
	parts [][]filedPattern
	give  func([]filedPattern)
}

// A gatherer has at most so many parts, and hands over so many patterns at once: then a part of a
// large level, its counts and the gathered patterns each fit a processor's second cache.
const (
	gathered   = 256
	handedOver = 1024
)

func newGatherer(buckets int, give func([]filedPattern)) gatherer {
	g := gatherer{give: give}
	for (buckets-1)>>g.shift >= gathered {
		g.shift++
	}
	g.parts = make([][]filedPattern, (buckets-1)>>g.shift+1)
	return g
}

func (g *gatherer) add(bucket int, e uint32) {
	part := &g.parts[bucket>>g.shift]
	if *part == nil {
		*part = make([]filedPattern, 0, handedOver)
	}
	if *part = append(*part, filedPattern{uint32(bucket), e}); len(*part) == handedOver {
		g.give(*part)
		*part = (*part)[:0]
	}
}

func (g *gatherer) flush() {
	for i, p := range g.parts {
		g.give(p)
		g.parts[i] = p[:0]
	}
}
