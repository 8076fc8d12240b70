package rehearsal

import (
	"time"

	"polard/mountmodel/sky"
)

// Quillmere is the rig of the Quillmere Heath Observatory, a place of our own
// invention in the north: a small guide scope on a well-kept mount, standing
// level, its axis some 40 arcminutes off.
func Quillmere(start time.Time) Config {
	site := sky.Site{Latitude: 46.318 * sky.Degree, Longitude: 13.072 * sky.Degree, ElevationM: 640}
	return Config{
		Name:  "Bittern mount with Lapwing guide camera",
		Place: "Quillmere Heath Observatory",
		Site:  site,
		Air:   sky.StandardAir(site.ElevationM),
		Start: start,
		Mount: Mount{
			OffsetAlt:     -22 * sky.Arcminute,
			OffsetAz:      48 * sky.Arcminute,
			AltitudeBolt:  Bolt{PerTurn: 52 * sky.Arcminute, Travel: 8 * sky.Degree},
			AzimuthBolt:   Bolt{PerTurn: 38 * sky.Arcminute, Travel: 8 * sky.Degree},
			HourAngle:     -20 * sky.Degree,
			PolarDistance: 14 * sky.Degree,
			Tracking:      true,
			DriveRate:     1,
		},
		Camera: Camera{
			Name: "Lapwing C2", Width: 1600, Height: 1200,
			PixelUm: 3.6, FocalMm: 98.6, FocalTypedMm: 100, ApertureMm: 32,
			Angle: 33 * sky.Degree, FWHMPx: 2.6,
			GainE: 0.25, BiasADU: 480, ReadE: 2.4, DarkE: 0.4, FullWellE: 15500, HotPixels: 240,
		},
		Night: Night{
			SkyMag: 20.2, Gradient: 0.15, GradientTowards: -70 * sky.Degree,
			Extinction: 0.22, FaintStars: 5,
		},
		Exposure: 2 * time.Second,
		Seed:     1,
	}
}

// Karrabine is the rig of the Karrabine Ridge Observatory, a place of our own
// invention in the south: a mirrored image and a wider field.
func Karrabine(start time.Time) Config {
	c := Quillmere(start)
	c.Name = "Curlew mount with Lapwing guide camera"
	c.Place = "Karrabine Ridge Observatory"
	c.Site = sky.Site{Latitude: -31.604 * sky.Degree, Longitude: 136.815 * sky.Degree, ElevationM: 210}
	c.Air = sky.StandardAir(c.Site.ElevationM)
	c.Mount.OffsetAlt, c.Mount.OffsetAz = 31*sky.Arcminute, 29*sky.Arcminute
	c.Mount.HourAngle = -35 * sky.Degree
	c.Mount.PolarDistance = 27 * sky.Degree
	c.Camera.FocalMm, c.Camera.FocalTypedMm = 81.2, 80
	c.Camera.Angle = -118 * sky.Degree
	c.Camera.Mirrored = true
	c.Seed = 2
	return c
}

// Worn is the rig with the faults of an old mount on a slope: backlash in both
// bolts, a base that leans, bolts that move each other's adjustment.
func Worn(c Config) Config {
	c.Name += ", worn"
	c.Mount.Tilt, c.Mount.TiltTowards = 5*sky.Degree, 120*sky.Degree
	c.Mount.AltitudeBolt.BacklashTurns, c.Mount.AltitudeBolt.Cross = 0.15, 0.03
	c.Mount.AzimuthBolt.BacklashTurns, c.Mount.AzimuthBolt.Cross = 0.30, -0.02
	c.Mount.AzimuthBolt.PerTurn *= -1
	return c
}
