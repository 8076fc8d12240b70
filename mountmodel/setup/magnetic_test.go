package setup

import (
	"bytes"
	"errors"
	"math"
	"testing"
	"time"

	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// The published test values of the World Magnetic Model 2025: 100 rows, strengths
// with 6 decimals, angles with 2.
func TestMagneticPublishedValues(t *testing.T) {
	// The agencies' program rounds the north component more than its printed
	// digits show: against their own definition, evaluated with 50 digits
	// (magnetic_exact.tsv and TestMagneticDefinition), it is off by up to 7.2e-4 nT,
	// where east and down are off by 2e-6. A thousandth of a nT is a ten
	// millionth of a degree.
	const (
		strengthNT = 1e-3
		angleDeg   = 0.01/2 + 1e-9 // half of the last digit
	)
	var worstNT, worstDeg float64
	rows := readTable(t, "magnetic.tsv")
	if len(rows) != 100 {
		t.Fatalf("%d rows, want 100", len(rows))
	}
	for _, r := range rows {
		f, err := magneticAt(sky.Angle(r["lat_deg"])*sky.Degree, sky.Angle(r["lon_deg"])*sky.Degree, r["height_km"], r["year"])
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			what           string
			got, want, tol float64
		}{
			{"north", f.NorthNT, r["x_nt"], strengthNT},
			{"east", f.EastNT, r["y_nt"], strengthNT},
			{"down", f.DownNT, r["z_nt"], strengthNT},
			{"horizontal", f.HorizontalNT(), r["h_nt"], strengthNT},
			{"total", f.TotalNT(), r["f_nt"], strengthNT},
			{"inclination", f.Inclination().Degrees(), r["incl_deg"], angleDeg},
			{"declination", f.Declination().Degrees(), r["decl_deg"], angleDeg},
		} {
			off := math.Abs(c.got - c.want)
			if !(off <= c.tol) {
				t.Errorf("%v: %s %v, published %v", r, c.what, c.got, c.want)
			}
			if c.tol == strengthNT {
				worstNT = max(worstNT, off)
			} else {
				worstDeg = max(worstDeg, off)
			}
		}
	}
	t.Logf("largest difference: %.2g nT, %.2g degrees", worstNT, worstDeg)
}

// The field is minus the gradient of the potential: differences of it with 50
// digits (mpmath).
func TestMagneticDefinition(t *testing.T) {
	// 1e-12 of the field, for the sum of 168 terms in double precision.
	const tol = 1e-7
	var worst float64
	for _, r := range readTable(t, "magnetic_exact.tsv") {
		f, err := magneticAt(sky.Angle(r["lat_deg"])*sky.Degree, sky.Angle(r["lon_deg"])*sky.Degree, r["height_km"], r["year"])
		if err != nil {
			t.Fatal(err)
		}
		off := max(math.Abs(f.NorthNT-r["x_nt"]), math.Abs(f.EastNT-r["y_nt"]), math.Abs(f.DownNT-r["z_nt"]))
		if !(off <= tol) {
			t.Errorf("%v: %+v", r, f)
		}
		worst = max(worst, off)
	}
	t.Logf("largest difference: %.2g nT", worst)
}

// At the poles the field has one direction, from whichever meridian it is come at.
func TestMagneticAtThePoles(t *testing.T) {
	for _, lat := range []sky.Angle{90 * sky.Degree, -90 * sky.Degree} {
		for lon := range 36 {
			l := sky.Angle(10*lon) * sky.Degree
			at, err := magneticAt(lat, l, 0, 2026)
			if err != nil {
				t.Fatal(err)
			}
			near, err := magneticAt(lat*(1-1e-9), l, 0, 2026)
			if err != nil {
				t.Fatal(err)
			}
			// 1e-9 of the latitude is 1 cm on the ground; the field changes by a
			// few nT in a kilometre.
			const tol = 1e-3
			if d := max(math.Abs(at.NorthNT-near.NorthNT), math.Abs(at.EastNT-near.EastNT), math.Abs(at.DownNT-near.DownNT)); !(d < tol) {
				t.Errorf("latitude %g, longitude %g: jumps by %g nT", lat.Degrees(), l.Degrees(), d)
			}
		}
	}
}

// The foreseen change agrees with the difference between two dates.
func TestMagneticChange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lat := sky.Angle(rapid.Float64Range(-70, 70).Draw(t, "lat")) * sky.Degree
		lon := sky.Angle(rapid.Float64Range(-180, 180).Draw(t, "lon")) * sky.Degree
		year := rapid.Float64Range(2025.1, 2029.9).Draw(t, "year")
		const step = 0.01
		before, err := magneticAt(lat, lon, 0, year-step)
		if err != nil {
			t.Fatal(err)
		}
		now, err := magneticAt(lat, lon, 0, year)
		if err != nil {
			t.Fatal(err)
		}
		after, err := magneticAt(lat, lon, 0, year+step)
		if err != nil {
			t.Fatal(err)
		}
		// The field moves along a straight line, by less than fastest: with
		// k = fastest/H the third derivative of its direction is below 2 k^3, and a
		// central difference is wrong by a sixth of that times step squared.
		const fastest, rounding = 200.0, 1e-9
		k := fastest / (now.HorizontalNT() - step*fastest)
		if k < 0 || k > 1 {
			return // upon the magnetic pole, where there is no direction
		}
		tol := 2*k*k*k*step*step/6 + rounding
		slope := (after.Declination() - before.Declination()).Signed().Radians() / (2 * step)
		if !(math.Abs(slope-now.DeclinationPerYear().Radians()) < tol) {
			t.Fatalf("change %g rad a year, difference gives %g, tolerance %g", now.DeclinationPerYear(), slope, tol)
		}
	})
}

func TestMagneticDates(t *testing.T) {
	site := sky.Site{Latitude: 46 * sky.Degree, Longitude: 13 * sky.Degree}
	for _, c := range []struct {
		date string
		ok   bool
	}{
		{"2024-12-31T23:59:59Z", false}, {"2025-01-01T00:00:00Z", true},
		{"2029-12-31T23:59:59Z", true}, {"2030-01-01T00:00:00Z", false},
		// The model counts in UTC: this is still 2029 there.
		{"2030-01-01T05:00:00+11:00", true},
	} {
		when, err := time.Parse(time.RFC3339, c.date)
		if err != nil {
			t.Fatal(err)
		}
		_, err = magneticField(site, when)
		if c.ok && err != nil || !c.ok && !errors.Is(err, ErrMagneticDate) {
			t.Errorf("%s: %v", c.date, err)
		}
	}
	if _, err := magneticField(sky.Site{Latitude: 91 * sky.Degree}, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)); err == nil {
		t.Error("latitude 91 taken")
	}
}

func TestDecimalYear(t *testing.T) {
	// Noon of July 2 is the middle of a common year, its first minute that of a leap year.
	for date, want := range map[string]float64{"2026-07-02T12:00:00Z": 2026.5, "2028-07-02T00:00:00Z": 2028.5} {
		when, err := time.Parse(time.RFC3339, date)
		if err != nil {
			t.Fatal(err)
		}
		if got := decimalYear(when); math.Abs(got-want) > 1e-12 {
			t.Errorf("%s is %.12f, want %g", date, got, want)
		}
	}
}

func TestBearing(t *testing.T) {
	east := MagneticField{NorthNT: 20000 * (10 * sky.Degree).Cos(), EastNT: 20000 * (10 * sky.Degree).Sin()}
	for _, c := range []struct{ azimuth, want float64 }{{0, 350}, {180, 170}, {5, 355}, {10, 0}, {370, 0}} {
		got := east.Bearing(sky.Angle(c.azimuth) * sky.Degree).Degrees()
		if d := math.Mod(got-c.want+540, 360) - 180; math.Abs(d) > 1e-9 || got < 0 || got >= 360 {
			t.Errorf("declination 10 east, azimuth %g: bearing %g, want %g", c.azimuth, got, c.want)
		}
	}
	// sqrt(0.26^2 + (5417/20000)^2) = 0.375446
	if got := east.DeclinationSigma().Degrees(); math.Abs(got-0.375446) > 1e-6 {
		t.Errorf("uncertainty %g degrees", got)
	}
	for h, want := range map[float64]CompassUse{1999: CompassNone, 2000: CompassCaution, 5999: CompassCaution, 6000: CompassGood, 0: CompassNone} {
		f := MagneticField{NorthNT: h}
		if got := f.Compass(); got != want {
			t.Errorf("%g nT: %s, want %s", h, got, want)
		}
		if s := f.DeclinationSigma(); !(s <= 180*sky.Degree) {
			t.Errorf("%g nT: uncertainty %v", h, s)
		}
	}
}

func FuzzParseModel(f *testing.F) {
	f.Add(wmm2025)
	f.Add([]byte("2025.0 WMM-2025\n 1 0 1 2 3 4\n9999"))
	f.Add([]byte("2025.0 WMM-2025\n 1 9 NaN 2 3 4"))
	f.Add([]byte("2025.0 WMM-2025\n 1 0 1e300 2 3 4"))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := parseModel(bytes.NewReader(data))
		if (m == nil) == (err == nil) {
			t.Fatalf("model %v with error %v", m, err)
		}
		if err == nil {
			at := m.field.at(pointAt(46*sky.Degree, 13*sky.Degree, 0), nil, 0)
			for _, v := range at {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Fatalf("field %v", at)
				}
			}
		}
	})
}
