package setup

import (
	"bufio"
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"math"
	"sync"
	"time"

	"polard/mountmodel/sky"
)

// The World Magnetic Model 2025: A. Chulliat et al., The US/UK World Magnetic
// Model for 2025-2030, NOAA/NCEI and British Geological Survey, 2024. The
// coefficients are in the public domain; PROVENANCE.md tells how they came here.
//
//go:embed wmm2025.cof
var wmm2025 []byte

const (
	// modelDegree is the degree to which the model goes.
	modelDegree = 12
	// modelEpoch is the year to which its main field belongs, and modelEnd the
	// year to which its change is foreseen.
	modelEpoch, modelEnd = 2025.0, 2030.0
	// strongestNT is above every coefficient: the dipole's is 30 thousand.
	strongestNT = 1e5
	// modelRadiusKm is the radius of the sphere to which the coefficients belong.
	modelRadiusKm = 6371.2
	// WGS 84: equatorial radius and flattening.
	earthRadiusKm   = 6378.137
	earthFlattening = 1 / 298.257223563
)

// ErrMagneticDate is returned for a date at which the magnetic model does not hold.
var ErrMagneticDate = errors.New("the World Magnetic Model 2025 holds from 2025 January 1 to the end of 2029")

// gauss are the coefficients of one spherical-harmonic expansion, in nT or
// nT a year, by degree and order.
type gauss struct {
	g, h [modelDegree + 1][modelDegree + 1]float64
}

// magneticModel is a main field at modelEpoch and its change in a year.
type magneticModel struct {
	field, change gauss
}

var loadModel = sync.OnceValues(func() (*magneticModel, error) { return parseModel(bytes.NewReader(wmm2025)) })

// parseModel reads coefficients in the layout in which the agencies publish
// them: a line with epoch and name, then n, m, g, h and their changes in a year,
// then lines of nines.
func parseModel(r io.Reader) (*magneticModel, error) {
	lines := bufio.NewScanner(r)
	if !lines.Scan() {
		return nil, errors.New("magnetic model: no first line with the epoch")
	}
	var epoch float64
	var name string
	if _, err := fmt.Sscan(lines.Text(), &epoch, &name); err != nil {
		return nil, fmt.Errorf("magnetic model: first line %q: want epoch and name", lines.Text())
	}
	if epoch != modelEpoch {
		return nil, fmt.Errorf("magnetic model: epoch %g, want %g", epoch, modelEpoch)
	}
	var model magneticModel
	var seen [modelDegree + 1][modelDegree + 1]bool
	count := 0
	for lines.Scan() {
		text := lines.Text()
		if len(text) >= 4 && text[:4] == "9999" {
			break
		}
		var n, m int
		var v [4]float64
		if _, err := fmt.Sscan(text, &n, &m, &v[0], &v[1], &v[2], &v[3]); err != nil {
			return nil, fmt.Errorf("magnetic model: line %q: want n, m and four numbers", text)
		}
		if n < 1 || n > modelDegree || m < 0 || m > n || seen[n][m] {
			return nil, fmt.Errorf("magnetic model: degree %d, order %d out of range or twice", n, m)
		}
		for _, x := range v {
			if !(math.Abs(x) <= strongestNT) {
				return nil, fmt.Errorf("magnetic model: line %q: no field of the Earth", text)
			}
		}
		seen[n][m] = true
		model.field.g[n][m], model.field.h[n][m] = v[0], v[1]
		model.change.g[n][m], model.change.h[n][m] = v[2], v[3]
		count++
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("magnetic model: %w", err)
	}
	if want := modelDegree * (modelDegree + 3) / 2; count != want {
		return nil, fmt.Errorf("magnetic model: %d coefficients, want %d", count, want)
	}
	return &model, nil
}

// MagneticField is the main magnetic field of the Earth at a place and time,
// in nT, along north, east and down.
type MagneticField struct {
	NorthNT, EastNT, DownNT float64
	// declinationRate is the foreseen change of the declination, per year.
	declinationRate sky.Angle
}

// HorizontalNT is the strength of the part that a compass needle feels, in nT.
func (f MagneticField) HorizontalNT() float64 { return math.Hypot(f.NorthNT, f.EastNT) }

// TotalNT is the strength of the whole field, in nT.
func (f MagneticField) TotalNT() float64 { return math.Hypot(f.HorizontalNT(), f.DownNT) }

// Declination is the angle from true north to where the needle points, east
// positive, in (-180, 180] degrees.
func (f MagneticField) Declination() sky.Angle { return sky.Atan2(f.EastNT, f.NorthNT) }

// Inclination is the angle of the field below the horizontal.
func (f MagneticField) Inclination() sky.Angle { return sky.Atan2(f.DownNT, f.HorizontalNT()) }

// DeclinationPerYear is how the declination changes in a year.
func (f MagneticField) DeclinationPerYear() sky.Angle { return f.declinationRate }

// The error model of the WMM 2025 for the declination, one standard deviation:
// sqrt(0.26^2 + (5417/H)^2) degrees, H in nT (report of the model, section on
// the error model; the numbers are from memory). It contains what the model
// cannot know: rocks of the crust and currents above, for an average place.
// Magnetic rock or iron nearby can do far worse.
const (
	declinationFloorDeg  = 0.26
	declinationSlopeDegN = 5417
)

// DeclinationSigma is the standard deviation of the declination, by the error
// model published with the World Magnetic Model. It is cut at 180 degrees.
func (f MagneticField) DeclinationSigma() sky.Angle {
	sigma := math.Hypot(declinationFloorDeg, declinationSlopeDegN/f.HorizontalNT())
	return sky.Angle(min(sigma, 180)) * sky.Degree
}

// CompassUse says how far a compass can be trusted.
type CompassUse string

const (
	CompassGood    CompassUse = "good"
	CompassCaution CompassUse = "caution" // the needle is sluggish and the declination uncertain
	CompassNone    CompassUse = "none"    // near a magnetic pole: the needle shows nothing
)

// Limits of the horizontal strength that the report of the model sets for the
// "caution" and "blackout" zones about the magnetic poles, in nT (from memory).
const (
	cautionBelowNT  = 6000
	blackoutBelowNT = 2000
)

// Compass says how far a compass can be trusted in this field.
func (f MagneticField) Compass() CompassUse {
	switch h := f.HorizontalNT(); {
	case h < blackoutBelowNT:
		return CompassNone
	case h < cautionBelowNT:
		return CompassCaution
	}
	return CompassGood
}

// Bearing is what a compass reads towards a true azimuth, in [0, 360) degrees.
func (f MagneticField) Bearing(azimuth sky.Angle) sky.Angle {
	return (azimuth - f.Declination()).Positive()
}

// decimalYear is the year with its fraction, as the model counts time.
func decimalYear(t time.Time) float64 {
	t = t.UTC()
	begin := time.Date(t.Year(), 1, 1, 0, 0, 0, 0, time.UTC)
	end := time.Date(t.Year()+1, 1, 1, 0, 0, 0, 0, time.UTC)
	return float64(t.Year()) + float64(t.Sub(begin))/float64(end.Sub(begin))
}

// magneticField computes the main field at a site and time with the World Magnetic
// Model 2025. Heights are above the ellipsoid. Dates outside 2025 to 2029 give
// [ErrMagneticDate]. On the poles north is the direction of the site's meridian.
func magneticField(site sky.Site, t time.Time) (MagneticField, error) {
	if err := site.Check(); err != nil {
		return MagneticField{}, fmt.Errorf("site: %w", err)
	}
	return magneticAt(site.Latitude, site.Longitude, site.ElevationM/1000, decimalYear(t))
}

func magneticAt(lat, lon sky.Angle, heightKm, year float64) (MagneticField, error) {
	if !(year >= modelEpoch && year < modelEnd) {
		return MagneticField{}, ErrMagneticDate
	}
	model, err := loadModel()
	if err != nil {
		return MagneticField{}, err
	}
	p := pointAt(lat, lon, heightKm)
	now := model.field.at(p, &model.change, year-modelEpoch)
	rate := model.change.at(p, nil, 0)
	f := MagneticField{NorthNT: now[0], EastNT: now[1], DownNT: now[2]}
	// d atan2(Y, X) = (X dY - Y dX) / (X^2 + Y^2)
	if h2 := now[0]*now[0] + now[1]*now[1]; h2 > 0 {
		f.declinationRate = sky.Angle((now[0]*rate[1] - now[1]*rate[0]) / h2)
	}
	return f, nil
}

// geocentric is a point for the expansion: the cosine and sine of the geocentric
// colatitude, the longitude, radius over modelRadiusKm, and the angle from
// geodetic to geocentric latitude.
type geocentric struct {
	cos, sin float64
	lon      sky.Angle
	ratio    float64
	tilt     sky.Angle
}

// pointAt turns geodetic into geocentric coordinates (report of the model,
// equations 7 and 8).
func pointAt(lat, lon sky.Angle, heightKm float64) geocentric {
	e2 := earthFlattening * (2 - earthFlattening)
	curvature := earthRadiusKm / math.Sqrt(1-e2*lat.Sin()*lat.Sin())
	// cos of the latitude of a pole is rounded to 6e-17, not to 0, and may be
	// negative past it: the distance from the Earth's axis is not.
	across := math.Abs((curvature + heightKm) * lat.Cos())
	along := (curvature*(1-e2) + heightKm) * lat.Sin()
	r := math.Hypot(across, along)
	return geocentric{cos: along / r, sin: across / r, lon: lon, ratio: modelRadiusKm / r, tilt: sky.Atan2(along, across) - lat}
}

// at sums the expansion for coefficients gauss + years*change and gives north,
// east and down with respect to the ellipsoid (report of the model, equations 9
// to 17).
//
// The Schmidt semi-normalised functions P(n,m) of order m > 0 are carried
// divided by the sine of the colatitude, which keeps the poles regular: the
// recursion in n is linear, and P(m,m) begins with sin^m.
func (c *gauss) at(p geocentric, change *gauss, years float64) [3]float64 {
	var north, east, down float64
	var cosM, sinM [modelDegree + 1]float64
	for m := range modelDegree + 1 {
		angle := sky.Angle(m) * p.lon
		cosM[m], sinM[m] = angle.Cos(), angle.Sin()
	}
	term := func(n, m int) (g, h float64) {
		g, h = c.g[n][m], c.h[n][m]
		if change != nil {
			g += years * change.g[n][m]
			h += years * change.h[n][m]
		}
		return g, h
	}
	sectoral := 1.0 // P(m,m) / sin for m > 0
	for m := range modelDegree + 1 {
		switch {
		case m == 1:
			sectoral = 1
		case m > 1:
			sectoral *= p.sin * math.Sqrt(float64(2*m-1)/float64(2*m))
		}
		above, q := 0.0, sectoral // of degree n-1 and n
		for n := m; n <= modelDegree; n++ {
			if n > m {
				nf, mf := float64(n), float64(m)
				next := ((2*nf-1)*p.cos*q - math.Sqrt((nf-1)*(nf-1)-mf*mf)*above) / math.Sqrt(nf*nf-mf*mf)
				above, q = q, next
			}
			if n == 0 || m == 0 {
				continue // order 0 below, with the slopes that order 1 gives
			}
			g, h := term(n, m)
			power := math.Pow(p.ratio, float64(n+2))
			along := g*cosM[m] + h*sinM[m]
			nf, mf := float64(n), float64(m)
			slope := nf*p.cos*q - math.Sqrt(nf*nf-mf*mf)*above // dP/d colatitude
			north += power * along * slope
			east += power * mf * (g*sinM[m] - h*cosM[m]) * q
			down -= power * (nf + 1) * along * p.sin * q
			if m == 1 {
				// dP(n,0)/d colatitude = -sqrt(n(n+1)/2) P(n,1)
				g0, _ := term(n, 0)
				north -= power * g0 * math.Sqrt(nf*(nf+1)/2) * p.sin * q
			}
		}
	}
	before, legendre := 1.0, p.cos
	for n := 1; n <= modelDegree; n++ {
		g0, _ := term(n, 0)
		down -= math.Pow(p.ratio, float64(n+2)) * float64(n+1) * g0 * legendre
		before, legendre = legendre, (float64(2*n+1)*p.cos*legendre-float64(n)*before)/float64(n+1)
	}
	return [3]float64{
		north*p.tilt.Cos() - down*p.tilt.Sin(),
		east,
		north*p.tilt.Sin() + down*p.tilt.Cos(),
	}
}
