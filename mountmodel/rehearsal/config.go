package rehearsal

import (
	"errors"
	"fmt"
	"time"

	"polard/mountmodel/sky"
)

// Config describes a rig, its place and its night. It is plain data: copy and
// change it freely.
type Config struct {
	Name  string // of the rig, for the user
	Place string // where it stands, for the user
	Site  sky.Site
	Air   sky.Air   // over the site; the sky is seen through it
	Start time.Time // when the mount stands as Mount describes it

	Mount    Mount
	Camera   Camera
	Night    Night
	Exposure time.Duration
	// ClockError is what the camera's clock shows minus UTC. It goes into the
	// headers.
	ClockError time.Duration
	// Seed fixes the noise, the hot pixels and the faint stars.
	Seed uint64
}

// Mount is a German or any other equatorial mount as far as directions go: a
// base, on it the bolts, on them the RA axis, on that the body with the tube.
type Mount struct {
	// OffsetAlt and OffsetAz are the axis minus the refracted pole at the
	// start; OffsetAz is a difference of azimuths.
	OffsetAlt, OffsetAz sky.Angle
	// Tilt is how far the base leans from level, TiltTowards the azimuth to
	// which it leans. The azimuth bolt turns about the base's own vertical and
	// the altitude hinge is square to that, so a tilt makes each bolt move the
	// axis a little the other way too.
	Tilt, TiltTowards sky.Angle

	AltitudeBolt, AzimuthBolt Bolt

	// HourAngle is the reading of the RA circle at the start: 0 with the tube
	// above the axis, growing the way the sky turns.
	HourAngle sky.Angle
	// PolarDistance is the angle from the axis to the boresight: 90 degrees
	// minus declination (of the south pole in the south), and any error of the
	// tube on its saddle with it.
	PolarDistance sky.Angle
	// Tracking says whether the drive runs at the start.
	Tracking bool
	// DriveRate is the drive's rate in units of the sidereal rate.
	DriveRate float64

	// Flexure is the sag of the camera against the body under its own weight,
	// with the tube level.
	Flexure sky.Angle
	// PeriodicError is the amplitude of the drive's periodic error, WormPeriod
	// the time in which it comes back; both are 0 for a perfect drive.
	PeriodicError sky.Angle
	WormPeriod    time.Duration
	// Settling is how much further the base leans in every hour, towards an
	// azimuth.
	Settling, SettlingTowards sky.Angle
}

// Bolt moves one of the two adjustments of the mount's head.
type Bolt struct {
	// PerTurn is how far the axis goes in one turn clockwise: up (altitude
	// bolt) or with growing azimuth (azimuth bolt); negative for the other way.
	PerTurn sky.Angle
	// BacklashTurns is how far the bolt turns without effect after a change of
	// direction. At the start it stands in the middle of its backlash.
	BacklashTurns float64
	// Cross is the movement of the other adjustment that comes with one of
	// this one, as a part of it.
	Cross float64
	// Travel is how far the adjustment goes, each way from the start.
	Travel sky.Angle
}

// Camera is optics, detector, and how it is bolted to the body.
type Camera struct {
	Name          string  // INSTRUME
	Width, Height int     // pixels
	PixelUm       float64 // micrometres
	FocalMm       float64 // the true one
	FocalTypedMm  float64 // FOCALLEN of the header; 0 leaves it out
	ApertureMm    float64

	// Angle is the direction of growing rows, counted from the direction
	// towards the axis's pole-seeking end, anticlockwise as seen by an eye that
	// looks out along the boresight.
	Angle sky.Angle
	// Mirrored: an odd number of mirrors. Without, the image with row 0 at the
	// bottom shows the sky as the eye sees it.
	Mirrored bool
	// Distortion is the radial displacement at the corner as a part of the
	// distance from the centre, growing with its cube; positive outwards.
	Distortion float64
	// FWHMPx is the full width at half maximum of a star in pixels, before
	// the pixel's own width is added.
	FWHMPx float64

	GainE     float64 // electrons per count
	BiasADU   float64 // counts without light
	ReadE     float64 // read noise, electrons
	DarkE     float64 // dark current, electrons per second and pixel
	FullWellE float64 // electrons a pixel holds
	HotPixels int     // pixels with a high dark current, always the same ones
}

// Night is the sky over the rig.
type Night struct {
	// SkyMag is the brightness of the empty sky, V magnitudes per square
	// arcsecond.
	SkyMag float64
	// Gradient is the brightness at one corner of the frame minus the mean, as
	// a part of the mean; GradientTowards says in which direction of the image
	// it grows, from columns towards rows.
	Gradient        float64
	GradientTowards sky.Angle
	// Extinction is the dimming of stars per unit of air mass, magnitudes.
	Extinction float64
	// Cloud is further dimming of the stars, magnitudes.
	Cloud float64
	// FaintStars is the number of stars too faint for the catalogue that come
	// with each catalogue star of V 10.5 to 11.5.
	FaintStars int
}

// Limits of what is simulated.
const (
	maxSide     = 20000 // pixels
	maxPixels   = 64e6  // 256 MB of float32
	minFocalMm  = 4
	maxFocalMm  = 20000
	minFWHM     = 1.2 // below, three nodes per pixel no longer integrate the image of a star well; see psf.go
	maxFWHM     = 40
	minReadE    = 1    // the noise approximation holds from here on; see noise.go
	maxDistort  = 0.12 // below -4/27 the image folds back before it reaches the corner
	maxExposure = 10 * time.Minute
	maxTilt     = 20 * sky.Degree
	maxFaint    = 100
)

// Check says what is wrong with the configuration, or nil.
func (c Config) Check() error {
	if err := c.Site.Check(); err != nil {
		return fmt.Errorf("site: %w", err)
	}
	if err := c.Air.Check(); err != nil {
		return fmt.Errorf("air: %w", err)
	}
	if c.Start.IsZero() {
		return errors.New("the rig has no starting time: set Start")
	}
	if !(c.Exposure > 0 && c.Exposure <= maxExposure) {
		return fmt.Errorf("exposure %v is outside 0 to %v", c.Exposure, maxExposure)
	}
	for _, r := range c.ranges() {
		if !(r.value >= r.lo && r.value <= r.hi) { // NaN fails too
			return fmt.Errorf("%s %g is outside %g to %g", r.name, r.value, r.lo, r.hi)
		}
	}
	if c.Mount.PeriodicError != 0 && c.Mount.WormPeriod <= 0 {
		return errors.New("a periodic error needs the time in which the worm turns once: set WormPeriod")
	}
	if n := c.Camera.Width * c.Camera.Height; n > maxPixels {
		return fmt.Errorf("%d pixels are more than %.0f", n, maxPixels)
	}
	if c.Mount.AltitudeBolt.PerTurn == 0 || c.Mount.AzimuthBolt.PerTurn == 0 {
		return errors.New("a bolt that does nothing in a turn cannot be used: set PerTurn")
	}
	return nil
}

type numberRange struct {
	name   string
	value  float64
	lo, hi float64
}

func (c Config) ranges() []numberRange {
	m, k, n := c.Mount, c.Camera, c.Night
	r := []numberRange{
		{"altitude offset (degrees)", m.OffsetAlt.Degrees(), -45, 45},
		{"azimuth offset (degrees)", m.OffsetAz.Degrees(), -180, 180},
		{"tilt of the base (degrees)", m.Tilt.Degrees(), 0, maxTilt.Degrees()},
		{"azimuth of the tilt (degrees)", m.TiltTowards.Degrees(), -360, 360},
		{"hour angle (degrees)", m.HourAngle.Degrees(), -360, 360},
		{"polar distance (degrees)", m.PolarDistance.Degrees(), 0, 180},
		{"drive rate (sidereal)", m.DriveRate, -10, 10},
		{"flexure (degrees)", m.Flexure.Degrees(), 0, 5},
		{"periodic error (degrees)", m.PeriodicError.Degrees(), 0, 1},
		{"settling (degrees per hour)", m.Settling.Degrees(), 0, 20},
		{"azimuth of the settling (degrees)", m.SettlingTowards.Degrees(), -360, 360},
		{"width (pixels)", float64(k.Width), 16, maxSide},
		{"height (pixels)", float64(k.Height), 16, maxSide},
		{"pixel size (micrometres)", k.PixelUm, 0.5, 100},
		{"focal length (mm)", k.FocalMm, minFocalMm, maxFocalMm},
		{"focal length in the header (mm)", k.FocalTypedMm, 0, maxFocalMm},
		{"aperture (mm)", k.ApertureMm, 1, 10000},
		{"camera angle (degrees)", k.Angle.Degrees(), -360, 360},
		{"distortion at the corner", k.Distortion, -maxDistort, maxDistort},
		{"width of a star (pixels)", k.FWHMPx, minFWHM, maxFWHM},
		{"gain (electrons per count)", k.GainE, 1e-3, 1000},
		{"bias (counts)", k.BiasADU, 0, maxADU},
		{"read noise (electrons)", k.ReadE, minReadE, 1000},
		{"dark current (electrons per second)", k.DarkE, 0, 1e6},
		{"full well (electrons)", k.FullWellE, 100, 1e7},
		{"hot pixels", float64(k.HotPixels), 0, float64(k.Width) * float64(k.Height) / 2},
		{"sky brightness (magnitudes per square arcsecond)", n.SkyMag, 5, 30},
		{"sky gradient", n.Gradient, 0, 1},
		{"direction of the gradient (degrees)", n.GradientTowards.Degrees(), -360, 360},
		{"extinction (magnitudes)", n.Extinction, 0, 5},
		{"cloud (magnitudes)", n.Cloud, 0, 100},
		{"faint stars per catalogue star", float64(n.FaintStars), 0, maxFaint},
	}
	for _, b := range []struct {
		name string
		Bolt
	}{{"altitude", m.AltitudeBolt}, {"azimuth", m.AzimuthBolt}} {
		r = append(r,
			numberRange{b.name + " bolt (degrees per turn)", b.PerTurn.Degrees(), -20, 20},
			numberRange{b.name + " bolt's backlash (turns)", b.BacklashTurns, 0, 5},
			numberRange{b.name + " bolt's cross movement", b.Cross, -0.5, 0.5},
			numberRange{b.name + " bolt's travel (degrees)", b.Travel.Degrees(), 0, 180})
	}
	return r
}
