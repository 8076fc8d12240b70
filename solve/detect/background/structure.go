package background

// A tile is structured where it holds more than sky and stars: the edges of clouds, trees on a horizon, nebulae.
// What stands out there is mostly no star.
const (
	// structuredSpread is the spread of a tile's values over their noise from which it is structured.
	structuredSpread = 1.15
	// structuredOutside of a tile's values are far from its level: twice what stars cover in a
	// rich field. Of two levels side by side the clipped statistics see one, and the other is outside.
	structuredOutside = 0.04
	// MuchStructure is the part of the image that must be structured to count: a few tiles are so for a bright star or a galaxy.
	MuchStructure = 0.05
)

// structure tells which tiles are structured.
type structure struct {
	mesh
	structured []bool
	part       float64 // of all tiles
}

func newStructure(m mesh, tiles []tile) *structure {
	s := &structure{mesh: m, structured: make([]bool, len(tiles))}
	n := 0
	for i, t := range tiles {
		if t.spread > structuredSpread || t.outside > structuredOutside {
			s.structured[i] = true
			n++
		}
	}
	s.part = float64(n) / float64(len(tiles))
	return s
}

// smooth tells whether the background is smooth at a pixel position: sky and stars, nothing else.
func (s *structure) smooth(x, y float64) bool {
	i := min(max(int((x+0.5)/s.tileW), 0), s.nx-1)
	j := min(max(int((y+0.5)/s.tileH), 0), s.ny-1)
	return !s.structured[j*s.nx+i]
}
