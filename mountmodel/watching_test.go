package mountmodel

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/nights"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// watching is a session that was told to watch, over a mount that tracks.
func watching(t testing.TB, seed uint64, guiding nights.Guiding) *desk {
	t.Helper()
	d := newDesk(t, seed, 47*sky.Degree, 30*sky.Degree, func(c *Config) { c.Guiding = guiding })
	// Evening: the longitude is 12 degrees east, so 19 h UTC is after dark in October.
	d.m.Now = time.Date(2026, 10, 3, 19, 0, 0, 0, time.UTC)
	if err := d.Do(d.m.Now, WatchOnly); err != nil {
		t.Fatal(err)
	}
	return d
}

// exposeFor takes ordinary exposures for a time.
func (d *desk) exposeFor(total, cadence time.Duration) View {
	for end := d.m.Now.Add(total); d.m.Now.Before(end); {
		d.m.Wait(cadence, true)
		d.count++
		d.Take(d.m.Now.Add(2*time.Second), sightingOf(d.m, fmt.Sprintf("w%05d", d.count), 1))
	}
	return d.View()
}

// With no procedure at all the session comes to the axis: it says what it waits
// for, then offset, side and what to turn, and the truth lies in the ellipse.
func TestSessionWatches(t *testing.T) {
	for seed := range uint64(4) {
		d := watching(t, seed, nights.Unguided)
		v := d.View()
		if v.Phase != Watching || v.Now != nil || v.Watch != nil || !strings.Contains(v.Instruction, "leave this running") {
			t.Errorf("before the first frame: %s, %q", v.Phase, v.Instruction)
		}
		v = d.exposeFor(time.Minute, time.Minute)
		if v.Watch == nil || v.Watch.Frames != 1 || v.Now != nil || !strings.Contains(v.Instruction, "first frame is in") {
			t.Errorf("after the first frame: %+v, %q", v.Watch, v.Instruction)
		}
		v = d.exposeFor(2*time.Minute, time.Minute)
		if v.Watch.Frames != 3 || v.Within {
			t.Errorf("after three minutes: %+v", v.Watch)
		}
		v = d.exposeFor(57*time.Minute, time.Minute)
		if v.Now == nil || v.Watch.Status == nil {
			t.Fatalf("seed %d: an hour tells nothing: %q", seed, v.Instruction)
		}
		if q := simmount.Mahalanobis(v.Now.Axis.Dir, v.Now.Axis.Cov, d.m.AxisNow()); q > 13.8 { // one in a thousand
			t.Errorf("seed %d: %.1f arcsec off, chi-square %.1f", seed, sky.Separation(v.Now.Axis.Dir, d.m.AxisNow()).Arcseconds(), q)
		}
		if v.Within || !strings.Contains(v.Instruction, "outside the tolerance") || !strings.Contains(v.Instruction, "start over and measure") {
			t.Errorf("25 arcminutes off: within %v, %q", v.Within, v.Instruction)
		}
		if n := len(v.Frames); n != 60 || v.Frames[n-1].Status != axis.FrameWatches {
			t.Errorf("%d frames listed", n)
		}
		// Events of the procedure do not fit; a new start leads to it.
		for _, e := range []Event{WatchOnly, Measured, Locked, Unlocked} {
			if d.Do(d.m.Now, e) == nil {
				t.Errorf("%s was taken while watching", e)
			}
		}
		if err := d.Do(d.m.Now, StartOver); err != nil || d.View().Phase != Waiting || d.View().Watch != nil {
			t.Errorf("start over: %v, phase %s", err, d.View().Phase)
		}
	}
}

// After the lock ordinary exposures are watched as well, until the bolts are
// unlocked.
func TestSessionWatchesAfterTheLock(t *testing.T) {
	d := newDesk(t, 3, 47*sky.Degree, 30*sky.Degree, func(c *Config) { c.Tolerance = 1 * sky.Degree })
	for range 3 {
		d.shoot(25 * sky.Degree)
	}
	if err := d.Do(d.m.Now, Locked); err != nil {
		t.Fatal(err)
	}
	for n := 0; d.View().Phase == Confirming && n < 5; n++ {
		d.shoot(-25 * sky.Degree)
	}
	if v := d.View(); v.Phase != Done || v.Watch != nil {
		t.Fatalf("after the lock: %s, watch %v", v.Phase, v.Watch)
	}
	v := d.exposeFor(time.Hour, time.Minute)
	if v.Watch == nil || v.Watch.Status == nil {
		t.Fatalf("an hour after the lock: %+v", v.Watch)
	}
	if q := simmount.Mahalanobis(v.Watch.Status.Axis.Dir, v.Watch.Status.Axis.Cov, d.m.AxisNow()); q > 13.8 {
		t.Errorf("chi-square %.1f", q)
	}
	if err := d.Do(d.m.Now, Unlocked); err != nil || d.View().Watch != nil {
		t.Errorf("unlocked: %v, still watching %v", err, d.View().Watch != nil)
	}
}

// Each night is fitted by itself, and what one night told is kept: here the
// axis moved by day. A frame of a night that is over is refused.
func TestNightsAreWatchedOneByOne(t *testing.T) {
	d := watching(t, 1, nights.Unguided)
	for night := range 3 {
		if night > 0 {
			d.m.TurnBolts(4*sky.Arcminute, -3*sky.Arcminute, sky.Vec{})
			d.m.Theta, d.m.Now = 0, time.Date(2026, 10, 3+night, 19, 0, 0, 0, time.UTC)
		}
		v := d.exposeFor(2*time.Hour, 6*time.Second)
		if v.Watch.Frames != 1200 || len(v.Watch.Before) != night || v.Watch.Status == nil {
			t.Fatalf("night %d: %d frames, %d nights before, standing %v", night, v.Watch.Frames, len(v.Watch.Before), v.Watch.Status)
		}
		if q := simmount.Mahalanobis(v.Watch.Status.Axis.Dir, v.Watch.Status.Axis.Cov, d.m.AxisNow()); q > 13.8 {
			t.Errorf("night %d: chi-square %.1f", night, q)
		}
		if night > 0 {
			if last := v.Watch.Before[night-1]; last.Frames != 1200 || sky.Separation(last.Status.Axis.Dir, v.Watch.Status.Axis.Dir) < 3*sky.Arcminute {
				t.Errorf("the night before: %+v", last)
			}
		}
	}
	_, err := d.state.watch().With(nights.Exposure{Attitude: sky.Attitude{R: d.m.Attitude()}, Mid: d.m.Now.Add(-24 * time.Hour)})
	if err == nil || !strings.Contains(err.Error(), "earlier night") {
		t.Errorf("a frame of the night before: %v", err)
	}
}

// A session that is given only the frames which have not expired
// stands where one stands that was given all; the nights before are missing.
func TestExpired(t *testing.T) {
	d := watching(t, 5, nights.Unguided)
	given := []int{120, 250, 200, 150} // frames a night
	var shots []Sighting
	var mids []time.Time
	for night, frames := range given {
		if night > 0 {
			d.m.TurnBolts(sky.Arcminute, -2*sky.Arcminute, sky.Vec{})
			d.m.Theta, d.m.Now = 0, time.Date(2026, 10, 3+night, 19, 0, 0, 0, time.UTC)
		}
		for range frames {
			d.m.Wait(time.Minute, true)
			shots = append(shots, sightingOf(d.m, fmt.Sprintf("w%05d", len(shots)), 1))
			mids = append(mids, d.m.Now)
			d.Take(d.m.Now, shots[len(shots)-1])
		}
	}
	want := d.View()
	// The newest 300 begin in the third night, which is kept whole.
	n := Expired(d.cfg, mids)
	if n != given[0]+given[1] {
		t.Fatalf("%d frames are expired, want the two first nights", n)
	}
	again := &desk{Session: watching(t, 5, nights.Unguided).Session}
	for _, s := range shots[n:] {
		again.Take(s.Mid, s)
	}
	got := again.View()
	if len(want.Watch.Before) != 3 || len(got.Watch.Before) != 1 {
		t.Fatalf("%d and %d nights before", len(want.Watch.Before), len(got.Watch.Before))
	}
	want.Watch.Before = want.Watch.Before[2:]
	if !reflect.DeepEqual(got, want) {
		t.Errorf("the session came out differently:\n%+v\n%+v", got, want)
	}
	// So does a change of place.
	cfg := d.cfg
	cfg.Site.Latitude += sky.Degree
	for _, x := range []*desk{d, again} {
		if err := x.Reconfigure(cfg); err != nil {
			t.Fatal(err)
		}
	}
	if a, b := d.View(), again.View(); !reflect.DeepEqual(a.Frames, b.Frames) || !reflect.DeepEqual(a.Watch.Fit, b.Watch.Fit) {
		t.Error("another place makes a difference")
	}
	for name, c := range map[string]struct{ mids []time.Time }{"none": {nil}, "one night": {mids[:100]}, "not yet forgotten": {mids[:300]}} {
		if n := Expired(d.cfg, c.mids); n != 0 {
			t.Errorf("%s: %d", name, n)
		}
	}
}

// Another pole or tolerance keeps the night; another place works it out anew
// from the frames kept.
func TestWatchingReconfigured(t *testing.T) {
	d := watching(t, 2, nights.Unguided)
	before := d.exposeFor(90*time.Minute, 15*time.Second) // 360 frames, more than the history keeps
	cfg := d.cfg
	cfg.Pole = observed.True
	if err := d.Reconfigure(cfg); err != nil {
		t.Fatal(err)
	}
	v := d.View()
	if v.Watch == nil || v.Watch.Frames != before.Watch.Frames || v.Now == nil {
		t.Fatalf("after the change of pole: %+v", v.Watch)
	}
	if moved := (v.Now.Offset.Alt - before.Now.Offset.Alt).Abs(); moved < 30*sky.Arcsecond || moved > 2*sky.Arcminute {
		t.Errorf("the true pole is %s from the refracted one", sky.AngleWords(moved)) // 54 arcsec at 47 degrees: 58.3" cot(47) (Meeus 1998, ch. 16, rule of thumb)
	}
	cfg.Site.Longitude += 1 * sky.Degree
	if err := d.Reconfigure(cfg); err != nil {
		t.Fatal(err)
	}
	if v := d.View(); v.Phase != Watching || v.Watch == nil || v.Watch.Frames != mostAdjusts {
		t.Errorf("after the change of place: %s, %+v", v.Phase, v.Watch)
	}
}

// A camera that is swapped begins anew, and does not spoil the night.
func TestWatchingAnotherCamera(t *testing.T) {
	d := watching(t, 5, nights.Unguided)
	d.exposeFor(30*time.Minute, time.Minute)
	d.m.Body = d.m.Body.Mul(sky.Matrix{{-1, 0, 0}, {0, 1, 0}, {0, 0, 1}})
	v := d.exposeFor(time.Hour, time.Minute)
	if v.Watch.Frames != 60 || v.Now == nil {
		t.Fatalf("%d frames, %v", v.Watch.Frames, v.Watch.Sentences)
	}
	if q := simmount.Mahalanobis(v.Now.Axis.Dir, v.Now.Axis.Cov, d.m.AxisNow()); q > 13.8 {
		t.Errorf("chi-square %.1f", q)
	}
}

// A night of one frame every six seconds, as the session goes through it: the
// time per frame, fits included.
func BenchmarkWatchedNight(b *testing.B) {
	d := watching(b, 1, nights.GuidingUnknown)
	rng := rand.New(rand.NewPCG(1, 1))
	d.m.Rng = rng
	for b.Loop() {
		d.exposeFor(6*time.Second, 6*time.Second)
	}
}

func TestWatchListRefusals(t *testing.T) {
	if _, err := Watch(Config{}, nil); err == nil {
		t.Error("a configuration of nothing was taken")
	}
	cfg := Config{Site: sky.Site{Latitude: 45 * sky.Degree}, Air: simmount.Airless, Tolerance: DefaultTolerance}
	if _, err := Watch(cfg, []Sighting{{Name: "cloud", Refused: "no stars"}}); !errors.Is(err, ErrNotWatched) || !errors.Is(err, axis.ErrFewFrames) {
		t.Errorf("no frames: %v", err)
	}
}

// From matched stars, through refraction and the observer.
func TestWatchSightings(t *testing.T) {
	for seed := range 3 {
		rng := rand.New(rand.NewPCG(uint64(seed), 10))
		m := simmount.New(rng, sky.Site{Latitude: 47 * sky.Degree, Longitude: 8 * sky.Degree, ElevationM: 400}, 8*sky.Arcminute, 30*sky.Degree)
		var sightings []Sighting
		for range 25 {
			sightings = append(sightings, sightingOf(m, "frame", 1))
			m.Wait(5*time.Minute, true)
		}
		sightings = append(sightings, Sighting{Name: "cloud", Refused: "no stars"}, Sighting{Name: "no time", Pairs: sightings[0].Pairs}, Sighting{Name: "two stars", Mid: m.Now, Pairs: sightings[0].Pairs[:2]})
		cfg := Config{Site: m.Site, Air: m.Air, Tolerance: DefaultTolerance, Guiding: nights.Unguided}
		v, err := Watch(cfg, sightings)
		if err != nil {
			t.Fatal(err)
		}
		fit, refused := v.Watch.Fit, map[axis.FrameStatus]int{}
		for _, f := range v.Frames {
			refused[f.Status]++
		}
		if refused[axis.FrameWatches] != 25 || refused[axis.FrameUnsolved] != 1 || refused[axis.FrameUnusable] != 2 {
			t.Errorf("frames: %v", refused)
		}
		if q := simmount.Mahalanobis(fit.Axis.Dir, fit.Axis.Cov, m.AxisNow()); q > 13.8 { // one in a thousand
			t.Errorf("seed %d: %.1f arcsec off, chi-square %.1f", seed, sky.Separation(fit.Axis.Dir, m.AxisNow()).Arcseconds(), q)
		}
		pole := observed.Pole(m.Site, m.Air, observed.Refracted)
		words := fit.Sentences(pole)[0].Text
		for condition, word := range map[string]bool{"above": m.Axis.Z > pole.Z, "east": m.Axis.X > pole.X} {
			if strings.Contains(words, condition) != word {
				t.Errorf("%q does not fit the axis", words)
			}
		}
	}
}
