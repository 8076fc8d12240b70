package nights

import (
	"fmt"
	"math"

	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Flexes tells whether the frames show that the mount bends.
func (f *Fit) Flexes() bool { return f.FlexureChance > flexureSure }

// Sentences tell the result in plain words: size and side of the offset from
// the pole, what the mount does beside it, and what was assumed.
func (f *Fit) Sentences(pole sky.Local) []string {
	off := axis.OffsetBetween(f.Axis.Dir, pole)
	height, side := "above", "east"
	if off.Alt < 0 {
		height = "below"
	}
	if f.Axis.Dir.X < pole.X {
		side = "west"
	}
	across := sky.Angle(math.Abs(f.Axis.Dir.X - pole.X))
	major, _, _ := f.Axis.Ellipse()
	known := sky.KnownWords(major)
	if f.Wide > 1.25 { // not a Gaussian: say it
		known += fmt.Sprintf(" (within %s in 19 of 20 such cases)", sky.KnownWords(f.Reach()))
	}
	out := []string{fmt.Sprintf("The axis stands %s from the pole: %s %s it and %s %s of it, known to %s.",
		sky.AngleWords(off.Total), sky.AngleWords(off.Alt), height, sky.AngleWords(across), side, known)}
	if f.Flexes() {
		out = append(out, fmt.Sprintf("The mount bends by about %s as it turns, more than the stars explain: no single axis fits, and none can be known better than that. The uncertainty includes it.", sky.AngleWords(f.Flexure)))
	}
	if f.JitterChance > flexureSure {
		out = append(out, fmt.Sprintf("Single frames stray by about %s: wind, dithering, or something loose.", sky.AngleWords(f.Jitter)))
	}
	if d := f.Drift; d != nil {
		out = append(out, fmt.Sprintf("The axis itself moves, by %s per hour (known to %s): the tripod settles, or something gives with the temperature. The offset is that of the newest frame.",
			sky.AngleWords(sky.Angle(math.Hypot(float64(d.Across), float64(d.Up)))), sky.KnownWords(sky.Angle(math.Hypot(float64(d.SigmaAcross), float64(d.SigmaUp))))))
	}
	if len(f.Stretches) == 1 && f.Drift == nil {
		const settles = 10 * sky.Arcsecond
		out = append(out, fmt.Sprintf("All frames are of one stretch. Had the tripod settled by %s per hour meanwhile, it would look the same and move this by %s: only other targets, or a longer night, tell.",
			sky.AngleWords(settles), sky.AngleWords(settles/sky.Angle(observed.SiderealRate*3600))))
	}
	guided := 0
	for _, s := range f.Stretches {
		if s.Guided {
			guided++
		}
	}
	if guided > 0 {
		out = append(out, fmt.Sprintf("In %d of %d stretches the declination hardly drifts, as it does when the mount is guided, or aligned. There only the rotation of the field was used, which tells less. If the mount was not guided, say so.", guided, len(f.Stretches)))
	}
	return out
}

// trackingWords is the time that a drive takes for a turn.
func trackingWords(turn sky.Angle) string {
	minutes := math.Ceil(float64(turn) / observed.SiderealRate / 60)
	if minutes < 2 {
		return "A minute"
	}
	return fmt.Sprintf("Some %.0f minutes", minutes)
}
