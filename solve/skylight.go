package solve

import (
	"math"

	"polard/mountmodel/sky"
	"polard/solve/detect"
	"polard/solve/robust"
)

const (
	// fewestMeasured and leastRange are the stars, and half of the range of magnitudes between them, from which
	// it shows whether pixel values are proportional to light.
	fewestMeasured = 16
	leastRange     = 0.7
	// bentMost is by how much a magnitude of pixel values may differ from one of the catalogue: fluxes of the
	// faint half are too bright by selection, and colours differ. A stretched frame has half a magnitude or less.
	bentMost = 0.25
	// leastLevel is the level of the sky, in units of its noise, below which it may have been taken off: programs
	// that do so leave some noises above zero. Counts as read, with an offset of 100 electrons, have 20 and more.
	leastLevel = 20
)

// SkyLimit is a limit that the sky's brightness keeps below, V magnitudes per square arcsecond above the air: its level by
// that of the matched stars, whatever offset the camera adds to it counted as sky. It is false where the pixels tell none:
// not proportional to light, or without the level of the sky. The pixels must be counts as they were read.
func (s *Solution) SkyLimit() (mag float64, ok bool) {
	level := s.Detected.Background
	if s.Detected.Negative || !(level > leastLevel*s.Detected.Noise) {
		return 0, false
	}
	fluxes := make(map[sky.Pixel]float64, len(s.Detected.Detections))
	for _, d := range s.Detected.Detections {
		if clean(d) {
			fluxes[d.Pos] = d.Flux
		}
	}
	var mags, zeros []float64
	for _, p := range s.Pairs {
		if flux := fluxes[p.Pixel]; flux > 0 {
			mags, zeros = append(mags, p.V), append(zeros, p.V+2.5*math.Log10(flux))
		}
	}
	if len(mags) < fewestMeasured || !proportional(mags, zeros) {
		return 0, false
	}
	return robust.Median(zeros) - 2.5*math.Log10(level/(s.Scale.Arcseconds()*s.Scale.Arcseconds())), true
}

// clean tells whether a flux is that of one star, all of it.
func clean(d detect.Detection) bool { return !d.Saturated && !d.Blended && !d.Edge && !d.Aligned }

// proportional tells whether the bright and the faint half of stars have one zero point.
func proportional(mags, zeros []float64) bool {
	middle := robust.Median(mags)
	var m, z [2][]float64
	for i, v := range mags {
		half := 0
		if v > middle {
			half = 1
		}
		m[half], z[half] = append(m[half], v), append(z[half], zeros[i])
	}
	if len(m[0]) == 0 || len(m[1]) == 0 {
		return false
	}
	apart := robust.Median(m[1]) - robust.Median(m[0])
	return apart > leastRange && math.Abs(robust.Median(z[1])-robust.Median(z[0])) < bentMost*apart
}
