package mountmodel

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/sky"
)

// With a place or a clock that is wrong by much, frames would have been taken
// through the ground: that is told by name, and such frames are not used.
func TestImpossiblePlace(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 16))
	m := simmount.New(rng, sky.Site{Latitude: 40 * sky.Degree, Longitude: -100 * sky.Degree}, 30*sky.Arcminute, 55*sky.Degree)
	var s []Sighting
	for i, shot := range m.Shots() {
		s = append(s, Sighting{Name: fmt.Sprintf("frame %d", i), Mid: shot.Mid, Pairs: shot.Pairs})
	}
	if s == nil {
		t.Fatal("no place above the horizon")
	}
	told := func(site sky.Site, ahead time.Duration) (impossible bool) {
		moved := append([]Sighting{}, s...)
		for i := range moved {
			moved[i].Mid = moved[i].Mid.Add(ahead)
		}
		// A list that gives no axis still tells why.
		v, _ := Measure(Config{Site: site, Air: m.Air, Tolerance: DefaultTolerance}, moved, 0)
		for _, f := range v.Frames {
			if f.Status == axis.FrameUnusable && strings.Contains(f.Message, "below the horizon") && strings.Contains(f.Message, "check all three") {
				impossible = true
			}
		}
		return impossible
	}
	if told(m.Site, 0) {
		t.Error("the right place is called impossible")
	}
	// With the wrong sign of longitude or half a day off, some clock setting must
	// look through the ground: a field 55 degrees from the pole goes down to 5
	// degrees below the horizon at latitude 40.
	impossible := 0
	for h := range 24 {
		if told(m.Site, time.Duration(h)*time.Hour) {
			impossible++
		}
	}
	if impossible == 0 {
		t.Error("no time of day is impossible")
	}
	south := m.Site
	south.Latitude = -south.Latitude
	if !told(south, 0) {
		t.Error("the other hemisphere is not called impossible")
	}
	session, err := NewSession(Config{Site: south, Air: m.Air, Tolerance: DefaultTolerance})
	if err != nil {
		t.Fatal(err)
	}
	session.Take(m.Now, s[0])
	if w := session.View().Warnings; len(w) != 1 || w[0].Code != WarnPlace {
		t.Errorf("warnings: %+v", w)
	}
}
