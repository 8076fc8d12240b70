package solve

import (
	"math"
	"testing"

	"polard/mountmodel/sky"
	"polard/solve/camera"
	"polard/solve/detect"
	"polard/solve/match"
)

// A sky of 18 magnitudes per square arcsecond, by the definition of magnitudes (Pogson): an offset may only
// make it seem brighter, and what is not counts as read tells nothing.
func TestSkyLimit(t *testing.T) {
	const zero, skyMag, scale = 22.0, 18.0, 10.0
	level := scale * scale * math.Pow(10, 0.4*(zero-skyMag))
	same := func(x float64) float64 { return x }
	for _, c := range []struct {
		name          string
		stars         int
		offset, noise float64
		flux          func(float64) float64
		negative      bool
		least, most   float64 // both zero: nothing told
	}{
		{"counts", 40, 0, 60, same, false, skyMag - 1e-9, skyMag + 1e-9},
		{"counts with an offset", 40, 500, 60, same, false, skyMag - 2, skyMag - 0.05},
		{"fluxes by the square root", 40, 0, 60, math.Sqrt, false, 0, 0},
		{"fluxes by a gamma of 1.5", 40, 0, 60, func(f float64) float64 { return math.Pow(f, 1/1.5) }, false, 0, 0},
		{"the sky taken off", 40, -level, 60, same, false, 0, 0},
		{"the sky taken off but for some noise", 40, 300 - level, 60, same, false, 0, 0},
		{"a negative", 40, 0, 60, same, true, 0, 0},
		{"few stars", 12, 0, 60, same, false, 0, 0},
	} {
		d := &detect.Result{Background: level + c.offset, Noise: c.noise, Negative: c.negative}
		s := &Solution{Match: match.Match{Camera: camera.Camera{Scale: scale * sky.Arcsecond}}, Detected: d}
		for i := range c.stars {
			v := 6 + 4*float64(i)/float64(c.stars)
			at := sky.Pixel{X: float64(i), Y: 3}
			d.Detections = append(d.Detections, detect.Detection{Pos: at, Flux: c.flux(math.Pow(10, 0.4*(zero-v)))})
			s.Pairs = append(s.Pairs, match.Pair{Pixel: at, V: v})
		}
		mag, ok := s.SkyLimit()
		if ok != (c.least != 0) || ok && !(mag >= c.least && mag <= c.most) {
			t.Errorf("%s: %.2f, %v", c.name, mag, ok)
		}
	}
}
