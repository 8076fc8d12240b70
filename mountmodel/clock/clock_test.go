package clock

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"
)

var clockNight = time.Date(2026, 11, 5, 22, 13, 7, 0, time.UTC)

// stampsWith are frames a few minutes apart whose header is ahead by ahead,
// complete so many seconds after their end.
func stampsWith(ahead time.Duration, late ...float64) []Stamp {
	var out []Stamp
	for i, l := range late {
		start := clockNight.Add(time.Duration(i) * 4 * time.Minute)
		end := start.Add(30*time.Second + time.Duration(l*float64(time.Second)))
		out = append(out, Stamp{Start: start.Add(ahead), Exposure: 30 * time.Second, Written: end, Heard: end.Add(time.Second)})
	}
	return out
}

// Zones from the IANA time zone database: Arizona 7 h behind UTC all the year,
// India 5 h 30 min ahead, Nepal 5 h 45 min, Chatham 12 h 45 min, Kiribati 14 h.
func TestCheckClock(t *testing.T) {
	prompt := []float64{4, 3, 6, 5}
	for _, c := range []struct {
		name   string
		stamps []Stamp
		lon    float64
		kind   Kind
		offset time.Duration
		says   []string
	}{
		{"right", stampsWith(0, prompt...), 10, Agrees, -3 * time.Second, nil},
		{"right, one frame", stampsWith(0, 2), 10, Agrees, -2 * time.Second, nil},
		{"right, slow link", stampsWith(0, 40, 62, 55, 80), 10, Agrees, -40 * time.Second, nil},
		{"local time in Arizona", stampsWith(-7*time.Hour, prompt...), -110.88, Zone, -7 * time.Hour, []string{"7 h behind", "local time is written", "lead away"}},
		{"zone taken off twice in Arizona", stampsWith(7*time.Hour, prompt...), -110.88, Zone, 7 * time.Hour, []string{"twice"}},
		{"local time in India", stampsWith(5*time.Hour+30*time.Minute, prompt...), 77.2, Zone, 5*time.Hour + 30*time.Minute, []string{"5 h 30 min ahead", "local time is written", "lead away"}},
		{"local time in Nepal", stampsWith(5*time.Hour+45*time.Minute, prompt...), 85.3, Zone, 5*time.Hour + 45*time.Minute, []string{"local time"}},
		{"local time on Chatham", stampsWith(12*time.Hour+45*time.Minute, prompt...), -176.5, Zone, 12*time.Hour + 45*time.Minute, nil},
		{"local time in Kiribati", stampsWith(14*time.Hour, prompt...), -157.4, Zone, 14 * time.Hour, nil},
		{"summer time in Arizona", stampsWith(time.Hour, prompt...), -110.88, Summer, time.Hour, []string{"summer time", "26 %"}},
		{"summer time in the east", stampsWith(-time.Hour, prompt...), 150, Summer, -time.Hour, []string{"summer time"}},
		{"an hour in Austria", stampsWith(time.Hour, prompt...), 14, Zone, time.Hour, []string{"local time is written", "summer time"}},
		{"an hour, one slow frame", stampsWith(time.Hour, 70), -110.88, Summer, time.Hour, nil},
		{"seven minutes", stampsWith(7*time.Minute, prompt...), 10, Off, 7*time.Minute - 3*time.Second, []string{"7 min ahead", "matters little"}},
		{"twenty seconds ahead", stampsWith(20*time.Second, prompt...), 10, Off, 17 * time.Second, []string{"17 s ahead", "matters little"}},
		{"days behind", stampsWith(-72*time.Hour, prompt...), 10, Unknown, 0, nil}, // or frames of three days ago
		{"days ahead", stampsWith(72*time.Hour, prompt...), 10, Off, 72*time.Hour - 3*time.Second, []string{"72 h ahead"}},
		{"nothing", nil, 10, Unknown, 0, nil},
		{"no header time", []Stamp{{Written: clockNight, Heard: clockNight}}, 10, Unknown, 0, nil},
		{"copied an hour later, all at once", func() []Stamp {
			s := stampsWith(0, prompt...)
			for i := range s {
				s[i].Written = clockNight.Add(time.Hour)
				s[i].Heard = s[i].Written
			}
			return s
		}(), 10, Unknown, 0, nil},
	} {
		file, host := Check(c.stamps, sky.Angle(c.lon)*sky.Degree)
		if file.Kind != c.kind || file.Offset != c.offset {
			t.Errorf("%s: kind %d, offset %v: %s", c.name, file.Kind, file.Offset, file.Message)
		}
		if host.Kind != c.kind {
			t.Errorf("%s: by this computer's clock kind %d: %s", c.name, host.Kind, host.Message)
		}
		for _, s := range c.says {
			if !strings.Contains(file.Message, s) {
				t.Errorf("%s: %q is not in %q", c.name, s, file.Message)
			}
		}
		if (file.Message == "") != (c.kind <= Agrees) {
			t.Errorf("%s: message %q", c.name, file.Message)
		}
	}
	// The camera's computer is an hour off, file system and header alike.
	s := stampsWith(0, prompt...)
	for i := range s {
		s[i].Heard = s[i].Heard.Add(-time.Hour)
	}
	file, host := Check(s, -110*sky.Degree)
	if file.Kind != Agrees || host.Kind != Summer || !strings.Contains(host.Message, "one of the two computers") {
		t.Errorf("%+v, %+v", file, host)
	}
	// No file times, as over some networks.
	for i := range s {
		s[i].Written = time.Time{}
	}
	if file, host = Check(s, -110*sky.Degree); file.Kind != Unknown || host.Kind != Summer {
		t.Errorf("%+v, %+v", file, host)
	}
}

// Every difference of zones is named, whatever the delays; and no offset that
// none explains is.
func TestCheckClockAll(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		late := rapid.SliceOfN(rapid.Float64Range(0.5, 60), 1, 8).Draw(t, "late")
		lon := sky.Angle(rapid.Float64Range(-180, 180).Draw(t, "longitude")) * sky.Degree
		halves := rapid.IntRange(-28, 28).Draw(t, "half hours")
		zone := time.Duration(halves) * 30 * time.Minute
		got, _ := Check(stampsWith(zone, late...), lon)
		switch {
		case zone == 0:
			if got.Kind != Agrees {
				t.Fatalf("right clock: %+v", got)
			}
		case got.Kind != Zone && got.Kind != Summer, got.Offset != zone:
			t.Fatalf("%v: %+v", zone, got)
		}
		// Two to thirteen minutes beside a quarter of an hour.
		odd := zone + time.Duration(rapid.IntRange(4, 12).Draw(t, "minutes"))*time.Minute
		if odd >= -13*time.Hour {
			if got, _ = Check(stampsWith(odd, late...), lon); got.Kind != Off {
				t.Fatalf("%v: %+v", odd, got)
			}
		}
	})
}

func TestClockNumbers(t *testing.T) {
	// 15.041 arcsec of sidereal turn per second of mean time (Explanatory
	// Supplement, value from memory) times a degree in radians.
	if got := clockShift(1*sky.Degree, time.Second).Arcseconds(); math.Abs(got-0.2625) > 0.0002 {
		t.Errorf("a second at a degree: %.4f arcsec, want 0.2625", got)
	}
	for _, c := range []struct {
		err  time.Duration
		want float64
	}{
		{0, 0},
		{time.Hour, 2 * math.Sin(7.5205*math.Pi/180)},
		{-time.Hour, 2 * math.Sin(7.5205*math.Pi/180)},
		{12 * time.Hour, 2},
		{23*time.Hour + 56*time.Minute + 4*time.Second + 91*time.Millisecond, 0}, // a sidereal day
	} {
		if got := factor(c.err); math.Abs(got-c.want) > 1e-4 {
			t.Errorf("%v: factor %.5f, want %.5f", c.err, got, c.want)
		}
	}
	if factor(3*time.Hour+59*time.Minute) >= 1 || factor(4*time.Hour) <= 1 {
		t.Error("corrections lead to the pole for clocks wrong by less than four hours")
	}
	rapid.Check(t, func(t *rapid.T) {
		pole := sky.Local(sky.Unit(sky.Vec{Y: 1, Z: rapid.Float64Range(0.05, 5).Draw(t, "altitude")}))
		offset := sky.Angle(rapid.Float64Range(0, 20).Draw(t, "offset")) * sky.Degree
		axis := sky.Local(sky.RotationFromVector(r3.Scale(float64(offset), sky.TangentBasis(sky.Vec(pole))[0])).Apply(sky.Vec(pole)))
		err := time.Duration(rapid.Float64Range(-12, 12).Draw(t, "hours") * float64(time.Hour))
		off := axisByClock(axis, pole, err, rapid.Bool().Draw(t, "south"))
		if d := sky.Separation(off, pole) - offset; d.Abs() > 1e-9*sky.Arcsecond+1e-14*sky.Degree {
			t.Fatalf("the size of the offset changed by %g arcsec", d.Arcseconds())
		}
		if d := sky.Separation(off, axis) - clockShift(offset, err); d.Abs() > 1e-8*sky.Degree {
			t.Fatalf("moved by %g degrees, said %g", sky.Separation(off, axis).Degrees(), clockShift(offset, err).Degrees())
		}
	})
}

// wrongly fits the axis of the frames as someone does who has site or clock
// wrong.
func wrongly(t *testing.T, shots []simmount.Shot, site sky.Site, air sky.Air, ahead time.Duration) (*axis.Fit, sky.Local) {
	t.Helper()
	var att []sky.Attitude
	for _, s := range shots {
		o, err := observed.NewObserver(site, air, s.Mid.Add(ahead), 0)
		if err != nil {
			t.Fatal(err)
		}
		st, err := o.Attitude(s.Pairs)
		if err != nil {
			t.Fatal(err)
		}
		att = append(att, st.Attitude)
	}
	pole := observed.Pole(site, air, observed.Refracted)
	fit, err := axis.Find(att, pole)
	if err != nil {
		t.Fatal(err)
	}
	return fit, pole
}

// The effect of a wrong clock against the real thing: the same frames through
// the Observer at wrong times. Without air the rule is exact but for
// precession; with air it is off by the refraction at wrong altitudes.
func TestClockAgainstObserver(t *testing.T) {
	var worst [2]map[time.Duration]sky.Angle
	worst[0], worst[1] = map[time.Duration]sky.Angle{}, map[time.Duration]sky.Angle{}
	for seed := range 30 {
		rng := rand.New(rand.NewPCG(uint64(seed), 14))
		lat := sky.Angle(30+25*rng.Float64()) * sky.Degree
		if seed%3 == 0 {
			lat = -lat
		}
		m := simmount.New(rng, sky.Site{Latitude: lat, Longitude: 20 * sky.Degree}, 30*sky.Arcminute, 50*sky.Degree)
		for k, air := range [2]sky.Air{simmount.Airless, sky.StandardAir(0)} {
			m.Air = air
			s := m.Shots()
			if s == nil {
				continue
			}
			for _, ahead := range []time.Duration{time.Second, time.Minute, -10 * time.Minute, time.Hour, -2 * time.Hour} {
				fit, pole := wrongly(t, s, m.Site, air, ahead)
				want := axisByClock(sky.Local(m.Axis), pole, ahead, m.Site.South())
				d := sky.Separation(fit.Axis.Dir, want)
				worst[k][ahead] = max(worst[k][ahead], d)
			}
		}
	}
	for _, c := range []struct {
		ahead        time.Duration
		airless, air sky.Angle
	}{
		// Precession moves the pole by 20 arcsec a year, aberration turns with the
		// day by 1 degree per day: nothing in an hour. What is left is rounding and
		// the aberration of the turning site, 0.3 arcsec times the turn.
		{time.Second, 0.001 * sky.Arcsecond, 0.1 * sky.Arcsecond},
		{time.Minute, 0.01 * sky.Arcsecond, 1 * sky.Arcsecond},
		{-10 * time.Minute, 0.05 * sky.Arcsecond, 10 * sky.Arcsecond},
		{time.Hour, 0.3 * sky.Arcsecond, 60 * sky.Arcsecond},
		{-2 * time.Hour, 0.6 * sky.Arcsecond, 240 * sky.Arcsecond},
	} {
		t.Logf("clock ahead by %v: rule off by at most %.4f arcsec without air, %.2f with", c.ahead, worst[0][c.ahead].Arcseconds(), worst[1][c.ahead].Arcseconds())
		if worst[0][c.ahead] > c.airless || worst[1][c.ahead] > c.air {
			t.Errorf("clock ahead by %v: %.4f and %.2f arcsec", c.ahead, worst[0][c.ahead].Arcseconds(), worst[1][c.ahead].Arcseconds())
		}
	}
}

// A latitude wrong by degrees leaves the size of the offset alone, and does not
// show in the fit.
func TestLatitudeAgainstObserver(t *testing.T) {
	var change, misfit [2]map[float64]sky.Angle
	for k := range 2 {
		change[k], misfit[k] = map[float64]sky.Angle{}, map[float64]sky.Angle{}
	}
	errors := []float64{-10, -3, -1, 1, 3, 10}
	for seed := range 30 {
		rng := rand.New(rand.NewPCG(uint64(seed), 15))
		m := simmount.New(rng, sky.Site{Latitude: sky.Angle(30+25*rng.Float64()) * sky.Degree, Longitude: 20 * sky.Degree}, 30*sky.Arcminute, 50*sky.Degree)
		for k, air := range [2]sky.Air{simmount.Airless, sky.StandardAir(0)} {
			m.Air = air
			s := m.Shots()
			if s == nil {
				continue
			}
			truth := sky.Separation(sky.Local(m.Axis), observed.Pole(m.Site, air, observed.Refracted))
			for _, e := range errors {
				site := m.Site
				site.Latitude += sky.Angle(e) * sky.Degree
				fit, pole := wrongly(t, s, site, air, 0)
				change[k][e] = max(change[k][e], (sky.Separation(fit.Axis.Dir, pole) - truth).Abs())
				rms := sky.Angle(0)
				for _, r := range fit.Residuals {
					rms = max(rms, sky.Angle(r3.Norm(r)))
				}
				misfit[k][e] = max(misfit[k][e], rms)
			}
		}
	}
	for _, e := range errors {
		t.Logf("latitude wrong by %+g degrees: size of the offset changes by at most %.3f arcsec without air, %.1f with; frames depart by at most %.1f arcsec", e, change[0][e].Arcseconds(), change[1][e].Arcseconds(), misfit[1][e].Arcseconds())
		// Only the turning site's aberration, 0.3 arcsec times the error, is left
		// without air.
		if change[0][e] > 0.3*sky.Arcsecond*sky.Angle(math.Abs(e))*sky.Degree+1e-3*sky.Arcsecond {
			t.Errorf("latitude wrong by %g, no air: %.4f arcsec", e, change[0][e].Arcseconds())
		}
		if change[1][e] > 6*sky.Arcsecond*sky.Angle(math.Abs(e)) { // an arcminute for ten degrees
			t.Errorf("latitude wrong by %g: %.1f arcsec", e, change[1][e].Arcseconds())
		}
		// Refraction changes by 58.3 arcsec / sin^2 altitude per radian: 3.1 arcsec
		// per degree at altitude 35, of which the fit takes up a part.
		if misfit[1][e] > 3.1*sky.Arcsecond*sky.Angle(math.Abs(e)) {
			t.Errorf("latitude wrong by %g: the frames depart by %.1f arcsec", e, misfit[1][e].Arcseconds())
		}
	}
}

func TestCompareSites(t *testing.T) {
	used := sky.Site{Latitude: 31.68 * sky.Degree, Longitude: -110.88 * sky.Degree}
	for _, c := range []struct {
		lat, lon float64
		says     string
	}{
		{31.68, -110.88, ""}, {31.7, -110.9, ""}, {31.68, 249.12, ""},
		{31.68, 110.88, "west as positive"},
		{-31.68, -110.88, "side of the equator"},
		{31.68, -105.88, "20 min"},
		{35, -110.88, "not the one in use"},
	} {
		got := CompareSites(used, sky.Site{Latitude: sky.Angle(c.lat) * sky.Degree, Longitude: sky.Angle(c.lon) * sky.Degree}, "the frame's header")
		if (c.says == "") != (got == "") || !strings.Contains(got, c.says) {
			t.Errorf("%g, %g: %q", c.lat, c.lon, got)
		}
	}
}

// axisByClock is where an axis would be computed if the clock were ahead by
// err: turned about the pole with the sky, westwards. The pole is the elevated
// one, south tells which. Refraction at the wrong altitudes comes on top.
func axisByClock(axis, pole sky.Local, err time.Duration, south bool) sky.Local {
	turn := -skyTurn(err)
	if south {
		turn = -turn
	}
	return sky.Local(sky.Rotation(sky.Vec(pole), turn).Apply(sky.Vec(axis)))
}

// clockShift is how far a clock wrong by err moves the computed axis, on the
// sky, when the axis is at the given distance from the pole.
func clockShift(offset sky.Angle, err time.Duration) sky.Angle {
	return 2 * sky.Asin(offset.Sin()*math.Abs((skyTurn(err)/2).Sin()))
}
