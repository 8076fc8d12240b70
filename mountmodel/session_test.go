package mountmodel

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// desk is a session with a simulated mount in front of it.
type desk struct {
	*Session
	m     *simmount.Mount
	drive bool
	count int
	way   sky.Angle // of the last turn that was asked for, 1 or -1
}

func newDesk(t testing.TB, seed uint64, lat, sep sky.Angle, change func(*Config)) *desk {
	t.Helper()
	m := simmount.New(rand.New(rand.NewPCG(seed, 1)), sky.Site{Latitude: lat, Longitude: 12 * sky.Degree, ElevationM: 700}, 25*sky.Arcminute, sep)
	m.FieldW, m.Stars = 2*sky.Degree, 50
	for { // a camera that looks at the sky throughout the test
		if low := lowest(m, 120*sky.Degree); low > 5*sky.Degree || sep == 0 {
			break
		}
		m.Body = sky.Rotation(m.Axis, 20*sky.Degree).Mul(m.Body)
	}
	cfg := Config{Site: m.Site, Air: m.Air, Tolerance: DefaultTolerance}
	if change != nil {
		change(&cfg)
	}
	s, err := NewSession(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return &desk{Session: s, m: m, drive: true}
}

// lowest is the altitude of the boresight where it is lowest while the axis
// turns by span.
func lowest(m *simmount.Mount, span sky.Angle) sky.Angle {
	low := 90 * sky.Degree
	for a := sky.Angle(0); a <= span; a += 5 * sky.Degree {
		alt, _ := sky.AltAzFromLocal(sky.Local(sky.Rotation(m.Axis, a).Apply(m.Body.Column(2))))
		low = min(low, alt)
	}
	return low
}

// shoot turns the RA axis, takes a frame 30 seconds later and shows the view.
func (d *desk) shoot(turn sky.Angle) View {
	d.m.Theta += turn
	d.m.Wait(30*time.Second, d.drive)
	d.count++
	d.Take(d.m.Now.Add(2*time.Second), sightingOf(d.m, fmt.Sprintf("f%03d", d.count), 1))
	return d.View()
}

// offsetNow is the true distance of the axis from the pole aimed at.
func (d *desk) offsetNow() sky.Angle { return sky.Separation(d.m.AxisNow(), d.pole()) }

// asked turns the RA axis as the session asks for, and takes a frame.
func (d *desk) asked(v View) View {
	if d.way == 0 {
		d.way = 1
	}
	if v.Advice != nil && v.Advice.Back {
		d.way = -d.way
	}
	return d.shoot(d.way * v.Advice.Wanted())
}

// thereAndBack takes four frames that tell the axis, and that nothing moved.
func (d *desk) thereAndBack() {
	for _, turn := range []sky.Angle{0, 30, 30, -60} {
		d.shoot(turn * sky.Degree)
	}
}

// A frame that tells nothing leaves the numbers of the frame before: nobody is
// sent to turn by them, until one that can be read takes their place.
func TestSessionBlind(t *testing.T) {
	d := newDesk(t, 72, 45*sky.Degree, 3*sky.Degree, nil)
	cloud := func() View {
		d.m.Wait(30*time.Second, d.drive)
		d.count++
		d.Take(d.m.Now, Sighting{Name: fmt.Sprintf("f%03d", d.count), Mid: d.m.Now, Refused: "only 2 stars, too few to match"})
		return d.View()
	}
	d.shoot(0)
	v := d.shoot(30 * sky.Degree)
	if v.Doubt {
		t.Fatalf("in doubt: %q", v.Instruction)
	}
	if v = cloud(); !v.Doubt || !strings.Contains(v.Instruction, "before you turn anything") {
		t.Errorf("measuring, a cloud: doubt %v, told %q", v.Doubt, v.Instruction)
	}
	for v = d.shoot(0); v.Phase == Measuring; {
		v = d.asked(v)
	}
	if v.Doubt || v.Phase != Adjusting {
		t.Fatalf("%s, doubt %v: %q", v.Phase, v.Doubt, v.Instruction)
	}
	d.m.TurnBolts(v.Now.Move.Az, v.Now.Move.Alt, sky.Vec{})
	if v = d.shoot(0); !v.Within {
		t.Fatalf("not within: %q", v.Instruction)
	}
	if v = cloud(); !v.Doubt || v.Within || len(v.Moves) > 0 || !strings.Contains(v.Instruction, "leave the bolts until one can") || !strings.Contains(strings.Join(v.Details, " "), "only 2 stars") {
		t.Errorf("adjusting, a cloud: doubt %v, within %v, told %q %q", v.Doubt, v.Within, v.Instruction, v.Details)
	}
	if v = d.shoot(0); v.Doubt || !v.Within {
		t.Errorf("after the cloud: doubt %v, within %v, told %q", v.Doubt, v.Within, v.Instruction)
	}
}

// Far from the axis a frame after a turn of the bolts is too little for a small
// tolerance: the session says what helps, and that does help.
func TestSessionSaysHowToKnowBetter(t *testing.T) {
	d := newDesk(t, 71, 40*sky.Degree, 60*sky.Degree, func(c *Config) { c.Tolerance = 20 * sky.Arcsecond })
	d.m.FieldW, d.m.Stars = 0.5*sky.Degree, 15
	d.thereAndBack()
	if err := d.Do(d.m.Now, Measured); err != nil && !errors.Is(err, ErrNotNow) {
		t.Fatal(err)
	}
	v := d.View()
	const better = "turn the RA axis by some 30°"
	if strings.Contains(strings.Join(v.Details, " "), better) {
		t.Errorf("measured, and told %q", v.Details)
	}
	d.m.TurnBolts(3*sky.Arcminute, -2*sky.Arcminute, sky.Vec{})
	v = d.shoot(0)
	known := func() sky.Angle { a, _ := d.axisNow(); return knownTo(a) }
	before := known()
	if !strings.Contains(strings.Join(v.Details, " "), better) {
		t.Fatalf("known to %s only, and told %q", sky.KnownWords(before), v.Details)
	}
	v = d.shoot(30 * sky.Degree)
	after := known()
	if after > before/4 {
		t.Errorf("known to %s after the turn, to %s before it", sky.KnownWords(after), sky.KnownWords(before))
	}
	if e := sky.Separation(v.Now.Axis.Dir, d.m.AxisNow()); e > 4*after {
		t.Errorf("off by %.1f arcsec, known to %s", e.Arcseconds(), sky.KnownWords(after))
	}
	if strings.Contains(strings.Join(v.Details, " "), better) {
		t.Errorf("known to %s, and told %q", sky.KnownWords(after), v.Details)
	}
}

// The whole job as the session tells it, with nothing else known: measure,
// turn the bolts, lock, confirm. North and south, near the pole and away.
func TestSessionWholeJob(t *testing.T) {
	for i, c := range []struct{ lat, sep sky.Angle }{{41, 1}, {-35, 2}, {55, 30}, {-20, 12}, {70, 40}, {8, 80}} {
		t.Run(fmt.Sprintf("latitude %g, %g degrees from the axis", float64(c.lat), float64(c.sep)), func(t *testing.T) {
			d := newDesk(t, uint64(30+i), c.lat*sky.Degree, c.sep*sky.Degree, nil)
			v := d.View()
			if v.Phase != Waiting || v.Instruction == "" || v.Now != nil {
				t.Fatalf("at the start: %s, %q", v.Phase, v.Instruction)
			}
			v = d.shoot(0)
			for n := 0; v.Phase == Measuring; n++ {
				if n > 8 {
					t.Fatalf("still measuring after %d frames: %q %v", n, v.Instruction, v.Warnings)
				}
				if !strings.Contains(v.Instruction, "RA axis") || v.Advice == nil {
					t.Fatalf("measuring, but told %q", v.Instruction)
				}
				v = d.asked(v)
			}
			if v.Phase != Adjusting || v.Measured == nil || v.Dof < 2 {
				t.Fatalf("after measuring: %s, %d degrees of freedom", v.Phase, v.Dof)
			}
			if e := sky.Separation(v.Measured.Axis.Dir, d.m.AxisNow()); e > axis.Wanted(DefaultTolerance) {
				t.Fatalf("measured %.1f arcsec from the truth", e.Arcseconds())
			}
			for n := 0; !v.Within; n++ {
				if n > 4 {
					t.Fatalf("still %s from the pole after %d moves", sky.AngleWords(v.Now.Offset.Total), n)
				}
				// A hand on the bolts: nine tenths of what is told.
				d.m.TurnBolts(0.9*v.Now.Move.Az, 0.9*v.Now.Move.Alt, sky.Vec{X: 0.01})
				v = d.shoot(0)
			}
			if d.offsetNow() > DefaultTolerance {
				t.Fatalf("told to be within, the axis is %s from the pole", sky.AngleWords(d.offsetNow()))
			}
			if !strings.Contains(v.Instruction, "lock the bolts") {
				t.Errorf("within, but told %q", v.Instruction)
			}
			if err := d.Do(d.m.Now, Locked); err != nil {
				t.Fatal(err)
			}
			before := d.m.AxisNow()
			shift := 25 * sky.Arcsecond
			d.m.TurnBolts(0, shift, sky.Vec{})
			v = d.shoot(0)
			for n := 0; v.Phase == Confirming; n++ {
				if n > 8 {
					t.Fatalf("still confirming after %d frames: %q", n, v.Instruction)
				}
				v = d.asked(v)
			}
			if v.Phase != Done || v.Lock == nil {
				t.Fatalf("after confirming: %s", v.Phase)
			}
			if moved := sky.Separation(before, d.m.AxisNow()); (v.Lock.Total - moved).Abs() > 4*v.Lock.Uncertainty+2.5*sky.Arcsecond {
				t.Errorf("the lock moved the axis by %.1f arcsec, told %.1f +- %.1f", moved.Arcseconds(), v.Lock.Total.Arcseconds(), v.Lock.Uncertainty.Arcseconds())
			}
			if v.Within != (d.offsetNow() <= DefaultTolerance) && (d.offsetNow()-DefaultTolerance).Abs() > axis.Wanted(DefaultTolerance) {
				t.Errorf("within: %v, truth %s", v.Within, sky.AngleWords(d.offsetNow()))
			}
			if len(v.Warnings) > 0 && v.Warnings[0].Code != axis.WarnLowFrame {
				t.Errorf("a clean night warns: %+v", v.Warnings)
			}
		})
	}
}

// Another site, pole or tolerance works everything out anew, and takes no
// frame for something else than before.
func TestSessionReconfigure(t *testing.T) {
	d := newDesk(t, 80, 44*sky.Degree, 5*sky.Degree, nil)
	d.thereAndBack()
	d.m.TurnBolts(5*sky.Arcminute, 2*sky.Arcminute, sky.Vec{})
	d.shoot(0)
	d.shoot(0)
	was := d.View()

	cfg := d.cfg
	cfg.Pole = observed.True
	if err := d.Reconfigure(cfg); err != nil {
		t.Fatal(err)
	}
	v := d.View()
	if v.Now.Axis.Dir != was.Now.Axis.Dir || len(v.Frames) != len(was.Frames) || len(v.Adjust) != len(was.Adjust) || v.Phase != was.Phase {
		t.Errorf("another pole changed more than the pole: %s, %d, %d", v.Phase, len(v.Frames), len(v.Adjust))
	}
	lift, _ := sky.AltAzFromLocal(was.Pole)
	if d := v.Now.Offset.Alt - was.Now.Offset.Alt - (lift - 44*sky.Degree); d.Abs() > simmount.ExactAxis {
		t.Errorf("offset from the true pole is off by %g arcsec", d.Arcseconds())
	}

	// A tolerance that the measurement would not have met, and a site a degree
	// away: same roles.
	cfg.Pole, cfg.Tolerance, cfg.Site.Latitude = observed.Refracted, 5*sky.Arcsecond, 45*sky.Degree
	if err := d.Reconfigure(cfg); err != nil {
		t.Fatal(err)
	}
	if v := d.View(); v.Phase != Adjusting || len(v.Adjust) != 2 || len(v.Frames) != 4 {
		t.Errorf("%s, %d frames, %d adjusting", v.Phase, len(v.Frames), len(v.Adjust))
	}
	// And back: as if nothing had been.
	if err := d.Reconfigure(Config{Site: d.m.Site, Air: d.m.Air, Tolerance: DefaultTolerance}); err != nil {
		t.Fatal(err)
	}
	if v := d.View(); v.Now.Axis != was.Now.Axis {
		t.Errorf("there and back: %+v, was %+v", v.Now.Axis, was.Now.Axis)
	}
	cfg.Tolerance = 0
	if err := d.Reconfigure(cfg); err == nil {
		t.Error("tolerance 0 was taken")
	}
}

// A view is the caller's own.
func TestViewIsACopy(t *testing.T) {
	d := newDesk(t, 110, 44*sky.Degree, 5*sky.Degree, nil)
	d.thereAndBack()
	d.m.TurnBolts(5*sky.Arcminute, 0, sky.Vec{})
	v := d.shoot(0)
	v.Frames[0].Name, v.Adjust[0].Name, v.Now.Offset.Alt = "spoilt", "spoilt", 1
	v.Measured.Offset.Alt = 1
	w := d.View()
	if w.Frames[0].Name == "spoilt" || w.Adjust[0].Name == "spoilt" || w.Now.Offset.Alt == 1 || w.Measured.Offset.Alt == 1 {
		t.Error("changing a view changed the session")
	}
}

// Hours of adjusting do not grow without bound.
func TestSessionForgets(t *testing.T) {
	d := newDesk(t, 111, 44*sky.Degree, 5*sky.Degree, nil)
	d.m.Stars = 6
	d.thereAndBack()
	for i := range 2 * mostAdjusts {
		d.m.TurnBolts(sky.Angle(1-2*(i%2))*5*sky.Arcminute, 0, sky.Vec{})
		d.shoot(0)
		if i%3 == 0 {
			d.Take(d.m.Now, Sighting{Name: fmt.Sprint("cloud", i), Mid: d.m.Now, Refused: "clouds"})
		}
	}
	v := d.View()
	if len(v.Adjust) != mostAdjusts || len(v.Frames) > 4+50 || len(d.history) > 2*mostAdjusts+10 {
		t.Errorf("%d adjusting, %d frames, %d entries", len(v.Adjust), len(v.Frames), len(d.history))
	}
	// What is left still gives the same axis under the same configuration.
	if err := d.Reconfigure(d.cfg); err != nil {
		t.Fatal(err)
	}
	major, _, _ := v.Now.Axis.Ellipse()
	if s := sky.Separation(d.View().Now.Axis.Dir, v.Now.Axis.Dir); s > 2*major {
		t.Errorf("replayed, the axis is %.2f arcsec away", s.Arcseconds())
	}
}

// Whatever comes in whatever order: no panic, always a phase, an instruction
// and finite numbers.
func TestSessionTakesAnything(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		lat := rapid.Float64Range(-90, 90).Draw(rt, "latitude")
		sep := rapid.Float64Range(0, 120).Draw(rt, "distance")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		m := simmount.New(rng, sky.Site{Latitude: sky.Angle(lat) * sky.Degree}, 1*sky.Degree, sky.Angle(sep)*sky.Degree)
		s, err := NewSession(Config{Site: m.Site, Air: m.Air, Tolerance: DefaultTolerance})
		if err != nil {
			rt.Fatal(err)
		}
		steps := rapid.IntRange(1, 25).Draw(rt, "steps")
		for i := range steps {
			switch rapid.IntRange(0, 9).Draw(rt, "what") {
			case 0:
				m.Theta += sky.Angle(rng.NormFloat64()) * 30 * sky.Degree
			case 1:
				m.TurnBolts(sky.Angle(rng.NormFloat64())*sky.Degree, sky.Angle(rng.NormFloat64())*sky.Degree, sky.Vec{X: 0.1 * rng.NormFloat64()})
			case 2:
				event := rapid.SampledFrom([]Event{StartOver, Measured, Locked, Unlocked, Measured, Locked}).Draw(rt, "event")
				_ = s.Do(m.Now, event) // refusals are tested elsewhere
			case 3:
				s.Take(m.Now, Sighting{Name: fmt.Sprint("u", i), Mid: m.Now, Refused: "clouds"})
			case 4:
				cfg := s.cfg
				cfg.Site.Latitude = sky.Angle(rng.Float64()*180-90) * sky.Degree
				cfg.MeasureFrames = 2 * rng.IntN(3)
				if err := s.Reconfigure(cfg); err != nil {
					rt.Fatal(err)
				}
			case 5:
				m.Wait(time.Duration(rng.NormFloat64()*float64(time.Hour)), true)
				fallthrough
			default:
				m.Theta += sky.Angle(10*rng.Float64()) * sky.Degree
				m.Wait(10*time.Second, rng.IntN(2) == 0)
				s.Take(m.Now, sightingOf(m, fmt.Sprint("f", i), math.Abs(3*rng.NormFloat64())))
			}
			v := s.View()
			if v.Instruction == "" || v.Phase == "" {
				rt.Fatalf("nothing told: %+v", v)
			}
			for _, st := range []*axis.Status{v.Measured, v.Now} {
				if st == nil {
					continue
				}
				for _, x := range []float64{float64(st.Offset.Alt), float64(st.Offset.Az), float64(st.Offset.Total),
					float64(st.Axis.SigmaAlt()), float64(st.Axis.SigmaAz()), st.Axis.Correlation()} {
					if math.IsNaN(x) || math.IsInf(x, 0) {
						rt.Fatalf("not a number in %+v", st)
					}
				}
			}
		}
	})
}

// One view, as the page asks for after every frame.
func BenchmarkView(b *testing.B) {
	d := newDesk(b, 120, 44*sky.Degree, 5*sky.Degree, func(c *Config) { c.MeasureFrames = maxMeasureFrames })
	for range 10 {
		d.shoot(10 * sky.Degree)
	}
	for b.Loop() {
		d.View()
	}
}

// sightingOf is a sighting of the simulated mount as it now stands.
func sightingOf(m *simmount.Mount, name string, noise float64) Sighting {
	return Sighting{Name: name, Mid: m.Now, Pairs: m.Pairs(noise)}
}

// Ten frames of 300 stars: the newest frame's attitude and the axis anew.
func BenchmarkFrameToAxis(b *testing.B) {
	rng := rand.New(rand.NewPCG(8, 1))
	m := simmount.New(rng, sky.Site{Latitude: 45 * sky.Degree}, 1*sky.Degree, 30*sky.Degree)
	m.Stars, m.FieldW = 300, 5*sky.Degree
	cfg := Config{Site: m.Site, Air: m.Air, Tolerance: DefaultTolerance, MeasureFrames: maxMeasureFrames}
	s, err := NewSession(cfg)
	if err != nil {
		b.Fatal(err)
	}
	for range 9 {
		s.Take(m.Now, sightingOf(m, m.Now.String(), 1))
		m.Theta += 10 * sky.Degree
		m.Wait(time.Minute, true)
	}
	next := sightingOf(m, "new", 1)
	o, err := observed.NewObserver(m.Site, m.Air, next.Mid, 0)
	if err != nil {
		b.Fatal(err)
	}
	pole := observed.Pole(m.Site, m.Air, observed.Refracted)
	for b.Loop() {
		st, err := o.Attitude(next.Pairs)
		if err != nil {
			b.Fatal(err)
		}
		m := s.state.running()
		if _, err := axis.Find(append(m.Attitudes(), st.Attitude), pole); err != nil {
			b.Fatal(err)
		}
	}
}
