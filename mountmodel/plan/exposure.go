package plan

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// fieldPoint is a star relative to the frame's centre, as hour angle and
// declination.
type fieldPoint struct{ hour, dec sky.Angle }

// samples are the exposures that stand for all of a plan: where they begin, what is watched in them, and through which air.
type samples struct {
	plan    Plan
	air     observed.Refraction
	points  []fieldPoint  // the centre and the rim
	guides  []*fieldPoint // the places of the guide star to be tried: nil when there is none
	hours   []sky.Angle   // hour angles at which exposures begin
	moments int           // intervals in which each is sampled
}

func newSamples(p Plan) samples {
	s := samples{plan: p, air: observed.NewRefraction(p.Air), points: []fieldPoint{{dec: p.Declination}}, guides: []*fieldPoint{nil}}
	for k := range rimPoints {
		s.points = append(s.points, around(p.Declination, p.rim(), sky.Angle(k)*sky.Turn/rimPoints))
	}
	switch {
	case p.Guided && p.GuideDistance == 0:
		s.guides[0] = &s.points[0]
	case p.Guided:
		s.guides = nil
		for k := range 4 {
			g := around(p.Declination, p.GuideDistance, sky.Angle(k)*sky.Turn/4)
			s.guides = append(s.guides, &g)
		}
	}
	room := max(0, p.HourTo-p.HourFrom-p.swept())
	n := int(math.Ceil(float64(room / planStep)))
	for k := range n + 1 {
		s.hours = append(s.hours, p.HourFrom+room*sky.Angle(k)/sky.Angle(max(n, 1)))
	}
	s.moments = max(2, int(math.Ceil(float64(p.swept()/planStep))))
	return s
}

// around is the point at a distance from the centre, in the direction from
// north through east; the centre has the declination given and stands at hour angle 0.
func around(declination, distance, direction sky.Angle) fieldPoint {
	centre := sky.Vec(sky.ICRSFromRADec(0, declination))
	east := sky.Vec{Y: 1}
	north := r3.Cross(centre, east)
	d := r3.Add(r3.Scale(distance.Cos(), centre),
		r3.Scale(distance.Sin(), r3.Add(r3.Scale(direction.Cos(), north), r3.Scale(direction.Sin(), east))))
	ra, dec := sky.RADecFromICRS(sky.ICRS(d))
	return fieldPoint{hour: -ra, dec: dec}
}

// path is where the points of the frame are, as the mount's body has them, in
// local axes as at the start of the exposure: [moment][point].
type path [][]sky.Vec

// expose follows the points through one exposure of a mount whose axis is a.
func (s *samples) expose(a sky.Vec, hour sky.Angle, guide *fieldPoint) (path, error) {
	p := &s.plan
	seen := func(at fieldPoint, turned sky.Angle) sky.Vec {
		return sky.Vec(s.air.Observed(sky.LocalFromHour(p.Site.Latitude, hour+turned+at.hour, at.dec)))
	}
	sense := sky.Angle(-1) // the sky turns backwards about the northern pole
	if p.Site.South() {
		sense = 1
	}
	var hold guideCorrection
	if guide != nil {
		var err error
		if hold, err = newGuideCorrection(a, seen(s.points[0], 0), seen(*guide, 0)); err != nil {
			return nil, err
		}
	}
	out := make(path, s.moments+1)
	for k := range out {
		turned := p.swept() * sky.Angle(k) / sky.Angle(s.moments)
		back := sky.Rotation(a, -sense*turned)
		if guide != nil {
			var err error
			if back, err = hold.back(seen(*guide, turned)); err != nil {
				return nil, err
			}
		}
		out[k] = make([]sky.Vec, len(s.points))
		for i, at := range s.points {
			out[k][i] = back.Apply(seen(at, turned))
		}
	}
	return out, nil
}

// guideCorrection keeps a guide star in its place by turning about the RA axis and
// about the declination axis, which is square to it and to the tube.
type guideCorrection struct {
	axis, hinge, third sky.Vec
	star               sky.Vec
	side               float64
}

// leastLever is the sine of the distance from the axis below which a tube has
// no declination axis to speak of: a fifth of an arcsecond.
const leastLever = 1e-6

func newGuideCorrection(axis, tube, star sky.Vec) (guideCorrection, error) {
	hinge := r3.Cross(axis, tube)
	if r3.Norm(hinge) < leastLever {
		return guideCorrection{}, ErrNotSteerable
	}
	h := guideCorrection{axis: axis, hinge: sky.Unit(hinge), star: star}
	h.third = r3.Cross(axis, h.hinge)
	h.side = math.Copysign(1, r3.Dot(star, h.third))
	return h, nil
}

// back is the rotation that takes the sky at a later moment into the body:
// about the axis until the guide star's distance from the plane of the
// declination axis is as it was, then about that axis.
func (h guideCorrection) back(star sky.Vec) (sky.Matrix, error) {
	x, y := r3.Dot(star, h.hinge), r3.Dot(star, h.third)
	c := r3.Dot(h.star, h.hinge) / math.Hypot(x, y)
	if !(math.Abs(c) < 1) {
		return sky.Matrix{}, ErrNotSteerable
	}
	turn := sky.Rotation(h.axis, sky.Angle(h.side*math.Acos(c))-sky.Atan2(y, x))
	tipped := turn.Apply(star)
	about := func(v sky.Vec) sky.Angle { return sky.Atan2(r3.Dot(v, h.axis), r3.Dot(v, h.third)) }
	// hinge, third, axis are right-handed: from third to axis is a turn about
	// +hinge.
	return sky.Rotation(h.hinge, about(h.star)-about(tipped)).Mul(turn), nil
}
