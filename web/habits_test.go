package web

import (
	"math"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/sky"
	"polard/mountmodel/tracking"
)

// proved is a session whose axis was proved by the sky, with a worm and a tube that bends.
func proved() mountmodel.View {
	v := viewOf(northSite, mountmodel.Done, 0.5*sky.Arcminute, -0.4*sky.Arcminute)
	v.Lock = &mountmodel.LockShift{Alt: -0.2 * sky.Arcminute, Total: 0.2 * sky.Arcminute, Uncertainty: 4 * sky.Arcsecond}
	d := tracking.Drift{
		From: testNight, To: testNight.Add(10 * time.Minute), Frames: 30,
		Predicted: 0.31 * sky.Arcsecond, Seen: 0.28 * sky.Arcsecond,
		SigmaPredicted: 0.01 * sky.Arcsecond, SigmaSeen: 0.03 * sky.Arcsecond, Bending: 0.04 * sky.Arcsecond,
		Across: 0.6, Up: -0.8, Minutes: 228.6,
	}
	v.Proof = &tracking.Proof{Verdict: tracking.Holds, Frames: 30, Minutes: 10, Drift: &d,
		Said: sky.Say("proof_holds", "Proved by the sky: in %d minutes the declination drifted by %s″ a minute, and the axis predicts %s″. So the axis is where it was measured, to %s, %s.",
			10, sky.Decimal{Value: 0.28, Digits: 2}, sky.Decimal{Value: 0.31, Digits: 2}, sky.Known(13*sky.Arcsecond), sky.Say("in_altitude", "mostly in altitude"))}
	p := tracking.Periodic{Period: 479 * time.Second, Amplitude: 12 * sky.Arcsecond, Sigma: 0.4 * sky.Arcsecond, Chance: 1e-9, Rest: 1 * sky.Arcsecond}
	for i := range 40 {
		phase := math.Mod(float64(i)*0.13, 1)
		p.Curve = append(p.Curve, tracking.Sample{Phase: phase, Error: 12 * sky.Arcsecond * sky.Angle((sky.Turn * sky.Angle(phase)).Sin())})
	}
	v.Habits = mountmodel.Habits{Periodic: &p, Bends: []tracking.Bend{
		{At: sky.LocalFromAltAz(40*sky.Degree, 140*sky.Degree), From: testNight, To: testNight.Add(time.Hour), Frames: 40, Rate: 6 * sky.Arcsecond, Sigma: 0.8 * sky.Arcsecond},
		{At: sky.LocalFromAltAz(62*sky.Degree, 250*sky.Degree), From: testNight.Add(time.Hour), To: testNight.Add(2 * time.Hour), Frames: 40, Rate: -3 * sky.Arcsecond, Sigma: 0.9 * sky.Arcsecond},
	}}
	return v
}

// freeHead is a session of a rig on a ball head, with a star to be put on its mark.
func freeHead() (mountmodel.View, Around) {
	v := viewOf(northSite, mountmodel.Adjusting, 27.2*sky.Arcminute, -7*sky.Arcminute)
	v.Free, v.Turning = true, ""
	tell(&v, "put_star", "Move the whole rig, with whatever moves it, until the ringed star stands on the cross of the frame; 19.8' to go. Then hold still and take the next frame.", sky.Amount(v.Now.Offset.Total))
	_, stars := starField(12)
	l := latestOf(12, time.Now().Add(-2*time.Second), stars)
	l.Put = []PutStar{
		{Star: stars[0], ToX: stars[0].X + 120, ToY: stars[0].Y - 60, Inside: true, TowardsDeg: Number(math.Atan2(-60, 120) * 180 / math.Pi)},
		{Star: stars[5], ToX: stars[5].X + 118, ToY: stars[5].Y - 66, Inside: true, TowardsDeg: Number(math.Atan2(-66, 118) * 180 / math.Pi)},
	}
	return v, Around{Latest: l}
}

// What goes over the wire are the session's own numbers, in the units of their keys.
func TestHabitsOnTheWire(t *testing.T) {
	s := StateFromView(proved(), Around{})
	near := func(name string, got Number, want float64) {
		t.Helper()
		if math.Abs(float64(got)-want) > 1e-9 {
			t.Errorf("%s: %g, want %g", name, got, want)
		}
	}
	if s.Proof == nil || s.Proof.Verdict != "holds" || s.Proof.Said.Code != "proof_holds" || s.Proof.Drift == nil {
		t.Fatalf("%+v", s.Proof)
	}
	near("predicted", s.Proof.Drift.PredictedArcsecMin, 0.31)
	near("off", s.Proof.Drift.OffArcsec, -0.03*228.6)
	near("sigma of it", s.Proof.Drift.SigmaOffArcsec, 0.05*228.6)
	h := s.Habits
	if h == nil || h.Periodic == nil || len(h.Periodic.Curve) != 40 || len(h.Bends) != 2 {
		t.Fatalf("%+v", h)
	}
	near("period", h.Periodic.PeriodS, 479)
	near("amplitude", h.Periodic.AmplitudeArcsec, 12)
	near("rate", h.Bends[1].RateArcsecH, -3)
	near("altitude", h.Bends[0].AltDeg, 40)
	if s := StateFromView(viewOf(northSite, mountmodel.Done, 0, 0), Around{}); s.Proof != nil || s.Habits != nil {
		t.Errorf("of nothing: %+v, %+v", s.Proof, s.Habits)
	}
}
