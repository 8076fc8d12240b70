package rehearsal

import (
	"math"
	"math/rand/v2"
	"time"

	"polard/catalogs"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Catalogue is the sky: what [catalogs.Catalogue.Cone] gives. A few stars of
// one's own will do for an experiment.
type Catalogue interface {
	// Cone visits the stars within radius of the centre (J2000.0, barycentric)
	// that are not fainter than V = faintest.
	Cone(center sky.ICRS, radius sky.Angle, faintest float64, visit func(catalogs.Star))
}

// ImagedStar is a star in a frame, as the rig itself knows it.
type ImagedStar struct {
	ID        int32     // in the catalogue; -1 for a star too faint to be in it
	V         float64   // magnitude
	Pixel     sky.Pixel // at mid-exposure
	Electrons float64   // over the whole exposure
	// From and To are where it is when the shutter opens and closes.
	From, To sky.Pixel
}

// airMass after Rozenberg 1966, Twilight, p. 160: 1 at the zenith, 40 at the
// horizon; from memory.
func airMass(sinAlt float64) float64 {
	s := max(0, sinAlt)
	return 1 / (s + 0.025*math.Exp(-11*s))
}

// Margins of the cone in which stars are looked for.
const (
	// coneMargin covers half a century of the fastest proper motion (10
	// arcsec a year) and more.
	coneMargin = 0.2 * sky.Degree
	// coneStretch covers what refraction does to angles: less than 6 % even
	// where mountmodel.Refraction gives up.
	coneStretch = 1.07
)

// Stars too faint for the catalogue. Each catalogue star in a range of V where
// the catalogue is complete brings some, at places that are its own, so they
// crowd where stars crowd and stay where they are.
const (
	faintParentFrom, faintParentTo = 10.5, 11.5
	faintFrom, faintTo             = 11.6, 13.0
	faintSpread                    = 0.5 * sky.Degree
	// faintSlope is d log10 N / dV (Allen, Astrophysical Quantities, star
	// counts near V = 12: 0.4; from memory).
	faintSlope = 0.4
)

// Streams of the seed.
const (
	streamDither = 1 << 61
	streamHot    = 1 << 62
	streamFaint  = 1 << 63
)

// shot is one exposure: the rig as it stands when the shutter opens.
type shot struct {
	config Config
	mount  mount
	stars  Catalogue
	hot    []hotPixel
	at     time.Time
	number uint64
	// stopped is what a clock that stands still shows; zero while it goes.
	stopped time.Time
}

// instants are the beginning, the middle and the end of the exposure.
func (s *shot) instants() [3]time.Time {
	return [3]time.Time{s.at, s.at.Add(s.config.Exposure / 2), s.at.Add(s.config.Exposure)}
}

// view is how the rig sees the sky at an instant.
type view struct {
	observer *observed.Observer
	toCamera sky.Matrix
}

// views are those at [shot.instants].
func (s *shot) views() (v [3]view, err error) {
	for i, t := range s.instants() {
		if v[i].observer, err = observed.NewObserver(s.config.Site, s.config.Air, t, 0); err != nil {
			return v, err
		}
		v[i].toCamera = s.mount.attitude(s.config.Camera, t).Transpose()
	}
	return v, nil
}

// imaged gives the stars that leave at least cut electrons in some pixel, with
// an image that comes within margin pixels of the detector.
func (s *shot) imaged(cut, margin float64) ([]ImagedStar, error) {
	k, l := s.config.Camera, s.config.Camera.lens()
	views, err := s.views()
	if err != nil {
		return nil, err
	}
	seconds := s.config.Exposure.Seconds()
	// The least flux worth drawing, and the magnitude that gives it overhead.
	a := moffatWidth(k.FWHMPx)
	least := cut * math.Pi * a * a / (moffatExponent - 1)
	faintest := 2.5*math.Log10(k.electronRate(0)*seconds/least) - s.config.Night.Cloud

	year := catalogs.Epoch + s.at.Sub(j2000).Hours()/24/daysPerYear
	var out []ImagedStar
	add := func(id int32, v float64, star sky.ICRS) {
		e := ImagedStar{ID: id, V: v}
		const mid = 1
		for _, i := range [3]int{mid, 0, 2} { // most are dropped at the first
			seen := views[i].observer.Observed(star)
			if i == mid {
				if seen.Z < 0 {
					return
				}
				dim := s.config.Night.Extinction*airMass(seen.Z) + s.config.Night.Cloud
				if e.Electrons = k.electronRate(v+dim) * seconds; e.Electrons < least {
					return
				}
			}
			var ok bool
			if *[3]*sky.Pixel{&e.From, &e.Pixel, &e.To}[i], ok = l.pixel(sky.Camera(views[i].toCamera.Apply(sky.Vec(seen)))); !ok {
				return
			}
		}
		if max(e.From.X, e.Pixel.X, e.To.X) < -margin || min(e.From.X, e.Pixel.X, e.To.X) > float64(k.Width-1)+margin ||
			max(e.From.Y, e.Pixel.Y, e.To.Y) < -margin || min(e.From.Y, e.Pixel.Y, e.To.Y) > float64(k.Height-1)+margin {
			return
		}
		out = append(out, e)
	}

	boresight := s.mount.attitude(k, s.instants()[1]).Column(2)
	drift := sky.Angle(siderealRate * seconds * (1 + math.Abs(s.config.Mount.DriveRate)))
	radius := coneStretch*l.reach(margin) + coneMargin + drift
	if faintFrom < faintest && s.config.Night.FaintStars > 0 {
		radius += faintSpread
	}
	s.stars.Cone(views[1].observer.ICRS(sky.Local(boresight)), radius, faintest, func(c catalogs.Star) {
		v := float64(c.V)
		add(c.ID, v, c.At(year))
		if faintFrom < faintest && v >= faintParentFrom && v < faintParentTo {
			s.faintStars(c, func(v float64, d sky.ICRS) { add(-1, v, d) })
		}
	})
	return out, nil
}

var j2000 = time.Date(2000, 1, 1, 12, 0, 0, 0, time.UTC)

const daysPerYear = 365.25 // Julian

// faintStars visits the faint stars that come with a catalogue star.
func (s *shot) faintStars(parent catalogs.Star, visit func(v float64, d sky.ICRS)) {
	rng := rand.New(rand.NewPCG(s.config.Seed, streamFaint+uint64(parent.ID)))
	for range s.config.Night.FaintStars {
		// N(V) grows as 10^(slope V): the inverse of its cumulative function.
		span := math.Pow(10, faintSlope*(faintTo-faintFrom)) - 1
		v := faintFrom + math.Log10(1+span*rng.Float64())/faintSlope
		// A random turn about a random axis spreads them over the disc well enough.
		w := r3.Scale(float64(faintSpread)/math.Sqrt(3), sky.Vec{
			X: 2*rng.Float64() - 1, Y: 2*rng.Float64() - 1, Z: 2*rng.Float64() - 1})
		visit(v, sky.ICRS(sky.RotationFromVector(w).Apply(sky.Vec(parent.Dir))))
	}
}
