package service

import (
	"math"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
	"polard/solve"
	"polard/web"
)

const (
	// brightEnough is how many of the brightest stars are looked through for two whose
	// marks lie in the frame.
	brightEnough = 40
	// fromEdge keeps marks off the edge, as a part of the frame's width.
	fromEdge = 0.04
	// farApart is how far the second star must stand from the first, as a part of the
	// frame's width, to show the turn about it.
	farApart = 0.25
)

// putStars are stars of a frame and where they come to stand when the rig is moved as a
// whole so that its axis points to the pole by the shortest way. A star is seen then where
// the camera now sees the direction from which the move takes to the star's.
func putStars(s *solve.Solution, observer *observed.Observer, axis, pole sky.Local) []web.PutStar {
	undo := sky.RotationBetween(sky.Vec(pole), sky.Vec(axis))
	mark := func(i int) web.PutStar {
		p := s.Pairs[i]
		before := sky.Local(undo.Apply(sky.Vec(observer.Observed(p.ICRS))))
		to, ok := s.Camera.Pixel(s.Camera.CameraFromICRS(observer.ICRS(before)))
		edge := fromEdge * float64(s.Camera.Width)
		out := web.PutStar{
			Star: web.Star{X: web.Number(p.Pixel.X), Y: web.Number(p.Pixel.Y), V: web.Number(p.V)}, ToX: web.Number(to.X), ToY: web.Number(to.Y),
			TowardsDeg: web.Number(sky.Atan2(to.Y-p.Pixel.Y, to.X-p.Pixel.X).Degrees()),
			Inside:     ok && to.X > edge && to.Y > edge && to.X < float64(s.Camera.Width)-edge && to.Y < float64(s.Camera.Height)-edge,
		}
		if !ok {
			out.ToX, out.ToY, out.TowardsDeg = web.Unknown, web.Unknown, web.Unknown
		}
		return out
	}
	var out []web.PutStar
	for i := range min(len(s.Pairs), brightEnough) {
		m := mark(i)
		switch {
		case !m.Inside:
		case len(out) == 0:
			out = append(out, m)
		case math.Hypot(float64(m.X-out[0].X), float64(m.Y-out[0].Y)) > farApart*float64(s.Camera.Width):
			return append(out, m)
		}
	}
	if len(out) == 0 && len(s.Pairs) > 0 { // all marks lie outside: the way is told
		out = append(out, mark(0))
	}
	return out
}
