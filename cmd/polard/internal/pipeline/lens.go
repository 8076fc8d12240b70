package pipeline

import (
	"math"
	"slices"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
	"polard/solve"
	"polard/solve/camera"
)

// Lens is the model of a camera, of which the attitude means nothing, and how many stars it was fitted to.
//
// One serves all frames of a camera. In a wide field low in the sky, the curvature of refraction looks like an
// optical axis aside of the middle, by tens of pixels and another way in each frame, and directions through each
// frame's own lens would turn by some tenths of an arcsecond. Through one lens, whatever is wrong with it is the same
// in all frames, and a part of how the camera is bolted on.
type Lens struct {
	camera.Camera
	Stars  int
	number int // see mountmodel.Sighting.Lens
}

const (
	// otherLens is the difference in scale that tells another lens from refraction (1e-2 at an altitude of
	// 8 degrees) and a touch of the focuser.
	otherLens = 0.02
	// betterLens times as many stars make a frame's lens replace the one in use.
	betterLens = 3
	// mostLenses bounds the cameras remembered: nobody points more of them at one pole.
	mostLenses = 8
)

// of is the lens for frames of a camera: as it is, or as it is for pixels binned otherwise. It is not ok for another camera,
// or another part of the detector.
func (l *Lens) of(c *camera.Camera) (own camera.Camera, ok bool) {
	binned := math.Round(float64(l.Width) / float64(c.Width)) // pixels of the lens's frame to one of this
	if c.Width > l.Width {
		binned = 1 / math.Round(float64(c.Width)/float64(l.Width))
	}
	// What is left over at an edge is less than the larger pixel.
	trimmed := func(have, want int) bool { return math.Abs(float64(have)-binned*float64(want)) < max(binned, 1) }
	if !trimmed(l.Width, c.Width) || !trimmed(l.Height, c.Height) || l.Mirrored != c.Mirrored ||
		math.Abs(float64(c.Scale/l.Scale)/binned-1) > otherLens {
		return own, false
	}
	own = l.Camera
	own.Width, own.Height, own.Scale = c.Width, c.Height, l.Scale*sky.Angle(binned)
	own.Axis = sky.Pixel{X: (l.Axis.X+0.5)/binned - 0.5, Y: (l.Axis.Y+0.5)/binned - 0.5}
	return own, true
}

// lensFor gives the lens for a frame: that of its camera, or the frame's own for a camera that was not seen before. Where
// nothing rests on it, a much better one takes the place of the camera's.
func (p *Pipeline) lensFor(s *solve.Solution) *Lens {
	for i, l := range slices.Backward(p.lenses) {
		if _, ok := l.of(&s.Camera); !ok {
			continue
		}
		p.lenses = slices.Delete(p.lenses, i, i+1)
		if len(s.Pairs) <= betterLens*l.Stars || p.Fixed != nil && p.Fixed() {
			return p.use(l)
		}
		break
	}
	p.numbered++
	return p.use(&Lens{s.Camera, len(s.Pairs), p.numbered})
}

// use makes a lens the last one in use.
func (p *Pipeline) use(l *Lens) *Lens {
	p.lenses = append(p.lenses, l)
	p.lenses = p.lenses[max(0, len(p.lenses)-mostLenses):]
	return l
}

// Resume takes directions through the lenses that were in use before, in their order, and their scales for hints.
func (p *Pipeline) Resume(lenses ...Lens) {
	for _, l := range lenses {
		p.lenses = slices.DeleteFunc(p.lenses, func(o *Lens) bool { _, ok := o.of(&l.Camera); return ok })
		p.numbered++
		l.number = p.numbered
		p.use(&l)
		p.remember(seenCamera{l.Width, l.Height, anyHeader, l.Scale})
	}
}

// Reduce takes a solved frame's stars to directions, through the lens that is in use for its camera now. It is done again for
// frames read before that lens came into use.
func (p *Pipeline) Reduce(o *Outcome) {
	s := o.Solution
	var before *Lens
	if n := len(p.lenses); n > 0 {
		before = p.lenses[n-1]
	}
	l := p.lensFor(s)
	if o.NewLens = nil; l != before {
		o.NewLens = l
	}
	own, _ := l.of(&s.Camera)
	detector := l.DetectorFrame() // not that of own: trimming moves the middle
	o.Sighting.Lens = l.number
	o.Sighting.Pairs = make([]observed.Pair, 0, len(s.Pairs))
	for _, pair := range s.Pairs {
		o.Sighting.Pairs = append(o.Sighting.Pairs, observed.Pair{
			Camera: sky.Camera(detector.Apply(sky.Vec(own.Direction(pair.Pixel)))), ICRS: pair.ICRS, Sigma: pair.Sigma,
		})
	}
}
