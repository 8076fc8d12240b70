package solve

import (
	"cmp"
	"maps"
	"math"
	"runtime"
	"slices"
)

// Neighbours: the stars of a level nearest to each of them.

// neighbourLists holds the neighbours that a node has no room for.
type neighbourLists map[farNeighbour]uint32

// farNeighbour names a place in a node's list of neighbours.
type farNeighbour struct {
	star uint32
	k    uint8
}

// Marks in place of a difference: no such neighbour, and one listed in level.far.
const (
	noStar  = math.MinInt16
	farStar = math.MinInt16 + 1
)

// neighbour gives the k-th nearest neighbour of a star, if there is one.
func (l *level) neighbour(star uint32, k int) (uint32, bool) {
	if k >= neighbours {
		j, ok := l.far[farNeighbour{star, uint8(k)}]
		return j, ok
	}
	switch d := l.nodes[star].near[k]; d {
	case noStar:
		return 0, false
	case farStar:
		return l.far[farNeighbour{star, uint8(k)}], true
	default:
		return uint32(int32(star) + int32(d)), true
	}
}

// bruteForceStars is the number of stars up to which neighbours are found by
// looking at every pair: 5000 take 80 ms, and there the cells are so large
// that a cube face with its margin would be the whole sky.
const bruteForceStars = 6000

// nearest finds the neighbours of every star of a level: the nearest ones, or, given magnitudes,
// the nearest that are not fainter than itself, and none for stars left to another level as
// hubs. It gives those that a node has no room for.
func nearest(nodes []node, mags []float32, spec levelSpec) neighbourLists {
	far := make(neighbourLists)
	wanted := max(spec.spokes, neighbours)
	if len(nodes) <= bruteForceStars {
		at := make([]vec32, len(nodes))
		for i := range nodes {
			at[i] = nodes[i].vec()
		}
		for i := range nodes {
			best := nearList{wanted: wanted}
			for j := range nodes {
				if j != i && (mags == nil || mags[j] <= mags[i]) {
					best.offer(at[j].sub(at[i]), uint32(j))
				}
			}
			best.store(nodes, uint32(i), far)
		}
		return far
	}
	faces := make([]uint8, len(nodes))
	workers := runtime.GOMAXPROCS(0)
	inParallel(workers, workers, func(_, w int) {
		for i := len(nodes) * w / workers; i < len(nodes)*(w+1)/workers; i++ {
			at := nodes[i].ray()
			f, _, _ := faceOf(float64(at.x), float64(at.y), float64(at.z))
			faces[i] = uint8(f)
		}
	})
	var parts [6]neighbourLists
	grids := make([]faceGrid, workers) // used again for the next face
	inParallel(len(grids), len(parts), func(w, face int) {
		parts[face] = make(neighbourLists)
		grids[w].fill(nodes, mags, face, spec.grid)
		grids[w].nearest(nodes, faces, mags, float32(spec.brighter), wanted, parts[face])
	})
	for _, p := range parts {
		maps.Copy(far, p)
	}
	return far
}

// nearList is a list of the nearest stars so far, nearest first.
type nearList struct {
	wanted int
	n      int
	ids    [mostSpokes]uint32
	dist   [mostSpokes]float32
}

// offer takes star j at the distance d into the list if it is near enough.
func (b *nearList) offer(d vec32, j uint32) {
	r := d.dot(d)
	k := b.n
	if k == b.wanted {
		if k--; r >= b.dist[k] {
			return
		}
	} else {
		b.n++
	}
	for k > 0 && b.dist[k-1] > r {
		b.dist[k], b.ids[k] = b.dist[k-1], b.ids[k-1]
		k--
	}
	b.dist[k], b.ids[k] = r, j
}

// store packs the list into the node of star i; neighbours that do not fit go to far.
func (b *nearList) store(nodes []node, i uint32, far neighbourLists) {
	for k := range max(b.n, neighbours) {
		if k >= neighbours {
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
	stars  []filedStar // by cell; within it brightest first where brightness counts
}

type filedStar struct {
	at   vec32
	mag  float32
	node uint32
}

// faceReach is how many cells around a star's own are searched at most: as far
// as the largest triangles go.
const faceReach = 6

func (g *faceGrid) fill(nodes []node, mags []float32, face, n int) {
	g.face, g.cell = face, 2/float64(n)
	g.n = n + 2*faceReach
	g.corner = -1 - faceReach*g.cell
	g.starts = slices.Grow(g.starts[:0], g.n*g.n+1)[:g.n*g.n+1]
	clear(g.starts)
	for i := range nodes {
		if c, ok := g.cellOf(nodes[i].ray()); ok {
			g.starts[c+1]++
		}
	}
	for c := range g.n * g.n {
		g.starts[c+1] += g.starts[c]
	}
	g.next = append(g.next[:0], g.starts...)
	total := int(g.starts[g.n*g.n])
	g.stars = slices.Grow(g.stars[:0], total)[:total]
	for i := range nodes {
		if c, ok := g.cellOf(nodes[i].ray()); ok {
			s := filedStar{at: nodes[i].vec(), node: uint32(i)}
			if mags != nil {
				s.mag = mags[i]
			}
			g.stars[g.next[c]] = s
			g.next[c]++
		}
	}
	if mags != nil {
		for c := range g.n * g.n {
			slices.SortFunc(g.stars[g.starts[c]:g.starts[c+1]], func(a, b filedStar) int {
				return cmp.Or(cmp.Compare(a.mag, b.mag), cmp.Compare(a.node, b.node))
			})
		}
	}
}

// cellOf is the cell of a direction, of any length, on the face or in its margin.
func (g *faceGrid) cellOf(ray vec32) (cell int, ok bool) {
	u, v, w := g.turned(ray)
	if far := -g.corner * w; w <= 0 || math.Abs(u) > far || math.Abs(v) > far { // most are on other faces
		return 0, false
	}
	cu, cv := int((u/w-g.corner)/g.cell), int((v/w-g.corner)/g.cell)
	return cu*g.n + cv, cu < g.n && cv < g.n
}

// leastCosine is the cosine, from the axis of a tangent plane, below which a star is beyond
// any field in use.
const leastCosine = 0.2

// turned gives a direction along the face's edges and its axis.
func (g *faceGrid) turned(s vec32) (u, v, w float64) {
	x, y, z := float64(s.x), float64(s.y), float64(s.z)
	switch g.face % 3 {
	case 0:
		w, u, v = x, y, z
	case 1:
		w, u, v = y, z, x
	default:
		w, u, v = z, x, y
	}
	if g.face >= 3 {
		w = -w
	}
	return u, v, w
}

func (g *faceGrid) nearest(nodes []node, faces []uint8, mags []float32, brighter float32, wanted int, far neighbourLists) {
	for i := range nodes {
		if int(faces[i]) != g.face {
			continue
		}
		at := nodes[i].vec()
		u, v, w := g.turned(at)
		u, v = u/w, v/w
		cu, cv := int((u-g.corner)/g.cell), int((v-g.corner)/g.cell)
		var mag float32
		best := nearList{wanted: wanted}
		if mags != nil {
			if mag = mags[i]; mag <= brighter {
				best.store(nodes, uint32(i), far)
				continue
			}
		}
		// A step in the plane is at least this much on the sphere.
		shrink := 1 / (1 + u*u + v*v)
		for reach := 1; reach <= faceReach; reach++ {
			for du := -reach; du <= reach; du++ {
				step := 1
				if reach > 1 && du > -reach && du < reach {
					step = 2 * reach // only the ring that is new
				}
				for dv := -reach; dv <= reach; dv += step {
					a, b := cu+du, cv+dv
					if a < 0 || b < 0 || a >= g.n || b >= g.n {
						continue
					}
					c := a*g.n + b
					for k := g.starts[c]; k < g.starts[c+1]; k++ {
						s := &g.stars[k]
						if s.mag > mag {
							break
						}
						if s.node != uint32(i) {
							best.offer(s.at.sub(at), s.node)
						}
					}
				}
			}
			seen := float64(reach) * g.cell * shrink
			if best.n == wanted && float64(best.dist[wanted-1]) <= seen*seen {
				break
			}
		}
		best.store(nodes, uint32(i), far)
	}
}
