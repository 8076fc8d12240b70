package match

import (
	"context"
	"math"

	"polard/mountmodel/sky"
	"polard/solve/index"
)

// The search among added stars, for fields so narrow that they hold few of the bundled ones. It wants a scale: with
// a place as well, it looks at a level of the sky around that; with the scale alone, at one level after the
// other of all that was added. Its candidates are weighed against the added stars, and count as trials
// with all others: the union bound of package proof holds over both.

const (
	// addedField is the longer side up to which the added stars are searched, and fitted: wider fields hold thirty
	// bundled ones as a rule.
	addedField = 1.2 * sky.Degree

	// bundledDo is how many bundled stars a field must hold on average over the sky for them to be tried first.
	bundledDo = neededInField

	// Stars that a level should hold in the field on average: as many as the image's stars that form patterns
	// where the place is known and the level small, and fewer where all of what was added must be gone through, which
	// costs as their number: with 20 about half of what 40 do in fields of 0.2 degrees, and the same lists are solved. The deeper
	// search tries 40 as well.
	addedNear, addedAnywhere, addedAtLength = 80, 20, 40

	// octaError is the error of a level's places (index.octaPlace): at fine scales it is some tenths of a pixel.
	octaError = 0.06 * sky.Arcsecond
)

// addedRadii are how far from a hinted place is looked, one after the other: a mount that was aligned and a header
// that tells the target, and one that was set up by eye.
var addedRadii = []sky.Angle{1.5 * sky.Degree, 6 * sky.Degree}

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
	for _, radius := range addedRadii {
		for _, at := range []*sky.ICRS{s.hint.Near, s.hint.Last} {
			if at == nil {
				continue
			}
			sol, err := s.addedIn(ctx, index.Region{Center: *at, Radius: radius}, addedNear/s.fieldArea())
			if sol != nil || err != nil {
				return sol, err
			}
		}
	}
	if s.fieldArea()*float64(s.index.Catalogue.Len())/wholeSky >= bundledDo {
		return nil, nil
	}
	s.addedMade = true
	return s.addedEverywhere(ctx, addedAnywhere)
}

// wholeSky is the sky in square degrees.
const wholeSky = 129600 / math.Pi

// addedLast is the search that comes after all others.
func (s *Search) addedLast(ctx context.Context) (*Match, error) {
	if !s.addedServes() {
		return nil, nil
	}
	if !s.addedMade {
		if m, err := s.addedEverywhere(ctx, addedAnywhere); m != nil || err != nil {
			return m, err
		}
	}
	return s.addedEverywhere(ctx, addedAtLength)
}

// addedEverywhere searches all of what was added, with so many stars in the field.
func (s *Search) addedEverywhere(ctx context.Context, stars float64) (*Match, error) {
	density := stars / s.fieldArea()
	for _, r := range s.index.Regions(density) {
		if sol, err := s.addedIn(ctx, r, density); sol != nil || err != nil {
			return sol, err
		}
	}
	return nil, nil
}

// addedIn searches a region at the hinted scale, with so many stars a square degree.
func (s *Search) addedIn(ctx context.Context, r index.Region, density float64) (*Match, error) {
	level, err := s.index.Region(ctx, r, density, s.hint.Epoch)
	if level == nil || err != nil {
		return nil, err
	}
	v := newVerifier(s.index.Added, s.hint.Epoch, s.image, verifyDetections)
	scale := s.hint.Scale.Radians()
	for _, tol := range []float64{fineTol, coarseTol} {
		search, patterns := rangeSearch{
			level: level, image: s.image, scaleLo: scale * (1 - hintTolerance), scaleHi: scale * (1 + hintTolerance),
			tolerance: tol + float64(octaError/s.hint.Scale),
			weigh:     func(c *candidate) (proven, bool) { return v.verify(c, level.Spec.ShapeTol) },
		}.usual()
		m, err := s.look(ctx, search, patternQueue{ready: patterns}, toTheEnd, func(*proven) starSource { return s.index.Added })
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
