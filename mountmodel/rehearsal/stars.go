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

// unfilteredE0 is the number of electrons per second and square centimetre of
// aperture that an unfiltered detector counts of a star of V = 0: 1000 photons
// per second, square centimetre and Angstrom (common practice, after Bessell
// 1979, PASP 91, 589; from memory) over 3000 Angstrom at a total efficiency of
// 0.45.
const unfilteredE0 = 1000 * 3000 * 0.45

// electronRate is the electrons per second of a star of magnitude v above the
// air.
func (k Camera) electronRate(v float64) float64 {
	area := math.Pi / 4 * k.ApertureMm * k.ApertureMm / 100
	return unfilteredE0 * area * math.Pow(10, -0.4*v)
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
	streamHot   = 1 << 62
	streamFaint = 1 << 63
)

// shot is one exposure: the rig as it stands when the shutter opens.
type shot struct {
	config Config
	mount  mount
	stars  Catalogue
	hot    []hotPixel
	at     time.Time
	number uint64
}

// instants are the beginning, the middle and the end of the exposure.
func (s *shot) instants() [3]time.Time {
	return [3]time.Time{s.at, s.at.Add(s.config.Exposure / 2), s.at.Add(s.config.Exposure)}
}

// imaged gives the stars that leave at least cut electrons in some pixel, with
// an image that comes within margin pixels of the detector.
func (s *shot) imaged(cut, margin float64) ([]ImagedStar, error) {
	k, l := s.config.Camera, s.config.Camera.lens()
	var view [3]struct {
		observer *observed.Observer
		toCamera sky.Matrix
	}
	for i, t := range s.instants() {
		o, err := observed.NewObserver(s.config.Site, s.config.Air, t, 0)
		if err != nil {
			return nil, err
		}
		view[i].observer, view[i].toCamera = o, s.mount.attitude(k, t).Transpose()
	}
	place := func(i int, seen sky.Local) (sky.Pixel, bool) {
		return l.pixel(sky.Camera(view[i].toCamera.Apply(sky.Vec(seen))))
	}

	seconds := s.config.Exposure.Seconds()
	// The least flux worth drawing, and the magnitude that gives it overhead.
	a := moffatWidth(k.FWHMPx)
	least := cut * math.Pi * a * a / (moffatExponent - 1)
	faintest := 2.5*math.Log10(k.electronRate(0)*seconds/least) - s.config.Night.Cloud

	year := catalogs.Epoch + s.at.Sub(j2000).Hours()/24/daysPerYear
	var out []ImagedStar
	add := func(id int32, v float64, star sky.ICRS) {
		const mid = 1
		seen := view[mid].observer.Observed(star)
		if seen.Z < 0 {
			return
		}
		p, ok := place(mid, seen)
		if !ok {
			return
		}
		dim := s.config.Night.Extinction*airMass(seen.Z) + s.config.Night.Cloud
		e := ImagedStar{ID: id, V: v, Pixel: p, Electrons: k.electronRate(v+dim) * seconds}
		if e.Electrons < least {
			return
		}
		var okFrom, okTo bool
		e.From, okFrom = place(0, view[0].observer.Observed(star))
		e.To, okTo = place(2, view[2].observer.Observed(star))
		if !okFrom || !okTo {
			return
		}
		if max(e.From.X, p.X, e.To.X) < -margin || min(e.From.X, p.X, e.To.X) > float64(k.Width-1)+margin ||
			max(e.From.Y, p.Y, e.To.Y) < -margin || min(e.From.Y, p.Y, e.To.Y) > float64(k.Height-1)+margin {
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
	s.stars.Cone(view[1].observer.ICRS(sky.Local(boresight)), radius, faintest, func(c catalogs.Star) {
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
