package main

import (
	"fmt"
	"io"
	"math"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// habitsText says what ordinary exposures told of the mount beside its axis.
func habitsText(w io.Writer, h mountmodel.Habits) {
	if p := h.Periodic; p != nil {
		fmt.Fprintf(w, "the drive runs unevenly: %s either way in %v (known to %s), by the newest target\n",
			sky.KnownWords(p.Amplitude), p.Period.Round(time.Second), sky.KnownWords(p.Sigma))
	}
	for _, b := range h.Bends {
		alt, az := sky.AltAzFromLocal(b.At)
		fmt.Fprintf(w, "at altitude %.0f, azimuth %.0f degrees the line of sight bends by %+.1f\" an hour in declination (known to %.1f\", %d frames)\n",
			alt.Degrees(), az.Degrees(), b.Rate.Arcseconds(), b.Sigma.Arcseconds(), b.Frames)
	}
}

// flexureWords says how far the tube hangs by frames at several declinations.
func flexureWords(v mountmodel.View) string {
	taken := fmt.Sprintf("taken at %d declinations or sides of the pier: ", v.Bodies)
	if v.HangsSigma == 0 {
		return taken + "how far the tube hangs by its weight they do not tell; more of them, or some beyond a flip, would"
	}
	return taken + fmt.Sprintf("when level, the tube hangs by %s (known to %s) by its weight", sky.KnownWords(v.Hangs), sky.KnownWords(v.HangsSigma))
}

// allowedWords says what makes the uncertainty.
func allowedWords(s axis.Status, pole observed.PoleKind) string {
	known := func(cov sky.Cov2) string { return sky.KnownWords(axis.Major(cov)) }
	a := s.Allowance
	words := fmt.Sprintf("of the uncertainty: the frames themselves %s, the mount's noise %s, what may have moved between the frames %s, a tube that hangs by its weight %s, air %s",
		known(s.Fitted.Cov), known(a.Noise), known(a.Movement), known(a.Flexure), known(a.Air))
	if pole == observed.Refracted && axis.Major(a.Air) > mountmodel.DefaultTolerance {
		words += "; so near the horizon the air leaves the refracted pole uncertain by that: aim at the true one (--pole true), or ask 'polard trail' for the best one"
	}
	return words
}

// witnessWords say how far the frames confirm place and clock, and what wrong ones would do.
func witnessWords(by mountmodel.Witness, minute sky.Angle) string {
	words := "nothing in these frames confirms place and clock, and the uncertainty does not include them: 15 degrees of longitude, or an hour of the clock, turn the offset about the pole by 15 degrees and leave its size"
	switch by {
	case mountmodel.ByHeaders:
		words = "the headers of the frames name this place"
	case mountmodel.ByAir:
		words = "the air in the frames agrees with place and clock, to an hour or 15 degrees of longitude"
	case mountmodel.ByBolts:
		words = "the ways in which the bolts move the axis agree with place and clock, to two hours or 30 degrees of longitude"
	}
	if minute == 0 {
		return words
	}
	return words + fmt.Sprintf("; each minute that the clock is off, or quarter of a degree of longitude, moves the axis by %s", sky.KnownWords(minute))
}

// roundedAzimuth is an azimuth in degrees to the four decimals that are shown:
// what rounds up to 360 is 0.
func roundedAzimuth(az sky.Angle) float64 {
	const shown = 1e4
	return math.Mod(math.Round(az.Positive().Degrees()*shown)/shown, 360)
}
