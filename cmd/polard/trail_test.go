package main

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"polard/cmd/polard/internal/harness"
	"polard/mountmodel"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
	"polard/web"
)

// The plan that the help shows, and what it comes to.
var trailPlan = []string{"trail", "--lat", "46.32", "--lon", "13.07", "--focal", "530", "--pixel", "3.76", "--width", "6200", "--height", "4100",
	"--exposure", "3m", "--dec", "41", "--from", "-2", "--to", "3"}

func TestTrail(t *testing.T) {
	with := func(more ...string) []string { return append(append([]string{}, trailPlan...), more...) }
	for _, c := range []struct {
		name   string
		args   []string
		status int
		says   []string
	}{
		{"tolerance alone", trailPlan, exitDone, []string{"as long as the axis is within", "of the best place for them", "Best for these exposures"}},
		{"refracted pole", with("--pole", "refracted"), exitDone, []string{"of the refracted pole", "Best for these exposures"}},
		{"true pole", with("--pole", "true"), exitDone, []string{"of the true pole"}},
		{"best pole without a plan", []string{"axis", "--pole", "best", "--lat", "46", "--lon", "13", "frame.fits"}, exitUsage, []string{"goes with a plan"}},
		{"too far off", with("--above", "4", "--east", "-6"), exitNot, []string{"That is too much", "longest exposure"}},
		{"near enough", with("--above", "0.3"), exitDone, []string{"That is good enough"}},
		{"guided", with("--above", "4", "--east", "-6", "--guide-star", "30"), exitDone, []string{"guided on a star 30.0' from the centre", "good enough"}},
		{"nothing", []string{"trail"}, exitUsage, []string{"--exposure is missing"}},
		{"no place", []string{"trail", "--exposure", "3m", "--dec", "41", "--from", "-2", "--to", "3"}, exitUsage, []string{"--lat and --lon"}},
		{"no optics", []string{"trail", "--lat", "46", "--lon", "13", "--exposure", "3m", "--dec", "41", "--from", "-2", "--to", "3"}, exitUsage, []string{"focal length"}},
		{"below the horizon", with("--dec", "-60"), exitUsage, []string{"altitude"}},
		{"backwards", with("--from", "4"), exitUsage, []string{"backwards"}},
		{"no limit", with("--limit", "0"), exitUsage, []string{"limit"}},
		{"both", with("--above", "1", "frame.fits"), exitUsage, []string{"not both"}},
		{"no such frame", with("missing.fits", "gone.fits"), exitNot, []string{"there is no such file"}},
	} {
		status, stdout, stderr := call(t, c.args...)
		if status != c.status {
			t.Errorf("%s: status %d, want %d: %s%s", c.name, status, c.status, stdout, stderr)
		}
		for _, says := range c.says {
			if !strings.Contains(stdout+stderr, says) {
				t.Errorf("%s: %q is not said: %s%s", c.name, says, stdout, stderr)
			}
		}
	}
}

// From frames: the axis of the practice frames is 14 arcminutes off, and their
// scale is that of truth.json.
func TestTrailFromFrames(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	args := append([]string{"trail", "--json", "--exposure", "3m", "--dec", "41", "--from", "-2", "--to", "3"}, set.SiteArgs()...)
	status, stdout, stderr := call(t, append(args, set.Paths()[:set.Measure]...)...)
	var p web.Plan
	if err := json.Unmarshal([]byte(stdout), &p); err != nil || status != exitNot {
		t.Fatalf("status %d, %v: %s%s", status, err, stdout, stderr)
	}
	scale := math.Atan(float64(p.PixelUm)/1000/float64(p.FocalMm)) * 180 / math.Pi * 3600
	if math.Abs(scale-3.6959341) > 0.002 { // scale_arcsec_px of truth.json
		t.Errorf("scale %.4f arcsec", scale)
	}
	// An axis off by r drifts a star by r times the turn of the sky at most: 180 s of
	// 15.041 arcsec each. At some hour angle of the five hours it is no less than
	// half of that.
	most := set.Start.Total * 60 * 180 * 15.041 / 206265
	if d := float64(p.DriftDecArcsec); d > most*1.01 || d < most/2 || p.GoodEnough {
		t.Errorf("drift in declination %.2f arcsec, at most %.2f; %+v", d, most, p)
	}
}

// An axis so far above and east of the pole stands there on the sky, in both
// hemispheres.
func TestAxisBeside(t *testing.T) {
	for _, lat := range []sky.Angle{52, -31} {
		site := sky.Site{Latitude: lat * sky.Degree}
		cfg := mountmodel.Config{Site: site, Air: sky.StandardAir(0)}
		pole := observed.Pole(site, cfg.Air, observed.Refracted)
		a := axisBeside(cfg, 4*sky.Arcminute, 3*sky.Arcminute)
		if d := sky.Separation(a, pole); math.Abs(d.Arcminutes()-5) > 0.02 { // 3, 4, 5, but for the curve of the sky
			t.Errorf("latitude %.0f: %.3f arcmin from the pole", float64(lat), d.Arcminutes())
		}
		if east := sky.Asin(a.X).Arcminutes(); math.Abs(east-3) > 0.02 {
			t.Errorf("latitude %.0f: %.3f arcmin east", float64(lat), east)
		}
	}
}
