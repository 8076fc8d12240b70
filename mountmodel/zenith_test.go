package mountmodel

import (
	"math/rand/v2"
	"testing"
	"time"

	"polard/mountmodel/clock"
	"polard/mountmodel/sky"
)

// The air within the frames of a measurement gives a longitude of the wrong sign away where it
// is night at both places: it squeezes images along the vertical. Where place and time are
// right nothing is said, though the detector's pixels are not quite square and the air is not
// what it was taken for.
func TestAirTellsTheLongitude(t *testing.T) {
	told, unsure, alarms, misnamed, confirmed := 0, 0, 0, 0, 0
	for seed := range uint64(120) {
		rng := rand.New(rand.NewPCG(seed, 93))
		lat := sky.Angle(10+50*rng.Float64()) * sky.Degree
		if rng.IntN(2) == 0 {
			lat = -lat
		}
		lon := sky.Angle(4+86*rng.Float64()) * sky.Degree
		flipped := seed%2 == 0
		m := newMistaken(t, seed, lat, lon, time.Date(2026, 3, 12, 22, 0, 0, 0, time.UTC), func(c *Config) {
			c.AnyHour = true
			if flipped {
				c.Site.Longitude = -c.Site.Longitude
			}
		})
		m.m.FieldW, m.m.Stars, m.m.Sigma = 3*sky.Degree, 60, 0.7*sky.Arcsecond
		m.m.Air.TemperatureC += 15 * rng.NormFloat64() // as nights differ from the standard atmosphere
		m.m.Air.PressureHPa *= 1 + 0.01*rng.NormFloat64()
		if lowest(m.m, 120*sky.Degree) < 12*sky.Degree {
			continue
		}
		own := [2]float64{2e-4 * rng.NormFloat64(), 2e-4 * rng.NormFloat64()}
		m.lens = func(c sky.Camera) sky.Camera {
			return sky.Camera(sky.Unit(sky.Vec{X: c.X + own[0]*c.X + own[1]*c.Y, Y: c.Y - own[0]*c.Y + own[1]*c.X, Z: c.Z}))
		}
		var v View
		for _, turn := range []sky.Angle{0, 60, -60, 30} {
			v = m.shoot(turn * sky.Degree)
		}
		says := warns(v, WarnZenith)
		switch wrong := flipped && 2*lon > 15*sky.Degree; {
		case wrong && v.Confirmed != ByNothing:
			t.Errorf("seed %d: a wrong longitude is confirmed by %s", seed, v.Confirmed)
		case !flipped && v.Confirmed == ByAir:
			confirmed++
		}
		switch {
		case !flipped && (says || v.Suggested != nil):
			alarms++
			t.Errorf("seed %d, latitude %.0f: a false alarm", seed, lat.Degrees())
		case flipped && !says:
			unsure++
		case flipped && (v.Suggested == nil || v.Suggested.Mistake != clock.LongitudeSign):
			misnamed++
		case flipped:
			told++
		}
	}
	t.Logf("told %d, not told %d, told without the name %d, false alarms %d; %d right ones confirmed", told, unsure, misnamed, alarms, confirmed)
	// Frames near the zenith at both places are hardly squeezed.
	if told < 3*(unsure+misnamed) || confirmed == 0 {
		t.Errorf("told %d, not told %d, told without the name %d", told, unsure, misnamed)
	}
}
