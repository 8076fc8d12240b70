package rehearsal_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
)

// mostByMistake is the most by which declination is turned without being meant:
// from there on the frames are of another declination, and join the axis.
const mostByMistake = 2.5 * sky.Degree

// faultRig is a rig for faults: half of them worn, half level.
func faultRig(rng *rand.Rand) rehearsal.Config {
	c := wornRig(rng)
	if rng.IntN(2) == 0 {
		c.Mount.Tilt = 0
		c.Mount.AltitudeBolt.BacklashTurns, c.Mount.AzimuthBolt.BacklashTurns = 0, 0
	}
	c.Mount.AltitudeBolt.Travel, c.Mount.AzimuthBolt.Travel = 60*sky.Degree, 60*sky.Degree
	c.Mount.Tracking = rng.IntN(4) > 0
	// Anywhere about the pole, as long as the camera looks at the sky
	// throughout, whatever the RA axis and 10 degrees of declination do.
	for low := -90 * sky.Degree; low < 5*sky.Degree; {
		c.Mount.HourAngle = sky.Angle(-110+120*rng.Float64()) * sky.Degree
		c.Mount.PolarDistance = sky.Angle(4+46*rng.Float64()) * sky.Degree
		low = 90 * sky.Degree
		for turn := -80 * sky.Degree; turn <= 200*sky.Degree; turn += 10 * sky.Degree {
			p, lat := c.Mount.PolarDistance+10*sky.Degree, c.Site.Latitude.Abs()
			low = min(low, sky.Asin(lat.Sin()*p.Cos()+lat.Cos()*p.Sin()*(c.Mount.HourAngle+turn).Cos()))
		}
	}
	c.Seed = rng.Uint64() // by which faults have their sizes
	return c
}

// logUniform draws a size between two.
func logUniform(rng *rand.Rand, lo, hi sky.Angle) sky.Angle {
	return lo * sky.Angle(math.Pow(float64(hi/lo), rng.Float64()))
}

func anyUnit(rng *rand.Rand) sky.Vec {
	return sky.Unit(sky.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()})
}

// fault is something that goes wrong, and the name it must get.
type fault struct {
	name string
	want axis.WarningCode
	// run goes through a session and gives all codes warned of from the fault on.
	run func(b *bench) []axis.Warning
}

// practised has a fault that lasts go on while the session measures, as long as it asks
// for frames, and gives all codes warned of.
func (b *bench) practised(name string) (warned []axis.Warning) {
	b.t.Helper()
	b.goesWrong(name)
	way := sky.Angle(1)
	for n, v := 0, b.shoot(); v.Phase == mountmodel.Measuring && n < 8; n++ {
		if v.Advice.Back {
			way = -way
		}
		b.must(b.rig.TurnRA(way * v.Advice.Wanted()))
		v = b.shoot()
		warned = append(warned, v.Warnings...)
	}
	return warned
}

// goesWrong has a fault of the rig begin.
func (b *bench) goesWrong(name string) {
	b.t.Helper()
	station, err := rehearsal.NewStation(b.rig, rehearsal.StationOptions{Folder: b.t.TempDir(), Now: func() time.Time { return b.now }})
	b.must(err)
	b.must(station.SetFault(b.t.Context(), name, true))
}

// steps are frames of a measurement, something happening after some of them;
// the frames go on as long as the session is measuring, up to most.
func (b *bench) measureWith(after int, happen func(), most int) []axis.Warning {
	b.t.Helper()
	return b.measureWithPhase(mountmodel.Measuring, after, happen, most)
}

func (b *bench) measureWithPhase(phase mountmodel.Phase, after int, happen func(), most int) []axis.Warning {
	b.t.Helper()
	var warned []axis.Warning
	for n := range most {
		if n == after {
			happen()
		}
		v := b.shoot()
		if n >= after {
			warned = append(warned, v.Warnings...)
		}
		if v.Phase != phase {
			break
		}
		b.must(b.rig.TurnRA(18 * sky.Degree))
	}
	return warned
}

func (b *bench) must(err error) {
	b.t.Helper()
	if err != nil {
		b.t.Fatal(err)
	}
}

// adjusting measures and turns the bolts a few times.
func (b *bench) adjusting(moves int) mountmodel.View {
	b.t.Helper()
	v := b.measure()
	for range moves {
		b.turn(adjust.AltitudeBolt, b.farther(0.4))
		b.turn(adjust.AzimuthBolt, b.farther(0.4))
		v = b.shoot()
	}
	return v
}

// farther is a turn of either sense by at least so much.
func (b *bench) farther(least float64) float64 {
	return math.Copysign(least+0.5*b.rng.Float64(), b.rng.NormFloat64())
}

// goOn takes some more frames, the altitude bolt turned before each but the
// first, unless the session says to touch nothing.
func (b *bench) goOn(frames int) (warned []axis.Warning) {
	b.t.Helper()
	for n := range frames {
		if n > 0 && !b.session.View().Doubt {
			b.turn(adjust.AltitudeBolt, 0.1*b.rng.NormFloat64())
		}
		warned = append(warned, b.shoot().Warnings...)
	}
	return warned
}

// locked adjusts, locks and confirms.
func (b *bench) locked() {
	b.t.Helper()
	b.adjusting(3)
	b.confirm()
}

// confirm locks the bolts and measures once more.
func (b *bench) confirm() (warned []axis.Warning) {
	b.t.Helper()
	b.must(b.session.Do(b.now, mountmodel.Locked))
	for n := 0; b.session.View().Phase == mountmodel.Confirming; n++ {
		if n > 8 {
			b.t.Fatal("still confirming")
		}
		warned = append(warned, b.shoot().Warnings...)
		b.must(b.rig.TurnRA(-25 * sky.Degree))
	}
	return warned
}

func (b *bench) bump(lo, hi sky.Angle) {
	size, e := float64(logUniform(b.rng, lo, hi)), anyUnit(b.rng)
	b.must(b.rig.Bump(sky.Vec{X: size * e.X, Y: size * e.Y, Z: size * e.Z}))
}

func (b *bench) either(a sky.Angle) sky.Angle {
	if b.rng.IntN(2) == 0 {
		return -a
	}
	return a
}

// wildShot takes a frame whose attitude is wrong, by arcminutes or altogether.
func (b *bench) wildShot() mountmodel.View {
	b.wild = anyUnit(b.rng)
	size := float64(logUniform(b.rng, 10*sky.Arcminute, 90*sky.Degree))
	b.wild.X, b.wild.Y, b.wild.Z = size*b.wild.X, size*b.wild.Y, size*b.wild.Z
	v := b.shoot()
	b.wild = sky.Vec{}
	return v
}

// cloudyShot takes a frame without stars.
func (b *bench) cloudyShot() mountmodel.View {
	b.now = b.now.Add(30 * time.Second)
	b.count++
	b.session.Take(b.now, mountmodel.Sighting{Name: fmt.Sprintf("f%03d", b.count), Mid: b.now, Refused: "only 2 stars, too few to match"})
	return b.session.View()
}

// faults are all that the issue names, where in a session they may happen.
func faults() []fault {
	return []fault{
		{"declination turned while measuring", axis.WarnTubeMoved, func(b *bench) []axis.Warning {
			return b.measureWith(2, func() { b.must(b.rig.TurnDeclination(b.either(logUniform(b.rng, 5*sky.Arcminute, mostByMistake)))) }, 8)
		}},
		{"tripod bumped while measuring", axis.WarnMountMoved, func(b *bench) []axis.Warning {
			return b.measureWith(2, func() { b.bump(3*sky.Arcminute, 1*sky.Degree) }, 8)
		}},
		{"one wild frame while measuring", axis.WarnFrameStands, func(b *bench) []axis.Warning {
			var wild []axis.Warning
			after := b.measureWith(2, func() { wild = b.wildShot().Warnings }, 8)
			return append(wild, after...)
		}},
		{"cloud while measuring", mountmodel.WarnUnsolved, func(b *bench) []axis.Warning {
			var cloud []axis.Warning
			b.measureWith(2, func() { cloud = b.cloudyShot().Warnings }, 8)
			return cloud
		}},
		{"declination turned while adjusting", axis.WarnTubeMoved, func(b *bench) []axis.Warning {
			b.adjusting(1 + b.rng.IntN(3))
			b.must(b.rig.TurnDeclination(b.either(logUniform(b.rng, 10*sky.Arcminute, 10*sky.Degree))))
			warned := b.goOn(3)
			if len(warned) == 0 { // near the meridian it looks like the altitude bolt
				b.settle(b.session.View(), true, 40)
				return b.confirm()
			}
			return warned
		}},
		{"clutch slipped while adjusting", adjust.WarnSlipped, func(b *bench) []axis.Warning {
			b.adjusting(1 + b.rng.IntN(3))
			b.must(b.rig.TurnRA(b.either(logUniform(b.rng, 10*sky.Arcminute, 20*sky.Degree))))
			return b.goOn(3)
		}},
		{"one wild frame while adjusting", axis.WarnFrameStands, func(b *bench) []axis.Warning {
			b.adjusting(1 + b.rng.IntN(3))
			wild := b.wildShot().Warnings
			return append(wild, b.goOn(2)...)
		}},
		{"cloud while adjusting", mountmodel.WarnUnsolved, func(b *bench) []axis.Warning {
			b.adjusting(1)
			return b.cloudyShot().Warnings
		}},
		{"tripod bumped while confirming", axis.WarnMountMoved, func(b *bench) []axis.Warning {
			b.adjusting(1)
			b.must(b.session.Do(b.now, mountmodel.Locked))
			return b.measureWithPhase(mountmodel.Confirming, 2, func() { b.bump(3*sky.Arcminute, 1*sky.Degree) }, 8)
		}},
		{"tripod bumped after the lock", axis.WarnMountMoved, func(b *bench) []axis.Warning {
			b.locked()
			b.shoot()
			b.bump(3*sky.Arcminute, 1*sky.Degree)
			return append(b.shoot().Warnings, b.shoot().Warnings...)
		}},
		{"tripod sinks while measuring", axis.WarnMountCreeps, func(b *bench) []axis.Warning {
			return b.practised("settling")
		}},
		{"declination creeps while measuring", axis.WarnTubeCreeps, func(b *bench) []axis.Warning {
			return b.practised("creep")
		}},
		{"clock stands still", mountmodel.WarnClockStands, func(b *bench) []axis.Warning {
			b.stopped = b.now
			return b.measureWith(0, func() {}, 3)
		}},
		{"clock wrong by hours", mountmodel.WarnClock, func(b *bench) []axis.Warning {
			hours := []float64{-12, -8, -5.5, -3, -2, -1, -0.4, 0.3, 1, 2, 3, 5.75, 9, 12}
			b.clock = time.Duration(hours[b.rng.IntN(len(hours))] * float64(time.Hour))
			return b.measureWith(0, func() {}, 3)
		}},
	}
}

// general are warnings that say that something is wrong, or that more is
// needed, before what it is can be told.
var general = []axis.WarningCode{
	axis.WarnNotRigid, adjust.WarnAxisJumped, axis.WarnTwoFrames, axis.WarnLittleTurn, axis.WarnLowFrame,
}

// How often each fault is run, and how many sessions nothing goes wrong in.
var (
	eachFault     = flag.Int("faults", 60, "sessions with each fault")
	cleanSessions = flag.Int("clean", 150, "sessions in which nothing goes wrong")
)

// sessions is how many of them a test runs: fewer where only a quick look, or one
// by the race detector, is wanted.
func sessions(asked int) int {
	if testing.Short() {
		return max(1, asked/3)
	}
	return asked
}

// Each fault gets its right name, and no other, in at least 95 of 100 sessions.
func TestFaultsAreNamed(t *testing.T) {
	each := sessions(*eachFault)
	all, right, misled := 0, 0, 0
	for _, f := range faults() {
		named := 0
		for i := range each {
			b := newBench(t, faultRig(rand.New(rand.NewPCG(uint64(i), 21))), mountmodel.DefaultTolerance, uint64(i))
			b.wobble = faultWobble
			found, other := false, []axis.WarningCode{}
			for _, w := range f.run(b) {
				switch {
				case w.Code == f.want:
					found = true
				case !slices.Contains(general, w.Code):
					other = append(other, w.Code)
				}
			}
			if s := b.session.View().Suggested; s != nil && f.want != mountmodel.WarnClock {
				other = append(other, axis.WarningCode(s.Mistake)) // place and clock are right
			}
			if b.misled() {
				misled++
				t.Logf("%s, session %d: sent to turn bolts by an axis that is not there", f.name, i)
			}
			if found && len(other) == 0 {
				named++
			} else {
				t.Logf("%s, session %d: named %v, and %v", f.name, i, found, slices.Compact(other))
			}
		}
		t.Logf("%s: %d of %d", f.name, named, each)
		all, right = all+each, right+named
		if float64(named) < 0.95*float64(each) {
			t.Errorf("%s: %d of %d got their right name, want 95 %%", f.name, named, each)
		}
	}
	t.Logf("all faults: %d of %d, %.1f %%; sent to turn bolts by an axis that is not there: %d", right, all, 100*float64(right)/float64(all), misled)
	if 100*misled > all {
		t.Errorf("%d of %d faults were turned into a correction", misled, all)
	}
}

// Faults that harm nobody who is told how well the axis is known: what hangs by its
// weight, air that was not typed, a drive that runs unevenly, a flip to the other side
// of the pier. The measurement asks for what it needs and ends, and the axis is where it
// says.
func TestFaultsWithinTheUncertainty(t *testing.T) {
	each := sessions(30)
	for _, name := range []string{"sag", "air", "periodic", "flip"} {
		wrong, ended := 0, 0
		for i := range each {
			b := newBench(t, faultRig(rand.New(rand.NewPCG(uint64(i), 23))), mountmodel.DefaultTolerance, uint64(i))
			b.wobble = faultWobble
			if name == "flip" {
				b.shoot()
				b.must(b.rig.TurnRA(30 * sky.Degree))
				b.shoot()
			}
			b.practised(name)
			v := b.session.View()
			if v.Phase == mountmodel.Adjusting {
				ended++
			}
			if v.Measured == nil {
				continue
			}
			major, _, _ := v.Measured.Axis.Ellipse()
			off := sky.Separation(v.Measured.Axis.Dir, b.rig.Truth(b.now).Axis)
			// The air lifts the pole too: what the bolts are turned by is the offset.
			truth, told := b.rig.Truth(b.now).Offset, v.Measured.Offset
			if name == "air" {
				off = sky.Angle(math.Hypot(float64(truth.Alt-told.Alt), float64(truth.Az-told.Az)*v.Pole.Y))
			}
			if off > 4*major && !v.Doubt && len(v.Warnings) == 0 {
				wrong++
				t.Logf("%s, session %d: %.1f arcsec off, known to %.1f", name, i, off.Arcseconds(), major.Arcseconds())
			}
		}
		t.Logf("%s: %d of %d measurements ended, %d wrong without a word", name, ended, each, wrong)
		if 20*ended < 19*each || wrong > 0 {
			t.Errorf("%s: %d of %d measurements ended, %d wrong without a word", name, ended, each, wrong)
		}
	}
}

// A bump while the bolts are being turned moves the axis as bolts may, and the
// correction goes from where the axis then stands. It is named where it turned
// the mount about the axis too; where not, frames cannot tell it from bolts,
// and it does no harm: what is told of the axis is right, or in doubt.
func TestBumpWhileAdjusting(t *testing.T) {
	each := sessions(*eachFault)
	named, wrong := 0, 0
	for i := range each {
		b := newBench(t, faultRig(rand.New(rand.NewPCG(uint64(i), 21))), mountmodel.DefaultTolerance, uint64(i))
		b.wobble = faultWobble
		b.adjusting(1 + b.rng.IntN(3))
		b.bump(10*sky.Arcminute, 2*sky.Degree)
		for _, w := range b.goOn(3) {
			if w.Code == axis.WarnMountMoved {
				named++
				break
			}
		}
		v := b.session.View()
		major, _, _ := v.Now.Axis.Ellipse()
		off := sky.Separation(v.Now.Axis.Dir, b.rig.Truth(b.now).Axis)
		if !v.Doubt && off > 5*major+5*faultWobble {
			wrong++
			t.Logf("session %d: the axis told is %.1f arcsec off, known to %.1f", i, off.Arcseconds(), major.Arcseconds())
		}
	}
	t.Logf("a bump while adjusting: named in %d of %d, the axis wrong without a word in %d", named, each, wrong)
	if named < each/2 || 100*wrong > 2*each {
		t.Errorf("named in %d of %d, wrong in %d", named, each, wrong)
	}
}

// misled tells whether the session, in the end, sends the person to the bolts by
// an axis that is wrong, without a doubt of it.
func (b *bench) misled() bool {
	v := b.session.View()
	if v.Now == nil || v.Doubt || v.Phase != mountmodel.Adjusting {
		return false
	}
	major, _, _ := v.Now.Axis.Ellipse()
	off := sky.Separation(v.Now.Axis.Dir, b.rig.Truth(b.now).Axis)
	return off > 5*major+20*faultWobble
}

// faultWobble is how far each frame departs from the rigid mount, per
// coordinate, 1-sigma. Common practice.
const faultWobble = 1 * sky.Arcsecond

// Sessions in which nothing goes wrong, from the first frame to an hour after
// the lock, warn of nothing but what two frames leave open and a low camera.
func TestCleanSessionsWarnOfNothing(t *testing.T) {
	clean := sessions(*cleanSessions)
	alarmed := 0
	for i := range clean {
		rng := rand.New(rand.NewPCG(uint64(i), 22))
		b := newBench(t, faultRig(rng), mountmodel.DefaultTolerance, uint64(i))
		b.wobble = faultWobble
		b.watch = func(v mountmodel.View) {
			for _, w := range v.Warnings {
				if w.Code != axis.WarnTwoFrames && w.Code != axis.WarnLowFrame {
					b.alarms = append(b.alarms, w)
				}
			}
			if s := v.Suggested; s != nil {
				b.alarms = append(b.alarms, axis.Warning{Code: axis.WarningCode(s.Mistake), Message: s.Said.Text})
			}
		}
		v := b.measure()
		b.settle(v, i%2 == 0, 25)
		b.confirm()
		for range 6 {
			b.now = b.now.Add(10 * time.Minute)
			b.shoot()
		}
		if len(b.alarms) > 0 {
			alarmed++
			t.Logf("session %d: %+v", i, b.alarms[0])
		}
	}
	t.Logf("%d of %d clean sessions warned", alarmed, clean)
	if 100*alarmed >= clean {
		t.Errorf("%d of %d clean sessions warned, want under 1 %%", alarmed, clean)
	}
}
