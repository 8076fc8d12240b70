package observed

import (
	"time"

	"polard/mountmodel/sky"
)

// EarthRotationAngle is the ERA of the instant, in [0, 360) degrees.
func EarthRotationAngle(utc time.Time, dut1 float64) sky.Angle {
	return earthRotationAngle(ut1Of(utc, dut1))
}
