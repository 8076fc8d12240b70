// Package rehearsaltest draws simulated rigs at random, for experiments: from a random source it gives the
// configuration of a rig, over the ranges of mounts, cameras and skies that the program is made for (common practice).
package rehearsaltest

import (
	"math"
	"math/rand/v2"
	"time"

	"polard/catalogs"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
)

// Ranges from which [RandomRig] draws.
const (
	farthestLatitude = 75 * sky.Degree // either way
	offsetFrom       = 0.5 * sky.Arcminute
	offsetTo         = 3 * sky.Degree
	fieldFrom        = 0.8 * sky.Degree // along columns
	fieldTo          = 8 * sky.Degree

	// Turn is the turn of the RA axis, from the start the way the sky
	// turns, over which the boresight of a random rig keeps above
	// MinAltitude. Below, refraction is too uncertain to be a fair test.
	Turn        = 60 * sky.Degree
	MinAltitude = 20 * sky.Degree
)

// RandomRig draws a rig for experiments: latitudes between -75 and 75
// degrees, dates from 2024 to 2034, offsets from half an arcminute to 3 degrees
// in any direction, polar distances half of them within 10 degrees and the
// rest up to 110, any camera angle, mirrored or not, 1600 by 1200 pixels over
// fields from 0.8 to 8 degrees, and a mount that leans, with backlash and cross
// movement in its bolts. Offsets, fields and bolts are drawn evenly in their
// logarithm. The boresight stays above [MinAltitude] over [Turn].
func RandomRig(rng *rand.Rand) rehearsal.Config {
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	angle := func(lo, hi sky.Angle) sky.Angle { return sky.Angle(between(float64(lo), float64(hi))) }
	evenLog := func(lo, hi float64) float64 { return lo * math.Pow(hi/lo, rng.Float64()) }
	sign := func() float64 { return float64(2*rng.IntN(2) - 1) }
	bolt := func() rehearsal.Bolt {
		return rehearsal.Bolt{
			PerTurn:       sky.Angle(sign()*evenLog(10, 120)) * sky.Arcminute,
			BacklashTurns: between(0, 0.4),
			Cross:         between(-0.05, 0.05),
			Travel:        10 * sky.Degree,
		}
	}

	site := sky.Site{
		Latitude:   angle(-farthestLatitude, farthestLatitude),
		Longitude:  angle(-sky.Turn/2, sky.Turn/2),
		ElevationM: between(0, 3000),
	}
	air := sky.StandardAir(site.ElevationM)
	air.PressureHPa *= between(0.98, 1.02)
	air.TemperatureC = between(-15, 30)
	start := time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC).
		Add(time.Duration(rng.Int64N(int64(10 * 365 * 24 * time.Hour)))).Round(time.Millisecond)

	c := rehearsal.Config{
		Name: "random rig", Place: "random place",
		Site: site, Air: air, Start: start,
		Exposure: time.Duration(between(1, 5) * float64(time.Second)).Round(100 * time.Millisecond),
		Seed:     rng.Uint64(),
	}
	// The offset on the sky, its direction, and from that the azimuth.
	total := sky.Angle(evenLog(float64(offsetFrom), float64(offsetTo)))
	way := angle(0, sky.Turn)
	c.Mount = rehearsal.Mount{
		OffsetAlt:    total * sky.Angle(way.Sin()),
		OffsetAz:     total * sky.Angle(way.Cos()/site.Latitude.Cos()),
		Tilt:         angle(0, 5*sky.Degree),
		TiltTowards:  angle(0, sky.Turn),
		AltitudeBolt: bolt(),
		AzimuthBolt:  bolt(),
		Tracking:     rng.IntN(2) == 0,
		DriveRate:    1,
	}
	const pixelUm, width, height = 3.6, 1600, 1200
	field := sky.Angle(evenLog(float64(fieldFrom), float64(fieldTo)))
	focal := width * pixelUm / 1000 / 2 / (field / 2).Tan()
	c.Camera = rehearsal.Camera{
		Name: "Lapwing C2", Width: width, Height: height, PixelUm: pixelUm,
		FocalMm: focal, FocalTypedMm: focal * between(0.97, 1.03),
		ApertureMm: max(25, min(120, focal/between(2.5, 5))),
		Angle:      angle(-sky.Turn/2, sky.Turn/2),
		Mirrored:   rng.IntN(2) == 0,
		FWHMPx:     between(1.8, 4),
		GainE:      0.25, BiasADU: 480, ReadE: between(1.2, 4), DarkE: between(0, 2), FullWellE: 15500,
		HotPixels: rng.IntN(1000),
	}
	c.Night = rehearsal.Night{
		SkyMag: between(18, 21.5), Gradient: between(0, 0.4), GradientTowards: angle(-sky.Turn/2, sky.Turn/2),
		Extinction: between(0.12, 0.4), FaintStars: 5,
	}
	for range drawsOfPointing {
		c.Mount.HourAngle = angle(-sky.Turn/2, sky.Turn/2)
		c.Mount.PolarDistance = angle(0, 110*sky.Degree)
		if rng.IntN(2) == 0 {
			c.Mount.PolarDistance = angle(0, 10*sky.Degree)
		}
		if staysUp(c) {
			return c
		}
	}
	// Half the turn before the meridian and half behind, at the declination of
	// the zenith: at least 60 degrees high.
	c.Mount.HourAngle = -Turn / 2
	c.Mount.PolarDistance = sky.Turn/4 - site.Latitude.Abs()
	return c
}

// drawsOfPointing bounds the search: at any latitude more than one pointing in
// twenty stays up, so that fewer than one search in 10^8 comes to an end
// without one.
const drawsOfPointing = 400

// staysUp tells whether the boresight keeps above MinAltitude over Turn.
func staysUp(c rehearsal.Config) bool {
	rig, err := rehearsal.NewRig(noStars{}, c)
	if err != nil {
		panic(err) // every number drawn is one that a rig may have
	}
	const steps = 12
	for range steps + 1 {
		if rig.Truth(c.Start).Boresight().Z < MinAltitude.Sin() {
			return false
		}
		if err := rig.TurnRA(Turn / steps); err != nil {
			panic(err)
		}
	}
	return true
}

// noStars is the sky of a rig that exposes nothing.
type noStars struct{}

func (noStars) Cone(sky.ICRS, sky.Angle, float64, func(catalogs.Star)) {}
