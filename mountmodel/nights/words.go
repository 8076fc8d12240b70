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
func (f *Fit) Sentences(pole sky.Local) []sky.Saying {
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
	stands := sky.Say("stands", "The axis stands %s from the pole, known to %s.", sky.Amount(off.Total), sky.Known(major))
	stands.Text = fmt.Sprintf("The axis stands %s from the pole: %s %s it and %s %s of it, known to %s.",
		sky.AngleWords(off.Total), sky.AngleWords(off.Alt), height, sky.AngleWords(across), side, known)
	out := []sky.Saying{stands}
	if f.Flexes() {
		out = append(out, sky.Say("bends", "The mount bends by about %s as it turns, more than the stars explain: no single axis fits, and none can be known better than that. The uncertainty includes it.", sky.Amount(f.Flexure)))
	}
	if f.JitterChance > flexureSure {
		out = append(out, sky.Say("frames_stray", "Single frames stray by about %s: wind, dithering, or something loose.", sky.Amount(f.Jitter)))
	}
	if d := f.Drift; d != nil {
		out = append(out, sky.Say("axis_drifts", "The axis itself moves, by %s per hour (known to %s): the tripod settles, or something gives with the temperature. The offset is that of the newest frame.",
			sky.Amount(math.Hypot(float64(d.Across), float64(d.Up))), sky.Known(math.Hypot(float64(d.SigmaAcross), float64(d.SigmaUp)))))
	}
	if len(f.Stretches) == 1 && f.Drift == nil {
		const settles = 10 * sky.Arcsecond
		out = append(out, sky.Say("one_stretch", "All frames are of one stretch. Had the tripod settled by %s per hour meanwhile, it would look the same and move this by %s: only other targets, or a longer night, tell.",
			sky.Amount(settles), sky.Amount(settles/sky.Angle(observed.SiderealRate*3600))))
	}
	guided := 0
	for _, s := range f.Stretches {
		if s.Guided {
			guided++
		}
	}
	if guided > 0 {
		out = append(out, sky.Say("guided_stretches", "In %d of %d stretches the declination hardly drifts, as it does when the mount is guided, or aligned. There only the rotation of the field was used, which tells less. If the mount was not guided, say so.", guided, len(f.Stretches)))
	}
	return out
}

// trackingMinutes is the time that a drive takes for a turn.
func trackingMinutes(turn sky.Angle) int {
	return max(1, int(math.Ceil(float64(turn)/observed.SiderealRate/60)))
}
