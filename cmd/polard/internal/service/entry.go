package service

import (
	"time"

	"polard/cmd/polard/internal/pipeline"
	"polard/fits"
	"polard/fits/watch"
	"polard/mountmodel/logbook"
	"polard/mountmodel/sky"
	"polard/solve"
	"polard/solve/camera"
	"polard/web"
)

// CodePassedOver marks a frame of which nothing but the file is kept: it never
// reaches the session.
const CodePassedOver = "passed_over"

// Why frames are passed over.
const (
	whySuperseded = "newer frames were waiting while the bolts were being turned"
	whyBeforeLock = "it was taken before the bolts were locked"
)

// FrameEntry is what the logbook keeps of a file.
func FrameEntry(o pipeline.Outcome, a watch.Arrival, took time.Duration) *logbook.Frame {
	f := &logbook.Frame{
		Sighting: o.Sighting, Path: a.Path, Size: a.Size, Modified: a.Modified, Sum: a.Sum, Complete: a.Complete, Took: took, Detected: o.Detected,
	}
	if o.Frame != nil {
		f.Exposure, f.Width, f.Height, f.PixelUm = o.Frame.Exposure, o.Frame.Width, o.Frame.Height, o.Frame.PixelUm
		f.ClockSuspect = !o.Frame.Mid.IsZero() && ClockSuspect(o.Frame, a.Complete) && ClockSuspect(o.Frame, a.Modified)
	}
	if o.Problem != nil {
		f.Code = o.Problem.Code
	}
	if o.Solution != nil {
		s := o.Solution
		ra, dec := sky.RADecFromICRS(s.ICRS(s.Centre()))
		f.Matched, f.RMSArcsec, f.RADeg, f.DecDeg, f.ScaleArcsec = len(s.Pairs), s.RMS.Arcseconds(), ra.Degrees(), dec.Degrees(), s.Scale.Arcseconds()
		f.FieldDeg[0], f.FieldDeg[1] = s.FieldDeg()
	}
	return f
}

// lensEntry is what the journal keeps of a lens.
func lensEntry(l *pipeline.Lens) *logbook.Lens {
	return &logbook.Lens{
		Width: l.Width, Height: l.Height, ScaleRad: l.Scale.Radians(), AxisX: l.Axis.X, AxisY: l.Axis.Y, K1: l.K1, K2: l.K2, Mirrored: l.Mirrored, Stars: l.Stars,
	}
}

// lensFrom is the reverse.
func lensFrom(l *logbook.Lens) pipeline.Lens {
	return pipeline.Lens{Stars: l.Stars, Camera: camera.Camera{
		Width: l.Width, Height: l.Height, Scale: sky.Angle(l.ScaleRad) * sky.Radian, Axis: sky.Pixel{X: l.AxisX, Y: l.AxisY}, K1: l.K1, K2: l.K2, Mirrored: l.Mirrored,
	}}
}

// latestFrom describes the last frame read, from what the logbook keeps of it.
func latestFrom(f *logbook.Frame, number int64) *web.Latest {
	l := &web.Latest{
		ID: number, File: f.Sighting.Name, ReadMs: f.Complete.UnixMilli(), TookMs: web.Number(float64(f.Took.Microseconds()) / 1000),
		Detected: f.Detected, WidthPx: f.Width, HeightPx: f.Height, ClockSuspect: f.ClockSuspect, ExposureS: web.Unknown,
		Mid: web.UTC(f.Sighting.Mid),
	}
	if f.Exposure > 0 {
		l.ExposureS = web.Number(f.Exposure.Seconds())
	}
	if f.Code != "" {
		l.Problem = &web.Notice{Code: f.Code, Message: f.Sighting.Refused, Said: web.SaidFrom(sky.Saying{Code: f.Code, Args: []any{f.Detected}, Text: f.Sighting.Refused})}
		return l
	}
	l.Solved, l.Matched, l.RMSArcsec = true, f.Matched, web.Number(f.RMSArcsec)
	l.RADeg, l.DecDeg = web.Number(f.RADeg), web.Number(f.DecDeg)
	l.FieldWDeg, l.FieldHDeg = web.Number(f.FieldDeg[0]), web.Number(f.FieldDeg[1])
	return l
}

// starsShown is how many matched stars, the brightest, go to the page: more
// would hide the picture they are drawn on.
const starsShown = 120

// brightest are the matched stars to draw on the frame.
func brightest(s *solve.Solution) []web.Star {
	if s == nil {
		return nil
	}
	var stars []web.Star
	for _, p := range s.Pairs[:min(len(s.Pairs), starsShown)] {
		stars = append(stars, web.Star{X: web.Number(p.Pixel.X), Y: web.Number(p.Pixel.Y), V: web.Number(p.V)})
	}
	return stars
}

// clockSlack is how far the exposure's own time may lie before the arrival of
// its file before the clocks are suspected: files may take a minute over a slow
// network, and a long exposure counts from its middle.
const clockSlack = 10 * time.Minute

// ClockSuspect tells whether a frame's own time does not fit the moment at
// which its file was written or noticed. A file that lay there already was
// noticed late, and a copy may have been written late.
func ClockSuspect(f *fits.Frame, at time.Time) bool {
	late := at.Sub(f.Mid)
	return late > clockSlack+f.Exposure || late < -clockSlack
}
