package web

import (
	"polard/mountmodel/axis"
	"polard/mountmodel/nights"
	"polard/mountmodel/sky"
)

// Watch is what ordinary exposures of this night tell of the axis, with no
// procedure. Offset and what follows from it are absent while they do not tell
// yet; Sentences then say what is wanted.
type Watch struct {
	SinceUTC    string       `json:"since_utc,omitempty"` // mid-exposure of the first frame of the night
	UntilUTC    string       `json:"until_utc,omitempty"` // and of the newest
	Frames      int          `json:"frames"`
	Minutes     Number       `json:"minutes"` // from the first to the newest
	Axis        *Direction   `json:"axis,omitempty"`
	Offset      *Offset      `json:"offset,omitempty"`
	Uncertainty *Uncertainty `json:"uncertainty,omitempty"`
	Drift       *WatchDrift  `json:"drift,omitempty"`
	Flexes      bool         `json:"flexes"` // the frames show that the mount bends
	// ReachArcsec is the larger half axis of the ellipse that holds the axis with
	// 95 %: frames of one target leave more open than a Gaussian would.
	ReachArcsec Number `json:"reach_arcsec"`
	// FlexureArcsec is the likely size of that, JitterArcsec how far single
	// frames stray.
	FlexureArcsec Number         `json:"flexure_arcsec"`
	JitterArcsec  Number         `json:"jitter_arcsec"`
	Sentences     []string       `json:"sentences"`
	Said          []Said         `json:"said,omitempty"` // the same by their codes
	Stretches     []Stretch      `json:"stretches,omitempty"`
	Nights        []WatchedNight `json:"nights,omitempty"` // before this one, oldest first
}

// WatchDrift is the motion of the axis itself, on the sky. Shown tells whether the
// frames show one; if not, it is 0, and the sigma says how large one might be.
type WatchDrift struct {
	Shown              bool   `json:"shown"`
	AcrossArcsecH      Number `json:"across_arcsec_h"` // per hour, towards growing azimuth
	UpArcsecH          Number `json:"up_arcsec_h"`
	SigmaAcrossArcsecH Number `json:"sigma_across_arcsec_h"`
	SigmaUpArcsecH     Number `json:"sigma_up_arcsec_h"`
}

// Stretch is a run of frames on one target.
type Stretch struct {
	FromUTC string `json:"from_utc"`
	ToUTC   string `json:"to_utc"`
	Frames  int    `json:"frames"`
	TurnDeg Number `json:"turn_deg"`
	Guided  bool   `json:"guided"` // taken as guided: its drift in declination tells nothing
}

// WatchedNight is the result of an earlier night.
type WatchedNight struct {
	SinceUTC          string `json:"since_utc"`
	UntilUTC          string `json:"until_utc"`
	Frames            int    `json:"frames"`
	Offset            Offset `json:"offset"`
	UncertaintyArcsec Number `json:"uncertainty_arcsec"` // larger half axis, 1-sigma, on the sky
}

// stretchesShown bounds the stretches sent, newest last.
const stretchesShown = 40

// WatchFromView turns what is watched into wire form; nil stays nil.
func WatchFromView(w *nights.View) *Watch {
	if w == nil {
		return nil
	}
	out := &Watch{
		SinceUTC: UTC(w.Since), UntilUTC: UTC(w.Until), Frames: w.Frames,
		Minutes: Number(w.Until.Sub(w.Since).Minutes()), Sentences: sky.English(w.Sentences), Said: saidAll(w.Sentences),
	}
	if out.Sentences == nil {
		out.Sentences = []string{}
	}
	if s, f := w.Status, w.Fit; s != nil {
		axis, offset := direction(s.Axis.Dir), offsetWire(s.Offset)
		out.Axis, out.Offset, out.Uncertainty = &axis, &offset, uncertaintyOf(s.Axis)
		out.ReachArcsec = Number(f.Reach().Arcseconds())
		out.Flexes, out.FlexureArcsec, out.JitterArcsec = f.Flexes(), Number(f.Flexure.Arcseconds()), Number(f.Jitter.Arcseconds())
		sigma := Number(f.DriftSigma.Arcseconds())
		out.Drift = &WatchDrift{SigmaAcrossArcsecH: sigma, SigmaUpArcsecH: sigma}
		if d := f.Drift; d != nil {
			out.Drift = &WatchDrift{true, Number(d.Across.Arcseconds()), Number(d.Up.Arcseconds()),
				Number(d.SigmaAcross.Arcseconds()), Number(d.SigmaUp.Arcseconds())}
		}
		for _, s := range f.Stretches[max(0, len(f.Stretches)-stretchesShown):] {
			out.Stretches = append(out.Stretches, Stretch{
				FromUTC: UTC(s.From), ToUTC: UTC(s.To),
				Frames: s.Last - s.First + 1, TurnDeg: Number(s.Turn.Degrees()), Guided: s.Guided,
			})
		}
	}
	for _, n := range w.Before {
		major, _, _ := n.Status.Axis.Ellipse()
		out.Nights = append(out.Nights, WatchedNight{
			SinceUTC: UTC(n.Since), UntilUTC: UTC(n.Until), Frames: n.Frames,
			Offset: offsetWire(n.Status.Offset), UncertaintyArcsec: Number(major.Arcseconds()),
		})
	}
	return out
}

func uncertaintyOf(a axis.Axis) *Uncertainty {
	return &Uncertainty{AltArcsec: Number(a.SigmaAlt().Arcseconds()), AzArcsec: Number(a.SigmaAz().Arcseconds()), Correlation: Number(a.Correlation())}
}
