package rehearsal_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/rehearsal"
	"polard/mountmodel/rehearsal/rehearsaltest"
	"polard/mountmodel/sky"
)

func TestConfigCheck(t *testing.T) {
	for _, good := range []rehearsal.Config{
		rehearsal.Quillmere(evening), rehearsal.Karrabine(evening), rehearsal.Worn(rehearsal.Karrabine(evening)),
	} {
		if err := good.Check(); err != nil {
			t.Errorf("%s: %v", good.Name, err)
		}
	}
	for want, spoil := range map[string]func(*rehearsal.Config){
		"latitude":       func(c *rehearsal.Config) { c.Site.Latitude = 91 * sky.Degree },
		"pressure":       func(c *rehearsal.Config) { c.Air.PressureHPa = math.NaN() },
		"starting time":  func(c *rehearsal.Config) { c.Start = time.Time{} },
		"outside 1972":   func(c *rehearsal.Config) { c.Start = time.Date(1900, 1, 1, 0, 0, 0, 0, time.UTC) },
		"exposure":       func(c *rehearsal.Config) { c.Exposure = 0 },
		"width":          func(c *rehearsal.Config) { c.Camera.Width = 0 },
		"pixels are":     func(c *rehearsal.Config) { c.Camera.Width, c.Camera.Height = 20000, 20000 },
		"focal length":   func(c *rehearsal.Config) { c.Camera.FocalMm = math.NaN() },
		"distortion":     func(c *rehearsal.Config) { c.Camera.Distortion = -0.5 },
		"read noise":     func(c *rehearsal.Config) { c.Camera.ReadE = 0 },
		"gain":           func(c *rehearsal.Config) { c.Camera.GainE = math.Inf(1) },
		"hot pixels":     func(c *rehearsal.Config) { c.Camera.HotPixels = -1 },
		"polar distance": func(c *rehearsal.Config) { c.Mount.PolarDistance = -sky.Degree },
		"PerTurn":        func(c *rehearsal.Config) { c.Mount.AzimuthBolt.PerTurn = 0 },
		"backlash":       func(c *rehearsal.Config) { c.Mount.AltitudeBolt.BacklashTurns = -1 },
		"sky brightness": func(c *rehearsal.Config) { c.Night.SkyMag = 0 },
	} {
		c := rehearsal.Quillmere(evening)
		spoil(&c)
		_, err := rehearsal.NewRig(fewStars{}, c)
		if want == "outside 1972" {
			if err == nil {
				t.Error("a date of 1900 was taken")
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
	if _, err := rehearsal.NewRig(nil, rehearsal.Quillmere(evening)); err == nil {
		t.Error("a rig without a sky was made")
	}
}

// 12 mm at 3.6 um and 100 mm: an angle by hand.
func TestScaleAndField(t *testing.T) {
	k := rehearsal.Camera{Width: 1600, Height: 1200, PixelUm: 3.6, FocalMm: 100}
	// 206264.806 arcsec x 3.6e-5
	near(t, "scale", k.Scale(), 7.425533*sky.Arcsecond, 1e-5*sky.Arcsecond)
	w, h := k.Field()
	near(t, "width", w, sky.Angle(2*math.Atan(0.0288)), exact)
	near(t, "height", h, sky.Angle(2*math.Atan(0.0216)), exact)
}

// Random rigs keep the promises of RandomRig, over the whole of its ranges.
func TestRandomRig(t *testing.T) {
	const rigs = 400
	rng := rand.New(rand.NewPCG(7, 11))
	again := rand.New(rand.NewPCG(7, 11))
	var south, mirrored, tracking, nearPole int
	least, most := sky.Angle(math.Inf(1)), sky.Angle(0)
	for range rigs {
		c := rehearsaltest.RandomRig(rng)
		if c != rehearsaltest.RandomRig(again) {
			t.Fatal("one seed gave two rigs")
		}
		rig := newRig(t, fewStars{}, c)
		truth := rig.Truth(c.Start)
		least, most = min(least, truth.Offset.Total), max(most, truth.Offset.Total)
		near(t, "altitude offset", truth.Offset.Alt, c.Mount.OffsetAlt, exact)
		near(t, "azimuth offset", truth.Offset.Az, c.Mount.OffsetAz, exact)
		for turned := sky.Angle(0); turned <= rehearsaltest.Turn; turned += rehearsaltest.Turn / 6 {
			alt, _ := sky.AltAzFromLocal(rig.Truth(c.Start).Boresight())
			// Between the steps at which it was looked at it may dip a little.
			if alt < rehearsaltest.MinAltitude-0.1*sky.Degree {
				t.Fatalf("altitude %.2f after %.0f degrees of turn", alt.Degrees(), turned.Degrees())
			}
			if err := rig.TurnRA(rehearsaltest.Turn / 6); err != nil {
				t.Fatal(err)
			}
		}
		if w, _ := c.Camera.Field(); w < 0.79*sky.Degree || w > 8.01*sky.Degree {
			t.Errorf("field %.2f degrees", w.Degrees())
		}
		for _, x := range []struct {
			is bool
			n  *int
		}{
			{c.Site.South(), &south}, {c.Camera.Mirrored, &mirrored}, {c.Mount.Tracking, &tracking},
			{c.Mount.PolarDistance < 10*sky.Degree, &nearPole},
		} {
			if x.is {
				*x.n++
			}
		}
	}
	// Five standard deviations of a fair coin.
	for what, n := range map[string]int{"south": south, "mirrored": mirrored, "tracking": tracking} {
		if math.Abs(float64(n)-rigs/2) > 5*math.Sqrt(rigs)/2 {
			t.Errorf("%s: %d of %d", what, n, rigs)
		}
	}
	if nearPole < rigs/10 || nearPole > rigs*9/10 {
		t.Errorf("%d of %d look near the pole", nearPole, rigs)
	}
	// The azimuth's curvature makes the offset on the sky a little different.
	if least > 2*sky.Arcminute || least < 0.4*sky.Arcminute || most < 100*sky.Arcminute || most > 4*sky.Degree {
		t.Errorf("offsets from %.2f to %.2f arcmin", least.Arcminutes(), most.Arcminutes())
	}
}
