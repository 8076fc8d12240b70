package adjust

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"
)

// measured turns a simulated mount through angles and starts a tracker.
func measured(t *testing.T, m *simmount.Mount, noise float64, drive bool, angles ...sky.Angle) *tracker {
	t.Helper()
	var att []sky.Attitude
	var mids []time.Time
	for i, a := range angles {
		if i > 0 {
			m.Wait(40*time.Second, drive)
			m.Theta += a - angles[i-1]
		}
		st, err := observed.FitAttitude(m.Field(noise))
		if err != nil {
			t.Fatal(err)
		}
		att, mids = append(att, st.Attitude), append(mids, m.Now)
	}
	fit, err := axis.Find(att, observed.Pole(m.Site, m.Air, observed.Refracted))
	if err != nil {
		t.Fatal(err)
	}
	return newTracker(fit, mids, m.Site.South())
}

func readNow(t *testing.T, tr *tracker, m *simmount.Mount, noise float64) reading {
	t.Helper()
	st, err := observed.FitAttitude(m.Field(noise))
	if err != nil {
		t.Fatal(err)
	}
	before := *tr
	r := tr.read(st.Attitude, m.Now)
	tr.learnTilt(&before)
	return r
}

// boundOfReading is the bound of Cramer and Rao (Van Trees 1968, Detection, Estimation, and
// Modulation Theory I, section 2.4, with what is known beforehand) for the axis by one frame after the
// bolts were turned: the root of the trace, for one who has all earlier frames, knows
// what the drive does but for its backlash, or that somebody turned the axis, and knows nothing of
// how far the bolts went.
func boundOfReading(tr *tracker, frame sky.Attitude, seconds float64, drive, turned bool) sky.Angle {
	u, _ := tr.join(frame)
	var c constraint
	if !turned {
		c = constraint{rows: []int{byTheta}, variance: []float64{float64(driveBacklash * driveBacklash)}}
		if drive {
			c.step = sky.Angle(tr.rate * seconds)
		}
	}
	z, cov, _ := u.condition(c)
	slopes := u.slopes(&z)
	variance := 0.0
	for _, i := range []int{byAxis, byAxis + 1} {
		row := mat.NewVecDense(jointSize, slopes.RawRowView(i))
		variance += mat.Inner(row, cov, row)
	}
	return sky.Angle(math.Sqrt(variance))
}

// The two bolts take the axis where it is to go, and undo each other.
func TestBolts(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		up := sky.Unit(r3.Add(sky.Vec{Z: 1}, r3.Scale(0.1, simmount.RandomUnit(rng))))
		from, to := simmount.RandomUnit(rng), simmount.RandomUnit(rng)
		b := bolts(up, from, to)
		if d := sky.Separation(sky.Local(b.Apply(from)), sky.Local(to)); d > 1e-9*sky.Degree {
			rt.Fatalf("ends %g degrees away", d.Degrees())
		}
		if math.Abs(b.Det()-1) > 1e-12 {
			rt.Fatalf("determinant %g", b.Det())
		}
		if back := bolts(up, from, from); simmount.TurnBetween(back, sky.Identity) > 1e-9*sky.Degree {
			rt.Fatalf("no move turns by %g degrees", simmount.TurnBetween(back, sky.Identity).Degrees())
		}
	})
}

// A bolt turn made as the simulator makes it, about the vertical and the
// hinge, is found again: same rotation, from the axis alone.
func TestBoltsFindTheMove(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 1))
	for range 200 {
		m := simmount.New(rng, sky.Site{Latitude: sky.Angle(rng.Float64()*150-75) * sky.Degree}, 2*sky.Degree, 30*sky.Degree)
		m.TurnBolts(sky.Angle(rng.NormFloat64())*3*sky.Degree, sky.Angle(rng.NormFloat64())*3*sky.Degree, sky.Vec{})
		b := bolts(sky.Vec{Z: 1}, m.Axis, m.Ground.Apply(m.Axis))
		if d := simmount.TurnBetween(b, m.Ground); d > 1e-9*sky.Degree {
			t.Fatalf("move differs by %g arcsec", d.Arcseconds())
		}
	}
}

// Without noise, on a level base, every step of the axis comes back exactly,
// and so does what the drive did: north, south, equator, poles, small moves
// and large.
func TestAdjustExact(t *testing.T) {
	rng := rand.New(rand.NewPCG(14, 1))
	for _, lat := range []sky.Angle{-90, -52, -1, 0, 23, 41, 70, 89} {
		for _, sep := range []sky.Angle{1, 40, 90} {
			for _, drive := range []bool{true, false} {
				m := simmount.New(rng, sky.Site{Latitude: lat * sky.Degree}, 3*sky.Degree, sep*sky.Degree)
				m.Sigma = 0.0004 * sky.Arcsecond // stated: the more is stated, the more a small step is taken for noise
				tr := measured(t, m, 0, drive, 0, 30*sky.Degree, 70*sky.Degree)
				for step := range 6 {
					size := sky.Angle([]float64{0, 1, 30, 300, -1000, 3000}[step]) * sky.Arcsecond
					m.TurnBolts(size, -size/2, sky.Vec{})
					m.Wait(time.Duration(20+10*step)*time.Second, drive)
					r := readNow(t, tr, m, 0)
					// The drive's turn is 20 s of 15 arcsec and more, the roll of
					// the field is stated to 15 arcsec; the mean of the readings
					// tracking and standing, mixed by likelihood, is off by the
					// weight of the wrong one times its error.
					if d := sky.Separation(r.Axis.Dir, m.AxisNow()); d > 0.01*sky.Arcsecond {
						t.Errorf("latitude %g, distance %g, drive %v, step %d: off by %.4f arcsec", float64(lat), float64(sep), drive, step, d.Arcseconds())
					}
					if lat.Abs() > 80 {
						if r.Drive != DriveUnknown {
							t.Errorf("latitude %g: the drive was told to be %s", float64(lat), r.Drive)
						}
						continue
					}
					if want := map[bool]Drive{true: DriveTracks, false: DriveStands}[drive]; r.Drive != want {
						t.Errorf("latitude %g, distance %g, step %d: the drive %s, told %s", float64(lat), float64(sep), step, want, r.Drive)
					}
				}
			}
		}
	}
}

// Readings over random rigs with noise, tilted bases, backlash in the drive, and
// somebody turning the axis in between. The limits of coverage are those of
// the measurement; a few thousand readings, in runs of eight that share a
// measurement, fix them to about 1.5 and 0.8 points (1-sigma).
func TestAdjustStatistics(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 1))
	const rigs, steps = 400, 8
	in68, in95, count, wrong, missed, turns := 0, 0, 0, 0, 0, 0
	var near, far, first []float64 // errors in arcsec; first is of the measurements near the axis
	var farFirst, farBound, overBound []float64
	for range rigs {
		lat := sky.Angle(rng.Float64()*180-90) * sky.Degree
		sep := sky.Angle(rng.Float64()*90) * sky.Degree
		if rng.IntN(2) == 0 {
			sep = sky.Angle(rng.Float64()*6) * sky.Degree
		}
		m := simmount.New(rng, sky.Site{Latitude: lat}, 30*sky.Arcminute, sep)
		m.Stars = 10 + rng.IntN(60)
		m.FieldW = sky.Angle(0.7+4*rng.Float64()) * sky.Degree
		drive := rng.IntN(2) == 0
		tr := measured(t, m, 1, drive, 0, 35*sky.Degree, 70*sky.Degree)
		if sep < 6*sky.Degree {
			first = append(first, sky.Separation(tr.latest.Dir, m.AxisNow()).Arcseconds())
		} else {
			farFirst = append(farFirst, sky.Separation(tr.latest.Dir, m.AxisNow()).Arcseconds())
		}
		tilt := sky.Vec{X: simmount.Gauss(rng, tiltPrior), Y: simmount.Gauss(rng, tiltPrior)}
		for step := range steps {
			m.TurnBolts(sky.Angle(rng.NormFloat64()*8)*sky.Arcminute, sky.Angle(rng.NormFloat64()*5)*sky.Arcminute, tilt)
			m.Wait(time.Duration(5+rng.IntN(30))*time.Second, drive)
			m.Theta += sky.Angle(simmount.Gauss(rng, driveBacklash))
			turned := step == 5
			if turned {
				m.Theta += sky.Angle(5+40*rng.Float64()) * sky.Degree
			}
			st, err := observed.FitAttitude(m.Field(1))
			if err != nil {
				t.Fatal(err)
			}
			before := *tr
			bound := boundOfReading(tr, st.Attitude, m.Now.Sub(tr.newest).Seconds(), drive, turned).Arcseconds()
			r := tr.read(st.Attitude, m.Now)
			tr.learnTilt(&before)
			if q := simmount.Mahalanobis(r.Axis.Dir, r.Axis.Cov, m.AxisNow()); q < 5.9915 {
				in95++
				if q < 2.2957 {
					in68++
				}
			}
			count++
			e := sky.Separation(r.Axis.Dir, m.AxisNow()).Arcseconds()
			if sep < 6*sky.Degree {
				near = append(near, e)
			} else {
				far = append(far, e)
				farBound, overBound = append(farBound, bound), append(overBound, e/bound)
			}
			if r.Drive == DriveUnknown {
				continue
			}
			switch {
			case turned:
				turns++
				if r.Drive != DriveTurned {
					missed++
				}
			case r.Drive != map[bool]Drive{true: DriveTracks, false: DriveStands}[drive]:
				wrong++
			}
		}
	}
	p68, p95 := 100*float64(in68)/float64(count), 100*float64(in95)/float64(count)
	slices.Sort(near)
	slices.Sort(far)
	t.Logf("%d readings: 68 %% ellipse holds %.1f %%, 95 %% ellipse %.1f %%; within 6 degrees of the axis error median %.2f, 95th percentile %.2f arcsec; beyond, %.2f and %.2f; drive told wrongly %d times, turns missed %d of %d",
		count, p68, p95, near[len(near)/2], near[len(near)*95/100], far[len(far)/2], far[len(far)*95/100], wrong, missed, turns)
	slices.Sort(first)
	t.Logf("the measurements within 6 degrees of the axis: error median %.2f, 95th percentile %.2f", first[len(first)/2], first[len(first)*95/100])
	for _, v := range [][]float64{farFirst, farBound, overBound} {
		slices.Sort(v)
	}
	twice := 2 * farFirst[len(farFirst)/2] / 0.71 // as a bound: the median error at it is 0.71 of it
	beyond, _ := slices.BinarySearch(farBound, twice)
	t.Logf("beyond 6 degrees: the measurements' median error %.2f; the bound of a reading %.2f in the median, above twice the measurements' in %.0f %%; error over bound: median %.2f",
		farFirst[len(farFirst)/2], farBound[len(farBound)/2], 100-100*float64(beyond)/float64(len(farBound)), overBound[len(overBound)/2])
	// The job asks for twice the error of the measurement at most. Far from the
	// axis one frame has its own roll, and the backlash of the drive (2 arcsec here),
	// to tell the axis by, whatever the measurement was: there the error is that of the bound,
	// which for a Gaussian is 0.67 (one direction dominates) to 0.83 of it in the median.
	if m := overBound[len(overBound)/2]; m > 0.83 {
		t.Errorf("beyond 6 degrees the median error is %.2f of the bound", m)
	}
	if near[len(near)/2] > 2*first[len(first)/2] {
		t.Errorf("while adjusting the median error is %.2f arcsec, of the measurement %.2f", near[len(near)/2], first[len(first)/2])
	}
	if math.Abs(p68-68) > 4 || math.Abs(p95-95) > 2 {
		t.Errorf("the ellipses hold the truth in %.1f and %.1f %%", p68, p95)
	}
	if wrong*100 > count {
		t.Errorf("the drive was told wrongly %d times in %d", wrong, count)
	}
	if missed > 0 {
		t.Errorf("%d turns of the axis were taken for the drive", missed)
	}
	if near[len(near)*95/100] > 10 {
		t.Errorf("95th percentile near the axis is %.1f arcsec", near[len(near)*95/100])
	}
}

// Far from the axis a single frame knows it badly in one direction: that of its
// own roll. Hands off, the frames that follow make it better; after a turn of
// the RA axis one more frame makes it as good as the measurement, the bolts
// having rested: within twice its error, which is what the job asks for. The
// bolts are turned by steps of all sizes, and the ellipse is honest throughout.
func TestAdjustAtRest(t *testing.T) {
	rng := rand.New(rand.NewPCG(19, 1))
	const rigs, steps = 150, 4
	var measurement []float64
	stages := []struct {
		name   string
		turn   sky.Angle
		errors []float64
		in68   int
		in95   int
	}{{name: "at once"}, {name: "second frame"}, {name: "third"}, {name: "fourth"}, {name: "after a turn of the RA axis by 30 degrees", turn: 30 * sky.Degree}}
	for range rigs {
		lat := sky.Angle(rng.Float64()*180-90) * sky.Degree
		m := simmount.New(rng, sky.Site{Latitude: lat}, 30*sky.Arcminute, sky.Angle(6+84*rng.Float64())*sky.Degree)
		m.Stars = 10 + rng.IntN(60)
		m.FieldW = sky.Angle(0.7+4*rng.Float64()) * sky.Degree
		drive := rng.IntN(2) == 0
		tr := measured(t, m, 1, drive, 0, 35*sky.Degree, 70*sky.Degree)
		measurement = append(measurement, sky.Separation(tr.latest.Dir, m.AxisNow()).Arcseconds())
		tilt := sky.Vec{X: simmount.Gauss(rng, tiltPrior), Y: simmount.Gauss(rng, tiltPrior)}
		for step := range steps {
			size := math.Pow(10, 3*rng.Float64()) * float64(sky.Arcsecond) // 1 to 1000 arcsec
			m.TurnBolts(sky.Angle(rng.NormFloat64()*size), sky.Angle(rng.NormFloat64()*size), tilt)
			m.Theta += sky.Angle(simmount.Gauss(rng, driveBacklash))
			for k := range stages {
				s := &stages[k]
				m.Wait(time.Duration(5+rng.IntN(10))*time.Second, drive)
				m.Theta += sky.Angle(1-2*float64(step%2)) * s.turn
				r := readNow(t, tr, m, 1)
				s.errors = append(s.errors, sky.Separation(r.Axis.Dir, m.AxisNow()).Arcseconds())
				if q := simmount.Mahalanobis(r.Axis.Dir, r.Axis.Cov, m.AxisNow()); q < 5.9915 {
					s.in95++
					if q < 2.2957 {
						s.in68++
					}
				}
			}
		}
	}
	quantiles := func(errors []float64) (median, most float64) {
		slices.Sort(errors)
		return errors[len(errors)/2], errors[len(errors)*95/100]
	}
	median, most := quantiles(measurement)
	t.Logf("measurements 6 to 90 degrees from the axis: error median %.2f, 95th percentile %.2f arcsec", median, most)
	for _, s := range stages {
		n := float64(len(s.errors))
		p68, p95 := 100*float64(s.in68)/n, 100*float64(s.in95)/n
		m, w := quantiles(s.errors)
		t.Logf("%s: error median %.2f, 95th percentile %.2f arcsec; 68 %% ellipse holds %.1f %%, 95 %% ellipse %.1f %%", s.name, m, w, p68, p95)
		// Wider than it need be is allowed at rest: that no bolt was turned, and by
		// how little the mount shakes, the frames must show first.
		if p68 < 64 || p95 < 93 {
			t.Errorf("%s: the ellipses hold the truth in %.1f and %.1f %%", s.name, p68, p95)
		}
		if s.turn > 0 && (m > 2*median || w > 2*most) {
			t.Errorf("%s: error median %.2f, 95th percentile %.2f arcsec, of the measurements %.2f and %.2f", s.name, m, w, median, most)
		}
	}
}

// The drive switched off and on again, while nobody touches the bolts.
func TestAdjustFollowsTheDrive(t *testing.T) {
	rng := rand.New(rand.NewPCG(16, 1))
	m := simmount.New(rng, sky.Site{Latitude: -35 * sky.Degree}, 10*sky.Arcminute, 8*sky.Degree)
	m.FieldW, m.Stars = 2*sky.Degree, 60
	tr := measured(t, m, 1, true, 0, 30*sky.Degree, 60*sky.Degree)
	for i, on := range []bool{true, true, false, false, true} {
		m.Wait(30*time.Second, on)
		r := readNow(t, tr, m, 1)
		if want := map[bool]Drive{true: DriveTracks, false: DriveStands}[on]; r.Drive != want {
			t.Errorf("frame %d: %s, want %s", i, r.Drive, want)
		}
	}
	// Half a second of drive, 7 arcsec, drowns in the roll: not told apart, or
	// as before, but not the contrary.
	m.Wait(500*time.Millisecond, true)
	if r := readNow(t, tr, m, 1); r.Drive != DriveTracks && r.Drive != DriveUnknown {
		t.Errorf("after half a second: %s", r.Drive)
	}
}

// A base that is not level: the bolts' answers tell it.
func TestAdjustLearnsTheTilt(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 1))
	m := simmount.New(rng, sky.Site{Latitude: 45 * sky.Degree}, 3*sky.Degree, 20*sky.Degree)
	m.FieldW, m.Stars = 4*sky.Degree, 100
	tr := measured(t, m, 1, true, 0, 40*sky.Degree, 80*sky.Degree)
	_, before := tr.tilts.tilt()
	tilt := 4 * sky.Degree
	for i := range 10 {
		// One bolt, then the other: turned in a fixed ratio they would tell one
		// combination of the two tilts only.
		az, alt := 20*sky.Arcminute, 0*sky.Arcminute
		if i%2 == 1 {
			az, alt = alt, -20*sky.Arcminute
		}
		m.TurnBolts(az, alt, sky.Vec{X: tilt.Tan()})
		m.Wait(15*time.Second, true)
		readNow(t, tr, m, 1)
	}
	mean, after := tr.tilts.tilt()
	east, sigma := mean[0], after[0]
	if sigma > before[0]/3 {
		t.Errorf("the tilt is still known to %.2f degrees only, from %.2f", sigma.Degrees(), before[0].Degrees())
	}
	if d := (east - tilt).Abs(); d > 3*sigma {
		t.Errorf("tilt to the east %.2f +- %.2f degrees, is %.2f", east.Degrees(), sigma.Degrees(), tilt.Degrees())
	}
}

// The tilt that is told, from level to what no base has, is as uncertain as it
// says: towards east and north, after some turns of both bolts.
func TestTiltIsHonest(t *testing.T) {
	for _, size := range []sky.Angle{2 * sky.Degree, 5 * sky.Degree, 10 * sky.Degree, 18 * sky.Degree} {
		within := [2]int{}
		const rigs = 100
		for seed := range rigs {
			rng := rand.New(rand.NewPCG(uint64(seed), 77))
			m := simmount.New(rng, sky.Site{Latitude: sky.Angle(10+60*rng.Float64()) * sky.Degree}, 1*sky.Degree, sky.Angle(5+40*rng.Float64())*sky.Degree)
			tr := measured(t, m, 1, true, 0, 40*sky.Degree, 80*sky.Degree)
			towards := sky.Angle(rng.Float64()) * sky.Turn
			tilt := sky.Vec{X: size.Tan() * towards.Cos(), Y: size.Tan() * towards.Sin()}
			for i := range 8 {
				turn := sky.Angle(25*rng.NormFloat64()) * sky.Arcminute
				if i%2 == 0 {
					m.TurnBolts(turn, 0, tilt)
				} else {
					m.TurnBolts(0, turn, tilt)
				}
				m.Wait(15*time.Second, true)
				readNow(t, tr, m, 1)
			}
			mean, sigma := tr.tilts.tilt()
			for k, off := range [2]sky.Angle{mean[0] - sky.Atan2(tilt.X, 1), mean[1] - sky.Atan2(tilt.Y, 1)} {
				for n := range 2 {
					if off.Abs() <= sky.Angle(n+1)*sigma[k] {
						within[n]++
					}
				}
			}
		}
		t.Logf("tilt of %.0f degrees: %d of %d within one standard deviation, %d within two", size.Degrees(), within[0], 2*rigs, within[1])
		// A Gaussian has 68 and 95 %. The cells of the grid make it wider where the
		// tilt is known best; with 200 draws the shares scatter by 3.3 and 1.5 %.
		if within[0] < 2*rigs*60/100 || within[1] < 2*rigs*91/100 {
			t.Errorf("tilt of %.0f degrees: %d and %d of %d", size.Degrees(), within[0], within[1], 2*rigs)
		}
	}
}

func BenchmarkAdjust(b *testing.B) {
	rng := rand.New(rand.NewPCG(18, 1))
	m := simmount.New(rng, sky.Site{Latitude: 45 * sky.Degree}, 1*sky.Degree, 30*sky.Degree)
	var att []sky.Attitude
	var mids []time.Time
	for range 4 {
		st, err := observed.FitAttitude(m.Field(1))
		if err != nil {
			b.Fatal(err)
		}
		att, mids = append(att, st.Attitude), append(mids, m.Now)
		m.Theta += 25 * sky.Degree
	}
	fit, err := axis.Find(att, observed.Pole(m.Site, m.Air, observed.Refracted))
	if err != nil {
		b.Fatal(err)
	}
	tr := newTracker(fit, mids, false)
	next := att[3]
	for b.Loop() {
		tr.read(next, tr.newest.Add(time.Second))
	}
}
