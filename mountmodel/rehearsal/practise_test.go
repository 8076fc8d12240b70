package rehearsal_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
)

// stateOf is how a fault stands.
func stateOf(t *testing.T, s *rehearsal.Station, name string) rehearsal.FaultState {
	t.Helper()
	all := s.State().Faults
	i := slices.IndexFunc(all, func(f rehearsal.FaultState) bool { return f.Name == name })
	if i < 0 {
		t.Fatalf("no fault %q in the state", name)
	}
	return all[i]
}

// Each fault does what its text says to the rig, and those that last can be set
// right.
func TestFaultsDoWhatTheySay(t *testing.T) {
	hour := time.Hour
	for _, c := range []struct {
		name  string
		check func(t *testing.T, rig *rehearsal.Rig, before, after rehearsal.Truth, now time.Time)
	}{
		{"declination", func(t *testing.T, _ *rehearsal.Rig, before, after rehearsal.Truth, _ time.Time) {
			if after.Axis != before.Axis || sky.Separation(before.Boresight(), after.Boresight()) < 1*sky.Degree {
				t.Error("the tube did not turn by a degree, or the axis moved")
			}
		}},
		{"bump", func(t *testing.T, _ *rehearsal.Rig, before, after rehearsal.Truth, _ time.Time) {
			if d := sky.Separation(before.Axis, after.Axis); d < 1*sky.Arcminute || d > 20*sky.Arcminute {
				t.Errorf("the axis moved by %.1f arcmin", d.Arcminutes())
			}
		}},
		{"clutch", func(t *testing.T, _ *rehearsal.Rig, before, after rehearsal.Truth, _ time.Time) {
			if after.Axis != before.Axis || (after.Turn-before.Turn).Abs() < 1*sky.Degree {
				t.Error("the RA axis did not slip")
			}
		}},
		{"lock", func(t *testing.T, rig *rehearsal.Rig, before, after rehearsal.Truth, now time.Time) {
			if after.Axis != before.Axis {
				t.Error("the axis moved before the lock")
			}
			rig.Lock()
			if d := sky.Separation(before.Axis, rig.Truth(now).Axis); d < 1*sky.Arcminute || d > 5*sky.Arcminute {
				t.Errorf("the lock moved the axis by %.1f arcmin", d.Arcminutes())
			}
		}},
		{"settling", func(t *testing.T, rig *rehearsal.Rig, before, after rehearsal.Truth, now time.Time) {
			near(t, "at once", sky.Separation(before.Axis, after.Axis), 0, exact)
			// Leaning along the meridian moves an axis in it by as much, leaning across by
			// the sine of its altitude, 0.72 here.
			if d := sky.Separation(before.Axis, rig.Truth(now.Add(hour)).Axis).Arcminutes(); d < 7.2 || d > 120 {
				t.Errorf("in an hour the axis moved by %.1f arcmin", d)
			}
		}},
		{"flexure", func(t *testing.T, rig *rehearsal.Rig, before, after rehearsal.Truth, now time.Time) {
			if after.Axis != before.Axis || sky.Separation(before.Boresight(), after.Boresight()) < 5*sky.Arcsecond {
				t.Error("the camera does not sag, or the axis does")
			}
		}},
		{"periodic", func(t *testing.T, rig *rehearsal.Rig, _, _ rehearsal.Truth, now time.Time) {
			low, high := sky.Angle(0), sky.Angle(0)
			start := rig.Truth(now)
			for s := range 640 { // one turn of the slowest worm
				at := now.Add(time.Duration(s) * time.Second)
				drive := sky.Angle(float64(s)*15.041067) * sky.Arcsecond // sidereal: 1296000 arcsec in 86164.0905 s
				off := (start.Turn - rig.Truth(at).Turn - drive).Signed()
				low, high = min(low, off), max(high, off)
			}
			if high-low < 10*sky.Arcsecond || high-low > 60*sky.Arcsecond {
				t.Errorf("%.1f arcsec from peak to peak", (high - low).Arcseconds())
			}
		}},
		{"sag", func(t *testing.T, rig *rehearsal.Rig, before, after rehearsal.Truth, now time.Time) {
			a, _ := sky.AltAzFromLocal(before.Boresight())
			b, _ := sky.AltAzFromLocal(after.Boresight())
			// Some 55 degrees up, of what it is when level.
			if down := (a - b).Arcseconds() / a.Cos(); after.Axis != before.Axis || down < 4.9 || down > 60.1 {
				t.Errorf("level, the line of sight would sink by %.1f arcsec, or the axis moved", down)
			}
		}},
		{"creep", func(t *testing.T, rig *rehearsal.Rig, before, after rehearsal.Truth, now time.Time) {
			distance := func(tr rehearsal.Truth) sky.Angle { return sky.Separation(tr.Axis, tr.Boresight()) }
			near(t, "at once", distance(after), distance(before), exact)
			if d := (distance(rig.Truth(now.Add(hour))) - distance(before)).Arcminutes(); d < 40 || d > 300 {
				t.Errorf("in an hour the declination crept by %.1f arcmin", d)
			}
		}},
		{"dither", func(t *testing.T, rig *rehearsal.Rig, before, after rehearsal.Truth, now time.Time) {
			if after != before {
				t.Error("the mount itself moved")
			}
			a, err := rig.Expose(now)
			if err != nil {
				t.Fatal(err)
			}
			b, err := rig.Expose(now)
			if err != nil || slices.Equal(a.Pix, b.Pix) {
				t.Errorf("two frames show the same (%v)", err)
			}
		}},
		{"flip", func(t *testing.T, rig *rehearsal.Rig, before, after rehearsal.Truth, now time.Time) {
			near(t, "line of sight", sky.Separation(before.Boresight(), after.Boresight()), 0, 1*sky.Arcsecond)
			turned := sky.Separation(sky.Local(before.Camera.Column(1)), sky.Local(after.Camera.Column(1)))
			near(t, "the image", turned, 180*sky.Degree, 1*sky.Arcsecond)
			if after.Axis != before.Axis {
				t.Error("the axis moved")
			}
		}},
		{"stopped", func(t *testing.T, rig *rehearsal.Rig, _, _ rehearsal.Truth, now time.Time) {
			a, err := rig.Expose(now)
			if err != nil {
				t.Fatal(err)
			}
			b, err := rig.Expose(now.Add(time.Minute))
			if err != nil || !a.Start.Equal(b.Start) || !a.Start.Equal(now) {
				t.Errorf("taken at %v and %v (%v)", a.Start, b.Start, err)
			}
		}},
		{"longitude", func(t *testing.T, rig *rehearsal.Rig, before, after rehearsal.Truth, _ time.Time) {
			if after.Site.Longitude != -before.Site.Longitude || after.Axis != before.Axis || after.Pole != before.Pole {
				t.Errorf("stands at %+v", after.Site)
			}
		}},
		{"air", func(t *testing.T, rig *rehearsal.Rig, before, after rehearsal.Truth, _ time.Time) {
			part := after.Air.PressureHPa / before.Air.PressureHPa
			// Refraction lifts the pole by 55" at this latitude: 3 % and 30 of 280 kelvin are 8".
			if moved := sky.Separation(after.Pole, before.Pole); part < 0.97 || part > 1.03 || moved == 0 || moved > 9*sky.Arcsecond {
				t.Errorf("%.3f of the pressure, the pole lifted by %.1f arcsec", part, moved.Arcseconds())
			}
		}},
		{"clock", func(t *testing.T, rig *rehearsal.Rig, _, _ rehearsal.Truth, now time.Time) {
			f, err := rig.Expose(now)
			if err != nil || f.Start.Sub(now) != hour {
				t.Errorf("the frame's time is ahead by %v (%v)", f.Start.Sub(now), err)
			}
		}},
		{"cloud", func(t *testing.T, rig *rehearsal.Rig, _, _ rehearsal.Truth, now time.Time) {
			if stars, err := rig.Stars(now); err != nil || len(stars) > 0 {
				t.Errorf("%d stars through the cloud (%v)", len(stars), err)
			}
		}},
		{"wild", func(t *testing.T, rig *rehearsal.Rig, before, after rehearsal.Truth, now time.Time) {
			if after != before {
				t.Error("the gust moved the mount for good")
			}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			config := rehearsal.Quillmere(time.Date(2026, 10, 3, 20, 0, 0, 0, time.UTC))
			config.Camera.Width, config.Camera.Height, config.Camera.HotPixels = 64, 48, 0
			config.Mount.Tracking = true
			rig := newRig(t, bundled(t), config)
			station, err := rehearsal.NewStation(rig, rehearsal.StationOptions{Folder: t.TempDir(), Now: func() time.Time { return config.Start }})
			if err != nil {
				t.Fatal(err)
			}
			before := rig.Truth(config.Start)
			if err := station.SetFault(t.Context(), c.name, true); err != nil {
				t.Fatal(err)
			}
			lasts := stateOf(t, station, c.name)
			if lasts.On != lasts.Lasts || lasts.Text == "" {
				t.Errorf("state: %+v", lasts)
			}
			c.check(t, rig, before, rig.Truth(config.Start), config.Start)
			err = station.SetFault(t.Context(), c.name, false)
			if (err == nil) != lasts.Lasts || stateOf(t, station, c.name).On {
				t.Errorf("set right: %v", err)
			}
		})
	}
	if n := len(rehearsal.FaultNames()); n != 17 {
		t.Errorf("%d faults, this test knows 17", n)
	}
}

// A gust shakes one exposure and no other.
func TestGustShakesOneExposure(t *testing.T) {
	config := rehearsal.Quillmere(time.Date(2026, 10, 3, 20, 0, 0, 0, time.UTC))
	config.Mount.Tracking = true
	shaken, calm := newRig(t, bundled(t), config), newRig(t, bundled(t), config)
	shaken.Gust(sky.Vec{X: float64(20 * sky.Arcminute)})
	for frame := range 2 {
		a, err := shaken.Expose(config.Start)
		if err != nil {
			t.Fatal(err)
		}
		b, err := calm.Expose(config.Start)
		if err != nil {
			t.Fatal(err)
		}
		if same := slices.Equal(a.Pix, b.Pix); same != (frame == 1) {
			t.Errorf("frame %d: same as without the gust: %v", frame, same)
		}
	}
}

// Faults that were ordered beforehand: what lasts is there from the start, what
// happens once comes with the second turn of a bolt.
func TestFaultsOrderedBeforehand(t *testing.T) {
	config := rehearsal.Quillmere(time.Now())
	rig := newRig(t, fewStars{}, config)
	station, err := rehearsal.NewStation(rig, rehearsal.StationOptions{Folder: t.TempDir(), Now: time.Now, Faults: []string{"flexure", "declination"}})
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"flexure", "declination"} {
		if !stateOf(t, station, name).On {
			t.Errorf("%s is not on", name)
		}
	}
	distance := func() sky.Angle {
		truth := rig.Truth(config.Start)
		return sky.Separation(truth.Axis, truth.Boresight())
	}
	start := distance()
	if err := station.TurnAzimuthBolt(t.Context(), 5*sky.Arcminute); err != nil {
		t.Fatal(err)
	}
	near(t, "after one turn", distance(), start, 5*sky.Arcminute) // the flexure alone
	if err := station.TurnAltitudeBolt(t.Context(), 5*sky.Arcminute); err != nil {
		t.Fatal(err)
	}
	if moved := (distance() - start).Abs(); moved < 1*sky.Degree || stateOf(t, station, "declination").On {
		t.Errorf("after two turns the declination has turned by %.1f arcmin", moved.Arcminutes())
	}
	_, err = rehearsal.NewStation(rig, rehearsal.StationOptions{Folder: t.TempDir(), Now: time.Now, Faults: []string{"gremlins"}})
	if err == nil || !strings.Contains(err.Error(), "declination") {
		t.Errorf("an unknown fault: %v", err)
	}
	if err := station.SetFault(t.Context(), "gremlins", true); err == nil {
		t.Error("an unknown fault was taken")
	}
}
