package psf

import (
	"context"
	"slices"

	"polard/solve/detect/residual"
)

// mostWings steps of the wings are taken: the best of those tried at first lies no
// farther away, and relative residuals that fall by less and less could go on for ever.
const mostWings = wingsTried/2 + 1

// refineSteps are the relative steps of width and shape.
var refineSteps = []float64{0.08, 0.02}

// Refine chooses profile and shape again, now with the places of the fits on the model's level:
// moments on few pixels are a little too wide, and scatter with the places in them. It gives m itself when there are too few stars. The error
// is ctx's.
func Refine(ctx context.Context, workers int, r *residual.Image, m *Model, stars []Place) (*Model, error) {
	stars = stars[:min(len(stars), modelStars)]
	if len(stars) < FewStars {
		return m, nil
	}
	start := m.scaled(m.profile, 1)
	s := lightTrials{ctx, workers, r.Level(m.Scale), stars, start.radius}
	first, err := s.of(start)
	if err != nil {
		return nil, err
	}
	best := first[0]
	for _, step := range refineSteps {
		vary := []func(*light, float64) *light{width}
		if !best.ring && len(best.trail) == 1 {
			vary = append(vary, stretch, shear)
		}
		for _, v := range vary {
			if best, err = s.vertex(best, step, v); err != nil {
				return nil, err
			}
		}
		if best, err = s.wings(best, step); err != nil {
			return nil, err
		}
	}
	out := tabulate(best.light)
	out.Residual, out.Stars, out.SmoothOnly = best.residual, len(stars), m.SmoothOnly
	return out, nil
}

// wings goes from profile to profile as long as the relative residual falls: wings and width change together.
func (s *lightTrials) wings(best trial, step float64) (trial, error) {
	for range mostWings {
		was, wing := best, slices.Index(moffats(), best.profile)
		if wing < 0 {
			break
		}
		for _, w := range [2]int{wing - 1, wing + 1} {
			if w < 0 || w == len(moffats()) {
				continue
			}
			tried, err := s.of(was.scaled(moffats()[w], 1))
			if err != nil {
				return best, err
			}
			other, err := s.vertex(tried[0], step, width)
			if err != nil {
				return best, err
			}
			if other.residual < best.residual {
				best = other
			}
		}
		if best == was {
			break
		}
	}
	return best, nil
}

// vertex varies one number of a light's shape by a step either way and to the vertex of
// the parabola through the squares of the relative residuals, and gives the best of all.
func (s *lightTrials) vertex(m trial, step float64, vary func(l *light, by float64) *light) (trial, error) {
	tried, err := s.of(vary(m.light, -step), vary(m.light, step))
	if err != nil {
		return m, err
	}
	less, more, here := sq(tried[0].residual), sq(tried[1].residual), sq(m.residual)
	if bend := less + more - 2*here; bend > 0 {
		at := step * max(-farthestVertex, min(farthestVertex, (less-more)/(2*bend)))
		there, err := s.of(vary(m.light, at))
		if err != nil {
			return m, err
		}
		tried = append(tried, there...)
	}
	best := m
	for _, t := range tried {
		if t.residual < best.residual {
			best = t
		}
	}
	return best, nil
}

// farthestVertex bounds the way to the vertex, in steps.
const farthestVertex = 3
