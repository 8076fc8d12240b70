package rehearsal_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"polard/catalogs"
	"polard/mountmodel/observed"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// fewStars is a sky of one's own.
type fewStars []catalogs.Star

func (f fewStars) Cone(center sky.ICRS, radius sky.Angle, faintest float64, visit func(catalogs.Star)) {
	for _, s := range f {
		if sky.Separation(center, s.Dir) <= radius && float64(s.V) <= faintest {
			visit(s)
		}
	}
}

func newRig(t *testing.T, stars rehearsal.Catalogue, c rehearsal.Config) *rehearsal.Rig {
	t.Helper()
	rig, err := rehearsal.NewRig(stars, c)
	if err != nil {
		t.Fatal(err)
	}
	return rig
}

// exact is the tolerance of angles that went through a few rotations in double
// precision.
const exact = 1e-6 * sky.Arcsecond

func near(t *testing.T, what string, got, want, tolerance sky.Angle) {
	t.Helper()
	if !((got - want).Abs() <= tolerance) {
		t.Errorf("%s: %.7f arcsec, want %.7f", what, got.Arcseconds(), want.Arcseconds())
	}
}

func TestStartsWhereTold(t *testing.T) {
	for _, c := range []rehearsal.Config{
		rehearsal.Quillmere(evening), rehearsal.Karrabine(evening),
		rehearsal.Worn(rehearsal.Quillmere(evening)), rehearsal.Worn(rehearsal.Karrabine(evening)),
	} {
		truth := newRig(t, fewStars{}, c).Truth(evening)
		near(t, c.Name+" altitude", truth.Offset.Alt, c.Mount.OffsetAlt, exact)
		near(t, c.Name+" azimuth", truth.Offset.Az, c.Mount.OffsetAz, exact)
		near(t, c.Name+" polar distance", sky.Separation(truth.Axis, truth.Boresight()), c.Mount.PolarDistance, exact)
		if truth.Pole != observed.Pole(c.Site, c.Air, observed.Refracted) {
			t.Errorf("%s: the pole is %v", c.Name, truth.Pole)
		}
	}
}

// On a level base without faults each bolt moves its own angle and no other.
func TestBoltsOnALevelBase(t *testing.T) {
	for _, c := range []rehearsal.Config{rehearsal.Quillmere(evening), rehearsal.Karrabine(evening)} {
		c.Mount.AzimuthBolt.PerTurn = -31 * sky.Arcminute // clockwise turns westwards
		rig := newRig(t, fewStars{}, c)
		alt0, az0 := sky.AltAzFromLocal(rig.Truth(evening).Axis)
		for _, turns := range []float64{0.5, -2.25, 3} {
			if err := rig.TurnAltitudeBolt(turns); err != nil {
				t.Fatal(err)
			}
			alt, az := sky.AltAzFromLocal(rig.Truth(evening).Axis)
			near(t, "altitude by its bolt", alt-alt0, sky.Angle(turns)*c.Mount.AltitudeBolt.PerTurn, exact)
			near(t, "azimuth by the altitude bolt", (az - az0).Signed(), 0, exact)
			if err := rig.TurnAzimuthBolt(turns); err != nil {
				t.Fatal(err)
			}
			altNow, azNow := sky.AltAzFromLocal(rig.Truth(evening).Axis)
			near(t, "azimuth by its bolt", (azNow - az).Signed(), sky.Angle(-turns)*31*sky.Arcminute, exact)
			near(t, "altitude by the azimuth bolt", altNow-alt, 0, exact)
			alt0, az0 = altNow, azNow
		}
	}
}

// On a leaning base, to first order in the lean T towards azimuth t, turning the
// azimuth bolt by a moves the altitude of an axis at azimuth A by -a T sin(t -
// A): with the base leaning east, an axis swung from north to east goes down.
// (Vertical part of the velocity w x axis, w = -a (up + T lean).)
func TestAzimuthBoltOnALeaningBase(t *testing.T) {
	for _, towards := range []sky.Angle{0, 90 * sky.Degree, 200 * sky.Degree} {
		c := rehearsal.Quillmere(evening)
		c.Mount.Tilt, c.Mount.TiltTowards = 2*sky.Degree, towards
		rig := newRig(t, fewStars{}, c)
		alt0, az0 := sky.AltAzFromLocal(rig.Truth(evening).Axis)
		const turns = 0.2
		if err := rig.TurnAzimuthBolt(turns); err != nil {
			t.Fatal(err)
		}
		alt, _ := sky.AltAzFromLocal(rig.Truth(evening).Axis)
		by := sky.Angle(turns) * c.Mount.AzimuthBolt.PerTurn
		tilt := c.Mount.Tilt.Radians()
		want := -by * sky.Angle(tilt*(towards-az0-by/2).Sin())
		// Second order: by times the square of the tilt.
		near(t, "altitude", alt-alt0, want, by*sky.Angle(tilt*tilt))
	}
}

func TestBacklashAndCross(t *testing.T) {
	c := rehearsal.Quillmere(evening)
	c.Mount.AltitudeBolt = rehearsal.Bolt{PerTurn: 60 * sky.Arcminute, BacklashTurns: 0.2, Cross: 0.05, Travel: 3 * sky.Degree}
	rig := newRig(t, fewStars{}, c)
	alt0, az0 := sky.AltAzFromLocal(rig.Truth(evening).Axis)
	for _, step := range []struct{ turns, wantTurns float64 }{
		{0.05, 0},    // inside half the backlash
		{0.15, 0.1},  // takes up the rest, then bites
		{-0.1, 0.1},  // back inside the backlash
		{0.1, 0.1},   // and to its end again
		{-0.5, -0.2}, // through the whole backlash
		{-1, -1.2},
		{0.2, -1.2}, // just the backlash
		{1.2, 0},
	} {
		if err := rig.TurnAltitudeBolt(step.turns); err != nil {
			t.Fatal(err)
		}
		alt, az := sky.AltAzFromLocal(rig.Truth(evening).Axis)
		want := sky.Angle(step.wantTurns) * 60 * sky.Arcminute
		near(t, "altitude", alt-alt0, want, exact)
		near(t, "azimuth", (az - az0).Signed(), want*0.05, exact)
	}
	before := rig.Truth(evening).Axis
	err := rig.TurnAltitudeBolt(3.5)
	if err == nil || !strings.Contains(err.Error(), "3.00 turns more") {
		t.Errorf("past the end: %v, want what is left: 3.00", err)
	}
	if rig.Truth(evening).Axis != before {
		t.Error("a refused turn moved something")
	}
	if err := rig.TurnAltitudeBolt(3); err != nil {
		t.Errorf("up to the end: %v", err)
	}
}

// Whatever is turned, the camera keeps its angle to the axis, and its attitude
// stays orthogonal with the handedness of its mirrors.
func TestCameraStaysOnItsBody(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c := rehearsal.Worn(rehearsal.Karrabine(evening))
		c.Camera.Mirrored = rapid.Bool().Draw(rt, "mirrored")
		c.Mount.PolarDistance = sky.Angle(rapid.Float64Range(0, 180).Draw(rt, "polar distance")) * sky.Degree
		c.Site.Latitude = sky.Angle(rapid.Float64Range(-90, 90).Draw(rt, "latitude")) * sky.Degree
		rig, err := rehearsal.NewRig(fewStars{}, c)
		if err != nil {
			rt.Fatal(err)
		}
		ra := sky.Angle(rapid.Float64Range(-400, 400).Draw(rt, "RA turn")) * sky.Degree
		if err := rig.TurnRA(ra); err != nil {
			rt.Fatal(err)
		}
		if err := rig.TurnAltitudeBolt(rapid.Float64Range(-3, 3).Draw(rt, "altitude turns")); err != nil {
			rt.Fatal(err)
		}
		if err := rig.TurnAzimuthBolt(rapid.Float64Range(-3, 3).Draw(rt, "azimuth turns")); err != nil {
			rt.Fatal(err)
		}
		if err := rig.Bump(sky.Vec{X: 0.01, Y: rapid.Float64Range(-0.1, 0.1).Draw(rt, "bump"), Z: 0.02}); err != nil {
			rt.Fatal(err)
		}
		at := evening.Add(time.Duration(rapid.Int64Range(0, int64(12*time.Hour)).Draw(rt, "later")))
		truth := rig.Truth(at)
		if d := (sky.Separation(truth.Axis, truth.Boresight()) - c.Mount.PolarDistance).Abs(); d > exact {
			rt.Fatalf("the boresight left its polar distance by %g arcsec", d.Arcseconds())
		}
		p := truth.Camera.Mul(truth.Camera.Transpose())
		for i := range 3 {
			for j := range 3 {
				if math.Abs(p[i][j]-sky.Identity[i][j]) > 1e-13 {
					rt.Fatalf("the attitude is not orthogonal: %v", p)
				}
			}
		}
		want := -1.0
		if c.Camera.Mirrored {
			want = 1
		}
		if d := truth.Camera.Det(); math.Abs(d-want) > 1e-12 {
			rt.Fatalf("determinant %g, want %g", d, want)
		}
	})
}

// An axis on the true pole of an airless sky, driven at the sidereal rate,
// holds a star over six hours but for aberration by the Earth's orbit (20.5
// arcsec, turning by a quarter of a degree: 0.09), precession (50 arcsec a
// year: 0.04) and aberration by its spin (0.32 cos(latitude) arcsec: 0.24 as
// the hour angle goes from -45 to +45 degrees).
func TestDriveHoldsTheSky(t *testing.T) {
	const hours, drift = 6, 0.37 * sky.Arcsecond
	for _, c := range []rehearsal.Config{rehearsal.Quillmere(evening), rehearsal.Karrabine(evening)} {
		c.Air.PressureHPa = 0
		c.Mount.OffsetAlt, c.Mount.OffsetAz = 0, 0
		c.Mount.PolarDistance = 50 * sky.Degree
		c.Mount.HourAngle = -45 * sky.Degree
		rig := newRig(t, fewStars{}, c)
		center := func(at time.Time) sky.ICRS {
			o, err := observed.NewObserver(c.Site, c.Air, at, 0)
			if err != nil {
				t.Fatal(err)
			}
			return o.ICRS(rig.Truth(at).Boresight())
		}
		moved := sky.Separation(center(evening), center(evening.Add(hours*time.Hour)))
		if moved > drift {
			t.Errorf("%s: the sky ran away by %.3f arcsec in %d hours", c.Place, moved.Arcseconds(), hours)
		}

		// Switched off for an hour, it loses the hour.
		rig.SetTracking(false, evening)
		before := rig.Truth(evening).Camera
		if rig.Truth(evening.Add(time.Hour)).Camera != before {
			t.Error("the camera turns with the drive off")
		}
		rig.SetTracking(true, evening.Add(time.Hour))
		got := rig.Reading(evening.Add(2 * time.Hour)).HourAngle
		want := (c.Mount.HourAngle + 15.041067*sky.Degree).Positive() // degrees per hour, sidereal
		near(t, "hour angle", got, want, sky.Arcsecond/10)
	}
}

// Drift in declination of a star on the meridian by an error of the axis's
// azimuth: 15.04 arcsec a second times the error times cos(latitude), that is
// 0.2625 arcsec a minute of time for each arcminute on the sky (the drift
// method; Hook 1989, J. Brit. Astron. Assoc. 99, 19). Common practice: in the
// north, a star near the southern meridian that drifts south means an axis too
// far east.
func TestDriftFollowsTheAxis(t *testing.T) {
	c := rehearsal.Quillmere(evening)
	c.Air.PressureHPa = 0
	c.Mount.OffsetAlt, c.Mount.OffsetAz = 0, 30*sky.Arcminute
	c.Mount.PolarDistance, c.Mount.HourAngle = 90*sky.Degree, 0
	rig := newRig(t, fewStars{}, c)
	dec := func(at time.Time) sky.Angle {
		o, err := observed.NewObserver(c.Site, c.Air, at, 0)
		if err != nil {
			t.Fatal(err)
		}
		_, d := sky.RADecFromICRS(o.ICRS(rig.Truth(at).Boresight()))
		return d
	}
	const minutes = 4
	// The boresight goes the other way than the star in the field.
	star := -(dec(evening.Add(minutes*time.Minute/2)) - dec(evening.Add(-minutes*time.Minute/2)))
	onSky := c.Mount.OffsetAz.Arcminutes() * c.Site.Latitude.Cos()
	want := sky.Angle(-0.2625*onSky*minutes) * sky.Arcsecond
	// Precession turns the declinations of date to J2000.0 ones by a part of
	// sin(0.15 degrees); the boresight is on the meridian to 0.5 degrees.
	if d := (star - want).Abs(); d > want.Abs()/100 {
		t.Errorf("drift %.3f arcsec in %d minutes, want %.3f", star.Arcseconds(), minutes, want.Arcseconds())
	}
}

func TestRefusesWhatCannotBeTurned(t *testing.T) {
	rig := newRig(t, fewStars{}, rehearsal.Quillmere(evening))
	before := rig.Truth(evening)
	for name, err := range map[string]error{
		"RA NaN":          rig.TurnRA(sky.Angle(math.NaN())),
		"RA inf":          rig.TurnRA(sky.Angle(math.Inf(-1))),
		"declination NaN": rig.TurnDeclination(sky.Angle(math.NaN())),
		"altitude NaN":    rig.TurnAltitudeBolt(math.NaN()),
		"azimuth inf":     rig.TurnAzimuthBolt(math.Inf(1)),
		"azimuth far":     rig.TurnAzimuthBolt(1e300),
		"bump NaN":        rig.Bump(sky.Vec{X: math.NaN()}),
		"cloud NaN":       rig.SetCloud(math.NaN()),
		"cloud negative":  rig.SetCloud(-1),
	} {
		if err == nil {
			t.Errorf("%s was taken", name)
		}
	}
	if rig.Truth(evening) != before {
		t.Error("a refused turn moved something")
	}
}
