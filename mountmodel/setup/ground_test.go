package setup

import (
	"errors"
	"math"
	"testing"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// The ICAO standard atmosphere: 1013.25 hPa at the sea, 898.74 at 1000 m, 794.95 at
// 2000 m (ICAO Doc 7488, table; also U.S. Standard Atmosphere 1976). The pole is lifted
// by about 1 arcminute at altitude 45 degrees: 58.2 arcsec x tan z (Smart, Textbook on
// Spherical Astronomy, sect. 36).
func TestPlace(t *testing.T) {
	for h, want := range map[float64]float64{0: 1013.25, 1000: 898.74, 2000: 794.95} {
		p, err := newPlace(sky.Site{Latitude: 45 * sky.Degree, ElevationM: h}, sky.StandardAir(h), observed.Refracted)
		if err != nil {
			t.Fatal(err)
		}
		// The formula's rounded exponent against the table's last digit.
		if math.Abs(p.PressureHPa-want) > 0.03 {
			t.Errorf("%g m: %.2f hPa, want %.2f", h, p.PressureHPa, want)
		}
		if want := 58.2 * p.PressureHPa / 1013.25; math.Abs(p.Lift.Arcseconds()-want) > 1 {
			t.Errorf("%g m: lift %.1f arcsec, want %.1f", h, p.Lift.Arcseconds(), want)
		}
		if p.South || p.Azimuth() != 0 {
			t.Errorf("%g m: %+v", h, p)
		}
	}
	south, err := newPlace(sky.Site{Latitude: -33 * sky.Degree}, sky.StandardAir(0), observed.True)
	if err != nil || !south.South || south.Azimuth() != 180*sky.Degree || math.Abs(south.LatitudeScale.Degrees()-33) > 1e-9 {
		t.Errorf("south: %+v, %v", south, err)
	}
	if _, err := newPlace(sky.Site{Latitude: 91 * sky.Degree}, sky.StandardAir(0), observed.True); err == nil {
		t.Error("latitude 91 taken")
	}
	if _, err := newPlace(sky.Site{}, sky.Air{PressureHPa: 5000}, observed.True); err == nil {
		t.Error("5000 hPa taken")
	}
}

func TestLegs(t *testing.T) {
	for lat, want := range map[sky.Angle][3]float64{40 * sky.Degree: {0, 120, 240}, -40 * sky.Degree: {180, 300, 60}} {
		got := legAzimuths(sky.Site{Latitude: lat}, German)
		for i := range got {
			if math.Abs(got[i].Degrees()-want[i]) > 1e-9 {
				t.Errorf("latitude %g: %v", lat.Degrees(), got)
			}
		}
	}
}

// The coupling against a mount that is really turned: rotations about the leaning
// upright and the leaning hinge.
func TestBoltCouplingByTurning(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lat := sky.Angle(rapid.Float64Range(-80, 80).Draw(t, "lat")) * sky.Degree
		// Beyond, at 80 degrees of latitude, the upright passes the axis.
		lean := sky.Angle(rapid.Float64Range(0, 5).Draw(t, "lean")) * sky.Degree
		towards := sky.Angle(rapid.Float64Range(0, 360).Draw(t, "towards")) * sky.Degree
		site := sky.Site{Latitude: lat}
		c, err := boltCoupling(site, lean, towards)
		if err != nil {
			t.Fatal(err)
		}
		axis := observed.Pole(site, sky.StandardAir(0), observed.True)
		upright := sky.Vec(sky.LocalFromAltAz(90*sky.Degree-lean, towards))
		const step = 1e-5 * sky.Radian
		// The numbers are slopes at a point, the turns have a length: their
		// curvature, at most 1/cos(lat) squared, times the step.
		const tol = 1e-3
		altAz := func(m sky.Matrix) (alt, az sky.Angle) {
			a0, z0 := sky.AltAzFromLocal(axis)
			a1, z1 := sky.AltAzFromLocal(sky.Local(m.Apply(sky.Vec(axis))))
			return a1 - a0, (z1 - z0).Signed()
		}
		// From north through east is clockwise as seen from above.
		alt, _ := altAz(sky.Rotation(upright, -step))
		if got := float64(alt / step); math.Abs(got-c.AltitudePerAzimuth) > tol {
			t.Fatalf("altitude per azimuth %g, turning gives %g", c.AltitudePerAzimuth, got)
		}
		hinge := sky.Unit(sky.Local(cross(sky.Vec(axis), upright)))
		alt, az := altAz(sky.Rotation(sky.Vec(hinge), step))
		if !(alt > 0) {
			t.Fatalf("raising lowers by %g", alt)
		}
		east := float64(az/alt) * lat.Cos()
		if site.South() {
			east = -east
		}
		if math.Abs(east-c.AcrossPerAltitude) > tol*max(1, math.Abs(east)) {
			t.Fatalf("across %g, want %g", c.AcrossPerAltitude, east)
		}
		scale := 90*sky.Degree - sky.Separation(axis, sky.Local(upright))
		if off := (lat.Abs() - scale - c.ScaleError).Abs(); off > 1e-9*sky.Degree {
			t.Fatalf("scale misleads by %g, want %g", c.ScaleError.Degrees(), (lat.Abs() - scale).Degrees())
		}
	})
}

func cross(a, b sky.Vec) sky.Vec {
	return sky.Vec{X: a.Y*b.Z - a.Z*b.Y, Y: a.Z*b.X - a.X*b.Z, Z: a.X*b.Y - a.Y*b.X}
}

// By hand: one degree towards the east (sin 1 degree = 0.017452) at latitude 60 degrees
// north: an azimuth turn eastwards of 60 arcminutes lowers the axis by 1.05, and raising by 60
// moves it east by 60 x 0.0175/cos 60 = 2.1 arcminutes. A base that leans towards the pole lowers
// the axis by the lean.
func TestBoltCouplingByHand(t *testing.T) {
	c, err := boltCoupling(sky.Site{Latitude: 60 * sky.Degree}, 1*sky.Degree, 90*sky.Degree)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(c.AltitudePerAzimuth*60+1.047) > 0.001 || math.Abs(c.AcrossPerAltitude*60-2.094) > 0.002 {
		t.Errorf("%+v", c)
	}
	for _, site := range []sky.Site{{Latitude: 40 * sky.Degree}, {Latitude: -40 * sky.Degree}} {
		c, err := boltCoupling(site, 2*sky.Degree, legAzimuths(site, German)[0])
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(c.ScaleError.Degrees()+2) > 1e-9 || math.Abs(c.AltitudePerAzimuth) > 1e-12 {
			t.Errorf("latitude %g: %+v", site.Latitude.Degrees(), c)
		}
	}
}

func TestBoltCouplingRefusals(t *testing.T) {
	if _, err := boltCoupling(sky.Site{Latitude: 89.9 * sky.Degree}, 1*sky.Degree, 0); !errors.Is(err, ErrNoAzimuthBolt) {
		t.Errorf("at the pole: %v", err)
	}
	// The upright leans beyond the axis: no bolt raises it.
	if _, err := boltCoupling(sky.Site{Latitude: 80 * sky.Degree}, 20*sky.Degree, 0); !errors.Is(err, ErrNoAzimuthBolt) {
		t.Errorf("leaning beyond the axis: %v", err)
	}
	nan := sky.Angle(math.NaN())
	for _, c := range []struct{ lat, lean, towards sky.Angle }{
		{91 * sky.Degree, 0, 0}, {nan, 0, 0}, {0, -1 * sky.Degree, 0}, {0, nan, 0}, {0, 31 * sky.Degree, 0}, {0, 0, nan},
	} {
		if _, err := boltCoupling(sky.Site{Latitude: c.lat}, c.lean, c.towards); err == nil {
			t.Errorf("%+v taken", c)
		}
	}
}
