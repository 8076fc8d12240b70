package web

import (
	"math"

	"polard/mountmodel"
	"polard/mountmodel/sky"
)

// surelyMoved is by how many standard deviations a bolt's error must have grown for a
// turn to be called wrong: one in a thousand frames would do so by chance.
const surelyMoved = 3

// wrongWay tells of a turn of the wrong sense: of the bolt that moved most since the
// reading before, the error is larger than it was, on the same side. An error that changed sides was
// turned the right way, and too far.
func wrongWay(v mountmodel.View) *WrongWay {
	n := len(v.Adjust)
	if v.Phase != mountmodel.Adjusting || v.Doubt || v.Now == nil || n == 0 {
		return nil
	}
	now, before := v.Adjust[n-1].Status, v.Measured
	if n > 1 {
		before = &v.Adjust[n-2].Status
	}
	if before == nil {
		return nil
	}
	cos := math.Hypot(v.Pole.X, v.Pole.Y)
	was, is := [2]sky.Angle{before.Offset.Alt, before.Offset.Az}, [2]sky.Angle{now.Offset.Alt, now.Offset.Az}
	bolt, k := "altitude", 0
	if float64((is[1]-was[1]).Abs())*cos > float64((is[0] - was[0]).Abs()) {
		bolt, k = "azimuth", 1
	}
	sigma := math.Hypot(float64(now.Axis.SigmaAlt()), float64(before.Axis.SigmaAlt()))
	if k == 1 {
		sigma = math.Hypot(float64(now.Axis.SigmaAz()), float64(before.Axis.SigmaAz()))
	}
	worse := is[k].Abs() - was[k].Abs()
	if was[k]*is[k] < 0 || float64(worse) < surelyMoved*sigma {
		return nil
	}
	return &WrongWay{Bolt: bolt, WorseArcmin: Number(worse.Arcminutes())}
}
