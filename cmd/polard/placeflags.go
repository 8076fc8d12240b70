package main

import (
	"errors"

	"polard/fits"
	"polard/mountmodel"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"github.com/spf13/cobra"
)

// siteFlags are the options that say where the mount stands.
type siteFlags struct {
	lat, lon                         placeAngle
	elevation, pressure, temperature float64
	pole                             string
}

// placeAngle is a latitude or longitude as people write it; it is an option's value.
type placeAngle struct {
	text        string
	angle       sky.Angle
	plus, minus string // the letters of its sides
}

func (a *placeAngle) Set(text string) error {
	angle, ok := sky.ParseAngle(text, a.plus, a.minus)
	if !ok {
		return errors.New("no angle") // wrongFlag says what to give
	}
	a.text, a.angle = text, angle
	return nil
}

func (a *placeAngle) String() string { return a.text }
func (a *placeAngle) Type() string   { return "angle" }

func (f *siteFlags) add(c *cobra.Command) {
	f.lat, f.lon = placeAngle{plus: "N", minus: "S"}, placeAngle{plus: "E", minus: "W"}
	c.Flags().Var(&f.lat, "lat", "latitude of the mount in `DEG`, north positive, or as \"46 19 12 N\"")
	c.Flags().Var(&f.lon, "lon", "longitude of the mount in `DEG`, east positive, or as \"13 4 12 E\"")
	c.Flags().Float64Var(&f.elevation, "elevation", 0, "height above the sea in `M`")
	c.Flags().Float64Var(&f.pressure, "pressure", 0, "air pressure at the mount in `HPA`; without it that of the frame's header, else of the standard atmosphere at the elevation")
	c.Flags().Float64Var(&f.temperature, "temperature", sky.DefaultTemperatureC, "air temperature in degrees `C`elsius; without it that of the frame's header, else 10")
	c.Flags().StringVar(&f.pole, "pole", "refracted", "`KIND` of pole to aim at: refracted or true")
}

// given tells whether the place was given.
func (f *siteFlags) given(c *cobra.Command) bool {
	return c.Flags().Changed("lat") && c.Flags().Changed("lon")
}

// over lays the options over a place from elsewhere, such as a frame's header,
// and gives the air above it.
func (f *siteFlags) over(c *cobra.Command, site sky.Site) (sky.Site, sky.Air) {
	if f.given(c) {
		site = sky.Site{Latitude: f.lat.angle, Longitude: f.lon.angle}
	}
	if c.Flags().Changed("elevation") {
		site.ElevationM = f.elevation
	}
	air := sky.StandardAir(site.ElevationM)
	if c.Flags().Changed("pressure") {
		air.PressureHPa, air.PressureSigmaHPa = f.pressure, sky.MeasuredPressureSigmaHPa
	}
	if c.Flags().Changed("temperature") {
		air.TemperatureC, air.TemperatureSigmaC = f.temperature, sky.MeasuredSigmaC
	}
	return site, air
}

// config makes the session's configuration. What the options do not tell of place
// and air it takes from a frame's header, where that does.
func (f *siteFlags) config(c *cobra.Command, header *sky.Site, weather *fits.Weather) (mountmodel.Config, error) {
	cfg := mountmodel.Config{Tolerance: mountmodel.DefaultTolerance}
	switch {
	case f.given(c):
		cfg.Site, cfg.Air = f.over(c, sky.Site{})
	case c.Flags().Changed("lat") || c.Flags().Changed("lon"):
		return cfg, wrongCall("--lat and --lon go together: give both, in degrees (south and west are negative)")
	case header != nil:
		cfg.Site, cfg.Air = f.over(c, *header)
	default:
		return cfg, wrongCall("say where the mount stands: --lat and --lon, in degrees (south and west are negative)")
	}
	cfg.Air = weather.Fill(cfg.Air, cfg.Site.ElevationM)
	if err := cfg.Site.Check(); err != nil {
		return cfg, callError{err}
	}
	if err := cfg.Air.Check(); err != nil {
		return cfg, callError{err}
	}
	var err error
	if cfg.Pole, err = observed.ParsePoleKind(f.pole); err != nil {
		return cfg, wrongCall("--pole %q: give refracted or true", f.pole)
	}
	if cfg.Pole == observed.Planned {
		return cfg, wrongCall("--pole %s goes with a plan: see 'polard trail --help'", f.pole)
	}
	return cfg, nil
}
