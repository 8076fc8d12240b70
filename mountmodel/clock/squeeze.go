package clock

import (
	"slices"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/stat/distuv"
)

// Squeezed is a frame, and how its image is squeezed.
type Squeezed struct {
	R sky.Matrix // attitude of the camera in the local frame
	observed.Squeeze
}

const (
	// lensSqueeze is the standard deviation of what a camera makes by itself, the same in all
	// frames: pixels that are not square, a tilted detector. Common practice.
	lensSqueeze = 3e-4
	// harmlessTurn is how far the sky may be taken to stand off that nothing is told: an hour.
	harmlessTurn = 15 * sky.Degree
	// impossible is a chi-square: frames that look through the ground.
	impossible = 1e9
	// certain is the probability left to all that is within harmlessTurn.
	certain = 1e-3
)

// TurnedByAir is by how much the sky is taken to stand too far west, as refraction within the
// frames tells: it squeezes an image along the vertical, the more the lower, and so shows where
// the zenith stands. It is the probability of each degree, nil while nothing is told, or no more
// than harmless.
func TurnedByAir(site sky.Site, air sky.Air, frames []Squeezed) []float64 {
	if len(frames) < 2 {
		return nil
	}
	refraction := observed.NewRefraction(air)
	north := sky.Vec{Y: site.Latitude.Cos(), Z: site.Latitude.Sin()}
	up := sky.Vec{Z: 1}
	const step = 4
	var chi2 [360/step + 1]float64
	for i := range chi2 {
		chi2[i] = chi2ByAir(refraction, frames, up, sky.Rotation(north, -sky.Angle(step*i)*sky.Degree).Apply(up))
	}
	var logs [360]float64
	for i := range logs {
		part := float64(i%step) / step
		logs[i] = -chi2[i/step] / 2
		if part > 0 {
			logs[i] -= part * (chi2[i/step+1] - chi2[i/step]) / 2
		}
	}
	// Where no place of the zenith explains the frames, something else squeezes them.
	if (distuv.ChiSquared{K: float64(2 * len(frames))}).Survival(-2*slices.Max(logs[:])) < 1e-3 {
		return nil
	}
	return sky.TurnProbabilities(logs, harmlessTurn, certain)
}

// chi2ByAir is how badly the squeeze of the frames fits to a zenith that is not where it was
// taken to be, with what the camera makes by itself fitted.
func chi2ByAir(air observed.Refraction, frames []Squeezed, taken, zenith sky.Vec) float64 {
	a := [2][2]float64{{1 / (lensSqueeze * lensSqueeze), 0}, {0, 1 / (lensSqueeze * lensSqueeze)}}
	var b [2]float64
	sum := 0.0
	for _, f := range frames {
		before, _ := air.SqueezeAt(f.R, taken)
		now, up := air.SqueezeAt(f.R, zenith)
		w, ok := sky.Invert2(f.Cov)
		if !up || !ok {
			return impossible
		}
		d := [2]float64{f.Q[0] - now[0] + before[0], f.Q[1] - now[1] + before[1]}
		for p := range 2 {
			for q := range 2 {
				a[p][q] += w[p][q]
				b[p] += w[p][q] * d[q]
				sum += d[p] * w[p][q] * d[q]
			}
		}
	}
	inv, _ := sky.Invert2(a)
	for p := range 2 {
		for q := range 2 {
			sum -= b[p] * inv[p][q] * b[q]
		}
	}
	return sum
}
