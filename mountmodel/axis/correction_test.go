package axis

import (
	"strings"
	"testing"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// The first row is worked by hand from the definition of the offset: axis
// 6.986' too low and 27.182' of azimuth too far east, northern site, so the
// axis must rise and its upper end must go west. On the southern hemisphere
// the axis looks south, where azimuth grows from east through south to west:
// an axis at azimuth 180.5 degrees stands west of the pole and must go east.
func TestCorrectionWords(t *testing.T) {
	for _, c := range []struct {
		name                        string
		axisAlt, axisAz             float64 // degrees
		poleAlt, poleAz             float64
		altitude, azimuth, rotation string
		altOff, azOff, totalAtLeast float64 // arcminutes
	}{
		{"north, low and east", 43.56533536823617, 0.4530411100637625, 43.681769532357066, 0,
			"raise 7.0'", "turn the mount 27.2' west", "anticlockwise seen from above", -6.986, 27.182, 20.88},
		{"north, high and west", 41, 359.5, 40, 0, "lower 1.00°", "turn the mount 30.0' east", "clockwise seen from above", 60, -30, 60},
		{"south, axis west of the pole", 30, 180.5, 29, 180, "lower 1.00°", "turn the mount 30.0' east", "anticlockwise seen from above", 60, 30, 60},
		{"south, axis east of the pole", 28.9, 179.9, 29, 180, "raise 6.0'", "turn the mount 6.0' west", "clockwise seen from above", -6, -6, 6},
		{"under an arcminute", 40 - 42.0/3600, 20.0 / 3600, 40, 0, "raise 42\"", "turn the mount 20\" west", "anticlockwise seen from above", -0.7, 1.0 / 3, 0.7},
		{"59.6 arcseconds are told as a minute", 40 - 59.6/3600, 0, 40, 0, "raise 1.0'", "leave the azimuth as it is", "", -0.99333, 0, 0.9933},
		{"59.96 arcminutes are told as a degree", 40 - 59.96/60, 0, 40, 0, "raise 1.00°", "leave the azimuth as it is", "", -59.96, 0, 59.96},
		{"on the pole", 40, 0, 40, 0, "leave the altitude as it is", "leave the azimuth as it is", "", 0, 0, 0},
		{"half a turn off in azimuth", 40, 180, 40, 0, "leave the altitude as it is", "turn the mount 180.00° east", "clockwise seen from above", 0, -10800, 5999},
		{"equator", 1, 359, 0, 0, "lower 1.00°", "turn the mount 1.00° east", "clockwise seen from above", 60, -60, 84},
	} {
		t.Run(c.name, func(t *testing.T) {
			axis := sky.LocalFromAltAz(sky.Angle(c.axisAlt)*sky.Degree, sky.Angle(c.axisAz)*sky.Degree)
			pole := sky.LocalFromAltAz(sky.Angle(c.poleAlt)*sky.Degree, sky.Angle(c.poleAz)*sky.Degree)
			m := Correction(axis, pole)
			if m.Altitude != c.altitude || m.Azimuth != c.azimuth || m.Rotation != c.rotation {
				t.Errorf("got %q, %q, %q; want %q, %q, %q", m.Altitude, m.Azimuth, m.Rotation, c.altitude, c.azimuth, c.rotation)
			}
			off := OffsetBetween(axis, pole)
			// Half of the last digit written in the table.
			const digit = 5e-4
			if d := off.Alt.Arcminutes() - c.altOff; d > digit || d < -digit {
				t.Errorf("altitude offset %.4f', want %.4f'", off.Alt.Arcminutes(), c.altOff)
			}
			if d := off.Az.Arcminutes() - c.azOff; d > digit || d < -digit {
				t.Errorf("azimuth offset %.4f', want %.4f'", off.Az.Arcminutes(), c.azOff)
			}
			if off.Total.Arcminutes() < c.totalAtLeast-1e-9 {
				t.Errorf("total %.4f', want at least %.4f'", off.Total.Arcminutes(), c.totalAtLeast)
			}
		})
	}
}

// Near the zenith an axis 10' east of the pole has any azimuth at all; the
// words speak of tipping, and by what is on the sky.
func TestCorrectionNearZenith(t *testing.T) {
	pole := sky.LocalFromAltAz(89.9*sky.Degree, 0)
	east := sky.Local(sky.Unit(sky.Vec{X: (10 * sky.Arcminute).Radians(), Y: pole.Y, Z: pole.Z}))
	m := Correction(east, pole)
	if m.Azimuth != "tip the mount 10.0' to the west" || m.Rotation != "" {
		t.Errorf("azimuth: %q, %q", m.Azimuth, m.Rotation)
	}
	if !strings.HasPrefix(m.Altitude, "leave") && !strings.HasSuffix(m.Altitude, "\"") {
		t.Errorf("altitude: %q", m.Altitude)
	}
	// Beyond the zenith, 8' from the pole: the axis stands 2' on the other side.
	beyond := sky.LocalFromAltAz(90*sky.Degree-2*sky.Arcminute, 180*sky.Degree)
	m = Correction(beyond, pole)
	if m.Altitude != "lower 8.0'" || m.Azimuth != "leave the azimuth as it is" {
		t.Errorf("beyond the zenith: %q, %q", m.Altitude, m.Azimuth)
	}
}

// Doing what the words say ends on the pole: raising by Alt and turning by Az.
func TestCorrectionLeadsToThePole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lat := rapid.Float64Range(-84, 84).Draw(t, "latitude")
		alt := rapid.Float64Range(-5, 85).Draw(t, "axis altitude")
		az := rapid.Float64Range(0, 360).Draw(t, "axis azimuth")
		site := sky.Site{Latitude: sky.Angle(lat) * sky.Degree}
		pole := observed.Pole(site, sky.StandardAir(0), observed.Refracted)
		axis := sky.LocalFromAltAz(sky.Angle(alt)*sky.Degree, sky.Angle(az)*sky.Degree)
		m := Correction(axis, pole)
		a, z := sky.AltAzFromLocal(axis)
		moved := sky.LocalFromAltAz(a+m.Alt, z+m.Az)
		// Rounding of a few ulp of a radian.
		if d := sky.Separation(moved, pole); d > 1e-6*sky.Arcsecond {
			t.Fatalf("ends %g arcsec from the pole", d.Arcseconds())
		}
		east := strings.HasSuffix(m.Azimuth, "east")
		if west := strings.HasSuffix(m.Azimuth, "west"); east == west && m.Rotation != "" {
			t.Fatalf("words %q name no side", m.Azimuth)
		}
		// A small turn towards the named side moves the end of an axis that
		// stands at the pole's azimuth to that side.
		if m.Rotation != "" {
			step := sky.LocalFromAltAz(30*sky.Degree, polar(pole)+sky.Angle(sign(float64(m.Az)))*sky.Degree)
			if (step.X > 0) != east {
				t.Fatalf("%q, but the axis would go the other way", m.Azimuth)
			}
		}
	})
}

func polar(d sky.Local) sky.Angle {
	_, az := sky.AltAzFromLocal(d)
	return az
}

func sign(x float64) float64 {
	if x < 0 {
		return -1
	}
	return 1
}
