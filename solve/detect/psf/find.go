package psf

import (
	"cmp"
	"context"
	"slices"

	"polard/solve/detect/background"
	"polard/solve/detect/peaks"
	"polard/solve/detect/raster"
	"polard/solve/detect/residual"
)

// How the level and the stars that define the PSF are chosen.
const (
	// finerShare: a finer level wins when it shows at least this share of
	// the similar objects that the best one does.
	finerShare = 0.4
	// modelStars choose the profile; FewStars cannot.
	modelStars = 40
	FewStars   = 3
	// modelSigma: a star that helps to choose the profile, and the peak of
	// one whose own size counts.
	modelSigma = 10
	// unlikeResidual of what was taken for stars, and SmoothNarrower stars where the background is smooth, tell
	// that they were something else: bumps of cloud have nothing in common but their size, and are
	// wider. Over all hard kinds of drawn frames, stars and rings left at most 0.55, bumps
	// of cloud 0.88. Without this, 68 instead of 70 of 70 drawn frames with cloud over part are solved.
	unlikeResidual = 0.65
	SmoothNarrower = 1.4
)

// Find chooses the PSF of an image by its brightest objects. Where the background is structured and these are unlike stars, it is taken
// from where that is smooth; at once with smooth, when that was right before. A PSF of no stars is one that may serve. The
// error is ctx's.
func Find(ctx context.Context, workers int, r *residual.Image, smooth bool) (*Model, error) {
	f := finder{ctx, workers, r}
	m, err := f.brightest()
	if err != nil {
		return nil, err
	}
	suspect := smooth || m.Stars < FewStars || m.Residual > unlikeResidual
	if !suspect || r.Sky.Structured() < background.MuchStructure {
		return m, nil
	}
	even, err := f.smoothOnly()
	if err != nil {
		return nil, err
	}
	if even != nil && even.Residual <= unlikeResidual && (smooth || m.Stars < FewStars || SmoothNarrower*even.ImageFWHM() < m.ImageFWHM()) {
		even.SmoothOnly = true
		return even, nil
	}
	if m.Residual > unlikeResidual || m.Stars < FewStars && m.Scale > 1 {
		return f.faint()
	}
	return m, nil
}

// finder looks for the PSF of a residual image.
type finder struct {
	ctx     context.Context
	workers int
	r       *residual.Image
}

// brightest looks at the brightest objects on every level.
func (f finder) brightest() (*Model, error) {
	levels := f.r.Levels
	views := make([][]object, len(levels)) // similar in size, brightest first
	best := 0
	for i, l := range levels {
		var err error
		if views[i], err = similar(f.ctx, f.workers, f.r, l, false); err != nil {
			return nil, err
		}
		best = max(best, len(views[i]))
		if len(views[i]) > finerShare*mostObjects {
			break // no coarser level can beat that
		}
	}
	for i, objects := range views {
		if float64(len(objects)) < finerShare*float64(best) {
			continue
		}
		// Stars that fill few pixels of a coarse level are better seen on a finer one.
		for i > 0 && medianOf(objects, object.size) < smallSize {
			i--
			objects = finer(objects)
		}
		if slices.ContainsFunc(objects, func(s object) bool { return s.height >= modelSigma }) {
			return f.choose(levels[i], objects)
		}
		break
	}
	return f.faint()
}

// smoothOnly is the PSF on the finest level that shows enough objects of one size where the background is smooth, or nil.
func (f finder) smoothOnly() (*Model, error) {
	for _, l := range f.r.Levels {
		objects, err := similar(f.ctx, f.workers, f.r, l, true)
		if err != nil {
			return nil, err
		}
		if len(objects) >= FewStars {
			return f.choose(l, objects)
		}
	}
	return nil, nil
}

// faint serves images in which nothing stands out: of plain stars a few
// pixels wide on each level, those that the matched filter finds most of.
func (f finder) faint() (*Model, error) {
	levels := f.r.Levels[:min(len(f.r.Levels), faintLevels)]
	if f.r.Sky.Structured() >= background.MuchStructure {
		levels = levels[:1]
	}
	var best *Model
	most := -1.0
	for _, l := range levels {
		m := tabulate(newLight(l.Scale, moffats()[plainMoffat], raster.Round(firstFWHM/raster.FWHMPerSigma), false))
		list, err := peaks.Find(f.ctx, f.workers, f.r, l, m.Shape())
		if err != nil {
			return nil, err
		}
		found := 0.0
		for _, k := range list {
			found += sq(min(float64(k.Height), faintHeight)) - sq(peaks.Sigma)
		}
		if found > faintGain*most {
			best, most = m, found
		}
	}
	return best, nil
}

const (
	// faintLevels: stars wider than 2.5 pixels of the last would be a dozen.
	faintLevels = 4
	// faintHeight bounds what one maximum counts: stars of which none stands out reach no more,
	// the glow of an amplifier in a corner does.
	faintHeight = 25
	// faintGain: a coarser level must show clearly more; noise does so by chance.
	faintGain = 1.3
	// firstFWHM is the width of stars that is assumed when none is bright enough
	// to show it.
	firstFWHM = 2.5
)

// Which other profiles are tried.
const (
	// ringSize: a ring smaller than this (sigma, pixels of the level) has no visible hole.
	ringSize = 1.2
	// ringResidual: where the best star leaves less than this, rings need no trial; a
	// ring with a hole of a quarter leaves 0.3.
	ringResidual = 0.15
	// ringEdge is the width of a ring's brightest part, relative to its moment.
	ringEdge = 0.5
	// clearlyBetter: a trail or ring must lower the relative residual to this share, since
	// an ellipse is the simpler tale.
	clearlyBetter = 0.8
)

// choose takes size and elongation as medians of the objects and the profile
// by least squares on the brightest of them.
func (f finder) choose(l *residual.Level, objects []object) (*Model, error) {
	m := typical(objects)
	bright := slices.DeleteFunc(slices.Clone(objects), func(s object) bool { return s.height < modelSigma })
	if len(bright) < FewStars {
		bright = slices.Clone(objects)
	}
	bright = bright[:min(len(bright), modelStars)]
	best := trial{light: newLight(l.Scale, moffats()[plainMoffat], m, false)}
	if len(bright) >= FewStars {
		tried, err := f.profiles(l, m, bright)
		if err != nil {
			return nil, err
		}
		for _, t := range tried {
			share := 1.0
			if t.ring || len(t.trail) > 1 {
				share = clearlyBetter
			}
			if best.stars == 0 || t.residual < share*best.residual {
				best = t
			}
		}
	}
	out := tabulate(best.light)
	out.Residual, out.Stars = best.residual, len(bright)
	return out, nil
}

// profiles tries points, and where stars may be trails or rings these too.
func (f finder) profiles(l *residual.Level, m raster.Moments, bright []object) ([]trial, error) {
	spreads := []bool{false}
	long, short := m.Axes()
	if long > peaks.TrailRatio*short {
		spreads = append(spreads, true)
	}
	var lights []*light
	for _, spread := range spreads {
		for i := 0; i < len(moffats()); i += wingsTried {
			lights = append(lights, newLight(l.Scale, moffats()[i], m, spread))
		}
	}
	places := make([]Place, len(bright))
	for i, s := range bright {
		places[i] = Place{s.x, s.y}
	}
	radius := lights[0].radius
	search := lightTrials{f.ctx, f.workers, l, places, radius}
	tried, err := search.of(lights...)
	if err != nil {
		return nil, err
	}
	least := slices.MinFunc(tried, func(a, b trial) int { return cmp.Compare(a.residual, b.residual) }).residual
	if least > ringResidual && long < peaks.TrailRatio*short && short > ringSize {
		lights = nil
		for _, ring := range ringProfiles() {
			n := newLight(l.Scale, ring, m, false)
			n.ring = true
			lights = append(lights, n)
		}
		rings, err := search.of(lights...)
		if err != nil {
			return nil, err
		}
		tried = append(tried, rings...)
	}
	return tried, nil
}
