package index

import (
	"cmp"
	"context"
	"maps"
	"math"
	"runtime"
	"slices"

	"polard/catalogs/cells"
	"polard/solve/parallel"
)

// sweptStars is the number of stars up to which neighbours are found by going along one axis: then
// the cells of a grid are so large that a cube face with its margin would be the whole sky.
const sweptStars = 6000

// nearest finds the neighbours of every star of a level: the nearest ones, or, given magnitudes,
// the nearest that are not fainter than itself, and none for stars left to another level as
// pivots. It gives those that a node has no room for.
func nearest(ctx context.Context, nodes []node, mags []float32, spec Spec) (neighbourLists, error) {
	workers := runtime.GOMAXPROCS(0)
	var parts []neighbourLists
	var err error
	if len(nodes) <= sweptStars {
		parts = make([]neighbourLists, workers)
		s := newAxisSweep(nodes, mags)
		err = parallel.Each(ctx, workers, workers, func(_, w int) {
			parts[w] = make(neighbourLists)
			s.nearest(len(nodes)*w/workers, len(nodes)*(w+1)/workers, nodes, spec, parts[w])
		})
	} else {
		parts = make([]neighbourLists, cells.Faces)
		faces := facesOf(ctx, nodes, spec.Grid)
		grids := make([]faceGrid, workers) // used again for the next face
		err = parallel.Each(ctx, workers, len(parts), func(w, face int) {
			parts[face] = make(neighbourLists)
			grids[w].fill(ctx, nodes, faces, mags, face, spec.Grid)
			grids[w].nearest(ctx, nodes, faces, spec, parts[face])
		})
	}
	if err != nil {
		return nil, err
	}
	far := parts[0]
	for _, p := range parts[1:] {
		maps.Copy(far, p)
	}
	return far, nil
}

// axisSweep finds neighbours among stars sorted along one axis: those between which and a star
// lies a longer way along it than to the neighbours known are not looked at.
type axisSweep struct {
	stars []filedStar
}

func newAxisSweep(nodes []node, mags []float32) axisSweep {
	s := axisSweep{make([]filedStar, len(nodes))}
	for i := range nodes {
		s.stars[i] = filed(nodes, mags, i)
	}
	slices.SortFunc(s.stars, func(a, b filedStar) int {
		return cmp.Or(cmp.Compare(a.at.x, b.at.x), cmp.Compare(a.node, b.node))
	})
	return s
}

// nearest finds the neighbours of the stars from lo to hi-1 in the order of the axis.
func (s axisSweep) nearest(lo, hi int, nodes []node, spec Spec, far neighbourLists) {
	for i := lo; i < hi; i++ {
		star := &s.stars[i]
		best := newNearList(spec.neighboursListed())
		if spec.pivot(star.mag) {
			for k := i + 1; k < len(s.stars) && sq32(s.stars[k].at.x-star.at.x) < best.worst; k++ {
				best.offer(star, &s.stars[k])
			}
			for k := i - 1; k >= 0 && sq32(s.stars[k].at.x-star.at.x) < best.worst; k-- {
				best.offer(star, &s.stars[k])
			}
		}
		best.store(nodes, star.node, far)
	}
}

func sq32(x float32) float32 { return x * x }

// nearList is a list of the nearest stars so far, nearest first.
type nearList struct {
	wanted int
	n      int
	worst  float32 // a star as far as this, squared, is not taken
	ids    [mostNeighbours]uint32
	dist   [mostNeighbours]float32
}

func newNearList(wanted int) nearList { return nearList{wanted: wanted, worst: math.MaxFloat32} }

// offer takes another star into the list if it is near enough and not fainter than the list's own.
func (b *nearList) offer(own, s *filedStar) {
	d := s.at.Sub(own.at)
	if r := d.Dot(d); r < b.worst && s.mag <= own.mag {
		b.take(r, s.node)
	}
}

func (b *nearList) take(r float32, node uint32) {
	k := b.n
	if k == b.wanted {
		k--
	} else {
		b.n++
	}
	for k > 0 && b.dist[k-1] > r {
		b.dist[k], b.ids[k] = b.dist[k-1], b.ids[k-1]
		k--
	}
	b.dist[k], b.ids[k] = r, node
	if b.n == b.wanted {
		b.worst = b.dist[b.n-1]
	}
}

// store packs the list into the node of star i; neighbours that do not fit go to far.
func (b *nearList) store(nodes []node, i uint32, far neighbourLists) {
	for k := range max(b.n, Neighbours) {
		if k >= Neighbours {
			far[farNeighbour{i, uint8(k)}] = b.ids[k]
			continue
		}
		to := &nodes[i].near[k]
		d := int64(b.ids[k]) - int64(i)
		switch {
		case k >= b.n:
			*to = noStar
		case d > math.MaxInt16 || d <= farStar:
			*to = farStar
			far[farNeighbour{i, uint8(k)}] = b.ids[k]
		default:
			*to = int16(d)
		}
	}
}

// faceGrid files the stars of one cube face, and of a margin around it, by
// square cells in the face's plane, copied together because each is looked at many times.
type faceGrid struct {
	face   int
	n      int     // cells along the edge, margin included
	cell   float64 // side of a cell, in the plane
	corner float64
	starts []int32
	next   []int32
	stars  []filedStar // by cell
}

type filedStar struct {
	at   Vec32
	mag  float32 // 0 where neighbours may be fainter
	node uint32
}

func filed(nodes []node, mags []float32, i int) filedStar {
	s := filedStar{at: nodes[i].vec(), node: uint32(i)}
	if mags != nil {
		s.mag = mags[i]
	}
	return s
}

// faceReach is how many cells around a star's own are searched at most: as far
// as the largest triangles go.
const faceReach = 6

// atEdge marks a star that may lie in the margin of another face, beside the number of its own.
const atEdge = 8

// facesOf tells on which face of the cube every star lies, and which lie at an edge, for grids of n cells.
func facesOf(ctx context.Context, nodes []node, n int) []uint8 {
	// Across the edge the tangent t of an angle is 1/t.
	const cellsOver = faceReach + 0.5
	edge := 1 / (1 + cellsOver*2/float64(n))
	faces := make([]uint8, len(nodes))
	workers := runtime.GOMAXPROCS(0)
	const chunk = 1 << 14
	_ = parallel.Each(ctx, workers, (len(nodes)+chunk-1)/chunk, func(_, k int) { // nearest looks at the context again
		for i := k * chunk; i < min((k+1)*chunk, len(nodes)); i++ {
			at := nodes[i].ray().Vec()
			f := cells.FaceOf(at)
			faces[i] = uint8(f)
			if u, v, w := cells.ToFace(f, at); max(math.Abs(u), math.Abs(v)) > edge*w {
				faces[i] |= atEdge
			}
		}
	})
	return faces
}

func (g *faceGrid) fill(ctx context.Context, nodes []node, faces []uint8, mags []float32, face, n int) {
	g.face, g.cell = face, 2/float64(n)
	g.n = n + 2*faceReach
	g.corner = -1 - faceReach*g.cell
	g.starts = slices.Grow(g.starts[:0], g.n*g.n+1)[:g.n*g.n+1]
	clear(g.starts)
	g.each(ctx, nodes, faces, func(_, c int) { g.starts[c+1]++ })
	for c := range g.n * g.n {
		g.starts[c+1] += g.starts[c]
	}
	g.next = append(g.next[:0], g.starts...)
	total := int(g.starts[g.n*g.n])
	g.stars = slices.Grow(g.stars[:0], total)[:total]
	g.each(ctx, nodes, faces, func(i, c int) {
		g.stars[g.next[c]] = filed(nodes, mags, i)
		g.next[c]++
	})
}

// nodesAtOnce are looked at, a millisecond's work, before another look at the context.
const nodesAtOnce = 1 << 15

// each visits the stars of the face and its margin, with their cells, until the context ends.
func (g *faceGrid) each(ctx context.Context, nodes []node, faces []uint8, visit func(i, cell int)) {
	for i, f := range faces {
		if i%nodesAtOnce == 0 && ctx.Err() != nil {
			return
		}
		if int(f&^atEdge) != g.face && f&atEdge == 0 {
			continue
		}
		if c, ok := g.cellOf(nodes[i].ray()); ok {
			visit(i, c)
		}
	}
}

// cellOf is the cell of a direction, of any length, on the face or in its margin.
func (g *faceGrid) cellOf(ray Vec32) (cell int, ok bool) {
	u, v, w := cells.ToFace(g.face, ray.Vec())
	if far := -g.corner * w; w <= 0 || math.Abs(u) > far || math.Abs(v) > far { // most are on other faces
		return 0, false
	}
	cu, cv := int((u/w-g.corner)/g.cell), int((v/w-g.corner)/g.cell)
	return cu*g.n + cv, cu < g.n && cv < g.n
}

// nearest finds the neighbours of the face's own stars.
func (g *faceGrid) nearest(ctx context.Context, nodes []node, faces []uint8, spec Spec, far neighbourLists) {
	for cu := faceReach; cu < g.n-faceReach && ctx.Err() == nil; cu++ {
		for cv := faceReach; cv < g.n-faceReach; cv++ {
			c := cu*g.n + cv
			for k := g.starts[c]; k < g.starts[c+1]; k++ {
				star := &g.stars[k]
				if int(faces[star.node]&^atEdge) != g.face {
					continue
				}
				best := newNearList(spec.neighboursListed())
				if spec.pivot(star.mag) {
					g.search(&best, star, cu, cv)
				}
				best.store(nodes, star.node, far)
			}
		}
	}
}

// search offers the stars of the cells around a star, ring by ring, as long as one may be near enough.
func (g *faceGrid) search(best *nearList, star *filedStar, cu, cv int) {
	u, v, w := cells.ToFace(g.face, star.at.Vec())
	u, v = u/w, v/w
	// How far the edges of the star's own cell are.
	below, left := u-g.corner-float64(cu)*g.cell, v-g.corner-float64(cv)*g.cell
	above, right := g.cell-below, g.cell-left
	around := min(above, below, left, right)
	for reach := 1; reach <= faceReach; reach++ {
		// A step in the plane is at least this much on the sphere, as far as this ring goes.
		far := float64(reach+1) * g.cell
		shrink := 1 / (1 + sq(math.Abs(u)+far) + sq(math.Abs(v)+far))
		within := func(step float64) bool { // whether a star so far away in the plane may be near enough
			arc := step * shrink
			return sq(arc*(1-arc*arc/24)) < float64(best.worst) // the chord, squared
		}
		ring := float64(reach-1) * g.cell
		if reach == 1 {
			g.offer(best, star, cu, cv, cv)
		} else if !within(ring + around) {
			return
		}
		from, to := cv-reach+1, cv+reach-1
		if within(ring + left) {
			from--
			for d := 1 - reach; d < reach; d++ {
				g.offer(best, star, cu+d, from, from)
			}
		}
		if within(ring + right) {
			to++
			for d := 1 - reach; d < reach; d++ {
				g.offer(best, star, cu+d, to, to)
			}
		}
		if within(ring + below) {
			g.offer(best, star, cu-reach, from, to)
		}
		if within(ring + above) {
			g.offer(best, star, cu+reach, from, to)
		}
	}
}

// offer offers the stars of some cells of a row, which lie together.
func (g *faceGrid) offer(best *nearList, star *filedStar, row, from, to int) {
	first := row * g.n
	near := g.stars[g.starts[first+from]:g.starts[first+to+1]]
	at, mag, worst := star.at, star.mag, best.worst
	for k := range near {
		s := &near[k]
		dx, dy, dz := s.at.x-at.x, s.at.y-at.y, s.at.z-at.z
		if r := dx*dx + dy*dy + dz*dz; r < worst && s.mag <= mag && s.node != star.node {
			best.take(r, s.node)
			worst = best.worst
		}
	}
}

func sq(x float64) float64 { return x * x }
