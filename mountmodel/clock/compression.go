package clock

import (
	"math"
	"slices"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/stat/distuv"
)

// FrameCompression is a frame, and how its image is compressed.
type FrameCompression struct {
	R sky.Matrix // attitude of the camera in the local frame
	observed.Compression
}

const (
	// lensCompression is the standard deviation of what a camera makes by itself, the same in all
	// frames: pixels that are not square, a tilted detector. Common practice.
	lensCompression = 3e-4
	// harmlessTurn is how far the sky may be taken to stand off that nothing is told: an hour.
	harmlessTurn = 15 * sky.Degree
	// impossible is a chi-square: frames that look through the ground.
	impossible = 1e9
	// certain is the probability left to all that is within harmlessTurn, and to the place as
	// given against the same longitude with the other sign.
	certain = 1e-3
	// turnStep is the step of the turns that are tried, and the least for which the sign of a
	// longitude is told from the other: it turns 7 % of an offset into the other bolt.
	turnStep = 4 * sky.Degree
)

// TurnedByAir is by how much the sky is taken to stand too far west, as refraction within the
// frames tells: it squeezes an image along the vertical, the more the lower, and so shows where
// the zenith stands. It is the probability of each degree, nil while nothing is told, or no more
// than harmless.
//
// Of all mistakes the sign of the longitude is made most (common practice) and is a single turn:
// it is held alone against the place as given, by their likelihoods. Where the place is right, the
// other sign is more likely by a factor of a thousand in at most one of a thousand measurements
// (Markov's inequality for likelihood ratios).
func TurnedByAir(site sky.Site, air sky.Air, frames []FrameCompression) []float64 {
	logs, other, ok := likelihoodsByAir(site, air, frames)
	if !ok {
		return nil
	}
	if by := sky.TurnProbabilities(logs, harmlessTurn, certain); by != nil {
		return by
	}
	if !(other > -math.Log(certain)) {
		return nil
	}
	by := make([]float64, len(logs))
	by[int(math.Round((2*site.Longitude).Positive().Degrees()))%len(by)] = 1
	return by
}

// AgreesByAir tells whether the air in the frames confirms place and time, to an hour: no other
// turn of the sky, and not the longitude with the other sign, is more likely than one in a hundred.
func AgreesByAir(site sky.Site, air sky.Air, frames []FrameCompression) bool {
	const doubt = 1e-2
	logs, other, ok := likelihoodsByAir(site, air, frames)
	return ok && other <= math.Log(doubt) && sky.TurnProbabilities(logs, harmlessTurn, 1-doubt) == nil
}

// likelihoodsByAir are the logarithms of the likelihoods of the sky being taken to stand too far
// west by each degree, and other that of the longitude with the other sign against the place as
// given: minus infinity where the two are nearly one. It is false where the frames tell nothing.
func likelihoodsByAir(site sky.Site, air sky.Air, frames []FrameCompression) (logs [360]float64, other float64, ok bool) {
	if len(frames) < 2 {
		return logs, 0, false
	}
	refraction := observed.NewRefraction(air)
	north := sky.Vec{Y: site.Latitude.Cos(), Z: site.Latitude.Sin()}
	up := sky.Vec{Z: 1}
	own := withoutAir(refraction, frames, up)
	turned := func(by sky.Angle) float64 {
		return chi2ByAir(refraction, own, sky.Rotation(north, -by).Apply(up))
	}
	const step = int(turnStep / sky.Degree)
	var chi2 [360/step + 1]float64
	for i := range chi2 {
		chi2[i] = turned(sky.Angle(step*i) * sky.Degree)
	}
	for i := range logs {
		part := float64(i%step) / float64(step)
		logs[i] = -chi2[i/step] / 2
		if part > 0 {
			logs[i] -= part * (chi2[i/step+1] - chi2[i/step]) / 2
		}
	}
	// Where no place of the zenith explains the frames, something else squeezes them.
	if (distuv.ChiSquared{K: float64(2 * len(frames))}).Survival(-2*slices.Max(logs[:])) < 1e-3 {
		return logs, 0, false
	}
	other = math.Inf(-1)
	if by := 2 * site.Longitude.Signed(); by.Signed().Abs() >= turnStep {
		other = (chi2[0] - turned(by)) / 2
	}
	return logs, other, true
}

// withoutAir are the frames with the compression that is left when that of the air is added back which was taken off
// them for where the zenith was taken to be.
func withoutAir(air observed.Refraction, frames []FrameCompression, zenith sky.Vec) []FrameCompression {
	own := slices.Clone(frames)
	for i, f := range frames {
		taken, _ := air.CompressionAt(f.R, zenith)
		own[i].Q = [2]float64{f.Q[0] + taken[0], f.Q[1] + taken[1]}
	}
	return own
}

// chi2ByAir is how badly the compression of the frames fits to a zenith, with what the camera makes by itself fitted.
func chi2ByAir(air observed.Refraction, frames []FrameCompression, zenith sky.Vec) float64 {
	a := sky.Diagonal(1 / (lensCompression * lensCompression))
	var b [2]float64
	sum := 0.0
	for _, f := range frames {
		by, up := air.CompressionAt(f.R, zenith)
		w, ok := f.Cov.Inverse()
		if !up || !ok {
			return impossible
		}
		d := [2]float64{f.Q[0] - by[0], f.Q[1] - by[1]}
		wd := w.Apply(d)
		a, b, sum = a.Plus(1, w), [2]float64{b[0] + wd[0], b[1] + wd[1]}, sum+w.Form(d)
	}
	inv, _ := a.Inverse()
	return sum - inv.Form(b)
}
