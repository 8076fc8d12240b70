package axis

import (
	"math"
	"math/rand/v2"
	"testing"

	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

// The forecast is what is stated once the frame is taken, but for what no turn
// of the RA axis helps.
func TestPredictTurn(t *testing.T) {
	rng := rand.New(rand.NewPCG(22, 1))
	for _, sep := range []sky.Angle{0.3, 10, 60, 90} {
		for _, before := range [][]sky.Angle{{0}, {0, 20}, {0, -25, -50}} {
			m := simmount.New(rng, sky.Site{Latitude: 50 * sky.Degree}, 5*sky.Arcminute, sep*sky.Degree)
			m.Stars, m.FieldW = 30, 5*sky.Degree
			for i := range before {
				before[i] *= sky.Degree
			}
			att := attitudesOf(t, m, 1, before...)
			pole := observed.Pole(m.Site, m.Air, observed.Refracted)
			advice := predictTurn(att, pole, 1*sky.Arcsecond)
			if len(advice.Expected) != 3 {
				t.Fatalf("%d forecasts", len(advice.Expected))
			}
			for _, f := range advice.Expected {
				then := []sky.Angle{before[len(before)-1] + f.Turn}
				switch len(before) {
				case 1:
					then = append(then, before[0])
				case 3:
					then[0] -= 2 * f.Turn
				}
				fit, err := Find(append(att[:len(att):len(att)], attitudesOf(t, m, 1, then...)...), pole)
				if err != nil {
					t.Fatal(err)
				}
				allow := fit.Allowance(Refraction{Lift: func(sky.Angle) sky.Angle { return 0 }, Pole: pole})
				stated := Major(fit.Axis.With(Allowance{Noise: allow.Noise, Movement: allow.Movement}).Cov)
				// The next field's stars differ from the last one's, 30 of them:
				// a third.
				if r := float64(f.Uncertainty / stated); math.Abs(math.Log(r)) > math.Log(1.5) && fit.ModelError == 0 {
					t.Errorf("distance %g, %d frames, %g degrees more: forecast %.1f, came to %.1f arcsec",
						float64(sep), len(before), f.Turn.Degrees(), f.Uncertainty.Arcseconds(), stated.Arcseconds())
				}
			}
		}
	}
}

// A drive that only tracks turns the axis a little from frame to frame, which may already give an axis; what is
// asked for stays the same all the while: one large turn, not now one way and now the other.
func TestAdviceStaysWhileTracking(t *testing.T) {
	rng := rand.New(rand.NewPCG(23, 5))
	m := simmount.New(rng, sky.Site{Latitude: 46 * sky.Degree}, 30*sky.Arcminute, 14*sky.Degree)
	m.FieldW, m.Stars = 3*sky.Degree, 300
	pole := observed.Pole(m.Site, m.Air, observed.Refracted)
	var turns []sky.Angle
	axes := 0
	for i := range 40 {
		turns = append(turns, sky.Angle(i)*0.02*sky.Degree)
		att := attitudesOf(t, m, 1, turns...)
		if _, err := Find(att, pole); err == nil {
			axes++
		}
		if a := predictTurn(att, pole, 5*sky.Arcsecond); a.Back || a.Turn != longTurn {
			t.Fatalf("after %d frames: turn by %g degrees, back %v", i+1, a.Turn.Degrees(), a.Back)
		}
	}
	if axes == 0 {
		t.Error("none of these frames gave an axis: they do not test this")
	}
}

// The turns asked for, one after the other, come to the uncertainty wanted, with
// at least one that leads back; and what cannot be reached is not promised.
func TestAskedTurns(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		m := simmount.New(rng, sky.Site{Latitude: sky.Angle(rng.Float64()*130-65) * sky.Degree}, 30*sky.Arcminute, sky.Angle(rng.Float64()*40)*sky.Degree)
		m.FieldW, m.Stars = sky.Angle(3+3*rng.Float64())*sky.Degree, 60 // stars good enough
		pole := observed.Pole(m.Site, m.Air, observed.Refracted)
		const goal = 7.5 * sky.Arcsecond // of a tolerance of an arcminute
		att := attitudesOf(t, m, 1, 0)
		at, way, back := sky.Angle(0), sky.Angle(1), false
		for {
			if fit, err := Find(att, pole); err == nil {
				if s, ok := spread(att, fit.n, fit.ModelError); ok && s <= goal {
					break
				}
			}
			if len(att) == 6 {
				rt.Fatalf("six frames do not suffice")
			}
			a := predictTurn(att, pole, goal)
			if a.Turn < shortTurn || a.Turn > homeMost {
				rt.Fatalf("turn by %g degrees", a.Turn.Degrees())
			}
			if a.Back {
				way, back = -way, true
			}
			at += way * a.Turn
			att = append(att, attitudesOf(t, m, 1, at)...)
		}
		if !back {
			rt.Fatal("no turn led back")
		}
		if a := predictTurn(att, pole, 0.1*sky.Arcsecond); a.Enough {
			rt.Fatal("a tenth of an arcsecond is promised, against mechanical noise of 2")
		}
	})
	if a := PredictTurn(nil, nil, sky.Local{Z: 1}, 1*sky.Arcsecond); a.Turn != 0 || a.Expected != nil {
		t.Errorf("no frame: %+v", a)
	}
}

// The order of angles decides what the frames can show: how often a tripod that
// sinks, a declination that creeps and a bump are noticed, of rigs whose mount
// adds 2" to each frame. There and back must notice at least twice as many of
// the small creeps as three frames one way.
func TestPowerOfOrders(t *testing.T) {
	sizes := []sky.Angle{5 * sky.Arcsecond, 15 * sky.Arcsecond, 45 * sky.Arcsecond, 135 * sky.Arcsecond}
	noticed := make(map[string]int)
	for _, order := range turnOrders[:6] {
		for _, fault := range rigFaults[1:4] {
			line := make([]float64, len(sizes))
			for k, size := range sizes {
				fault.least, fault.most = size, size
				rng := rand.New(rand.NewPCG(31, uint64(k)))
				n := 0
				for range *faultyRigs {
					frames, _, m := measureFaulty(t, rng, fault, order.stations)
					var shaken []sky.Attitude
					for _, f := range frames {
						shake := sky.Vec{X: simmount.Gauss(rng, MechanicalNoise), Y: simmount.Gauss(rng, MechanicalNoise), Z: simmount.Gauss(rng, MechanicalNoise)}
						f.R = sky.RotationFromVector(shake).Mul(f.R)
						shaken = append(shaken, f.Attitude)
					}
					fit, err := find(shaken, observed.Pole(m.Site, m.Air, observed.Refracted))
					if fit != nil && (err != nil || fit.broken()) {
						n++
					}
				}
				line[k] = 100 * float64(n) / float64(*faultyRigs)
				if fault.frameByFrame {
					noticed[order.name] += n
				}
			}
			t.Logf("%-14s %-7s noticed of 5\", 15\", 45\", 135\": %.0f", order.name, fault.name, line)
		}
	}
	if noticed["0 60 0"] < 2*noticed["0 30 60"] {
		t.Errorf("there and back notices %d, one way %d", noticed["0 60 0"], noticed["0 30 60"])
	}
}

// predictTurn is [PredictTurn] from frames alone.
func predictTurn(frames []sky.Attitude, pole sky.Local, wanted sky.Angle) TurnAdvice {
	fit, err := Find(frames, pole)
	if err != nil {
		fit = nil
	}
	return PredictTurn(frames, fit, pole, wanted)
}
