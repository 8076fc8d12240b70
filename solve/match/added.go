package match

import (
	"cmp"
	"context"
	"math"
	"runtime"
	"slices"

	"polard/catalogs/deep"
	"polard/mountmodel/sky"
	"polard/solve/index"
	"polard/solve/parallel"

	"gonum.org/v1/gonum/spatial/r3"
)

// The search among added stars, for fields so narrow that they hold few of the bundled ones. It wants a scale: with
// a place as well, it looks around that first; with the scale alone, at all that was added. Its candidates are weighed
// against the added stars, and count as trials with all others: the union bound of package proof holds over both.

const (
	// addedField is the longer side up to which the added stars are searched, and fitted: wider fields hold thirty
	// bundled ones as a rule.
	addedField = 1.2 * sky.Degree

	// bundledDo is how many bundled stars a field must hold on average over the sky for them to be tried first.
	bundledDo = neededInField

	// How many of the added stars are looked at, the brightest, as a number in the field on average: few at first and then twice as many each
	// time. What was looked at is not looked up again, so that all steps cost little more than the last, and twice the best
	// number at most. Of ten stars in a field seven have three brighter ones there; a camera that shows seven stars in ten shows
	// one of those and three of its four nearest with odds of 0.7 times 0.65, and none of seven in one field of seventy. Those ask for
	// more, as do fields that are poorer than their surroundings.
	fewestLooked, mostLooked, mostLookedNear = 10, 40, 80

	// addedRadius is how far from a hinted place is looked first: a mount that was set up by eye.
	addedRadius = 6 * sky.Degree

	// A block holds so many stars, and so many blocks are searched, on all processors, before it is seen whether one has solved.
	starsPerBlock, blocksAtOnce = 10_000, 4

	// The cells along a block's side: with fewer, most of the stars read would be those around it; with more, its plane would be no plane.
	fewestCells, mostCells = 4, 24
)

// addedServes tells whether the added stars are searched at all.
func (s *Search) addedServes() bool {
	return s.index.Added != nil && s.hint.Scale >= FinestScale*(1-hintTolerance) && s.longSide() <= addedField
}

func (s *Search) longSide() sky.Angle {
	return s.hint.Scale * sky.Angle(max(s.image.Width, s.image.Height))
}

// fieldArea is the image's size at the hinted scale, in square degrees.
func (s *Search) fieldArea() float64 {
	return s.hint.Scale.Degrees() * s.hint.Scale.Degrees() * float64(s.image.Width) * float64(s.image.Height)
}

// addedFirst is the search among added stars that comes before all others: about the places hinted, and everywhere
// where the bundled stars are too few.
func (s *Search) addedFirst(ctx context.Context) (*Match, error) {
	if !s.addedServes() {
		return nil, nil
	}
	for _, at := range []*sky.ICRS{s.hint.Near, s.hint.Last} {
		if at == nil {
			continue
		}
		if m, err := s.addedDeeper(ctx, sweep{about: *at, within: addedRadius}, mostLookedNear); m != nil || err != nil {
			return m, err
		}
	}
	if s.fieldArea()*float64(s.index.Catalogue.Len())/wholeSky >= bundledDo {
		return nil, nil
	}
	return s.addedEverywhere(ctx, mostLooked)
}

// wholeSky is the sky in square degrees.
const wholeSky = 129600 / math.Pi

// addedEverywhere searches all of what was added with up to so many stars in the field, but for those with which it has.
func (s *Search) addedEverywhere(ctx context.Context, most float64) (*Match, error) {
	if !s.addedServes() {
		return nil, nil
	}
	w := sweep{about: *cmp.Or(s.hint.Near, s.hint.Last, &sky.ICRS{Z: 1}), within: math.Pi, from: s.addedLooked}
	s.addedLooked = max(s.addedLooked, most)
	return s.addedDeeper(ctx, w, most)
}

// addedDeeper goes the same way with ever more stars, up to so many in the field.
func (s *Search) addedDeeper(ctx context.Context, w sweep, most float64) (*Match, error) {
	if s.added == nil {
		s.added = newAddedSearch(s)
	}
	for w.to = max(fewestLooked, 2*w.from); w.to <= most && len(s.added.patterns) > 0; w.from, w.to = w.to, 2*w.to {
		if m, err := s.addedSweep(ctx, w); m != nil || err != nil {
			return m, err
		}
	}
	return nil, nil
}

// sweep is a way through what was added.
type sweep struct {
	about    sky.ICRS // nearest to there first
	within   sky.Angle
	from, to float64 // the pivots: so many brighter stars in a field
}

// blocks are those of a sweep, in its order.
func (s *Search) blocks(w sweep) []deep.Block {
	cellSquared := deep.CellSide.Degrees() * deep.CellSide.Degrees()
	side := math.Sqrt(starsPerBlock * s.fieldArea() / w.to / cellSquared)
	blocks := s.index.Added.Blocks(int(min(max(side, fewestCells), mostCells)), w.about, w.within)
	slices.SortStableFunc(blocks, func(a, b deep.Block) int {
		return cmp.Compare(r3.Dot(sky.Vec(b.Center), sky.Vec(w.about)), r3.Dot(sky.Vec(a.Center), sky.Vec(w.about)))
	})
	return blocks
}

// addedSweep searches blocks of what was added, some at a time, so that the first of them that solves ends it.
func (s *Search) addedSweep(ctx context.Context, w sweep) (*Match, error) {
	workers := runtime.GOMAXPROCS(0)
	regions := make([]index.Region, workers)
	for blocks := range slices.Chunk(s.blocks(w), blocksAtOnce) {
		var tried [blocksAtOnce]int
		var each [blocksAtOnce][]proven
		if err := parallel.Each(ctx, workers, len(blocks), func(worker, i int) {
			r := &regions[worker]
			r.Fill(s.index.Added, blocks[i], s.added.reach, w.from/s.fieldArea(), w.to/s.fieldArea(), s.hint.Epoch)
			tried[i], each[i] = s.added.try(ctx, r)
		}); err != nil {
			return nil, err
		}
		trials := 0
		for _, t := range tried {
			trials += t
		}
		m, err := s.firstFitted(ctx, trials, slices.Concat(each[:]...), func(*proven) starSource { return s.index.Added })
		if m != nil || err != nil {
			return m, err
		}
	}
	return nil, nil
}

// starsFor is where the stars come from to which a proved candidate is fitted: the added ones where there are
// some and the field is narrow.
func (s *Search) starsFor(p *proven) starSource {
	if s.index.Added == nil || s.longSideOf(p) > addedField {
		return s.index.Catalogue
	}
	if _, ok := s.index.Added.Depth(sky.ICRS(p.boresight)); !ok {
		return s.index.Catalogue
	}
	return s.index.Added
}

func (s *Search) longSideOf(p *proven) sky.Angle {
	return sky.Angle(float64(max(s.image.Width, s.image.Height)) * p.scale())
}
