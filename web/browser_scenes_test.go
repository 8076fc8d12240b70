package web

import (
	"fmt"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/nights"
	"polard/mountmodel/sky"
	"polard/web/browsertest"

	"github.com/chromedp/chromedp"
)

// scenes are the states in which the page is looked at.
func scenes() []struct {
	name  string
	state State
	want  []string // words and numbers that must be on the page
} {
	_, stars := starField(12)
	around := func() Around {
		return Around{
			Program: "polard test",
			Source:  Source{Kind: "folder", Folder: "/nights/2026-03-14"},
			Latest:  latestOf(12, time.Now().Add(-2*time.Second), stars),
		}
	}
	first := around()
	first.Latest = nil
	waiting := measuringView(northSite, 0)
	tell(&waiting, "first_frame", "Point the camera at clear sky, well above the horizon, and take a frame.")
	one := measuringView(northSite, 1)
	tell(&one, "turn", "Turn the RA axis by about 30°, leave the declination alone, and take another frame.", sky.Whole(30*sky.Degree))
	two := measuringView(northSite, 2)
	tell(&two, "turn_on", "Turn the RA axis further by about 30°, leave the declination alone, and take another frame.", sky.Whole(30*sky.Degree))
	two.SaidDetails = []sky.Saying{stands("19.8'", 19.8*sky.Arcminute, 9*sky.Arcsecond)}
	turning := around()
	turning.Latest.Sight = &Direction{AltDeg: 30, AzDeg: 45}
	turning.Latest.Pole = &InFrame{X: Unknown, Y: Unknown, AwayDeg: 39.4, TowardsDeg: 128}
	turning.Latest.Axis = &InFrame{X: Unknown, Y: Unknown, AwayDeg: 39.1, TowardsDeg: 127}
	adjusting := viewOf(northSite, mountmodel.Adjusting, 27.2*sky.Arcminute, -7*sky.Arcminute)
	adjusting.Moves = []adjust.BoltMove{{Stroke: adjust.Stroke{Bolt: adjust.AzimuthBolt, Turns: -0.7}, Words: "azimuth bolt: about three quarters of a turn anticlockwise, west"}}
	bolts := around()
	bolts.Latest.Pole = &InFrame{Inside: true, X: 610, Y: 480, AwayDeg: 0.6, TowardsDeg: 51}
	bolts.Latest.Axis = &InFrame{Inside: true, X: 480, Y: 400, AwayDeg: 0.3, TowardsDeg: 90}
	bolts.Plan = &Plan{Planned: true, ExposureS: 180, TrailPx: 4.2, LongestExposureS: 42, ToleranceArcmin: 1}
	adjusting.Warnings = []axis.Warning{{Code: axis.WarnTwoFrames, Message: "Two frames cannot test themselves: a third would show whether anything moved."}}
	southern := viewOf(southSite, mountmodel.Adjusting, 4*sky.Arcminute, 95*sky.Arcminute)
	near := viewOf(northSite, mountmodel.Adjusting, 0.4*sky.Arcminute, -1.9*sky.Arcminute)
	within := viewOf(northSite, mountmodel.Adjusting, 0.5*sky.Arcminute, -0.3*sky.Arcminute)
	tell(&within, "lock", "The axis is within 1.0' of the pole: lock the bolts, then measure once more to confirm.", sky.Amount(sky.Arcminute))
	done := viewOf(northSite, mountmodel.Done, 0.004*sky.Arcminute, -0.4*sky.Arcminute)
	tell(&done, "done", "Done: the axis is within 1.0' of the pole.", sky.Amount(sky.Arcminute))
	done.SaidDetails = []sky.Saying{stands("31\"", 31*sky.Arcsecond, 6*sky.Arcsecond), {Code: "lock_moved", Args: []any{sky.Amount(12 * sky.Arcsecond)}, Text: "Locking moved the axis by 12\"."}}
	done.Lock = &mountmodel.LockShift{Alt: -0.2 * sky.Arcminute, Total: 0.2 * sky.Arcminute, Uncertainty: 4 * sky.Arcsecond}
	watching := around()
	nightly := done
	nightly.Watch = &nights.View{Since: testNight, Until: testNight.Add(2 * time.Hour), Frames: 61, Sentences: []sky.Saying{sky.Say("frames_stray", "Single frames stray by about %s: wind, dithering, or something loose.", sky.Amount(3*sky.Arcsecond))}}
	practice := around()
	practice.Source = Source{Kind: "rehearsal", Folder: "/tmp/rehearsal"}
	practice.Rig = &RigState{Name: "Curlew mount", Faults: []RigFault{{Name: "cloud", Text: "cloud hides the stars", Lasts: true, On: true}, {Name: "bump", Text: "somebody bumps into the tripod"}}, RADeg: 62, AltTurned: -4, AzTurned: 12.5, Drive: true, Repeating: true, ExposureMs: 2000}
	failed := around()
	failed.Latest.Solved, failed.Latest.Stars, failed.Latest.Matched = false, nil, 0
	blind := adjusting
	blind.Doubt, blind.Moves = true, nil
	tell(&blind, "blind_bolts", "The newest frame could not be used: leave the bolts until one can.")
	blind.SaidDetails = []sky.Saying{{Code: "warning", Args: []any{"unsolved"}, Text: "The newest frame, pole_0012.fits, could not be used: 12 stars, needs about 20. Earlier frames were good: look for a cloud, dew, or something before the lens, and take another."}}
	failed.Latest.Problem = &Notice{Code: "no_match", Message: "12 stars, needs about 20: expose longer or look for a gap in the clouds.", Said: SaidFrom(sky.Saying{Code: "no_match", Args: []any{12}, Text: "12 stars, needs about 20: expose longer or look for a gap in the clouds."})}
	return []struct {
		name  string
		state State
		want  []string
	}{
		{"place", StateWithoutSite(first), []string{"Where does the mount stand?", "No frame yet"}},
		{"waiting", StateFromView(waiting, first), []string{"Point the camera at clear sky", "No frame yet"}},
		{"one", StateFromView(one, turning), []string{"Turn the RA axis", "\n30° ↺", "anticlockwise", "Leave the declination alone"}},
		{"two", StateFromView(two, around()), []string{"Turn the RA axis further", "30°", "31.0° over 2 frames"}},
		{"adjusting", StateFromView(adjusting, bolts), []string{"Turn the mount west", "27.2′", "Raise 7.0′", "Two frames do not test", "About ⅔ turn anticlockwise", "stars trail by 4.2 px in 180 s. Good for 42 s at most."}},
		{"southern", StateFromView(southern, around()), []string{"Lower the axis", "1.58°", "East 4.0′"}},
		{"near", StateFromView(near, around()), []string{"Raise the axis", "1.9′", "Leave 24″"}},
		{"within", StateFromView(within, around()), []string{"Lock both bolts", "Both are locked"}},
		{"done", StateFromView(done, around()), []string{"Done", "The axis is within 1.0′ of the pole.", "Low by", "Stands right"}},
		{"watching", StateFromView(nightly, watching), []string{"Keeping watch", "61 frames over 120 min", "Single frames stray by about 3″", "For the next night here"}},
		{"an hour off", StateFromView(hourOff(), around()), []string{"Summer time set wrong?", "1 h ahead", "Correct the frames’ times by −1 h"}},
		{"put right", StateFromView(westTyped(), around()), []string{"Put right: the place", "As it was"}},
		{"star on its mark", StateFromView(freeHead()), []string{"Put the ringed star on the cross", "Two bolts here"}},
		{"proved", StateFromView(proved(), around()), []string{"Proved by the sky", "Prove", "The drive runs unevenly: 12.0″", "at altitude 40°"}},
		{"practice", StateFromView(adjusting, practice), []string{"Practice rig", "+12.5′"}},
		{"failed", StateFromView(blind, failed), []string{"Leave the bolts for now", "12 stars, needs about 20", "not understood"}},
	}
}

func stands(words string, total, known sky.Angle) sky.Saying {
	return sky.Saying{Code: "stands", Args: []any{sky.Amount(total), sky.Known(known)}, Text: "The axis stands " + words + " from the pole."}
}

// Every scene at both sizes and in both looks: its words and numbers are there, and
// the page stands inspection.
func testScenes(t *testing.T, p *browsertest.Page) {
	for _, screen := range []browsertest.Screen{browsertest.Phone, browsertest.Landscape, browsertest.Laptop} {
		rec := &recorder{}
		s := serve(t, Options{Operator: rec, Rig: rec})
		finished(t, s)
		pic, _ := starField(12)
		if err := s.PublishPreview(pic); err != nil {
			t.Fatal(err)
		}
		p.Do(screen.Size(), chromedp.Navigate(s.url))
		for _, scene := range scenes() {
			if scene.state.Latest != nil {
				scene.state.Latest.ReadMs = time.Now().Add(-2 * time.Second).UnixMilli()
			}
			publish(t, s, scene.state)
			for _, w := range scene.want {
				p.Says(w)
				if w == "Practice rig" { // which is put away on a phone on its side
					browsertest.Eval[bool](p, `(document.querySelector('#rig[data-open="false"] .rig-toggle')?.click(), true)`)
				}
			}
			if scene.state.Latest != nil {
				p.Says("Last frame ")
				p.Until(`document.querySelector(".picture img").naturalWidth === 960`)
			}
			if screen.Mobile && scene.state.Do.Code == "bolt" && scene.state.Rig == nil {
				// Number and rule are both in sight as the page stands, whichever way the phone is held.
				browsertest.Eval[bool](p, `(scrollTo(0, 0), true)`)
				if out := browsertest.Eval[string](p, seenWhole); out != "" {
					t.Errorf("%s-%s: not whole in sight: %s", scene.name, screen.Name, out)
				}
			}
			p.Inspect(scene.name + "-" + screen.Name)
		}
	}
}

// seenWhole names what of the number and the rule is cut off or covered; the rule's
// numbers hang over it a little.
const seenWhole = `["#now .figure", "#now .now-card .rule-body"].filter(s => { const r = document.querySelector(s).getBoundingClientRect();
	const at = document.elementFromPoint(Math.min(r.right - 2, r.x + r.width / 2), r.bottom - 4), does = document.getElementById("does");
	return r.top < 0 || r.bottom > innerHeight || r.right > innerWidth || does.contains(at); }).join()`

// On the narrowest phones nothing sticks out either.
func testNarrow(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec, Rig: rec})
	finished(t, s)
	p.Do(chromedp.EmulateViewport(320, 568, chromedp.EmulateMobile, chromedp.EmulateTouch), chromedp.Navigate(s.url))
	for _, scene := range scenes() {
		publish(t, s, scene.state)
		p.Says(scene.want[0])
		p.NoOverflow(scene.name)
	}
	publish(t, s, StateFromView(waiting(northSite), Around{}))
	p.Click("#setup-open")
	for i, step := range setupSteps(setupOf(t, s.Server, ""), false) {
		browsertest.Eval[bool](p, fmt.Sprintf(`(document.querySelectorAll(".way-list button")[%d].click(), true)`, i))
		p.Says(step.want[0])
		p.NoOverflow(step.key)
	}
	p.Do(chromedp.EmulateViewport(2200, 1200))
	p.NoOverflow("a wide screen")
}
