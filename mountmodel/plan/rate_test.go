package plan

import (
	"math"
	"testing"
	"time"

	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// kingMinutes is King 1931, A Manual of Celestial Photography: minutes of mean
// time per revolution for an axis at the refracted pole. From memory, with his
// 0.4 as refraction of 57.6 arcsec at altitude 45; derived anew: 1436.07 times
// the constant of refraction k times the bracket.
func kingMinutes(lat, dec, hour sky.Angle, k float64) float64 {
	l, d, h := lat, dec, hour
	sinAlt := l.Sin()*d.Sin() + l.Cos()*d.Cos()*h.Cos()
	bracket := l.Cos()/d.Cos()*(l.Cos()*d.Cos()+l.Sin()*d.Sin()*h.Cos())/(sinAlt*sinAlt) - d.Tan()/l.Tan()*h.Cos()
	return 1436.07 + 1436.07*k*bracket
}

func TestKingRate(t *testing.T) {
	// Common practice: King rate is 15.0369 arcsec per second, 1436.46 minutes
	// per revolution (printed on drives; the value on the equator's meridian).
	site := sky.Site{Latitude: 45 * sky.Degree}
	air := sky.StandardAir(0)
	pole := observed.Pole(site, air, observed.Refracted)
	got, err := apparentRate(site, air, pole, 0, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	if minutes := 1436.07 / got; math.Abs(minutes-1436.46) > 0.02 { // the constant of his air against ours: 0.4 a digit
		t.Errorf("%.3f minutes per revolution, want 1436.46", minutes)
	}
	if rate := 15.04107 * got; math.Abs(rate-15.0369) > 0.0003 {
		t.Errorf("%.5f arcsec per second, want 15.0369", rate)
	}
	for _, c := range []struct{ lat, dec, hour float64 }{
		{45, 0, 0}, {45, 20, 30}, {45, 20, -60}, {30, -20, 15}, {60, 70, 180}, {52, 60, -90}, {52, 10, 45}, {25, 40, -70},
		{-35, -20, 30}, {-35, 10, -30}, {-50, -70, 120},
	} {
		site := sky.Site{Latitude: sky.Angle(c.lat) * sky.Degree}
		dec, hour := sky.Angle(c.dec)*sky.Degree, sky.Angle(c.hour)*sky.Degree
		r := observed.NewRefraction(air)
		got, err := apparentRate(site, air, observed.Pole(site, air, observed.Refracted), dec, hour, hour)
		if err != nil {
			t.Fatal(err)
		}
		want := 1436.07 / kingMinutes(site.Latitude, dec, hour, float64(r.A))
		// King's refraction is k tan z; the next term is B tan^3 z, 1.1e-3 of it
		// times tan^2 z, here and at the pole.
		alt, _ := sky.AltAzFromLocal(sky.LocalFromHour(site.Latitude, hour, dec))
		t2 := math.Max(math.Pow(alt.Tan(), -2), math.Pow(site.Latitude.Tan(), -2))
		allowed := 1e-6 + math.Abs(want-1)*0.01 + 3e-7*5*(1+t2)*(1+t2)
		if math.Abs(got-want) > allowed {
			t.Errorf("latitude %g, declination %g, hour angle %g: rate 1%+.3e, King 1%+.3e", c.lat, c.dec, c.hour, got-1, want-1)
		}
	}
	// Without air the rate is sidereal everywhere.
	for _, dec := range []sky.Angle{-20, 10, 80} {
		got, err := apparentRate(site, simmount.Airless, observed.Pole(site, simmount.Airless, observed.True), dec*sky.Degree, -20*sky.Degree, 30*sky.Degree)
		if err != nil || math.Abs(got-1) > 1e-12 {
			t.Errorf("declination %g: rate 1%+.1e, %v", float64(dec), got-1, err)
		}
	}
	// The mean over a run is that of its parts.
	whole, _ := apparentRate(site, air, pole, 10*sky.Degree, -40*sky.Degree, 20*sky.Degree)
	east, _ := apparentRate(site, air, pole, 10*sky.Degree, -40*sky.Degree, -10*sky.Degree)
	west, _ := apparentRate(site, air, pole, 10*sky.Degree, -10*sky.Degree, 20*sky.Degree)
	if math.Abs(whole-(east+west)/2) > 1e-12 {
		t.Errorf("mean rate %.12f of parts %.12f and %.12f", whole, east, west)
	}
}

// What stars drift in right ascension under a sidereal drive is by how much the rate asked for departs from it.
func TestPlannedDriveRate(t *testing.T) {
	p := planAt(45*sky.Degree, -7.5*sky.Degree, 10*sky.Degree, 30*time.Minute, sky.StandardAir(0))
	axis := observed.Pole(p.Site, p.Air, observed.Refracted)
	sidereal, err := p.Assess(axis)
	if err != nil {
		t.Fatal(err)
	}
	rate, err := apparentRate(p.Site, p.Air, axis, p.Declination, p.HourFrom, p.HourFrom+p.swept())
	if err != nil {
		t.Fatal(err)
	}
	want := float64(p.swept()) * math.Abs(rate-1) * p.Declination.Cos()
	if got := float64(sidereal.RA.Size); math.Abs(got-want) > want/5 {
		t.Errorf("drift in right ascension %.2f arcsec, the rate asked for means %.2f", sky.Angle(got).Arcseconds(), sky.Angle(want).Arcseconds())
	}
}
