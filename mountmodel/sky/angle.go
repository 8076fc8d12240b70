package sky

import "math"

// Angle is an angle in radians. Build it with a unit: 2.5*sky.Degree. A bare
// literal would compile and mean radians, so code never writes one.
type Angle float64

// Units of angle.
const (
	Radian    Angle = 1
	Degree    Angle = math.Pi / 180 * Radian
	Arcminute Angle = Degree / 60
	Arcsecond Angle = Degree / 3600
	Hour      Angle = 15 * Degree
	Turn      Angle = 360 * Degree
)

// Radians, Degrees, Arcminutes, Arcseconds and Hours give the angle as a
// number in that unit.
func (a Angle) Radians() float64    { return float64(a) }
func (a Angle) Degrees() float64    { return float64(a / Degree) }
func (a Angle) Arcminutes() float64 { return float64(a / Arcminute) }
func (a Angle) Arcseconds() float64 { return float64(a / Arcsecond) }
func (a Angle) Hours() float64      { return float64(a / Hour) }

// Sin, Cos and Tan are the trigonometric functions of the angle.
func (a Angle) Sin() float64 { return math.Sin(float64(a)) }
func (a Angle) Cos() float64 { return math.Cos(float64(a)) }
func (a Angle) Tan() float64 { return math.Tan(float64(a)) }

// Abs is the size of the angle without its sign.
func (a Angle) Abs() Angle { return Angle(math.Abs(float64(a))) }

// Positive brings the angle into [0, 360) degrees.
func (a Angle) Positive() Angle {
	r := math.Mod(float64(a), float64(Turn))
	if r < 0 {
		r += float64(Turn)
	}
	if r >= float64(Turn) { // a tiny negative number rounds up to a full turn
		r = 0
	}
	return Angle(r)
}

// Signed brings the angle into [-180, 180) degrees.
func (a Angle) Signed() Angle {
	return (a + Turn/2).Positive() - Turn/2
}

// Atan2 is the angle of the point (x, y) from the x axis.
func Atan2(y, x float64) Angle { return Angle(math.Atan2(y, x)) }

// Asin is the angle whose sine is s; s is clipped to [-1, 1], so that the
// rounding of a unit vector's component never gives NaN.
func Asin(s float64) Angle { return Angle(math.Asin(math.Max(-1, math.Min(1, s)))) }
