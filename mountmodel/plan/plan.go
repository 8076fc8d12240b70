package plan

import (
	"errors"
	"fmt"
	"math"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Plan is a run of equal exposures of one target, for which the alignment is
// to be good enough: what an axis off the pole, and the air, do to the stars
// while the shutter is open. A drive that runs evenly is assumed: its periodic
// error, wind and flexure come on top.
type Plan struct {
	Site sky.Site
	Air  sky.Air

	FocalMm       float64
	PixelUm       float64 // after binning
	Width, Height int     // of the frame, in pixels after binning

	Declination sky.Angle // of the frame's centre, equator of date
	// HourFrom and HourTo are the hour angles (west positive) of the target at
	// the start of the first exposure and at the end of the last.
	HourFrom, HourTo sky.Angle
	Exposure         time.Duration

	// Guided says that a guide star is held in its place by turning the mount
	// about its two axes. GuideDistance is that of the guide star from the
	// frame's centre; its direction is taken as the worst of four.
	Guided        bool
	GuideDistance sky.Angle

	Rate float64 // of the drive over the sidereal rate; 0 means 1. See [ApparentRate]
}

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

// Errors of a plan.
var (
	// ErrAirAlone means that a perfectly set mount would trail as well.
	ErrAirAlone = errors.New("refraction alone moves the stars by more than the limit: expose for a shorter time, stay higher, or guide nearer to the target")

	// ErrNotSteerable means that the guide star cannot be held by turning the
	// two axes, because it stands too near the line of the RA axis.
	ErrNotSteerable = errors.New("the guide star is so near the RA axis that turning the mount cannot hold it: take a guide star farther from the pole")
)

const (
	// planStep is the largest step in hour angle between sampled starts and
	// sampled moments of an exposure. Drift goes as sine and cosine of the hour
	// angle: the largest value between samples is missed by 1 - cos(1.25
	// degrees), 2 parts in 10,000.
	planStep = 2.5 * sky.Degree

	// lowestPlanned is the altitude down to which a plan is worked out: at 5
	// degrees the model of the air is wrong by 25 arcsec out of 590
	// (see [Refraction]).
	lowestPlanned = 5 * sky.Degree

	// rimPoints are sampled on the circle through the frame's corners, because
	// a plan does not tell how the camera is turned. What refraction squeezes
	// goes round twice on it and is missed by at most 1 - cos(2 x 11.25 degrees),
	// 8 % of it; drift and rotation are not missed. A multiple of four.
	rimPoints = 16

	// toleranceStep is the step in the direction of the axis's offset when the
	// worst is looked for: it is missed by 1 - cos(1 degree), 2 parts in 10,000.
	toleranceStep = 2 * sky.Degree

	// toleranceProbe is the offset with which the answer of the trails to an
	// offset is taken: second-order terms are 1e-4 of the first, rounding 1e-9.
	toleranceProbe = 1 * sky.Arcminute

	// mostTolerance is the largest tolerance that is answered: trails are linear in
	// the offset to a few per cent up to there.
	mostTolerance = 5 * sky.Degree

	// shortestPlanned and longestPlanned bound exposures.
	shortestPlanned = time.Millisecond
	longestPlanned  = 12 * time.Hour
)

// Scale is the angle of one pixel at the centre of the frame.
func (p Plan) Scale() sky.Angle { return sky.Atan2(p.PixelUm*1e-3, p.FocalMm) }

// rim is the distance of the corners from the centre.
func (p Plan) rim() sky.Angle {
	return sky.Atan2(math.Hypot(float64(p.Width), float64(p.Height))/2*p.PixelUm*1e-3, p.FocalMm)
}

// swept is the turn of the sky during one exposure.
func (p Plan) swept() sky.Angle { return sky.Angle(observed.SiderealRate * p.Exposure.Seconds()) }

// Check says what is wrong with the plan, or nil.
func (p Plan) Check() error {
	if err := p.Site.Check(); err != nil {
		return err
	}
	if err := p.Air.Check(); err != nil {
		return err
	}
	finite := func(x float64) bool { return x > 0 && !math.IsInf(x, 0) }
	switch {
	case !finite(p.FocalMm):
		return fmt.Errorf("focal length %g mm: give the focal length in millimetres", p.FocalMm)
	case !finite(p.PixelUm):
		return fmt.Errorf("pixel size %g micrometres: give the size of a pixel in micrometres, after binning", p.PixelUm)
	case p.Width < 1 || p.Height < 1:
		return fmt.Errorf("a frame of %d by %d pixels: give its width and height in pixels", p.Width, p.Height)
	case p.rim() > 60*sky.Degree:
		return fmt.Errorf("the frame's corner is %.0f degrees from its centre: check focal length and pixel size", p.rim().Degrees())
	case !(p.Declination.Abs() <= 90*sky.Degree):
		return fmt.Errorf("declination %g is outside -90 to +90 degrees", p.Declination.Degrees())
	case !(p.HourFrom.Abs() <= sky.Turn/2) || !(p.HourTo.Abs() <= sky.Turn/2):
		return fmt.Errorf("hour angles %.2f to %.2f h: give hours from the meridian, -12 to +12, west positive", p.HourFrom.Hours(), p.HourTo.Hours())
	case p.HourTo < p.HourFrom:
		return fmt.Errorf("hour angles %.2f to %.2f h run backwards: stars move from east (negative) to west (positive)", p.HourFrom.Hours(), p.HourTo.Hours())
	case p.Exposure < shortestPlanned || p.Exposure > longestPlanned:
		return fmt.Errorf("exposure of %v is outside %v to %v", p.Exposure, shortestPlanned, longestPlanned)
	case p.Guided && !(p.GuideDistance >= 0 && p.GuideDistance <= 90*sky.Degree):
		return fmt.Errorf("guide star at %g degrees from the centre: give 0 to 90", p.GuideDistance.Degrees())
	case p.Rate != 0 && !(p.Rate > 0.9 && p.Rate < 1.1):
		return fmt.Errorf("drive at %g times the sidereal rate is outside 0.9 to 1.1", p.Rate)
	}
	to := max(p.HourTo, p.HourFrom+p.swept())
	for h := p.HourFrom; ; h = min(h+planStep, to) {
		if alt, _ := sky.AltAzFromLocal(sky.LocalFromHour(p.Site.Latitude, h, p.Declination)); alt < lowestPlanned {
			return fmt.Errorf("at hour angle %.1f h the target is at altitude %.0f°: plan for hours when it is above %.0f°", h.Hours(), alt.Degrees(), lowestPlanned.Degrees())
		}
		if h >= to {
			return nil
		}
	}
}

// place is a star relative to the frame's centre, as hour angle and
// declination.
type place struct{ hour, dec sky.Angle }

// around is the place at a distance from the centre, in the direction from
// north through east, of a star whose centre stands at hour angle 0.
func (p Plan) around(distance, direction sky.Angle) place {
	centre := sky.Vec(sky.ICRSFromRADec(0, p.Declination))
	east := sky.Vec{Y: 1}
	north := r3.Cross(centre, east)
	d := r3.Add(r3.Scale(distance.Cos(), centre),
		r3.Scale(distance.Sin(), r3.Add(r3.Scale(direction.Cos(), north), r3.Scale(direction.Sin(), east))))
	ra, dec := sky.RADecFromICRS(sky.ICRS(d))
	return place{hour: -ra, dec: dec}
}

// points are the centre and the rim.
func (p Plan) points() []place {
	out := []place{{dec: p.Declination}}
	for k := range rimPoints {
		out = append(out, p.around(p.rim(), sky.Angle(k)*sky.Turn/rimPoints))
	}
	return out
}

// guides are the places of the guide star to be tried: nil when there is none.
func (p Plan) guides() []*place {
	if !p.Guided {
		return []*place{nil}
	}
	if p.GuideDistance == 0 {
		return []*place{{dec: p.Declination}}
	}
	var out []*place
	for k := range 4 {
		g := p.around(p.GuideDistance, sky.Angle(k)*sky.Turn/4)
		out = append(out, &g)
	}
	return out
}

// starts are the hour angles at which sampled exposures begin, and moments how
// many intervals each is sampled in.
func (p Plan) starts() (hours []sky.Angle, moments int) {
	room := max(0, p.HourTo-p.HourFrom-p.swept())
	n := int(math.Ceil(float64(room / planStep)))
	for k := range n + 1 {
		hours = append(hours, p.HourFrom+room*sky.Angle(k)/sky.Angle(max(n, 1)))
	}
	return hours, max(2, int(math.Ceil(float64(p.swept()/planStep))))
}

// path is where the points of the frame are, as the mount's body has them, in
// local axes as at the start of the exposure: [moment][point].
type path [][]sky.Vec

// expose follows the points through one exposure of a mount whose axis is a.
func (p Plan) expose(a sky.Vec, air observed.Refraction, hour sky.Angle, moments int, points []place, guide *place) (path, error) {
	seen := func(at place, turned sky.Angle) sky.Vec {
		return sky.Vec(air.Observed(sky.LocalFromHour(p.Site.Latitude, hour+turned+at.hour, at.dec)))
	}
	sense := sky.Angle(-1) // the sky turns backwards about the northern pole
	if p.Site.South() {
		sense = 1
	}
	rate := sky.Angle(1)
	if p.Rate != 0 {
		rate = sky.Angle(p.Rate)
	}
	var hold holder
	if guide != nil {
		var err error
		if hold, err = newHolder(a, seen(points[0], 0), seen(*guide, 0)); err != nil {
			return nil, err
		}
	}
	out := make(path, moments+1)
	for k := range out {
		turned := p.swept() * sky.Angle(k) / sky.Angle(moments)
		back := sky.Rotation(a, -sense*rate*turned)
		if guide != nil {
			var err error
			if back, err = hold.back(seen(*guide, turned)); err != nil {
				return nil, err
			}
		}
		out[k] = make([]sky.Vec, len(points))
		for i, at := range points {
			out[k][i] = back.Apply(seen(at, turned))
		}
	}
	return out, nil
}

// holder keeps a guide star in its place by turning about the RA axis and
// about the declination axis, which is square to it and to the tube.
type holder struct {
	axis, hinge, third sky.Vec
	star               sky.Vec
	side               float64
}

// leastLever is the sine of the distance from the axis below which a tube has
// no declination axis to speak of: a fifth of an arcsecond.
const leastLever = 1e-6

func newHolder(axis, tube, star sky.Vec) (holder, error) {
	hinge := r3.Cross(axis, tube)
	if r3.Norm(hinge) < leastLever {
		return holder{}, ErrNotSteerable
	}
	h := holder{axis: axis, hinge: sky.Unit(hinge), star: star}
	h.third = r3.Cross(axis, h.hinge)
	h.side = math.Copysign(1, r3.Dot(star, h.third))
	return h, nil
}

// back is the rotation that takes the sky at a later moment into the body:
// about the axis until the guide star's distance from the plane of the
// declination axis is as it was, then about that axis.
func (h holder) back(star sky.Vec) (sky.Matrix, error) {
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

// Assess works out what the stars do in the worst exposure, for an axis that
// stands at the given direction of the local frame. The geometry is exact for
// any offset; the air is that of [Refraction]. A plan that makes no sense is an
// error, and so is a guide star that cannot be held.
func (p Plan) Assess(axis sky.Local) (Motion, error) {
	if err := p.Check(); err != nil {
		return Motion{}, err
	}
	return p.assess(axis)
}

func (p Plan) assess(axis sky.Local) (Motion, error) {
	a := sky.Vec(sky.Unit(axis))
	air, points := observed.NewRefraction(p.Air), p.points()
	hours, moments := p.starts()
	lever := p.rim()
	if p.Guided {
		lever += p.GuideDistance
	}
	m := Motion{Scale: p.Scale()}
	for _, guide := range p.guides() {
		for _, hour := range hours {
			walk, err := p.expose(a, air, hour, moments, points, guide)
			if err != nil {
				return Motion{}, err
			}
			east, north := p.basis(hour)
			var ra, dec, turn []float64
			for _, at := range walk {
				d := r3.Sub(at[0], walk[0][0])
				ra, dec = append(ra, r3.Dot(d, east)), append(dec, r3.Dot(d, north))
				turn = append(turn, rotation(walk[0], at))
			}
			m.RA.take(extent(ra), hour)
			m.Dec.take(extent(dec), hour)
			m.Rotation.take(extent(turn), hour)
			m.Corner.take(extent(turn)*lever.Sin(), hour)
			for i := range points {
				m.Trail.take(walk.trail(i), hour)
			}
		}
	}
	return m, nil
}

// basis are the directions east and north on the sky, in local axes, at the
// centre of the frame.
func (p Plan) basis(hour sky.Angle) (east, north sky.Vec) {
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

func (w *Worst) take(size float64, hour sky.Angle) {
	if sky.Angle(size) > w.Size {
		*w = Worst{Size: sky.Angle(size), Hour: hour}
	}
}

// Tolerance is how far the axis may be from the pole of the given kind, in
// whatever direction, so that no star of any planned exposure trails by more
// than the limit (an angle on the sky). Trails are taken as linear in the
// offset, which is true to a fraction offset/2 (in radians): 1 % at a degree.
// The answer is at most 5 degrees. [ErrAirAlone] means that no alignment will
// do.
func (p Plan) Tolerance(limit sky.Angle, kind observed.PoleKind) (sky.Angle, error) {
	if err := p.Check(); err != nil {
		return 0, err
	}
	if !(limit > 0) {
		return 0, fmt.Errorf("a limit of %g arcsec: give an angle above 0, for example one pixel, which is %s", limit.Arcseconds(), sky.KnownWords(p.Scale()))
	}
	pole := observed.Pole(p.Site, p.Air, kind)
	b := sky.TangentBasis(sky.Vec(pole))
	probe := float64(toleranceProbe)
	axes := [3]sky.Vec{sky.Vec(pole), sky.Moved(sky.Vec(pole), b, probe, 0), sky.Moved(sky.Vec(pole), b, 0, probe)}
	air, points := observed.NewRefraction(p.Air), p.points()
	hours, moments := p.starts()
	best := mostTolerance
	for _, guide := range p.guides() {
		for _, hour := range hours {
			var walks [3]path
			for k, a := range axes {
				var err error
				if walks[k], err = p.expose(a, air, hour, moments, points, guide); err != nil {
					return 0, err
				}
			}
			for i := range points {
				for to := range walks[0] {
					for from := range to {
						still := r3.Sub(walks[0][to][i], walks[0][from][i])
						if !(r3.Norm(still) < float64(limit)) {
							return 0, ErrAirAlone
						}
						var slope [2]sky.Vec
						for k := range slope {
							slope[k] = r3.Scale(1/probe, r3.Sub(r3.Sub(walks[1+k][to][i], walks[1+k][from][i]), still))
						}
						best = min(best, reach(still, slope, limit))
					}
				}
			}
		}
	}
	return best, nil
}

// reach is the least offset, over all its directions, at which a displacement
// that is still without offset and grows by slope reaches the limit.
func reach(still sky.Vec, slope [2]sky.Vec, limit sky.Angle) sky.Angle {
	least := math.Inf(1)
	c := r3.Norm2(still) - float64(limit*limit)
	for d := sky.Angle(0); d < sky.Turn; d += toleranceStep {
		m := r3.Add(r3.Scale(d.Cos(), slope[0]), r3.Scale(d.Sin(), slope[1]))
		a, b := r3.Norm2(m), r3.Dot(still, m)
		if a > 0 { // |still + r m| = limit, in the form that does not cancel
			least = min(least, -c/(b+math.Sqrt(b*b-a*c)))
		}
	}
	return sky.Angle(least)
}

// LongestExposure is the longest exposure, to a part in a thousand, in which no
// star trails by more than the limit at any planned hour angle, for the axis as
// it stands. It is at most the time planned from HourFrom to HourTo (or the
// plan's own exposure, where that is longer), and 0 when even a millisecond
// is too long.
func (p Plan) LongestExposure(axis sky.Local, limit sky.Angle) (time.Duration, error) {
	if err := p.Check(); err != nil {
		return 0, err
	}
	if !(limit > 0) {
		return 0, fmt.Errorf("a limit of %g arcsec: give an angle above 0, for example one pixel, which is %s", limit.Arcseconds(), sky.KnownWords(p.Scale()))
	}
	fits := func(t time.Duration) (bool, error) {
		q := p
		q.Exposure = t
		m, err := q.assess(axis)
		return m.Trail.Size <= limit, err
	}
	planned := time.Duration(float64((p.HourTo-p.HourFrom)/observed.SiderealRate) * float64(time.Second))
	low, high := shortestPlanned, min(max(planned, p.Exposure), longestPlanned)
	switch ok, err := fits(high); {
	case err != nil:
		return 0, err
	case ok:
		return high, nil
	}
	if ok, err := fits(low); err != nil || !ok {
		return 0, err
	}
	const precision = 1.001
	for float64(high) > precision*float64(low) {
		middle := time.Duration(math.Sqrt(float64(low) * float64(high)))
		ok, err := fits(middle)
		if err != nil {
			return 0, err
		}
		if ok {
			low = middle
		} else {
			high = middle
		}
	}
	return low, nil
}

// ApparentRate is the mean rate, over the sidereal one, at which a mount whose
// axis is the given direction must turn to follow a star of declination dec
// from one hour angle to another, as seen through the air; with from equal to
// to, the rate at that moment. For an axis at the refracted pole this is what
// King 1931, A Manual of Celestial Photography, works out; a drive at that
// rate is said to run at King rate. Multiply by 15.041 for arcseconds per
// second; divide 1436.07 by it for minutes per revolution.
func ApparentRate(site sky.Site, air sky.Air, axis sky.Local, dec, from, to sky.Angle) (float64, error) {
	if err := errors.Join(site.Check(), air.Check()); err != nil {
		return 0, err
	}
	if !(to >= from) || to-from > sky.Turn/2 {
		return 0, fmt.Errorf("hour angles %.2f to %.2f h: give up to 12 hours, from east to west", from.Hours(), to.Hours())
	}
	// A difference over an arcminute: truncated at 1e-8, rounded at 1e-12.
	const step = 0.5 * sky.Arcminute
	if to-from < 2*step {
		middle := (from + to) / 2
		from, to = middle-step, middle+step
	}
	r := observed.NewRefraction(air)
	a := sky.Vec(sky.Unit(axis))
	b := sky.TangentBasis(a)
	var angle [2]sky.Angle
	for k, h := range [2]sky.Angle{from, to} {
		airless := sky.LocalFromHour(site.Latitude, h, dec)
		if alt, _ := sky.AltAzFromLocal(airless); alt < lowestPlanned {
			return 0, fmt.Errorf("at hour angle %.1f h the star is at altitude %.0f°, too low for a rate", h.Hours(), alt.Degrees())
		}
		s := sky.Vec(r.Observed(airless))
		if r3.Norm(r3.Cross(a, s)) < leastLever {
			return 0, fmt.Errorf("a star on the axis itself needs no rate: %w", ErrNotSteerable)
		}
		angle[k] = sky.Atan2(r3.Dot(s, b[1]), r3.Dot(s, b[0]))
	}
	// The basis is left-handed seen along the axis: northern stars turn
	// backwards about it, which is from across to up.
	turned := angle[1] - angle[0]
	if site.South() {
		turned = -turned
	}
	return float64(turned.Positive() / (to - from)), nil
}

// Sentence says what the plan's worst exposure comes to.
func (m Motion) Sentence(p Plan) string {
	hold := "without guiding"
	if p.Guided {
		hold = fmt.Sprintf("guided on a star %s from the centre", sky.AngleWords(p.GuideDistance))
	}
	return fmt.Sprintf("In %v %s the longest trail is %s (%.1f pixels): drift %s in right ascension and %s in declination, and %s from rotation of the field at the corner. Worst at hour angle %+.1f h.",
		p.Exposure, hold, sky.KnownWords(m.Trail.Size), m.Pixels(m.Trail.Size), sky.KnownWords(m.RA.Size), sky.KnownWords(m.Dec.Size), sky.KnownWords(m.Corner.Size), m.Trail.Hour.Hours())
}
