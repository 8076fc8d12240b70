package deep

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"os"
	"slices"
	"sort"

	"polard/catalogs"
	"polard/catalogs/cells"
	"polard/mountmodel/sky"

	"github.com/blevesearch/mmap-go"
)

// Catalogue reads an added catalogue where it lies. It does not change, and may be used by many goroutines at once.
type Catalogue struct {
	depths   []byte
	first    []byte
	stars    []byte
	starsSum uint32
	sources  []Source
	mapped   mmap.MMap
}

// Open maps a file into memory: nothing of it is read before it is wanted, but for some tables.
func Open(path string) (*Catalogue, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() || info.Size() < headerSize {
		return nil, fmt.Errorf("%s: %w", path, ErrNotCatalogue)
	}
	m, err := mmap.Map(f, mmap.RDONLY, 0)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be mapped into memory: %w", path, err)
	}
	c, err := parse(m)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("%s: %w", path, err), m.Unmap())
	}
	c.mapped = m
	return c, nil
}

// Close lets go of the file. The catalogue must not be used afterwards.
func (c *Catalogue) Close() error {
	if c.mapped == nil {
		return nil
	}
	return c.mapped.Unmap()
}

// Len is the number of stars; their indices run from 0 to Len()-1.
func (c *Catalogue) Len() int { return len(c.stars) / recordSize }

// Sources are the files that were added.
func (c *Catalogue) Sources() []Source { return slices.Clone(c.sources) }

// Verify reads all stars and tells whether they are those that were written.
func (c *Catalogue) Verify() error {
	if got := crc32.Checksum(c.stars, castagnoli); got != c.starsSum {
		return damaged("the checksum of its stars is %08x and should be %08x", got, c.starsSum)
	}
	return nil
}

// cellRange gives the stars of a cell, brightest first.
func (c *Catalogue) cellRange(cell int) (lo, hi int) {
	return int(binary.LittleEndian.Uint32(c.first[firstSize*cell:])), int(binary.LittleEndian.Uint32(c.first[firstSize*(cell+1):]))
}

func (c *Catalogue) record(i, cell int) record { return getRecord(c.stars[recordSize*i:], cell) }

// cellRangeTo is cellRange for the stars that are not fainter than a magnitude code.
func (c *Catalogue) cellRangeTo(cell, limit int) (lo, hi int) {
	lo, hi = c.cellRange(cell)
	return lo, lo + sort.Search(hi-lo, func(i int) bool { return int(c.record(lo+i, cell).mag()) > limit })
}

const yearsCarried = 16

// movedMargin is how far beyond a circle stars are looked at that may have moved into it between J2000.0 and
// J2016.0: as far as the fastest star goes.
const movedMargin = yearsCarried * 10.4 * sky.Arcsecond

// Cone visits every star within radius of the centre at J2000.0 that is not fainter than a magnitude, by cell. Give
// +Inf for no limit. A negative radius, or a centre that is no direction, has no stars.
func (c *Catalogue) Cone(center sky.ICRS, radius sky.Angle, faintest float64, visit func(catalogs.Star)) {
	k, ok := cells.NewCone(center, radius)
	wide, _ := cells.NewCone(center, radius+movedMargin)
	if !ok {
		return
	}
	c.scan(wide, magCode(faintest), func(s catalogs.Star) {
		if k.Holds(sky.Vec(s.Dir)) {
			visit(s)
		}
	})
}

// scan visits the stars in a cone at J2016.0, down to a magnitude code.
func (c *Catalogue) scan(k cells.Cone, limit int, visit func(catalogs.Star)) {
	step := grid.Step(1 << placeBits)
	for cell := range grid.InCone(k) {
		lo, hi := c.cellRange(cell)
		if lo == hi {
			continue
		}
		f := grid.Frame(cell)
		covered := k.Covers(&grid, cell)
		for i := lo; i < hi; i++ {
			r := c.record(i, cell)
			if int(r.mag()) > limit {
				break
			}
			if d := r.direction(&f, step); covered || k.Holds(d) {
				visit(r.star(int32(i), d))
			}
		}
	}
}

// Brightest gives the n brightest stars within radius of the centre at J2000.0, brightest first, those of equal
// magnitude by index; fewer when there are no more.
func (c *Catalogue) Brightest(center sky.ICRS, radius sky.Angle, n int) []catalogs.Star {
	k, ok := cells.NewCone(center, radius+movedMargin)
	if !ok || n <= 0 {
		return nil
	}
	var near []int
	for cell := range grid.InCone(k) {
		near = append(near, cell)
	}
	// The cells hold more than the circle: raise the limit until the circle has enough.
	inCells := n
	for {
		limit := sort.Search(1<<16, func(limit int) bool {
			m := 0
			for _, cell := range near {
				lo, hi := c.cellRangeTo(cell, limit)
				m += hi - lo
			}
			return m >= inCells
		})
		var out []catalogs.Star
		c.Cone(center, radius, magnitude(uint16(min(limit, 1<<16-1))), func(s catalogs.Star) { out = append(out, s) })
		if len(out) >= n || limit == 1<<16 {
			slices.SortFunc(out, func(a, b catalogs.Star) int { return cmp.Or(cmp.Compare(a.V, b.V), cmp.Compare(a.ID, b.ID)) })
			return out[:min(n, len(out))]
		}
		inCells *= 4
	}
}
