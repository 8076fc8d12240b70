package plan

import (
	"gonum.org/v1/gonum/spatial/r3"

	"polard/mountmodel/sky"
)

// Worst is the largest motion over the planned hour angles, on the sky, and
// the hour angle at the start of the exposure in which it happens.
type Worst struct {
	Size sky.Angle
	Hour sky.Angle
}

// Motion is what stars do in the worst exposure of a plan. Each number has a
// worst exposure of its own. Sizes are extents: the distance between the two
// farthest places during one exposure.
type Motion struct {
	Scale    sky.Angle // per pixel
	RA, Dec  Worst     // of a star at the centre, along and across the daily motion
	Rotation Worst     // of the field, as an angle of rotation
	Corner   Worst     // what that rotation does at the corner farthest from the star held, or from the centre
	Trail    Worst     // longest trail of any star in the frame: all of the above and the differential refraction
}

// Pixels is an angle on the sky as a number of pixels.
func (m Motion) Pixels(a sky.Angle) float64 { return float64(a / m.Scale) }

// assess works out what the stars do in the worst exposure, for an axis that
// stands at the given direction of the local frame. The geometry is exact for
// any offset; the air is that of [Refraction]. The plan has passed its check; a
// guide star that cannot be held is an error.
func (s *samples) assess(axis sky.Local) (Motion, error) {
	p, a := &s.plan, sky.Vec(sky.Unit(axis))
	lever := p.rim()
	if p.Guided {
		lever += p.GuideDistance
	}
	m := Motion{Scale: p.Scale()}
	for _, guide := range s.guides {
		for _, hour := range s.hours {
			walk, err := s.expose(a, hour, guide)
			if err != nil {
				return Motion{}, err
			}
			east, north := basis(p, hour)
			var ra, dec, turn []float64
			for _, at := range walk {
				d := r3.Sub(at[0], walk[0][0])
				ra, dec = append(ra, r3.Dot(d, east)), append(dec, r3.Dot(d, north))
				turn = append(turn, rotation(walk[0], at))
			}
			m.RA.grow(extent(ra), hour)
			m.Dec.grow(extent(dec), hour)
			m.Rotation.grow(extent(turn), hour)
			m.Corner.grow(extent(turn)*lever.Sin(), hour)
			for i := range s.points {
				m.Trail.grow(walk.trail(i), hour)
			}
		}
	}
	return m, nil
}

// basis are the directions east and north on the sky, in local axes, at the
// centre of the frame.
func basis(p *Plan, hour sky.Angle) (east, north sky.Vec) {
	centre := sky.Vec(sky.LocalFromHour(p.Site.Latitude, hour, p.Declination))
	east = sky.Vec(sky.LocalFromHour(p.Site.Latitude, hour-sky.Turn/4, 0))
	return east, r3.Cross(centre, east)
}

// rotation is by how much the rim has turned about the centre, from the mean of
// its points: pairs on opposite sides take out what moves all alike, and pairs
// at right angles what refraction squeezes.
func rotation(from, to []sky.Vec) float64 {
	sum, weight := 0.0, 0.0
	for i := 1; i < len(from); i++ {
		arm := r3.Sub(from[i], from[0])
		arm = r3.Sub(arm, r3.Scale(r3.Dot(arm, from[0]), from[0]))
		now := r3.Sub(to[i], to[0])
		sum += r3.Dot(from[0], r3.Cross(arm, now))
		weight += r3.Norm2(arm)
	}
	return sum / weight
}

func extent(x []float64) float64 {
	low, high := x[0], x[0]
	for _, v := range x {
		low, high = min(low, v), max(high, v)
	}
	return high - low
}

// trail is the distance between the farthest two places of a point.
func (w path) trail(point int) float64 {
	longest := 0.0
	for i := range w {
		for j := range i {
			longest = max(longest, r3.Norm(r3.Sub(w[i][point], w[j][point])))
		}
	}
	return longest
}

func (w *Worst) grow(size float64, hour sky.Angle) {
	if sky.Angle(size) > w.Size {
		*w = Worst{Size: sky.Angle(size), Hour: hour}
	}
}

// Sentence says what the plan's worst exposure comes to.
func (m Motion) Sentence(p Plan) sky.Saying {
	hold := sky.Say("plan_unguided", "without guiding")
	if p.Guided {
		hold = sky.Say("plan_guided", "guided on a star %s from the centre", sky.Amount(p.GuideDistance))
	}
	return sky.Say("plan_motion", "In %s s %s the longest trail is %s (%s pixels): drift %s in right ascension and %s in declination, and %s from rotation of the field at the corner. Worst at hour angle %s h.",
		seconds(p.Exposure), hold, sky.Known(m.Trail.Size), sky.Decimal{Value: m.Pixels(m.Trail.Size), Digits: 1}, sky.Known(m.RA.Size), sky.Known(m.Dec.Size), sky.Known(m.Corner.Size), sky.Decimal{Value: m.Trail.Hour.Hours(), Digits: 1})
}
