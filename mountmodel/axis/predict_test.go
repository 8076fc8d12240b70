package axis

import (
	"math"
	"math/rand/v2"
	"testing"

	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// The forecast, less the mechanical noise that it allows for, is what the fit
// states once the frame is taken.
func TestPredictTurn(t *testing.T) {
	rng := rand.New(rand.NewPCG(22, 1))
	for _, sep := range []sky.Angle{0.3, 10, 60, 90} {
		for _, before := range [][]sky.Angle{{0}, {0, 20}, {0, -25, -50}} {
			m := simmount.New(rng, sky.Site{Latitude: 50 * sky.Degree}, 5*sky.Arcminute, sep*sky.Degree)
			// So large errors of the stars that the mechanical noise adds little.
			m.Sigma, m.Stars, m.FieldW = 40*sky.Arcsecond, 30, 5*sky.Degree
			for i := range before {
				before[i] *= sky.Degree
			}
			att := attitudesOf(t, m, 1, before...)
			pole := observed.Pole(m.Site, m.Air, observed.Refracted)
			advice := PredictTurn(att, pole, 1*sky.Arcsecond)
			if len(advice.Expected) != 3 {
				t.Fatalf("%d forecasts", len(advice.Expected))
			}
			for _, f := range advice.Expected {
				further := f.Turn
				if len(before) == 3 {
					further = -further
				}
				fit, err := Find(append(att[:len(att):len(att)], attitudesOf(t, m, 1, before[len(before)-1]+further)...), pole)
				if err != nil {
					t.Fatal(err)
				}
				major, _, _ := fit.Axis.Ellipse()
				// The next field's stars differ from the last one's, 30 of them:
				// a third.
				if r := float64(f.Uncertainty / major); math.Abs(math.Log(r)) > math.Log(1.5) && fit.ModelError == 0 {
					t.Errorf("distance %g, %d frames, %g degrees more: forecast %.1f, came to %.1f arcsec",
						float64(sep), len(before), f.Turn.Degrees(), f.Uncertainty.Arcseconds(), major.Arcseconds())
				}
			}
		}
	}
}

// The least turn is the first of the steps whose forecast suffices, and what
// cannot be reached is not promised.
func TestPredictLeast(t *testing.T) {
	rng := rand.New(rand.NewPCG(23, 1))
	m := simmount.New(rng, sky.Site{Latitude: 50 * sky.Degree}, 5*sky.Arcminute, 2*sky.Degree)
	att := attitudesOf(t, m, 1, 0, 10*sky.Degree)
	pole := observed.Pole(m.Site, m.Air, observed.Refracted)
	fit, err := Find(att, pole)
	if err != nil {
		t.Fatal(err)
	}
	goal := 8 * sky.Arcsecond
	a := PredictTurn(att, pole, goal)
	at := func(turn sky.Angle) sky.Angle {
		s, ok := forecast(att, fit.n, turn, 0)
		if !ok {
			t.Fatal("no forecast")
		}
		return s
	}
	if a.Least < leastAsked || at(a.Least) > goal || (a.Least > leastAsked && at(a.Least-askedStep) <= goal) {
		t.Errorf("least turn %g degrees", a.Least.Degrees())
	}
	if a := PredictTurn(att, pole, 0.1*sky.Arcsecond); a.Least != 0 {
		t.Errorf("a tenth of an arcsecond is promised after %g degrees, against mechanical noise of 2", a.Least.Degrees())
	}
	if a := PredictTurn(nil, pole, goal); a.Least != 0 || a.Expected != nil {
		t.Errorf("no frame: %+v", a)
	}
}
