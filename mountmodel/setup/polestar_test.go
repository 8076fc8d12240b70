package setup

import (
	"math"
	"testing"
	"time"

	"polard/catalogs"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

func rowSite(r map[string]float64) (sky.Site, sky.Air, time.Time) {
	site := sky.Site{Latitude: sky.Angle(r["lat_deg"]) * sky.Degree, Longitude: sky.Angle(r["lon_deg"]) * sky.Degree, ElevationM: r["elevation_m"]}
	air := sky.StandardAir(site.ElevationM)
	air.PressureHPa, air.TemperatureC = r["pressure_hpa"], r["temperature_c"]
	return site, air, time.Unix(int64(r["unix"]), 0).UTC()
}

// Hour angle, polar distance and standing against both poles, from ERFA, for
// Polaris (from its J1991.25 Hipparcos place) and sigma Octantis.
func TestPoleStarsERFA(t *testing.T) {
	// The observer's model (IAU 2000B) agrees with atco13 to about a milliarcsecond;
	// the carried place of Polaris was rounded to 1e-8 degrees, 0.04 mas.
	const tol = 0.005 * sky.Arcsecond
	var worst sky.Angle
	for _, r := range readTable(t, "polestar.tsv") {
		site, air, when := rowSite(r)
		places, err := poleStarsAt(site, air, when)
		if err != nil {
			t.Fatal(err)
		}
		p := places[0]
		alt, az := sky.AltAzFromLocal(p.Seen)
		near := p.PolarDistance.Sin() // an angle about the pole is this much smaller on the sky
		for _, c := range []struct {
			what    string
			got     sky.Angle
			wantDeg float64
			scale   float64
		}{
			{"hour angle", p.HourAngle, r["hour_angle_deg"], near},
			{"polar distance", p.PolarDistance, r["polar_distance_deg"], 1},
			{"altitude", alt, r["seen_alt_deg"], 1},
			{"azimuth", az, r["seen_az_deg"], alt.Cos()},
			{"distance from the refracted pole", p.FromRefracted.Distance, r["refracted_distance_deg"], 1},
			{"position angle at it", p.FromRefracted.PositionAngle, r["refracted_pa_deg"], near},
			{"distance from the true pole", p.FromTrue.Distance, r["true_distance_deg"], 1},
			{"position angle at it", p.FromTrue.PositionAngle, r["true_pa_deg"], near},
		} {
			off := (c.got - sky.Angle(c.wantDeg)*sky.Degree).Signed().Abs() * sky.Angle(c.scale)
			if !(off <= tol) {
				t.Errorf("unix %.0f, latitude %g: %s %.9f, ERFA %.9f degrees", r["unix"], r["lat_deg"], c.what, c.got.Degrees(), c.wantDeg)
			}
			worst = max(worst, off)
		}
	}
	t.Logf("largest difference on the sky: %.4f arcsec", worst.Arcseconds())
}

// Meeus, Astronomical Algorithms (2nd ed. 1998, chapter 21, exercise, from memory):
// alpha Ursae Minoris, mean equinox of 2050.0: 3h48m16.43s, +89 27' 15.38".
func TestPolarisMeeus(t *testing.T) {
	// FK5, used there, has 0.19877 s a year (38.3 mas) for the motion in right ascension,
	// Hipparcos 44.2 mas: 0.3 arcsec in 50 years; the precession of 1976 is off by
	// 0.15 arcsec in as much.
	const tol = 0.5 * sky.Arcsecond
	ra, dec := sky.RADecFromICRS(polaris.ICRS(2050))
	// Equations 21.3 and 21.4 there, from J2000.0, t in centuries.
	const t1 = 0.5
	zeta := (2306.2181*t1 + 0.30188*t1*t1 + 0.017998*t1*t1*t1) * sky.Arcsecond
	z := (2306.2181*t1 + 1.09468*t1*t1 + 0.018203*t1*t1*t1) * sky.Arcsecond
	theta := (2004.3109*t1 - 0.42665*t1*t1 - 0.041833*t1*t1*t1) * sky.Arcsecond
	got := sky.ICRS{
		X: theta.Cos()*dec.Cos()*(ra+zeta).Cos() - theta.Sin()*dec.Sin(),
		Y: dec.Cos() * (ra + zeta).Sin(),
		Z: theta.Sin()*dec.Cos()*(ra+zeta).Cos() + theta.Cos()*dec.Sin(),
	}
	r, d := sky.RADecFromICRS(got)
	got = sky.ICRSFromRADec(r+z, d)
	want := sky.ICRSFromRADec((3+48.0/60+16.43/3600)*sky.Hour, (89+27.0/60+15.38/3600)*sky.Degree)
	off := sky.Separation(got, want)
	if off > tol {
		t.Errorf("off by %.2f arcsec", off.Arcseconds())
	}
	t.Logf("off by %.3f arcsec", off.Arcseconds())
}

// The southern stars are those of the bundled catalogue; Polaris stands where
// Hipparcos saw it, which the catalogue, without its motion, cannot tell for today.
func TestPoleStarsAgainstCatalogue(t *testing.T) {
	cat, err := catalogs.Open()
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range append([]PoleStar{polaris}, octans[:]...) {
		// The catalogue's file keeps places to 2 mas, motions to 0.5 mas a year.
		const place, motion = 0.003 * sky.Arcsecond, 0.5
		tol, year := place, 2000.0
		if s.Name == polaris.Name {
			// As observed by the satellite's star mapper, about 1991.5; flagged X there, so
			// for bright stars good to a tenth of an arcsecond only.
			tol, year = 0.1*sky.Arcsecond, 1991.5
		}
		near := cat.Brightest(s.ICRS(year), 10*sky.Arcsecond, 1)
		if len(near) != 1 {
			t.Errorf("%s: not in the catalogue", s.Name)
			continue
		}
		c := near[0]
		if off := sky.Separation(c.Dir, s.ICRS(year)); off > tol {
			t.Errorf("%s: %.3f arcsec from the catalogue's place", s.Name, off.Arcseconds())
		}
		if c.HasPM && (math.Abs(float64(c.PMRA)-s.pmRA) > motion || math.Abs(float64(c.PMDec)-s.pmDec) > motion) {
			t.Errorf("%s: motion %g %g, catalogue %g %g", s.Name, s.pmRA, s.pmDec, c.PMRA, c.PMDec)
		}
		if c.HasPM == (s.Name == polaris.Name) {
			t.Errorf("%s: catalogue has a motion: %v", s.Name, c.HasPM)
		}
		if math.Abs(float64(c.V)-s.V) > 0.1 {
			t.Errorf("%s: V %g, catalogue %g", s.Name, s.V, c.V)
		}
	}
}

// What the trade says of centring Polaris: "about 40 arcminutes", ever less until 2100,
// when it comes to 27.5 (Meeus, Astronomical Algorithms, 1998, chapter 21, from memory:
// closest in the year 2102, at 27' 37").
func TestPolarisComesCloser(t *testing.T) {
	site := sky.Site{Latitude: 50 * sky.Degree}
	last := 45.0
	for year := 2000; year <= 2098; year += 7 {
		p, err := poleStarsAt(site, sky.StandardAir(0), time.Date(year, 7, 1, 0, 0, 0, 0, time.UTC))
		if err != nil {
			t.Fatal(err)
		}
		now := p[0].PolarDistance.Arcminutes()
		// Nutation and aberration swing it by 0.5 arcminutes.
		if !(now < last && now > 27) {
			t.Errorf("%d: %.1f arcmin, before %.1f", year, now, last)
		}
		last = now
	}
}

func drawSite(t *rapid.T) (sky.Site, sky.Air) {
	site := sky.Site{
		Latitude:   sky.Angle(rapid.Float64Range(-90, 90).Draw(t, "lat")) * sky.Degree,
		Longitude:  sky.Angle(rapid.Float64Range(-180, 180).Draw(t, "lon")) * sky.Degree,
		ElevationM: rapid.Float64Range(-400, 5000).Draw(t, "elevation"),
	}
	return site, sky.StandardAir(site.ElevationM)
}

func drawTime(t *rapid.T) time.Time {
	return time.Unix(rapid.Int64Range(1735689600, 1893455999).Draw(t, "unix"), 0).UTC()
}

// East and up make up the distance and the position angle.
func TestStarOffsetConsistent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		site, air := drawSite(t)
		places, err := poleStarsAt(site, air, drawTime(t))
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range places {
			for _, s := range []StarOffset{p.FromRefracted, p.FromTrue} {
				long := sky.Angle(math.Atan(math.Hypot(s.East.Tan(), s.Up.Tan())))
				if off := (long - s.Distance).Abs(); off > 1e-6*sky.Arcsecond {
					t.Fatalf("%s: east and up give %g, distance %g arcmin", p.Star.Name, long.Arcminutes(), s.Distance.Arcminutes())
				}
				if off := (sky.Atan2(s.East.Tan(), s.Up.Tan()) - s.PositionAngle).Signed().Abs(); off > 1e-6*sky.Degree {
					t.Fatalf("%s: position angle %g", p.Star.Name, s.PositionAngle.Degrees())
				}
			}
			// Without air the star turns with the hour angle, westwards from upper culmination:
			// position angle from up through east = minus hour angle.
			if s := starOffset(sky.Local(p.Seen), observed.Pole(site, air, observed.True), site.South()); s != p.FromTrue {
				t.Fatal("FromTrue is not from the true pole")
			}
			noAir := air
			noAir.PressureHPa = 0
			bare, err := poleStarsAt(site, noAir, drawTime(t))
			if err != nil {
				t.Fatal(err)
			}
			b := bare[0].FromTrue
			if off := (b.PositionAngle + bare[0].HourAngle).Signed().Abs() * bare[0].PolarDistance; off > 1e-3*sky.Arcsecond {
				t.Fatalf("hour angle %g, position angle %g", bare[0].HourAngle.Degrees(), b.PositionAngle.Degrees())
			}
		}
	})
}

// The sky turns counter-clockwise about the northern pole and clockwise about the southern
// one, as everybody sees who looks at star trails.
func TestSenseOfTurn(t *testing.T) {
	air := sky.StandardAir(0)
	when := time.Date(2026, 3, 3, 20, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		lat   sky.Angle
		hours float64
	}{{50 * sky.Degree, -2.0 / 2}, {-35 * sky.Degree, 2.0 / 2}} {
		site := sky.Site{Latitude: c.lat, Longitude: 10 * sky.Degree}
		var clock [2]float64
		for i := range clock {
			// 2 sidereal hours are an hour on the clock's face.
			p, err := poleStarsAt(site, air, when.Add(time.Duration(i)*7180*time.Second))
			if err != nil {
				t.Fatal(err)
			}
			v, err := p[0].FromTrue.Seen(NakedEye, site.South())
			if err != nil {
				t.Fatal(err)
			}
			clock[i] = v.Clock
		}
		turn := math.Mod(clock[1]-clock[0]+18, 12) - 6
		// Refraction squeezes the circle by parts in a thousand.
		if math.Abs(turn-c.hours) > 0.05 {
			t.Errorf("latitude %g: in two hours from %.2f to %.2f o'clock", c.lat.Degrees(), clock[0], clock[1])
		}
	}
}
