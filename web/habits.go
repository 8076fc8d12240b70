package web

import (
	"polard/mountmodel"
	"polard/mountmodel/sky"
	"polard/mountmodel/tracking"
)

// Proof is a test of the confirmed axis by the sky: how fast the declination of one
// field, tracked unguided, drifts, against what the axis predicts. The event "prove"
// begins one.
type Proof struct {
	Verdict string      `json:"verdict"` // "running", "holds", "fails", or "moved": the telescope was turned or guided
	Frames  int         `json:"frames"`
	Minutes Number      `json:"minutes"`
	Said    *Said       `json:"said"`
	Drift   *ProofDrift `json:"drift,omitempty"` // once there are enough frames
}

// ProofDrift is the drift of the declination in a minute, towards the elevated pole
// positive, with standard deviations.
type ProofDrift struct {
	PredictedArcsecMin      Number `json:"predicted_arcsec_min"`
	SigmaPredictedArcsecMin Number `json:"sigma_predicted_arcsec_min"` // as well as the axis is known
	SeenArcsecMin           Number `json:"seen_arcsec_min"`
	SigmaSeenArcsecMin      Number `json:"sigma_seen_arcsec_min"`    // by the scatter of the frames
	SigmaBendingArcsecMin   Number `json:"sigma_bending_arcsec_min"` // what tubes bend meanwhile
	// OffArcsec is how far the axis is off from where it was measured, along the direction
	// of which this field tells: a unit vector towards growing azimuth and altitude.
	OffArcsec      Number `json:"off_arcsec"`
	SigmaOffArcsec Number `json:"sigma_off_arcsec"`
	Across         Number `json:"across"`
	Up             Number `json:"up"`
}

func proofWire(p *tracking.Proof) *Proof {
	if p == nil {
		return nil
	}
	out := &Proof{Verdict: string(p.Verdict), Frames: p.Frames, Minutes: Number(p.Minutes), Said: said(p.Said)}
	if d := p.Drift; d != nil {
		arcsec := func(a sky.Angle) Number { return Number(a.Arcseconds()) }
		off, sigma := d.Off()
		out.Drift = &ProofDrift{
			arcsec(d.Predicted), arcsec(d.SigmaPredicted), arcsec(d.Seen), arcsec(d.SigmaSeen), arcsec(d.Bending),
			arcsec(off), arcsec(sigma), Number(d.Across), Number(d.Up),
		}
	}
	return out
}

// Habits are what ordinary exposures tell of the mount beside its axis.
type Habits struct {
	Periodic *Periodic `json:"periodic,omitempty"`
	Bends    []Bend    `json:"bends,omitempty"`
}

// Periodic is the error of the drive in right ascension that comes back with a period.
type Periodic struct {
	PeriodS         Number        `json:"period_s"`
	AmplitudeArcsec Number        `json:"amplitude_arcsec"` // half of peak to peak, of the RA axis
	SigmaArcsec     Number        `json:"sigma_arcsec"`
	Chance          Number        `json:"chance"`      // that noise alone makes it
	RestArcsec      Number        `json:"rest_arcsec"` // what is left over, root mean square
	Curve           []PeriodPoint `json:"curve"`
}

// PeriodPoint is one frame: how far the drive was ahead of a steady one.
type PeriodPoint struct {
	Phase       Number `json:"phase"` // of the period, 0 to 1
	ErrorArcsec Number `json:"error_arcsec"`
}

// Bend is how the line of sight drifts in declination at one place in the sky beyond what
// the axis makes it drift, towards the elevated pole positive.
type Bend struct {
	Direction
	FromUTC      string `json:"from_utc"`
	ToUTC        string `json:"to_utc"`
	Frames       int    `json:"frames"`
	RateArcsecH  Number `json:"rate_arcsec_h"`
	SigmaArcsecH Number `json:"sigma_arcsec_h"`
}

// curveShown bounds the points of the curve and the places sent.
const curveShown = 120

// HabitsFromView is what ordinary exposures told of the mount, in wire form; nil when that
// is nothing.
func HabitsFromView(v mountmodel.View) *Habits {
	h := v.Habits
	if h.Periodic == nil && len(h.Bends) == 0 {
		return nil
	}
	out := &Habits{}
	if p := h.Periodic; p != nil {
		out.Periodic = &Periodic{
			PeriodS: Number(p.Period.Seconds()), AmplitudeArcsec: Number(p.Amplitude.Arcseconds()), SigmaArcsec: Number(p.Sigma.Arcseconds()),
			Chance: Number(p.Chance), RestArcsec: Number(p.Rest.Arcseconds()), Curve: []PeriodPoint{},
		}
		for _, s := range p.Curve[max(0, len(p.Curve)-curveShown):] {
			out.Periodic.Curve = append(out.Periodic.Curve, PeriodPoint{Number(s.Phase), Number(s.Error.Arcseconds())})
		}
	}
	for _, b := range h.Bends[max(0, len(h.Bends)-stretchesShown):] {
		out.Bends = append(out.Bends, Bend{direction(b.At), UTC(b.From), UTC(b.To), b.Frames, Number(b.Rate.Arcseconds()), Number(b.Sigma.Arcseconds())})
	}
	return out
}
