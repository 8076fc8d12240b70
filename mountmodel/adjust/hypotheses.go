package adjust

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

var (
	restSizes = [...]sky.Angle{0.3 * sky.Arcsecond, axis.MechanicalNoise}
	boltSizes = [...]sky.Angle{15 * sky.Arcsecond, 2 * sky.Arcminute, 15 * sky.Arcminute}
)

// outcome is one hypothesis about drive and bolts with what follows from it.
type outcome struct {
	drive  int // tracks, stands, turned
	size   int // of what the axis did: among restSizes, and then boltSizes or any
	weight float64
	z      [jointSize]float64
	cov    *mat.SymDense
}

// What the RA axis did between two frames.
const (
	tracks = iota
	stands
	turned
)

// constraint is something that a hypothesis says of the residuals: that these are
// nothing but noise of the given variances.
type constraint struct {
	rows     []int // of the residuals
	variance []float64
	step     sky.Angle // by which the angle has grown, where that is constrained
}

// habits are what has been learnt of drive, mount and person, as probabilities for the next frame.
type habits struct {
	rate   float64 // of a tracking axis, radians per second about it
	tracks float64 // probability that the drive follows the sky
	stiff  float64 // probability that the axis, at rest, stays within the first of restSizes, not the second
	rests  float64 // probability that nobody turned a bolt before the newest frame
}

// hypothesis is what may have happened between two frames: its probability
// beforehand (a density where something may have gone anywhere), and what it
// says of the residuals.
type hypothesis struct {
	drive, size int
	weight      float64
	constraint
}

// hypotheses lists what may have happened in so many seconds: each doing of the drive
// with each size of what the bolts did. Where the drive does not show, it may have
// done anything. remainder is the variance of the angle that the tilt leaves.
func (h *habits) hypotheses(seconds, remainder float64, driveShows bool) []hypothesis {
	follow, stiff := h.followed(), h.stays()
	settled := float64(axis.DriftPrior) * seconds / 3600
	sizes := append(restSizes[:], boltSizes[:]...)
	// share is the weight of size k where bolts rest with the probability given.
	share := func(k int, rests float64) float64 {
		switch k {
		case 0:
			return rests * stiff
		case 1:
			return rests * (1 - stiff)
		case len(sizes): // anywhere
			return (1 - rests) / float64(len(boltSizes)+1) / (math.Pi * float64(largestJump*largestJump))
		}
		return (1 - rests) / float64(len(boltSizes)+1)
	}
	var out []hypothesis
	for k := range len(sizes) + 1 {
		var axis constraint
		backlash := driveBacklash
		if k < len(sizes) {
			variance := float64(sizes[k]*sizes[k]) + settled*settled
			axis.rows, axis.variance = []int{byAxis, byAxis + 1}, []float64{variance, variance}
			backlash = min(backlash, sizes[k]) // hands that turn no bolt shake no axis
		}
		out = append(out, hypothesis{turned, k, share(k, restTurned) * turnedPrior / float64(sky.Turn), axis})
		if !driveShows {
			continue
		}
		for _, d := range []struct {
			drive    int
			weight   float64
			step     sky.Angle
			variance float64
		}{
			{tracks, follow, sky.Angle(h.rate * seconds), wanderVariance(seconds, h.rate)},
			{stands, 1 - follow, 0, 0},
		} {
			c := constraint{rows: append(slices.Clone(axis.rows), byTheta), step: d.step,
				variance: append(slices.Clone(axis.variance), remainder+d.variance+float64(backlash*backlash))}
			out = append(out, hypothesis{d.drive, k, share(k, h.rested()) * (1 - turnedPrior) * d.weight, c})
		}
	}
	return out
}

// followed is the probability that the drive followed the sky up to the next
// frame, before that is seen.
func (h *habits) followed() float64 {
	return drivePersists*h.tracks + (1-drivePersists)*(1-h.tracks)
}

// wanderVariance is that of the departure of a tracking drive after so many
// seconds, its backlash apart.
func wanderVariance(seconds, rate float64) float64 {
	wander := min(driveWander*sky.Angle(seconds), driveWanderMost)
	slow := rateDoubt * rate * seconds
	return float64(wander*wander) + slow*slow
}

// rested is the probability that nobody turns a bolt up to the next frame, before
// that is seen.
func (h *habits) rested() float64 { return restGoesOn*h.rests + restBegins*(1-h.rests) }

// stays is the probability of a stiff mount up to the next frame, before that is
// seen.
func (h *habits) stays() float64 { return stiffPersists*h.stiff + (1-stiffPersists)*(1-h.stiff) }

// learn takes what the guesses say of drive, bolts and mount, and names what the
// drive did.
func (h *habits) learn(guesses []outcome, driveShows bool) Drive {
	var drive [turned + 1]float64
	var rest [len(restSizes)]float64
	bolts := 0.0
	for _, g := range guesses {
		drive[g.drive] += g.weight
		if g.size < len(rest) {
			rest[g.size] += g.weight
		} else {
			bolts += g.weight
		}
	}
	// Bolts that are turned tell nothing of how stiff a mount is.
	h.stiff = rest[0] + bolts*h.stays()
	h.rests = rest[0] + rest[1]
	if !driveShows {
		return DriveUnknown
	}
	return h.learnDrive(drive[tracks], drive[stands])
}

// learnDrive updates the probability that the drive tracks and names what it
// did.
func (h *habits) learnDrive(tracks, stands float64) Drive {
	if tracks+stands < 1-driveSure {
		return DriveTurned
	}
	h.tracks = tracks / (tracks + stands)
	switch {
	case h.tracks > driveSure:
		return DriveTracks
	case h.tracks < 1-driveSure:
		return DriveStands
	}
	return DriveUnknown
}
