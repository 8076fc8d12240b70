package service

import (
	"time"

	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
	"polard/solve"
	"polard/solve/camera"
	"polard/web"
)

// sightOf is where a frame looked; nil for one that was not solved or has no
// time.
func sightOf(f *logbook.Frame, v mountmodel.View) *web.Direction {
	if f.ScaleArcsec == 0 || f.Sighting.Mid.IsZero() {
		return nil
	}
	observer, err := observed.NewObserver(v.Site, v.Air, f.Sighting.Mid.Add(-v.Correction.Ahead), 0)
	if err != nil {
		return nil // a time outside the years of the model; the session has refused the frame
	}
	centre := sky.ICRSFromRADec(sky.Angle(f.RADeg)*sky.Degree, sky.Angle(f.DecDeg)*sky.Degree)
	alt, az := sky.AltAzFromLocal(observer.Observed(centre))
	return &web.Direction{AltDeg: web.Number(alt.Degrees()), AzDeg: web.Number(az.Degrees())}
}

// newest is the newest frame that this run has read.
type newest struct {
	frame    *logbook.Frame
	solution *solve.Solution // nil when it has none
}

// shown is what the page shows of the newest frame, with what lies where in it as the
// session now stands. What was shown before stays as it was.
func (n newest) shown(l *web.Latest, v mountmodel.View) *web.Latest {
	if l == nil || n.frame == nil {
		return l
	}
	out := *l
	out.Sight = sightOf(n.frame, v)
	locate(&out, n.solution, n.frame.Sighting.Mid, v)
	return &out
}

// locate tells the page where in a solved frame the pole
// and the mount's axis lie, as the session knows them with this frame. A frame
// without a time tells none of it.
func locate(l *web.Latest, solution *solve.Solution, mid time.Time, v mountmodel.View) {
	if solution == nil || mid.IsZero() {
		return
	}
	observer, err := observed.NewObserver(v.Site, v.Air, mid.Add(-v.Correction.Ahead), 0)
	if err != nil {
		return // a time outside the years of the model; the session has refused the frame
	}
	camera := &solution.Camera
	sight := observer.Observed(camera.ICRS(camera.Centre()))
	l.Pole = inFrame(camera, observer.ICRS(v.Pole), sky.Separation(sight, v.Pole))
	if v.Now != nil {
		l.Axis = inFrame(camera, observer.ICRS(v.Now.Axis.Dir), sky.Separation(sight, v.Now.Axis.Dir))
	}
	if v.Now != nil && v.Free && !v.Doubt && !v.Within && v.Phase == mountmodel.Adjusting {
		l.Put = putStars(solution, observer, v.Now.Axis.Dir, v.Pole)
	}
}

// inFrame is where a direction lies in a frame, or on which way from its middle; away
// is how far that is, as seen through the air.
func inFrame(camera *camera.Camera, d sky.ICRS, away sky.Angle) *web.InFrame {
	seen := camera.CameraFromICRS(d)
	in := &web.InFrame{
		X: web.Unknown, Y: web.Unknown,
		AwayDeg: web.Number(away.Degrees()),
		// Columns and rows grow along the camera's x and y; the middle of the image
		// lies so near its z that the way is drawn the same.
		TowardsDeg: web.Number(sky.Atan2(seen.Y, seen.X).Degrees()),
	}
	p, ok := camera.Pixel(seen)
	if in.Inside = ok && p.X >= -0.5 && p.Y >= -0.5 && p.X <= float64(camera.Width)-0.5 && p.Y <= float64(camera.Height)-0.5; in.Inside {
		in.X, in.Y = web.Number(p.X), web.Number(p.Y)
		in.TowardsDeg = web.Number(sky.Atan2(p.Y-camera.Centre().Y, p.X-camera.Centre().X).Degrees())
	}
	return in
}
