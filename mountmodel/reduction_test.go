package mountmodel

import (
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// A session takes a prepared sighting for what it is, to the last bit; one that
// was prepared for another place, air or UT1-UTC it works out anew.
func TestReduced(t *testing.T) {
	m := simmount.New(rand.New(rand.NewPCG(31, 1)), sky.Site{Latitude: 44 * sky.Degree, Longitude: 12 * sky.Degree, ElevationM: 700}, 25*sky.Arcminute, 3*sky.Degree)
	m.FieldW, m.Stars = 2*sky.Degree, 50
	cfg := Config{Site: m.Site, Air: m.Air, Tolerance: DefaultTolerance}
	var shots []Sighting
	for i := range 8 {
		if i < 4 {
			m.Theta += []sky.Angle{0, 60, -60, 20}[i] * sky.Degree
		} else {
			m.TurnBolts(3*sky.Arcminute, -2*sky.Arcminute, sky.Vec{})
		}
		m.Wait(20*time.Second, true)
		shots = append(shots, sightingOf(m, string(rune('a'+i)), 1))
	}
	shots = append(shots, Sighting{Name: "cloud", Mid: m.Now, Refused: "clouds"}, Sighting{Name: "no time"},
		Sighting{Name: "two stars", Mid: m.Now.Add(time.Second), Pairs: shots[0].Pairs[:2]})
	viewOf := func(prepare func(Sighting) Sighting) View {
		s, err := NewSession(cfg)
		if err != nil {
			t.Fatal(err)
		}
		for _, shot := range shots {
			s.Take(shot.Mid, prepare(shot))
		}
		return s.View()
	}
	want := viewOf(func(s Sighting) Sighting { return s })
	if want.Phase != Adjusting || len(want.Adjust) == 0 {
		t.Fatalf("phase %s, %d readings", want.Phase, len(want.Adjust))
	}
	for name, change := range map[string]func(*Config){
		"as it is":       func(*Config) {},
		"another place":  func(c *Config) { c.Site.Latitude += sky.Degree },
		"another air":    func(c *Config) { c.Air.PressureHPa -= 50 },
		"another UT1":    func(c *Config) { c.DUT1 = 0.5 },
		"another config": func(c *Config) { c.Tolerance, c.Pole = 5*sky.Arcminute, observed.True },
	} {
		other := cfg
		change(&other)
		if got := viewOf(func(s Sighting) Sighting { return s.Reduced(other) }); !reflect.DeepEqual(got, want) {
			t.Errorf("%s: the session came out differently:\n%+v\n%+v", name, got, want)
		}
		p := shots[0].Reduced(other)
		if same := other.Site == cfg.Site && other.Air == cfg.Air && other.DUT1 == cfg.DUT1; p.reducedFor(cfg) != same {
			t.Errorf("%s: counts as prepared for the session: %v", name, !same)
		}
	}
	if p := shots[0]; p.reduction != nil {
		t.Error("preparing changed the sighting itself")
	}
}
