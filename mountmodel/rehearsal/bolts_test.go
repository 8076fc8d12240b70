package rehearsal_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"polard/fits"
	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
	"polard/solve"

	"gonum.org/v1/gonum/spatial/r3"
)

// bench is a rig with a session before it. Frames are not drawn: stars are
// spread over the field, each seen with the error of a centroid, and the rest
// of the way is the session's own.
type bench struct {
	t       testing.TB
	rig     *rehearsal.Rig
	session *mountmodel.Session
	rng     *rand.Rand
	now     time.Time
	count   int
	watch   func(mountmodel.View)             // sees every view; nil when nobody does
	alarms  []axis.Warning                    // what it gathers
	read    func(*fits.Frame) []observed.Pair // from drawn frames; nil: stars are spread over the field
	wobble  sky.Angle                         // of each frame, per coordinate
	wild    sky.Vec                           // rotation by which the frame is wrong
	clock   time.Duration                     // what the camera's clock shows minus UTC
	stopped time.Time                         // what it shows all the time; zero while it goes
}

const (
	benchStars = 16
	benchSigma = 0.6 * sky.Arcsecond // of each; a twelfth of the pixel of the rigs' cameras
)

func newBench(t testing.TB, c rehearsal.Config, tolerance sky.Angle, seed uint64) *bench {
	t.Helper()
	return newBenchUnder(t, fewStars{}, c, tolerance, seed)
}

func newBenchUnder(t testing.TB, stars rehearsal.Catalogue, c rehearsal.Config, tolerance sky.Angle, seed uint64) *bench {
	t.Helper()
	rig, err := rehearsal.NewRig(stars, c)
	if err != nil {
		t.Fatal(err)
	}
	s, err := mountmodel.NewSession(mountmodel.Config{Site: c.Site, Air: c.Air, Tolerance: tolerance, AnyHour: true})
	if err != nil {
		t.Fatal(err)
	}
	return &bench{t: t, rig: rig, session: s, rng: rand.New(rand.NewPCG(seed, 77)), now: c.Start}
}

// sighting is what a frame at the present moment would give.
func (b *bench) sighting() mountmodel.Sighting {
	c := b.rig.Config()
	b.count++
	s := mountmodel.Sighting{Name: fmt.Sprintf("f%03d", b.count), Mid: b.now}
	if b.read != nil {
		frame, err := b.rig.Expose(b.now.Add(-c.Exposure / 2))
		if err != nil {
			b.t.Fatal(err)
		}
		s.Pairs = b.read(frame)
		return s
	}
	truth := b.rig.Truth(b.now)
	o, err := observed.NewObserver(truth.Site, truth.Air, b.now, 0)
	if err != nil {
		b.t.Fatal(err)
	}
	s.Mid = s.Mid.Add(b.clock)
	if !b.stopped.IsZero() {
		s.Mid = b.stopped
	}
	shake := sky.Vec{X: b.rng.NormFloat64(), Y: b.rng.NormFloat64(), Z: b.rng.NormFloat64()}
	camera := sky.RotationFromVector(r3.Add(b.wild, r3.Scale(float64(b.wobble), shake))).Mul(truth.Camera)
	w, h := c.Camera.Field()
	for range benchStars {
		u := sky.Vec{X: (b.rng.Float64() - 0.5) * float64(w), Y: (b.rng.Float64() - 0.5) * float64(h), Z: 1}
		place := o.ICRS(sky.Local(camera.Apply(sky.Unit(u))))
		u.X += b.rng.NormFloat64() * float64(benchSigma)
		u.Y += b.rng.NormFloat64() * float64(benchSigma)
		s.Pairs = append(s.Pairs, observed.Pair{Camera: sky.Camera(sky.Unit(u)), ICRS: place, Sigma: benchSigma})
	}
	return s
}

// shoot takes a frame half a minute later.
func (b *bench) shoot() mountmodel.View {
	b.now = b.now.Add(30 * time.Second)
	b.session.Take(b.now.Add(2*time.Second), b.sighting())
	v := b.session.View()
	if b.watch != nil {
		b.watch(v)
	}
	return v
}

// measure turns the RA axis and takes frames as long as the session asks.
func (b *bench) measure() mountmodel.View {
	b.t.Helper()
	v := b.shoot()
	way := sky.Angle(1)
	for n := 0; v.Phase == mountmodel.Measuring; n++ {
		if n > 8 {
			b.t.Fatalf("still measuring after %d frames: %s %+v", n, v.Instruction, v.Warnings)
		}
		if v.Advice.Back {
			way = -way
		}
		if err := b.rig.TurnRA(way * v.Advice.Wanted()); err != nil {
			b.t.Fatal(err)
		}
		v = b.shoot()
	}
	return v
}

// handError is the error of the person's turns, 1-sigma as a part of each.
const handError = 0.1

// guessPerTurn is what the person takes a turn for who knows nothing of the
// bolts: the middle of common practice.
const guessPerTurn = 45 * sky.Arcminute

// mostAtOnce is how many turns a person makes before looking.
const mostAtOnce = 3

// turn turns a bolt clockwise as a hand does.
func (b *bench) turn(bolt adjust.Bolt, turns float64) {
	b.t.Helper()
	do := b.rig.TurnAzimuthBolt
	if bolt == adjust.AltitudeBolt {
		do = b.rig.TurnAltitudeBolt
	}
	if err := do(turns * (1 + handError*b.rng.NormFloat64())); err != nil {
		b.t.Fatal(err)
	}
}

// byAngle is the turn of a person who is told angles: which way the bolt goes
// is known, how far is guessed.
func (b *bench) byAngle(bolt adjust.Bolt, v mountmodel.View) float64 {
	m := b.rig.Config().Mount
	by, per := v.Now.Move.Az, m.AzimuthBolt.PerTurn
	if bolt == adjust.AltitudeBolt {
		by, per = v.Now.Move.Alt, m.AltitudeBolt.PerTurn
	}
	turns := min(float64(by.Abs()/guessPerTurn), mostAtOnce)
	return turns * math.Copysign(1, float64(per)) * math.Copysign(1, float64(by))
}

// settle adjusts until the session says that the axis is within, and counts
// the moves: both bolts, then a frame. Who learns tells the session each turn
// and follows the turns it then names.
func (b *bench) settle(v mountmodel.View, learns bool, most int) (moves int, last mountmodel.View) {
	b.t.Helper()
	for ; !v.Within && moves < most; moves++ {
		for _, a := range v.Bolts {
			if v.Doubt {
				break // told to touch nothing
			}
			turns := b.byAngle(a.Bolt, v)
			if learns && a.Learnt {
				turns = 0
				if at := slices.IndexFunc(v.Moves, func(m adjust.BoltMove) bool { return m.Bolt == a.Bolt }); at >= 0 {
					turns = v.Moves[at].Turns
				}
			}
			if turns == 0 {
				continue
			}
			b.turn(a.Bolt, turns)
			if learns {
				if err := b.session.Turned(b.now, a.Bolt, turns); err != nil {
					b.t.Fatal(err)
				}
			}
		}
		v = b.shoot()
	}
	return moves, v
}

// wornRig is a worn mount drawn at random: 5 degrees of tilt to any side, backlash
// in both bolts, bolts that move each other's part, any sense and pitch of the
// threads within common practice, an axis up to two degrees off.
func wornRig(rng *rand.Rand) rehearsal.Config {
	start := time.Date(2026, 3, 7, 21, 0, 0, 0, time.UTC)
	c := rehearsal.Worn(rehearsal.Quillmere(start))
	if rng.IntN(2) == 0 {
		c = rehearsal.Worn(rehearsal.Karrabine(start))
	}
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	sign := func() float64 { return float64(1 - 2*rng.IntN(2)) }
	c.Site.Latitude = sky.Angle(between(20, 60)*math.Copysign(1, float64(c.Site.Latitude))) * sky.Degree
	m := &c.Mount
	m.OffsetAlt = sky.Angle(sign()*between(10, 80)) * sky.Arcminute
	m.OffsetAz = sky.Angle(sign()*between(10, 120)) * sky.Arcminute
	m.TiltTowards = sky.Angle(between(0, 360)) * sky.Degree
	for _, b := range []*rehearsal.Bolt{&m.AltitudeBolt, &m.AzimuthBolt} {
		b.PerTurn = sky.Angle(sign()*between(30, 90)) * sky.Arcminute
		b.BacklashTurns = between(0.05, 0.4)
		b.Cross = between(-0.05, 0.05)
		b.Travel = 15 * sky.Degree
	}
	m.HourAngle = sky.Angle(between(-60, -10)) * sky.Degree
	return c
}

// quantile of sorted numbers.
func quantile(sorted []int, q float64) int { return sorted[int(math.Ceil(q*float64(len(sorted))))-1] }

const settleTolerance = 30 * sky.Arcsecond

// Number of moves until the axis is within 30 arcsec of the pole, with turns
// learnt and told, against turning by the told angles alone.
func TestBoltsSettleInFewerMoves(t *testing.T) {
	const rigs, most = 200, 40
	var counts [2][]int
	for i := range rigs {
		c := wornRig(rand.New(rand.NewPCG(uint64(i), 5)))
		for how, learns := range []bool{false, true} {
			b := newBench(t, c, settleTolerance, uint64(i))
			moves, _ := b.settle(b.measure(), learns, most)
			counts[how] = append(counts[how], moves)
		}
	}
	for how, name := range []string{"by angles alone", "by turns learnt"} {
		slices.Sort(counts[how])
		t.Logf("%s: median %d, 95th percentile %d moves over %d rigs", name, quantile(counts[how], 0.5), quantile(counts[how], 0.95), rigs)
	}
	for _, q := range []float64{0.5, 0.95} {
		if by, learnt := quantile(counts[0], q), quantile(counts[1], q); 2*learnt > by {
			t.Errorf("quantile %g: %d moves with turns learnt, %d without: not half", q, learnt, by)
		}
	}
}

// The same on frames that are drawn, read, and matched with the sky, as a user
// sees them. It takes minutes: set POLARD_DRAWN to run it.
func TestBoltsSettleOnDrawnFrames(t *testing.T) {
	if os.Getenv("POLARD_DRAWN") == "" {
		t.Skip("POLARD_DRAWN is not set")
	}
	const rigs, most = 24, 40
	catalogue := bundled(t)
	solver := solve.New(catalogue, time.Now, "")
	var counts []int
	var truth []float64
	for i := range rigs {
		c := wornRig(rand.New(rand.NewPCG(uint64(i), 5)))
		c.Camera.Width, c.Camera.Height, c.Camera.PixelUm = c.Camera.Width/2, c.Camera.Height/2, 2*c.Camera.PixelUm
		b := newBenchUnder(t, catalogue, c, settleTolerance, uint64(i))
		b.read = func(f *fits.Frame) []observed.Pair {
			found, err := solver.First(t.Context(), solve.Image{Width: f.Width, Height: f.Height, Pix: f.Pix}, solve.Hint{Scale: c.Camera.Scale(), Epoch: observed.JulianEpoch(f.Mid)})
			if err != nil {
				t.Fatalf("rig %d: %v", i, err)
			}
			detector := found.DetectorFrame()
			var pairs []observed.Pair
			for _, p := range found.Pairs {
				pairs = append(pairs, observed.Pair{Camera: sky.Camera(detector.Apply(sky.Vec(found.Direction(p.Pixel)))), ICRS: p.ICRS, Sigma: p.Sigma})
			}
			return pairs
		}
		moves, v := b.settle(b.measure(), true, most)
		counts = append(counts, moves)
		truth = append(truth, sky.Separation(v.Now.Axis.Dir, b.rig.Truth(b.now).Axis).Arcseconds())
	}
	slices.Sort(counts)
	slices.Sort(truth)
	t.Logf("by turns learnt: median %d, 95th percentile %d moves over %d rigs; the axis then told is off by %.1f arcsec, median, %.1f at most",
		quantile(counts, 0.5), quantile(counts, 0.95), rigs, truth[len(truth)/2], truth[len(truth)-1])
	if quantile(counts, 0.95) >= most {
		t.Errorf("not settled after %d moves", most)
	}
}
