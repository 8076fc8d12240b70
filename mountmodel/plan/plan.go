package plan

import (
	"math"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Plan is a run of equal exposures of one target, for which the alignment is
// to be good enough: what an axis off the pole, and the air, do to the stars
// while the shutter is open. A drive that runs evenly at the sidereal rate is assumed: its periodic
// error, wind and flexure come on top.
type Plan struct {
	Site sky.Site
	Air  sky.Air

	FocalMm       float64
	PixelUm       float64 // after binning
	Width, Height int     // of the frame, in pixels after binning

	Declination sky.Angle // of the frame's centre, equator of date
	// HourFrom and HourTo are the hour angles (west positive) of the target at
	// the start of the first exposure and at the end of the last.
	HourFrom, HourTo sky.Angle
	Exposure         time.Duration

	// Guided says that a guide star is held in its place by turning the mount
	// about its two axes. GuideDistance is that of the guide star from the
	// frame's centre; its direction is taken as the worst of four.
	Guided        bool
	GuideDistance sky.Angle
}

// Errors of a plan.
var (
	// ErrAirAlone means that a perfectly set mount would trail as well.
	ErrAirAlone = sky.Refuse(nil, "air_alone", "refraction alone moves the stars by more than the limit: expose for a shorter time, stay higher, or guide nearer to the target")

	// ErrNotSteerable means that the guide star cannot be held by turning the
	// two axes, because it stands too near the line of the RA axis.
	ErrNotSteerable = sky.Refuse(nil, "not_steerable", "the guide star is so near the RA axis that turning the mount cannot hold it: take a guide star farther from the pole")
)

const (
	// planStep is the largest step in hour angle between sampled starts and
	// sampled moments of an exposure. Drift goes as sine and cosine of the hour
	// angle: the largest value between samples is missed by 1 - cos(1.25
	// degrees), 2 parts in 10,000.
	planStep = 2.5 * sky.Degree

	// lowestPlanned is the altitude down to which a plan is worked out: at 5
	// degrees the model of the air is wrong by 25 arcsec out of 590
	// (see [Refraction]).
	lowestPlanned = 5 * sky.Degree

	// rimPoints are sampled on the circle through the frame's corners, because
	// a plan does not tell how the camera is turned. What refraction squeezes
	// goes round twice on it and is missed by at most 1 - cos(2 x 11.25 degrees),
	// 8 % of it; drift and rotation are not missed. A multiple of four.
	rimPoints = 16

	// mostTolerance is the largest tolerance that is answered: nobody calls more an
	// alignment.
	mostTolerance = 5 * sky.Degree

	// shortestPlanned and longestPlanned bound exposures.
	shortestPlanned = time.Millisecond
	longestPlanned  = 12 * time.Hour
)

// Scale is the angle of one pixel at the centre of the frame.
func (p Plan) Scale() sky.Angle { return sky.Atan2(p.PixelUm*1e-3, p.FocalMm) }

// rim is the distance of the corners from the centre.
func (p Plan) rim() sky.Angle {
	return sky.Atan2(math.Hypot(float64(p.Width), float64(p.Height))/2*p.PixelUm*1e-3, p.FocalMm)
}

// swept is the turn of the sky during one exposure.
func (p Plan) swept() sky.Angle { return sky.Angle(observed.SiderealRate * p.Exposure.Seconds()) }

// Check says what is wrong with the plan, or nil.
func (p Plan) Check() error {
	if err := p.Site.Check(); err != nil {
		return err
	}
	if err := p.Air.Check(); err != nil {
		return err
	}
	finite := func(x float64) bool { return x > 0 && !math.IsInf(x, 0) }
	switch {
	case !finite(p.FocalMm):
		return sky.Refuse(nil, "plan_focal", "the focal length is not above 0: give it in millimetres")
	case !finite(p.PixelUm):
		return sky.Refuse(nil, "plan_pixel", "the pixel size is not above 0: give it in micrometres, after binning")
	case p.Width < 1 || p.Height < 1:
		return sky.Refuse(nil, "plan_size", "a frame of %d by %d pixels: give its width and height in pixels", p.Width, p.Height)
	case p.rim() > 60*sky.Degree:
		return sky.Refuse(nil, "plan_corner", "the frame's corner is %s from its centre: check focal length and pixel size", sky.Whole(p.rim()))
	case !(p.Declination.Abs() <= 90*sky.Degree):
		return sky.Refuse(nil, "plan_declination", "declination %s is outside -90 to +90 degrees", round(p.Declination.Degrees(), 4))
	case !(p.HourFrom.Abs() <= sky.Turn/2) || !(p.HourTo.Abs() <= sky.Turn/2):
		return sky.Refuse(nil, "plan_hours", "hour angles %s to %s h: give hours from the meridian, -12 to +12, west positive", round(p.HourFrom.Hours(), 2), round(p.HourTo.Hours(), 2))
	case p.HourTo < p.HourFrom:
		return sky.Refuse(nil, "plan_backwards", "hour angles %s to %s h run backwards: stars move from east (negative) to west (positive)", round(p.HourFrom.Hours(), 2), round(p.HourTo.Hours(), 2))
	case p.Exposure < shortestPlanned || p.Exposure > longestPlanned:
		return sky.Refuse(nil, "plan_exposure", "an exposure of %s s is outside %s to %s s", seconds(p.Exposure), seconds(shortestPlanned), seconds(longestPlanned))
	case p.Guided && !(p.GuideDistance >= 0 && p.GuideDistance <= 90*sky.Degree):
		return sky.Refuse(nil, "plan_guide_star", "guide star at %s degrees from the centre: give 0 to 90", round(p.GuideDistance.Degrees(), 2))
	}
	to := max(p.HourTo, p.HourFrom+p.swept())
	for h := p.HourFrom; ; h = min(h+planStep, to) {
		if alt, _ := sky.AltAzFromLocal(sky.LocalFromHour(p.Site.Latitude, h, p.Declination)); alt < lowestPlanned {
			return sky.Refuse(nil, "plan_low", "at hour angle %s h the target is at altitude %s: plan for hours when it is above %s", sky.Decimal{Value: h.Hours(), Digits: 1}, sky.Whole(alt), sky.Whole(lowestPlanned))
		}
		if h >= to {
			return nil
		}
	}
}
