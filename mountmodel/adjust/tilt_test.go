package adjust

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/internal/simmount"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// An azimuth bolt on a level base, seen by someone whose latitude is wrong:
// the vertical leans.
func TestLatitudeByBolt(t *testing.T) {
	for _, lat := range []sky.Angle{35, 52, -40} {
		for _, wrong := range []sky.Angle{-15, -8, -2, 0, 2, 8, 15} {
			rng := rand.New(rand.NewPCG(uint64(lat+90), uint64(wrong+90)))
			m := simmount.New(rng, sky.Site{Latitude: lat * sky.Degree}, 1*sky.Degree, 60*sky.Degree)
			m.Air = simmount.Airless
			tilt := sky.Rotation(sky.Vec{X: 1}, wrong*sky.Degree) // from the true local frame to the one believed
			given := m.Site
			given.Latitude += wrong * sky.Degree
			see := func() sky.Attitude {
				f := m.Field(1)
				for i := range f {
					f[i].Local = tilt.Apply(f[i].Local)
				}
				st, err := observed.FitAttitude(f)
				if err != nil {
					t.Fatal(err)
				}
				return st.Attitude
			}
			var att []sky.Attitude
			var mids []time.Time
			for range 3 {
				att, mids = append(att, see()), append(mids, m.Now)
				m.Theta += 30 * sky.Degree
				m.Wait(time.Minute, false)
			}
			m.Theta -= 30 * sky.Degree
			fit, err := axis.Find(att, observed.Pole(given, simmount.Airless, observed.True))
			if err != nil {
				t.Fatal(err)
			}
			tracker := newTracker(fit, mids, m.Site.South())
			for k := range 6 {
				for _, turn := range [2][2]sky.Angle{{2, 0}, {0, 1}} {
					m.Wait(20*time.Second, false)
					m.TurnBolts(turn[0]*sky.Angle(1-2*(k%2))*sky.Degree, turn[1]*sky.Angle(1-2*(k%2))*sky.Degree, sky.Vec{})
					before := *tracker
					tracker.read(see(), m.Now)
					tracker.learnTilt(&before)
				}
			}
			mean, sigmas := tracker.tilts.tilt()
			excess, sigma := -mean[1], sigmas[1]
			t.Logf("latitude %g, wrong by %g: %.2f +- %.2f degrees", float64(lat), float64(wrong), excess.Degrees(), sigma.Degrees())
			if off := (excess - wrong*sky.Degree).Abs(); off > 3*sigma || sigma > 2*sky.Degree {
				t.Errorf("latitude %g, wrong by %g: %.2f +- %.2f degrees", float64(lat), float64(wrong), excess.Degrees(), sigma.Degrees())
			}
			message := latitudeByBolt(tracker)
			if told := message != ""; told != (wrong.Abs() > 5) {
				t.Errorf("latitude %g, wrong by %g: %q", float64(lat), float64(wrong), message)
			}
			if wrong > 5 && !strings.Contains(message, "too far north") || wrong < -5 && !strings.Contains(message, "too far south") {
				t.Errorf("wrong by %g: %q", float64(wrong), message)
			}
		}
	}
}
