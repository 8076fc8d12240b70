package catalogs

import (
	"cmp"
	_ "embed" // the catalogue file
	"encoding/binary"
	"iter"
	"math"
	"slices"
	"sort"
	"sync"

	"polard/catalogs/cells"
	"polard/mountmodel/sky"
)

//go:embed tycho2.stars
var bundled []byte

// Catalogue reads a catalogue file where it lies in memory; nothing is
// unpacked. It does not change after it is made and may be used by many
// goroutines at once.
type Catalogue struct {
	grid   cells.Grid
	stars  []byte // starSize bytes each
	fast   []byte // fastSize bytes each
	first  []int32
	mags   [256]float32
	upTo   [256]int32 // number of stars up to each magnitude code
	source [32]byte
	bright func() []Star // the brightest of the whole sky, brightest first
}

// brightStars is how many of the sky's brightest stars are kept unpacked: to V = 6.5 or so. Wide fields
// want some hundred of them, again and again.
const brightStars = 9000

// Open reads the bundled catalogue. It takes some milliseconds, most of them for
// the checksum.
func Open() (*Catalogue, error) { return Parse(bundled) }

// Parse reads a catalogue file written by [Encode]. It keeps data, which must
// not change afterwards. Errors wrap [ErrNotCatalogue], [ErrVersion] or
// [ErrDamaged]. A file that passes never makes a reader fail.
func Parse(data []byte) (*Catalogue, error) {
	h, err := parseHeader(data)
	if err != nil {
		return nil, err
	}
	c := &Catalogue{source: h.source}
	for i := range c.mags {
		c.mags[i] = float32(brightestV + float64(i)/stepsPerMag)
	}

	rest := data[headerSize:]
	c.first = make([]int32, h.cells()+1)
	for i := range c.first {
		f := binary.LittleEndian.Uint32(rest[firstSize*i:])
		if f > h.stars || i == 0 && f != 0 || i > 0 && int32(f) < c.first[i-1] {
			return nil, damaged("cell %d starts at star %d", i, f)
		}
		c.first[i] = int32(f)
	}
	if last := c.first[h.cells()]; uint32(last) != h.stars {
		return nil, damaged("the cells end at star %d of %d", last, h.stars)
	}
	rest = rest[firstSize*len(c.first):]
	c.fast, c.stars = rest[:fastSize*int(h.fast)], rest[fastSize*int(h.fast):]
	if err := c.checkStars(); err != nil {
		return nil, err
	}

	c.bright = sync.OnceValue(func() []Star { return c.brightest(sky.ICRS{Z: 1}, 180*sky.Degree, brightStars) })
	c.grid = cells.New(int(h.perEdge))
	return c, nil
}

// checkStars makes sure that each cell runs from bright to faint, and that the
// table of fast stars lists those marked so and no others.
func (c *Catalogue) checkStars() error {
	fast := 0
	for cell := range len(c.first) - 1 {
		mag := uint8(0)
		for i := c.first[cell]; i < c.first[cell+1]; i++ {
			code := c.code(i)
			if code[4] < mag {
				return damaged("star %d is out of order", i)
			}
			mag = code[4]
			c.upTo[mag]++
			if int8(code[5]) != pmSpecial {
				continue
			}
			switch {
			case isUnknown(code):
			case isFast(code) && fast < c.fastLen() && c.fastID(fast) == i:
				fast++
			default:
				return damaged("star %d has an unknown kind of motion", i)
			}
		}
	}
	for mag := 1; mag < len(c.upTo); mag++ {
		c.upTo[mag] += c.upTo[mag-1]
	}
	if fast != c.fastLen() {
		return damaged("%d stars are marked as fast and %d are listed", fast, c.fastLen())
	}
	return nil
}

func (c *Catalogue) code(i int32) []byte {
	o := starSize * int(i)
	return c.stars[o : o+starSize : o+starSize]
}

func (c *Catalogue) fastLen() int { return len(c.fast) / fastSize }
func (c *Catalogue) fastID(k int) int32 {
	return int32(binary.LittleEndian.Uint32(c.fast[fastSize*k:]))
}

// Len is the number of stars; their indices run from 0 to Len()-1.
func (c *Catalogue) Len() int { return len(c.stars) / starSize }

// Source is the SHA-256 of the list of hashes of the published files from
// which the catalogue was compiled (catalogs/compile/SHA256SUMS).
func (c *Catalogue) Source() [32]byte { return c.source }

// Cells is the number of cells.
func (c *Catalogue) Cells() int { return c.grid.Count() }

// CellRange gives the stars of a cell, lo to hi-1, brightest first. A cell
// number outside 0 to Cells()-1 has none.
func (c *Catalogue) CellRange(cell int) (lo, hi int32) {
	if cell < 0 || cell >= c.grid.Count() {
		return 0, 0
	}
	return c.first[cell], c.first[cell+1]
}

// CellRangeTo is CellRange for the stars that are not fainter than V = faintest.
func (c *Catalogue) CellRangeTo(cell int, faintest float64) (lo, hi int32) {
	lo, hi = c.CellRange(cell)
	limit := c.limit(faintest)
	n := sort.Search(int(hi-lo), func(i int) bool { return int(c.code(lo + int32(i))[4]) > limit })
	return lo, lo + int32(n)
}

// CellStars yields the stars of a cell, brightest first; a cell number outside 0 to Cells()-1
// has none.
func (c *Catalogue) CellStars(cell int) iter.Seq[Star] {
	return func(yield func(Star) bool) {
		lo, hi := c.CellRange(cell)
		if lo == hi {
			return
		}
		f := c.frame(cell)
		for i := lo; i < hi; i++ {
			if !yield(c.star(i, f)) {
				return
			}
		}
	}
}

// CellCenter is the middle of a cell, which must be 0 to Cells()-1.
func (c *Catalogue) CellCenter(cell int) sky.ICRS { return sky.ICRS(c.grid.Centre(cell)) }

// frame is what the places in one cell are counted from.
type frame struct {
	cells.Frame
	step float64 // radians
}

func (c *Catalogue) frame(cell int) frame {
	return frame{c.grid.Frame(cell), c.grid.Step(stepsPerCell)}
}

func (f *frame) direction(code []byte) sky.Vec {
	const middle = (stepsPerCell - 1) / 2.0
	u := float64(binary.LittleEndian.Uint16(code))
	v := float64(binary.LittleEndian.Uint16(code[2:]))
	return f.Direction((u-middle)*f.step, (v-middle)*f.step)
}

func (c *Catalogue) star(i int32, f frame) Star {
	code := c.code(i)
	return c.fill(i, code, f.direction(code))
}

// fill adds to a direction what else the catalogue knows of the star.
func (c *Catalogue) fill(i int32, code []byte, d sky.Vec) Star {
	s := Star{ID: i, Dir: sky.ICRS(d), V: c.mags[code[4]], HasPM: true}
	switch ra, dec := int8(code[5]), int8(code[6]); {
	case ra != pmSpecial:
		s.PMRA, s.PMDec = float32(ra), float32(dec)
	case dec == pmFast:
		k := sort.Search(c.fastLen(), func(k int) bool { return c.fastID(k) >= i })
		t := c.fast[fastSize*k:]
		s.PMRA = float32(int32(binary.LittleEndian.Uint32(t[4:]))) / fastPerMas
		s.PMDec = float32(int32(binary.LittleEndian.Uint32(t[8:]))) / fastPerMas
	default:
		s.HasPM = false
	}
	return s
}

// Cone visits every star within radius of the centre at J2000.0 that is not
// fainter than V = faintest, in ascending order of index. Give +Inf for no
// limit. A radius of 180 degrees or more is the whole sky; a negative one, or
// a centre that is no direction, has no stars.
func (c *Catalogue) Cone(center sky.ICRS, radius sky.Angle, faintest float64, visit func(Star)) {
	limit := c.limit(faintest)
	c.scan(center, radius, limit, func(i int32, code []byte, d sky.Vec) {
		visit(c.fill(i, code, d))
	})
}

// Brightest gives the n brightest stars within radius of the centre at
// J2000.0, brightest first, those of equal V by index; fewer when there are no
// more.
func (c *Catalogue) Brightest(center sky.ICRS, radius sky.Angle, n int) []Star {
	if n <= 0 {
		return nil
	}
	if wantedOfAll(radius, n) <= brightStars {
		if k, ok := cells.NewCone(center, radius); ok {
			out := make([]Star, 0, n)
			for _, s := range c.bright() {
				if k.Holds(sky.Vec(s.Dir)) {
					if out = append(out, s); len(out) == n {
						return out
					}
				}
			}
		}
	}
	return c.brightest(center, radius, n)
}

// brightest is Brightest by looking into every cell of the cone.
func (c *Catalogue) brightest(center sky.ICRS, radius sky.Angle, n int) []Star {
	type found struct {
		i int32
		d sky.Vec
	}
	var stars []found
	var count [256]int
	limit := c.likelyLimit(radius, n)
	for {
		stars, count = stars[:0], [256]int{}
		c.scan(center, radius, limit, func(i int32, code []byte, d sky.Vec) {
			stars = append(stars, found{i, d})
			count[code[4]]++
		})
		if len(stars) >= n || limit == len(count)-1 {
			break
		}
		limit = min(limit+limitStep, len(count)-1)
	}
	if len(stars) == 0 {
		return nil
	}
	// The faintest magnitude that is needed.
	needed, faintest := 0, 0
	for ; faintest < limit && needed+count[faintest] < n; faintest++ {
		needed += count[faintest]
	}
	best := make([]Star, 0, needed+count[faintest])
	for _, s := range stars {
		if code := c.code(s.i); int(code[4]) <= faintest {
			best = append(best, c.fill(s.i, code, s.d))
		}
	}
	slices.SortFunc(best, ByBrightness)
	return best[:min(n, len(best))]
}

// ByBrightness orders stars, brightest first and those of equal V by index, as slices.SortFunc asks.
func ByBrightness(a, b Star) int {
	return cmp.Or(cmp.Compare(a.V, b.V), cmp.Compare(a.ID, b.ID))
}

// limitStep is by how much the limit is raised when a cone holds too few stars:
// 0.6 mag, over which the number of stars about doubles.
const limitStep = stepsPerMag * 6 / 10

// wantedOfAll is how many stars the whole sky must hold for a cone of average density to hold half as
// many again as n.
func wantedOfAll(radius sky.Angle, n int) float64 {
	part := math.Max((1-math.Cos(math.Min(float64(radius), math.Pi)))/2, 1e-12)
	return 1.5 * float64(n) / part
}

// likelyLimit is the magnitude code down to which a cone of average density would hold
// half as many stars again as n.
func (c *Catalogue) likelyLimit(radius sky.Angle, n int) int {
	wanted := wantedOfAll(radius, n)
	return min(sort.Search(len(c.upTo), func(i int) bool { return float64(c.upTo[i]) >= wanted }), len(c.upTo)-1)
}

// limit is the largest magnitude code that is not fainter than V = faintest,
// or -1.
func (c *Catalogue) limit(faintest float64) int {
	return sort.Search(len(c.mags), func(i int) bool { return !(float64(c.mags[i]) <= faintest) }) - 1
}

// scan calls visit for the stars in a cone whose magnitude code is at most
// limit, by ascending index.
func (c *Catalogue) scan(center sky.ICRS, radius sky.Angle, limit int, visit func(i int32, code []byte, d sky.Vec)) {
	k, ok := cells.NewCone(center, radius)
	if !ok {
		return
	}
	for cell := range c.grid.InCone(k) {
		if lo := c.first[cell]; lo == c.first[cell+1] || int(c.code(lo)[4]) > limit {
			continue
		}
		f := c.frame(cell)
		covered := k.Covers(&c.grid, cell)
		for i := c.first[cell]; i < c.first[cell+1]; i++ {
			code := c.code(i)
			if int(code[4]) > limit {
				break // the rest of the cell is no brighter
			}
			if d := f.direction(code); covered || k.Holds(d) {
				visit(i, code, d)
			}
		}
	}
}
