package main

import (
	"math"
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/pipeline"
	"polard/cmd/polard/internal/service"
	"polard/fits"
	"polard/mountmodel"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
	"polard/web"
)

// refused checks that a command is refused in words.
func (r *running) refused(t *testing.T, path, body string, status int, says string) {
	t.Helper()
	if got, answer := r.Post(t, path, body); got != status || !strings.Contains(answer, says) {
		t.Errorf("%s %s: %d %s, want %d and %q", path, body, got, answer, status, says)
	}
}

// accepted sends a command and waits until the page shows what it asked for.
func (r *running) accepted(t *testing.T, path, body string, holds func(*web.State) bool) *web.State {
	t.Helper()
	if status, answer := r.Post(t, path, body); status != http.StatusNoContent {
		t.Fatalf("%s %s: %d %s", path, body, status, answer)
	}
	var s *web.State
	harness.Eventually(t, path+" "+body, func() (bool, string) {
		s = r.State(t)
		return s != nil && holds(s), r.Stderr.String()
	})
	return s
}

// The turns and the plan that a person tells go through the service into the
// session, and what they tell comes back: the answers of the bolts, and whether
// the alignment is good enough.
func TestServeTakesTurnsAndPlan(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder := t.TempDir()
	r := start(t, append([]string{"serve", folder}, set.SiteArgs()...)...)
	const target = `"exposure_s":300,"dec_deg":38,"ha_from_deg":-30,"ha_to_deg":45`
	r.refused(t, "turned", `{"bolt":"altitude","turns":1}`, http.StatusConflict, "after the measurement")
	r.refused(t, "plan", `{`+target+`}`, http.StatusConflict, "focal length")
	for i, f := range set.Frames[:set.Measure] {
		harness.WriteFrame(t, set.Paths()[i], filepath.Join(folder, f.File))
		r.After(t, f.File)
	}
	// These frames all turn one way: the service asks for one back, the person ends it.
	if s := r.State(t); s.Phase != string(mountmodel.Measuring) || s.Advice == nil || !s.Advice.Back {
		t.Fatalf("after four frames one way: %s, %+v", s.Phase, s.Advice)
	}
	s := r.accepted(t, "event", `{"event":"measured"}`, func(s *web.State) bool { return s.Phase == string(mountmodel.Adjusting) })
	// The practice frames name a pixel size; the focal length follows from the scale.
	if p := s.Plan; p == nil || p.Planned || p.WidthPx != 1024 || p.HeightPx != 768 || !(p.PixelUm > 0) || !(p.FocalMm > 0) || !math.IsNaN(float64(p.ExposureS)) {
		t.Errorf("what the frame offers for a plan: %+v", s.Plan)
	} else if scale := math.Atan(float64(p.PixelUm)/1000/float64(p.FocalMm)) * 180 / math.Pi * 3600; math.Abs(scale-3.6959341) > 0.002 { // scale_arcsec_px of truth.json
		t.Errorf("the plan's scale is %.4f arcsec", scale)
	}
	s = r.accepted(t, "plan", `{`+target+`,"limit_px":1}`, func(s *web.State) bool { return s.Plan != nil && s.Plan.Planned })
	p := s.Plan
	// An axis 14 arcminutes off drifts a star by up to 14' x 300 s x 7.29e-5/s = 18 arcsec.
	if p.Problem != nil || p.GoodEnough || !(p.TrailArcsec > 5 && p.TrailArcsec < 25) || !(p.ToleranceArcmin > 1 && p.ToleranceArcmin < 10) || !(p.LongestExposureS > 10 && p.LongestExposureS < 300) || len(p.Sentences) == 0 {
		t.Errorf("the verdict: %+v", p)
	}
	before, poleBefore := s.ToleranceArcmin, *s.Pole
	s = r.accepted(t, "plan", `{`+target+`,"apply_tolerance":true}`, func(s *web.State) bool { return s.ToleranceArcmin != before })
	if s.ToleranceArcmin != s.Plan.ToleranceArcmin {
		t.Errorf("tolerance %v, the plan asks for %v", s.ToleranceArcmin, s.Plan.ToleranceArcmin)
	}
	// The plan's best axis is aimed at from now on; what is measured against it moves along.
	refracted := sky.LocalFromAltAz(sky.Angle(poleBefore.AltDeg)*sky.Degree, sky.Angle(poleBefore.AzDeg)*sky.Degree)
	aim := sky.LocalFromAltAz(sky.Angle(s.Pole.AltDeg)*sky.Degree, sky.Angle(s.Pole.AzDeg)*sky.Degree)
	if d := sky.Separation(aim, refracted).Arcminutes(); s.Pole.Kind != "best" || math.Abs(d-float64(s.Plan.Best.TotalArcmin)) > 0.01 || d > 5 {
		t.Errorf("aimed at %+v, %.2f arcmin from %+v; the plan's best %+v", s.Pole, d, poleBefore, s.Plan.Best)
	}
	if !(s.Plan.AtBestArcsec <= s.Plan.AtRefractedArcsec && s.Plan.AtBestArcsec <= s.Plan.AtTrueArcsec) {
		t.Errorf("best is not best: %+v", s.Plan)
	}
	r.refused(t, "plan", `{"exposure_s":300,"dec_deg":-80,"ha_from_deg":-30,"ha_to_deg":45}`, http.StatusConflict, "altitude")
	r.refused(t, "plan", `{"exposure_s":7200,"dec_deg":-30,"ha_from_deg":-10,"ha_to_deg":20,"limit_px":0.01,"apply_tolerance":true}`, http.StatusConflict, "refraction alone")

	r.refused(t, "turned", `{"bolt":"altitude","turns":1e9}`, http.StatusConflict, "how many turns")
	if status, answer := r.Post(t, "turned", `{"bolt":"altitude","turns":0.5}`); status != http.StatusNoContent {
		t.Fatalf("turned: %d %s", status, answer)
	}
	last := set.Frames[set.Measure].File
	harness.WriteFrame(t, set.Paths()[set.Measure], filepath.Join(folder, last))
	s = r.After(t, last)
	// What half a turn of the altitude bolt did is known now, if roughly; of the
	// azimuth bolt nothing was told.
	if len(s.Bolts) != 2 || !(s.Bolts[0].PerTurnSigmaArcmin < s.Bolts[1].PerTurnSigmaArcmin/4) {
		t.Errorf("nothing learnt from a turn that was told: %+v", s.Bolts)
	}
}

// Unattended: no procedure, and the page says what the frames tell.
func TestServeWatches(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/axis_002")
	folder := t.TempDir()
	r := start(t, append([]string{"serve", folder, "--watch", "--guided", "no"}, set.SiteArgs()...)...)
	s := r.State(t)
	if s.Phase != string(mountmodel.Watching) || s.Watch != nil {
		t.Errorf("before the first frame: %s", s.Phase)
	}
	// These frames were taken with the axis turned by hand, which is another
	// stretch of the sky each time but the same axis: it must come out.
	for i, f := range set.Frames {
		harness.WriteFrame(t, set.Paths()[i], filepath.Join(folder, f.File))
		s = r.After(t, f.File)
	}
	if s.Phase != string(mountmodel.Watching) || s.Watch == nil || s.Watch.Frames != len(set.Frames) || len(s.Watch.Sentences) == 0 || len(s.Frames) != len(set.Frames) {
		t.Fatalf("after %d frames: %s %+v", len(set.Frames), s.Phase, s.Watch)
	}
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"serve", folder, "--guided", "perhaps"}, "yes, no, or tell"},
		{[]string{"rehearse", "--fault", "gremlins"}, "declination, bump"},
	} {
		if status, _, stderr := call(t, c.args...); status != exitUsage || !strings.Contains(stderr, c.says) {
			t.Errorf("%v: status %d, %s", c.args, status, stderr)
		}
	}
}

// A fault that is practised is named on the page, and no correction is made
// of it: here the tube turns in declination while the bolts are being turned.
func TestRehearsedFaultIsNamed(t *testing.T) {
	r := start(t, "rehearse", "--fault", "flexure")
	var s *web.State
	harness.Eventually(t, "the first frame", func() (bool, string) {
		s = r.State(t)
		return s != nil && s.Latest != nil, r.Stderr.String()
	})
	on := map[string]bool{}
	for _, f := range s.Rig.Faults {
		on[f.Name] = f.On
	}
	if len(on) != len(rehearsal.FaultNames()) || !on["flexure"] || on["cloud"] {
		t.Errorf("faults: %v", on)
	}
	s = r.accepted(t, "rig/fault", `{"fault":"cloud"}`, func(s *web.State) bool {
		return s.Latest != nil && !s.Latest.Solved && len(s.Warnings) > 0
	})
	if s.Warnings[0].Code != string(mountmodel.WarnUnsolved) || !strings.Contains(s.Warnings[0].Message, "cloud") {
		t.Errorf("cloud: %+v", s.Warnings)
	}
	r.accepted(t, "rig/fault", `{"fault":"cloud","on":false}`, func(s *web.State) bool { return s.Latest.Solved })
	r.refused(t, "rig/fault", `{"fault":"gremlins"}`, http.StatusConflict, "declination, bump")
}

// polard axis --watch gives the same axis from ordinary exposures that the
// session gives which watches them; refusals say what to do.
func TestAxisWatch(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/axis_002")
	status, stdout, _ := call(t, append(append([]string{"axis", "--watch", "--guided", "no"}, set.SiteArgs()...), set.Paths()...)...)
	if status != exitDone || !strings.Contains(stdout, "watched over") || !strings.Contains(stdout, "altitude bolt") {
		t.Errorf("status %d: %s", status, stdout)
	}
	a := axisOf(t, append(append([]string{"--watch", "--guided", "no"}, set.SiteArgs()...), set.Paths()...)...)
	if a.Watch == nil || a.Watch.Frames != len(set.Frames) || a.Axis == nil || len(a.Frames) != len(set.Frames) {
		t.Fatalf("%+v", a)
	}
	for _, f := range a.Frames { // no measurement, no angle since its first frame
		if f.Status != "watches" || f.TurnDeg != nil || f.ResidualArcsec != nil {
			t.Errorf("%+v", f)
		}
	}
	// Frames minutes apart whose axis was turned by hand leave open whether the
	// mount bends, so the claim is wide; the truth must lie within it.
	alt, _, az := differ(*a.Axis, set.Start.AxisAlt, set.Start.AxisAz)
	if math.Abs(alt) > 3*a.Uncertainty.AltArcsec || math.Abs(az) > 3*a.Uncertainty.AzArcsec {
		t.Errorf("off by %.1f and %.1f arcsec, known to %.1f and %.1f", alt, az, a.Uncertainty.AltArcsec, a.Uncertainty.AzArcsec)
	}
	for _, c := range []struct {
		args   []string
		status int
		says   string
	}{
		{append(append([]string{"--watch", "--measure", "3"}, set.SiteArgs()...), set.Paths()...), exitUsage, "exclude each other"},
		{append(append([]string{"--watch", "--guided", "maybe"}, set.SiteArgs()...), set.Paths()...), exitUsage, "yes, no, or tell"},
		{append(append([]string{"--watch"}, set.SiteArgs()...), set.Paths()[0]), exitNot, "do not tell the axis"},
	} {
		status, stdout, stderr := call(t, append([]string{"axis"}, c.args...)...)
		if status != c.status || !strings.Contains(stdout+stderr, c.says) {
			t.Errorf("%v: status %d, %s%s", c.args, status, stdout, stderr)
		}
	}
}

// What the headers give to say is told once, with the frame that says it
// first; a place that is not the one in use is told, and so is what it does.
func TestHeadersAreTold(t *testing.T) {
	used := sky.Site{Latitude: 46 * sky.Degree, Longitude: 13 * sky.Degree}
	frame := func(name string) pipeline.Outcome {
		return pipeline.Outcome{Path: name, Frame: &fits.Frame{
			Site: &sky.Site{Latitude: 46 * sky.Degree, Longitude: -13 * sky.Degree}, Warnings: []string{"the longitude was guessed"},
		}}
	}
	r := axisReport{site: used, outcomes: []pipeline.Outcome{frame("a"), frame("b"), {Path: "c"}}}
	got := r.warnings()
	if len(got) != 2 || got[0].Code != service.NoticeSite || got[0].File != "a" || !strings.Contains(got[0].Message, "west as positive") || got[1].Code != service.NoticeHeader {
		t.Errorf("%+v", got)
	}
	if got := service.HeaderNotices(nil, &used); got != nil {
		t.Errorf("a file that could not be read says %+v", got)
	}
	if got := service.HeaderNotices(frame("a").Frame, nil); len(got) != 1 {
		t.Errorf("without a place: %+v", got)
	}
}

func TestRoundedAzimuth(t *testing.T) {
	for _, c := range []struct{ az, want float64 }{{359.99999, 0}, {-0.00001, 0}, {0.18899, 0.189}, {359.9999, 359.9999}, {0, 0}} {
		if got := roundedAzimuth(sky.Angle(c.az) * sky.Degree); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%g: %g, want %g", c.az, got, c.want)
		}
	}
}
