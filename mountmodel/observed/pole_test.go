package observed_test

import (
	"math"
	"testing"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"
)

// poleWithin: the formulae are the same, except that atioq takes the sine of the
// refraction for its angle, R^3/6, at most 0.003 arcsec in the table's densest
// air (R = 0.0044).
const poleWithin = 0.003 * sky.Arcsecond

// Source: testdata/erfa/pole.tsv, ERFA atioq. Below altitude 2.87 degrees the
// two turn the direction differently: see observedWithinBelow.
func TestPoleAgainstERFA(t *testing.T) {
	var worst, worstBelow sky.Angle
	rows := erfaTable(t, "pole.tsv")
	for _, r := range rows {
		site := sky.Site{Latitude: r.deg(t, "lat_deg")}
		alt, az := sky.AltAzFromLocal(observed.Pole(site, r.air(t), observed.Refracted))
		off := (alt - r.deg(t, "alt_deg")).Abs()
		within := poleWithin
		if site.Latitude.Abs().Sin() < 0.05 {
			within = observedWithinBelow
			worstBelow = max(worstBelow, off)
		} else {
			worst = max(worst, off)
		}
		if !(off <= within) {
			t.Errorf("%v: altitude %.6f, off by %.4f arcsec", r, alt.Degrees(), off.Arcseconds())
		}
		wantAz := 0 * sky.Degree
		if site.Latitude < 0 {
			wantAz = 180 * sky.Degree
		}
		if alt < 89.9*sky.Degree && (az-wantAz).Signed().Abs() > poleWithin {
			t.Errorf("%v: azimuth %.6f", r, az.Degrees())
		}
	}
	if len(rows) < 90 {
		t.Errorf("%d rows, want 99", len(rows))
	}
	t.Logf("%d poles, worst %.2g arcsec, below altitude 2.87 degrees %.2g", len(rows), worst.Arcseconds(), worstBelow.Arcseconds())
}

// Refracted poles found for simulated frames with ERFA by code that shares
// nothing with this project (start.pole_alt_deg of the truth files of the
// practice frames; humidity 0.3, wavelength 0.55 micrometres).
func TestPoleOfPracticeFrames(t *testing.T) {
	for _, c := range []struct {
		name                       string
		latDeg, hPa, tempC, altDeg float64
	}{
		{"adjust_000", 40.957696565379244, 919.6242928847669, 28.85033217771636, 40.97349520256171},
		{"axis_000", 43.66539179741407, 976.3201480010244, 8.64407277993294, 43.681769532357066},
		{"axis_001", 45.095428889507495, 974.5403035513161, 27.986823890297813, 45.10996387654413},
		{"axis_002", -29.06512480775485, 787.4475595702897, 15.594021443196098, 29.087187299875055},
	} {
		site := sky.Site{Latitude: sky.Angle(c.latDeg) * sky.Degree}
		air := sky.Air{PressureHPa: c.hPa, TemperatureC: c.tempC, Humidity: 0.3, WavelengthUm: 0.55}
		alt, _ := sky.AltAzFromLocal(observed.Pole(site, air, observed.Refracted))
		if off := (alt - sky.Angle(c.altDeg)*sky.Degree).Abs(); off > poleWithin {
			t.Errorf("%s: altitude %.7f, want %.7f, off by %.4f arcsec", c.name, alt.Degrees(), c.altDeg, off.Arcseconds())
		}
	}
}

// The true pole is the point about which the stars turn: over a day the
// directions of one star, without air, lie on a circle about it. What moves a
// star off it is the aberration of the spin, 0.32 arcsec fixed to the site, that
// of the orbit, 20.5 arcsec times 2/3 of 1/58 in 16 hours, and precession and
// nutation, 0.1. Three points 120 degrees apart tilt their plane by at most 4/3
// of such an error, over the radius of the circle. Near the Sun the bending of
// light changes by more.
func TestStarsTurnAboutTruePole(t *testing.T) {
	const within = 4.0 / 3 * (0.32 + 0.24 + 0.1) * sky.Arcsecond
	rapid.Check(t, func(t *rapid.T) {
		site := drawSite(t)
		noAir := sky.Air{WavelengthUm: sky.DefaultWavelengthUm}
		start := time.UnixMilli(rapid.Int64Range(946684800_000, 2871763200_000).Draw(t, "time"))
		star := sky.ICRSFromRADec(
			sky.Angle(rapid.Float64Range(0, 360).Draw(t, "right ascension"))*sky.Degree,
			sky.Angle(rapid.Float64Range(-80, 80).Draw(t, "declination"))*sky.Degree)
		var p [3]sky.Vec
		for i := range p {
			o, err := observed.NewObserver(site, noAir, start.Add(time.Duration(i)*8*time.Hour), 0)
			if err != nil {
				t.Fatal(err)
			}
			if sky.Separation(star, o.ICRS(o.Sun())) < 10*sky.Degree {
				t.Skip("near the Sun")
			}
			p[i] = sky.Vec(o.Observed(star))
		}
		axis := sky.Unit(sky.Local(r3.Cross(r3.Sub(p[1], p[0]), r3.Sub(p[2], p[0]))))
		pole := observed.Pole(site, noAir, observed.True)
		radius := r3.Norm(r3.Cross(sky.Vec(pole), p[0]))
		off := min(sky.Separation(axis, pole), sky.Separation(sky.Local(r3.Scale(-1, sky.Vec(axis))), pole))
		if off > within/sky.Angle(radius) {
			t.Fatalf("off by %.2f arcsec", off.Arcseconds())
		}
	})
}

// The pole at the ends of the range and at the equator.
func TestPoleSpecialLatitudes(t *testing.T) {
	air := sky.StandardAir(0)
	for _, c := range []struct {
		latDeg        float64
		kind          observed.PoleKind
		altDeg, azDeg float64
		above, atMost sky.Angle // how far above altDeg it stands
	}{
		{90, observed.Refracted, 90, 0, 0, 0},
		{-90, observed.Refracted, 90, 180, 0, 0},
		{0, observed.True, 0, 0, 0, 0},
		{math.Copysign(0, -1), observed.True, 0, 0, 0, 0},
		{0, observed.Refracted, 0, 0, 10 * sky.Arcminute, 13 * sky.Arcminute},
		{-1e-9, observed.Refracted, 0, 180, 10 * sky.Arcminute, 13 * sky.Arcminute},
		{-33, observed.True, 33, 180, 0, 0},
		{47, observed.True, 47, 0, 0, 0},
	} {
		d := observed.Pole(sky.Site{Latitude: sky.Angle(c.latDeg) * sky.Degree}, air, c.kind)
		alt, az := sky.AltAzFromLocal(d)
		up := alt - sky.Angle(c.altDeg)*sky.Degree
		if !(up >= c.above-poleWithin && up <= c.atMost+poleWithin) {
			t.Errorf("latitude %g, %v: altitude %.6f", c.latDeg, c.kind, alt.Degrees())
		}
		// At the zenith an azimuth means nothing.
		if c.altDeg != 90 && (az-sky.Angle(c.azDeg)*sky.Degree).Signed().Abs() > poleWithin {
			t.Errorf("latitude %g, %v: azimuth %.6f", c.latDeg, c.kind, az.Degrees())
		}
	}
}

func TestPoleKindWords(t *testing.T) {
	for _, k := range []observed.PoleKind{observed.Refracted, observed.True} {
		got, err := observed.ParsePoleKind(k.String())
		if err != nil || got != k {
			t.Errorf("%v reads back as %v, %v", k, got, err)
		}
	}
	if _, err := observed.ParsePoleKind("magnetic"); err == nil {
		t.Error("an unknown pole was taken")
	}
}

// How well the refracted pole is known. At 45 degrees refraction lifts it by 58"
// (ERFA, pole.tsv), of which 10 degrees and 10 hPa make 4 % (n - 1 goes with p/T) and
// the air farther up 1 %: 2.2"; with both measured 0.6". Low down the errors are those of
// the model, as told beside Pole.
func TestPoleUncertain(t *testing.T) {
	measured := sky.StandardAir(0)
	measured.PressureSigmaHPa, measured.TemperatureSigmaC = sky.MeasuredPressureSigmaHPa, sky.MeasuredSigmaC
	for _, c := range []struct {
		name        string
		lat         sky.Angle
		air         sky.Air
		least, most float64 // arcseconds
	}{
		{"middle", 45, sky.StandardAir(0), 2, 2.5},
		{"middle, measured", 45, measured, 0.5, 0.8},
		{"south", -45, measured, 0.5, 0.8},
		{"8 degrees", 8, measured, 5, 8},
		{"5 degrees", 5, measured, 25, 30},
		{"equator", 0, sky.StandardAir(0), 1200, 1300},
		{"no air", 45, sky.Air{TemperatureC: 10, WavelengthUm: 0.55}, 0, 0},
	} {
		got := observed.PoleUncertain(sky.Site{Latitude: c.lat * sky.Degree}, c.air).Arcseconds()
		if !(got >= c.least && got <= c.most) {
			t.Errorf("%s: %.2f arcsec, want %g to %g", c.name, got, c.least, c.most)
		}
	}
	last := math.Inf(1)
	for lat := sky.Angle(0); lat <= 90; lat++ {
		now := observed.PoleUncertain(sky.Site{Latitude: lat * sky.Degree}, measured).Arcseconds()
		if now >= last {
			t.Errorf("at latitude %g: %.3f arcsec, a degree lower %.3f", float64(lat), now, last)
		}
		last = now
	}
}
