package web

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/nights"
	"polard/mountmodel/plan"
	"polard/mountmodel/sky"
	"polard/web/browsertest"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// TestPage opens the page in a headless Chromium with a fresh profile, a tab
// for each part.
func TestPage(t *testing.T) {
	if testing.Short() {
		t.Skip("browser tests take long")
	}
	browser := browsertest.Start(t)
	for _, part := range []struct {
		name string
		test func(*testing.T, *browsertest.Page)
	}{
		{"scenes", testScenes},
		{"steps of the set-up", testSteps},
		{"sun", testSun},
		{"keyboard", testKeyboard},
		{"narrow", testNarrow},
		{"in sight", testInSight},
		{"stale", testStale},
		{"reconnect", testReconnect},
		{"asleep", testAsleep},
		{"new version", testNewVersion},
		{"looks", testLooks},
		{"place", testPlace},
		{"typed and not kept", testUnsaved},
		{"angles as people write them", testAngles},
		{"access taken away", testTakenAway},
		{"frame left out", testFrameLeftOut},
		{"focus stays", testFocusStays},
		{"marks of the picture shown", testMarksOfThePicture},
		{"languages", testLanguages},
		{"without the service", testWithoutService},
		{"result and night", testShare},
		{"remembered", testRemembered},
		{"rig", testRig},
		{"equipment", testEquipment},
		{"events", testEvents},
		{"bolts keep their places", testBoltsKeepTheirPlaces},
		{"told", testTold},
		{"correction", testCorrection},
		{"tone", testTone},
		{"zoom", testZoom},
		{"two pages", testTwoPages},
		{"hostile names", testHostileNames},
	} {
		t.Run(part.name, func(t *testing.T) { part.test(t, browsertest.NewPage(t, browser)) })
	}
}

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
	tell(&waiting, "first_frame", "Point the camera at clear sky, near the pole if you can, and take a frame.")
	one := measuringView(northSite, 1)
	tell(&one, "turn", "Turn the RA axis by about 30°, leave the declination alone, and take another frame.", sky.Whole(30*sky.Degree))
	two := measuringView(northSite, 2)
	tell(&two, "turn_on", "Turn the RA axis on by about 30°, leave the declination alone, and take another frame.", sky.Whole(30*sky.Degree))
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
	done := viewOf(northSite, mountmodel.Done, 0.5*sky.Arcminute, -0.4*sky.Arcminute)
	tell(&done, "done", "Done: the axis is within 1.0' of the pole.", sky.Amount(sky.Arcminute))
	done.SaidDetails = []sky.Saying{stands("31\"", 31*sky.Arcsecond, 6*sky.Arcsecond), {Code: "lock_moved", Args: []any{sky.Amount(12 * sky.Arcsecond)}, Text: "Locking moved the axis by 12\"."}}
	done.Lock = &mountmodel.LockShift{Alt: -0.2 * sky.Arcminute, Total: 0.2 * sky.Arcminute, Uncertainty: 4 * sky.Arcsecond}
	watching := around()
	nightly := done
	nightly.Watch = &nights.View{Since: testNight, Until: testNight.Add(2 * time.Hour), Frames: 61, Sentences: []sky.Saying{sky.Say("frames_stray", "Single frames stray by about %s: wind, dithering, or something loose.", sky.Amount(3*sky.Arcsecond))}}
	practice := around()
	practice.Source = Source{Kind: "rehearsal", Folder: "/tmp/rehearsal"}
	practice.Rig = &RigState{Name: "the practice rig", RADeg: 62, AltTurned: -4, AzTurned: 12.5, Drive: true, Repeating: true, ExposureMs: 2000}
	failed := around()
	failed.Latest.Solved, failed.Latest.Stars, failed.Latest.Matched = false, nil, 0
	blind := adjusting
	blind.Doubt, blind.Moves = true, nil
	tell(&blind, "blind_bolts", "The newest frame could not be used: leave the bolts until one can.")
	blind.SaidDetails = []sky.Saying{{Code: "warning", Args: []any{"unsolved"}, Text: "The newest frame, pole_0012.fits, could not be used: 12 stars, needs about 20. Earlier frames were good: look for a cloud, dew, or something before the lens, and take another."}}
	failed.Latest.Problem = &Notice{Code: "no_match", Message: "12 stars, needs about 20: expose longer or look for a gap in the clouds."}
	return []struct {
		name  string
		state State
		want  []string
	}{
		{"place", StateWithoutSite(first), []string{"Where does the mount stand?", "No frame yet"}},
		{"waiting", StateFromView(waiting, first), []string{"Point the camera at clear sky", "No frame yet"}},
		{"one", StateFromView(one, turning), []string{"Turn the RA axis", "\n30° ↺", "anticlockwise", "Leave the declination alone"}},
		{"two", StateFromView(two, around()), []string{"Turn the RA axis on", "30°", "31.0° over 2 frames"}},
		{"adjusting", StateFromView(adjusting, bolts), []string{"Turn the mount west", "27.2′", "Raise 7.0′", "Two frames do not test", "About ⅔ turn anticlockwise", "stars trail by 4.2 px in 180 s. Good for 42 s at most."}},
		{"southern", StateFromView(southern, around()), []string{"Lower the axis", "1.58°", "East 4.0′"}},
		{"near", StateFromView(near, around()), []string{"Raise the axis", "1.9′", "Leave 24″"}},
		{"within", StateFromView(within, around()), []string{"Lock both bolts", "Both are locked"}},
		{"done", StateFromView(done, around()), []string{"Done", "The axis is within 1.0′ of the pole."}},
		{"watching", StateFromView(nightly, watching), []string{"Keeping watch", "61 frames over 120 min", "Single frames stray by about 3″", "For the next night here"}},
		{"an hour off", StateFromView(hourOff(), around()), []string{"Summer time set wrong?", "1 h ahead", "Times −1 h"}},
		{"put right", StateFromView(westTyped(), around()), []string{"Put right: the place", "As it was"}},
		{"star on its mark", StateFromView(freeHead()), []string{"Put the ringed star on the cross", "Two bolts here"}},
		{"proved", StateFromView(proved(), around()), []string{"Proved by the sky", "Prove", "The drive runs unevenly: 12.0″", "at altitude 40°"}},
		{"practice", StateFromView(adjusting, practice), []string{"Practice rig", "Drive runs", "+12.5′"}},
		{"failed", StateFromView(blind, failed), []string{"Leave the bolts for now", "12 stars, needs about 20", "not understood"}},
	}
}

// tell has a session say a sentence.
func tell(v *mountmodel.View, code, text string, args ...any) {
	v.Instruction, v.Said = text, sky.Saying{Code: code, Args: args, Text: text}
}

func stands(words string, total, known sky.Angle) sky.Saying {
	return sky.Saying{Code: "stands", Args: []any{sky.Amount(total), sky.Known(known)}, Text: "The axis stands " + words + " from the pole."}
}

// finished notes that the set-up is behind us, so that a page opens with the frames.
func finished(t *testing.T, s *running) {
	t.Helper()
	note := fmt.Sprintf(`{"began":%q,"done":{},"finished":true}`, time.Now().UTC().Format(time.RFC3339))
	if err := s.opt.Notes.SetNote(t.Context(), NoteSteps, []byte(note)); err != nil {
		t.Fatal(err)
	}
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

// setupStep is what a step of the set-up must say.
type setupStep struct {
	key  string
	want []string
}

// setupSteps are those of a site, in their order. The numbers are those of
// mountmodel/setup, which its own tests hold to ERFA and to the test values of the
// World Magnetic Model.
func setupSteps(sheet Sheet, south bool) []setupStep {
	pole := "north"
	if south {
		pole = "south"
	}
	star := sheet.PoleStars[0]
	return []setupStep{
		{"place", []string{"Set the latitude scale", fmt.Sprintf("%.1f°", sheet.LatitudeScale.SetDeg), "The air lifts the pole by"}},
		{"ground", []string{"One leg towards " + pole, "Level the base to within 1°"}},
		{"direction", []string{"True " + pole + " by compass", fmt.Sprintf("%.1f°", sheet.Compass.BearingDeg), "World Magnetic Model 2025", "Never look at the Sun"}},
		{"balance", []string{"Balance: right ascension, then declination", "Hold the tube whenever"}},
		{"start", []string{"Tube on top, counterweight down", "Turn the axis a third of a turn"}},
		{"star", []string{star.Name + " at ", "Naked eye", "Inverting finder", "An axis simply pointed at the star is"}},
		{"plan", []string{"What will you photograph?", "Longest trail allowed"}},
	}
}

// The steps of the set-up, one after the other, at both sizes, north and south:
// what they say is there, and the page stands inspection. They are left behind one by
// one, and that is remembered.
func testSteps(t *testing.T, p *browsertest.Page) {
	for _, c := range []struct {
		screen browsertest.Screen
		site   sky.Site
		name   string
	}{
		{browsertest.Phone, northSite, "north"},
		{browsertest.Laptop, southSite, "south"},
	} {
		rec := &recorder{}
		s := serve(t, Options{Operator: rec})
		publish(t, s, StateFromView(waiting(c.site), Around{
			Source: Source{Kind: "folder", Folder: "/nights/2026-03-14"},
			Plan:   PlanFromOrder(PlanOrder{Plan: plan.Plan{HourFrom: sky.Angle(math.NaN()), HourTo: sky.Angle(math.NaN())}, LimitPx: 1}), // as before a plan is made
		}))
		sheet := setupOf(t, s.Server, "")
		p.Do(c.screen.Size(), chromedp.Navigate(s.url))
		for i, step := range setupSteps(sheet, c.site.South()) {
			for _, w := range step.want {
				p.Says(w)
			}
			switch step.key {
			case "direction": // the Sun is up at noon of Greenwich at both places, all year round
				noon := time.Now().UTC().Format("2006-01-02") + "T12:00:00Z"
				shadow := setupOf(t, s.Server, "?at="+noon).Sun.Shadow
				browsertest.Eval[bool](p, `(e => { const noon = new Date(); noon.setUTCHours(12, 0, 0, 0);
					e.value = noon.toTimeString().slice(0, 5); e.dispatchEvent(new Event("change")); return true; })(document.getElementById("f-when"))`)
				p.Says(fmt.Sprintf("the shadow points to %.1f°", shadow.AzDeg))
			case "balance":
				for field, text := range map[string]string{"kg0": "7,5", "shaft0": "210", "tube0": "15", "kg1": "0.9", "shaft1": "210", "tube1": "-420", "sliding_kg": "5", "nearest_mm": "110", "farthest_mm": "380", "shaft_kg": "1.2"} {
					p.Fill(fmt.Sprintf("[name=%s]", field), text)
				}
				p.Click(`#now .step-extra button[type=submit]`)
				// Law of the lever: (8.4 x 210 - 1.2 x 245) / 5, and (7.5 x 15 - 0.9 x 420) / 8.4.
				p.Says("Middle of the weight 294 mm")
				p.Says("slide the tube with all on it 32 mm towards its sky end")
			case "plan":
				p.Fill("[name=exposure_s]", "180")
				p.Fill("[name=dec_deg]", "41.5")
				p.Click(`label[for=f-guided]`)
				p.Fill("[name=guide_offset_arcmin]", "25")
				p.Click(`#now .step-extra button[type=submit]`)
				waitTold(t, rec, "plan 0 mm 0 um 0 x 0, 3m0s, guided true 25.0', dec 41.5, -45.0 to 45.0, 1 px, apply true")
				p.Says("Kept.")
			case "star":
				p.Fill("[name=telescope_mm]", "200")
				p.Fill("[name=eyepiece_mm]", "20")
				p.Click(`#now .step-extra button[type=submit]`)
				p.Says("Your eyepiece shows 5.00°")
				p.Until(`document.querySelectorAll(".star-views svg[role=img]").length === 4 && document.querySelectorAll(".star-views circle.d-dashed").length === 3`)
			}
			browsertest.Eval[bool](p, `(scrollTo(0, 0), true)`)
			p.Inspect(fmt.Sprintf("setup-%d-%s-%s", i+1, step.key, c.screen.Name))
			how := "done"
			if i == 1 {
				how = "skip"
			}
			p.Click(fmt.Sprintf("[data-do=%q]", how))
			if i < 6 { // the focus goes along: keys and a screen reader go on from the heading
				p.Until(`document.activeElement === document.querySelector("#now h1")`)
			}
		}
		p.Says("Point the camera at clear sky") // behind the last step lie the frames
		p.Do(chromedp.Reload())
		p.Says("Point the camera at clear sky")
		p.Click("#setup-open")
		p.Until(`[...document.querySelectorAll(".way-list small")].map(e => e.textContent).join() === "done,left out,done,done,done,done,done"`)
	}
}

// waiting is a session that waits for its first frame.
func waiting(site sky.Site) mountmodel.View {
	v := measuringView(site, 0)
	tell(&v, "first_frame", "Point the camera at clear sky, near the pole if you can, and take a frame.")
	return v
}

// On the narrowest phones nothing sticks out either.
func testNarrow(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec, Rig: rec})
	finished(t, s)
	p.Do(chromedp.EmulateViewport(320, 568, chromedp.EmulateMobile, chromedp.EmulateTouch), chromedp.Navigate(s.url))
	for _, scene := range scenes() {
		publish(t, s, scene.state)
		p.Says(scene.want[0])
		p.NothingSticksOut(scene.name)
	}
	publish(t, s, StateFromView(waiting(northSite), Around{}))
	p.Click("#setup-open")
	for i, step := range setupSteps(setupOf(t, s.Server, ""), false) {
		browsertest.Eval[bool](p, fmt.Sprintf(`(document.querySelectorAll(".way-list button")[%d].click(), true)`, i))
		p.Says(step.want[0])
		p.NothingSticksOut(step.key)
	}
	p.Do(chromedp.EmulateViewport(2200, 1200))
	p.NothingSticksOut("a wide screen")
}

func publish(t *testing.T, s *running, state State) {
	t.Helper()
	if err := s.Publish(state); err != nil {
		t.Fatal(err)
	}
}

// adjusting is a state in the midst of turning bolts, with a frame of the
// given age.
func adjusting(age time.Duration, staleAfter time.Duration) State {
	v := viewOf(northSite, mountmodel.Adjusting, 27.2*sky.Arcminute, -7*sky.Arcminute)
	return StateFromView(v, Around{Latest: latestOf(1, time.Now().Add(-age), nil), StaleAfter: staleAfter})
}

// The bolts keep their places and the one to turn stays large, whatever the numbers are; the
// person changes over by pressing the other one.
func testBoltsKeepTheirPlaces(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec})
	finished(t, s)
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	for i, az := range []float64{58, 28, 3, 1.2} { // while altitude stays at 40
		v := viewOf(northSite, mountmodel.Adjusting, sky.Angle(az)*sky.Arcminute, 40*sky.Arcminute)
		v.Turning = adjust.AzimuthBolt
		publish(t, s, StateFromView(v, Around{Latest: latestOf(int64(i+1), time.Now(), nil)}))
		p.Until(fmt.Sprintf(`document.querySelector("#now .figure").textContent === %q`, strings.ReplaceAll(sky.AngleWords(sky.Angle(az)*sky.Arcminute), "'", "′")))
		if got := browsertest.Eval[string](p, `[...document.querySelectorAll(".choice button")].map(b => b.dataset.changeOver + b.getAttribute("aria-pressed")).join()`); got != "altitudefalse,azimuthtrue" {
			t.Errorf("with azimuth %g' off the bolts stand %s", az, got)
		}
		if size := browsertest.Eval[float64](p, `parseFloat(getComputedStyle(document.querySelector("#now .figure")).fontSize)`); size < leastFigure {
			t.Errorf("the number is %g px high, wanted %d", size, leastFigure)
		}
	}
	browsertest.Eval[bool](p, `(document.querySelector(".choice button").focus(), true)`)
	wrong := readings([2]float64{20, 40}, [2]float64{30, 40})
	wrong.Turning = adjust.AzimuthBolt
	publish(t, s, StateFromView(wrong, Around{Latest: latestOf(9, time.Now(), nil)}))
	p.Says("That was the wrong way: 10.0′ worse.")
	p.Until(`document.querySelectorAll("#now .notch").length === 1 && document.activeElement === document.querySelector(".choice button")`)
	p.Inspect("wrong-way-phone")
	p.Click(`[data-change-over="altitude"]`)
	waitTold(t, rec, "event turn_altitude")
}

// leastFigure is the height of the one number, in CSS pixels: read from two metres on a phone.
const leastFigure = 96

const (
	looksOld   = `document.documentElement.dataset.stale === "true" && document.querySelectorAll(".old .figure").length === 2`
	looksFresh = `document.documentElement.dataset.stale === "false" && !document.querySelector(".old")`
	showsWay   = `[...document.querySelectorAll(".way")].some(e => e.checkVisibility())`
)

// Numbers grow old by themselves: they are struck out, the way to go is gone,
// and the words ask for a new frame. A new frame makes them good again. The
// age is in sight all the while, also scrolled down.
func testStale(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	publish(t, s, adjusting(0, 2*time.Second))
	p.Says("Last frame 0 s ago")
	p.Until(looksFresh)
	p.Until(showsWay)
	p.Says("OLD: last frame 2 s ago")
	p.Until(looksOld)
	p.Says("Take a new frame first")
	if browsertest.Eval[bool](p, showsWay) {
		t.Error("old numbers still show a way to go")
	}
	p.Inspect("old-phone")
	browsertest.Eval[bool](p, `scrollTo(0, 1e6), true`)
	p.Until(`(r => r.top >= 0 && r.bottom <= innerHeight)(document.getElementById("pulse-age").getBoundingClientRect())`)
	publish(t, s, adjusting(time.Second, 30*time.Second))
	p.Until(looksFresh)
	p.Until(showsWay)
	old := adjusting(3*time.Hour, 30*time.Second) // the page was opened long after
	old.Source.Folder = "/nights/2026-03-14"
	publish(t, s, old)
	p.Says("OLD: last frame 3 h ago")
	p.Until(looksOld)
	p.Says("No frame has come for 3 h. Does the camera expose, and does it write into /nights/2026-03-14?")
}

// The service goes away and comes back: the page says so, takes its numbers
// for old meanwhile, and goes on by itself with what the new one says.
func testReconnect(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	addr := strings.TrimSuffix(strings.TrimPrefix(s.url, "http://"), "/")
	publish(t, s, adjusting(0, time.Minute))
	p.Do(browsertest.Laptop.Size(), chromedp.Navigate(s.url))
	p.Until(looksFresh)
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	p.Says("The service was stopped")
	p.Until(`document.querySelector("h1").textContent === "No connection"`)
	p.Until(looksOld)
	p.Inspect("stopped-laptop")
	p.Until(browsertest.Shows("No connection. Trying again")) // after the first vain try
	s = serve(t, Options{Addr: addr})
	southern := viewOf(southSite, mountmodel.Adjusting, 4*sky.Arcminute, 95*sky.Arcminute)
	publish(t, s, StateFromView(southern, Around{Latest: latestOf(2, time.Now(), nil)}))
	p.Says("Lower the axis")
	p.Until(looksFresh)
	if browsertest.Eval[bool](p, `document.getElementById("pulse").innerText.includes("connection")`) {
		t.Error("still says that there is no connection")
	}
}

// A service of another version under an open page makes the page load anew.
func testNewVersion(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	addr := strings.TrimSuffix(strings.TrimPrefix(s.url, "http://"), "/")
	publish(t, s, adjusting(0, time.Minute))
	p.Do(chromedp.Navigate(s.url))
	p.Until(looksFresh)
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("assets")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "note.txt"), []byte("another version"), 0o644); err != nil {
		t.Fatal(err)
	}
	s = serve(t, Options{Addr: addr, AssetsDir: dir})
	publish(t, s, adjusting(0, time.Minute))
	p.Until(fmt.Sprintf(`document.querySelector("script[type=module]")?.src.includes(%q) === true`, s.assets.version))
	p.Until(looksFresh)
}

// The look is remembered, and is there before the first paint.
func testLooks(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	publish(t, s, adjusting(0, time.Minute))
	p.Do(chromedp.Navigate(s.url))
	for _, look := range []string{"night", "day", "night"} {
		p.Look(look)
		p.Do(chromedp.Reload())
		if got := browsertest.Eval[string](p, `document.documentElement.dataset.look`); got != look {
			t.Errorf("after a reload the look is %s, want %s", got, look)
		}
	}
	if got := browsertest.Eval[string](p, `getComputedStyle(document.documentElement).backgroundColor`); got != "rgb(0, 0, 0)" {
		t.Errorf("night is %s", got)
	}
	if !browsertest.Eval[bool](p, `document.querySelector("script").src.endsWith("/js/look.js") && !document.querySelector("script").type`) {
		t.Error("the look is not set before the first paint")
	}
}

func waitTold(t *testing.T, rec *recorder, want ...string) {
	t.Helper()
	for range 200 {
		if strings.Join(rec.told(), "; ") == strings.Join(want, "; ") {
			return
		}
		time.Sleep(25 * time.Millisecond)
	}
	t.Fatalf("told %q, want %q", rec.told(), want)
}

// The rig is turned by buttons and, when it has the focus, by keys.
func testRig(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec, Rig: rec})
	state := adjusting(0, time.Minute)
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	publish(t, s, state)
	p.Until(looksFresh)
	if browsertest.Eval[bool](p, browsertest.Shows("Practice rig")) {
		t.Error("a rig is offered although there is none")
	}
	state.Rig = &RigState{Name: "the practice rig", Drive: true}
	publish(t, s, state)
	p.Says("Practice rig")
	button := func(name string) {
		t.Helper()
		browsertest.Eval[bool](p, fmt.Sprintf(`([...document.querySelectorAll("#rig button")].find(b => b.firstChild.textContent === %q).click(), true)`, name))
	}
	var want []string
	for _, c := range []struct{ name, told string }{
		{"↻ 30°", "ra -30.0"}, {"↺ 15°", "ra 15.0"}, {"Raise", "altitude 10.00"}, {"Lower", "altitude -10.00"},
		{"West", "azimuth -10.00"}, {"East", "azimuth 10.00"}, {"Drive runs", "drive false"}, {"Repeat", "repeat true"}, {"Take a frame", "expose"},
	} {
		button(c.name)
		want = append(want, c.told)
		waitTold(t, rec, want...)
	}
	button("10″")
	for _, c := range []struct{ key, told string }{
		{"ArrowUp", "altitude 0.17"}, {"ArrowLeft", "azimuth -0.17"}, {"2", ""}, {"ArrowRight", "azimuth 1.00"}, {"l", "ra -15.0"}, {"f", "expose"},
	} {
		browsertest.Eval[bool](p, fmt.Sprintf(`document.getElementById("rig").dispatchEvent(new KeyboardEvent("keydown", {key: %q, bubbles: true}))`, c.key))
		if c.told != "" {
			want = append(want, c.told)
		}
		waitTold(t, rec, want...)
	}
	// Keys outside the panel do nothing.
	browsertest.Eval[bool](p, `document.body.dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowUp", bubbles: true}))`)
	// Turned by turns, as at a real mount: clockwise is what the bolt makes of it.
	state.Rig.AltPerTurn, state.Rig.AzPerTurn = 52, -48
	publish(t, s, state)
	p.Until(`(document.querySelector("#rig .label button").click(), document.querySelector("#rig .for-bolts button[aria-pressed=true]") !== null)`)
	button("¼")
	for _, c := range []struct{ key, told string }{{"ArrowUp", "altitude 13.00"}, {"ArrowRight", "azimuth -12.00"}, {"ArrowLeft", "azimuth 12.00"}} {
		browsertest.Eval[bool](p, fmt.Sprintf(`document.getElementById("rig").dispatchEvent(new KeyboardEvent("keydown", {key: %q, bubbles: true}))`, c.key))
		want = append(want, c.told)
		waitTold(t, rec, want...)
	}
	button("By turns of the bolt")
	button("1.0′")
	// In the south east lies on the left of who faces the pole; the button on
	// the right still turns clockwise.
	south := StateFromView(viewOf(southSite, mountmodel.Adjusting, 4*sky.Arcminute, 0), Around{Rig: state.Rig})
	publish(t, s, south)
	p.Says("Turn the mount east")
	button("East")
	want = append(want, "azimuth -1.00")
	waitTold(t, rec, want...)
	// And the sky turns the other way there.
	button("↻ 30°")
	want = append(want, "ra 30.0")
	waitTold(t, rec, want...)
	// What can go wrong is practised too.
	south.Rig.Faults = []RigFault{{Name: "cloud", Text: "cloud hides the stars", Lasts: true}, {Name: "bump", Text: "someone kicks a leg"}}
	publish(t, s, south)
	p.Until(`!document.querySelector("#rig details").hidden`)
	browsertest.Eval[bool](p, `(document.querySelector("#rig details").open = true)`)
	button("begin")
	want = append(want, "fault cloud true")
	waitTold(t, rec, want...)
	button("once")
	waitTold(t, rec, append(want, "fault bump true")...)
}

func testEvents(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec})
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	publish(t, s, StateFromView(measuringView(northSite, 2), Around{}))
	p.Says("Go on to the bolts")
	p.Click("#does button")
	waitTold(t, rec, "event measured")
	publish(t, s, StateFromView(viewOf(northSite, mountmodel.Adjusting, 0, 0.1*sky.Arcminute), Around{}))
	p.Says("Both are locked")
	p.Click("#does button.strong")
	waitTold(t, rec, "event measured", "event locked")
	publish(t, s, StateFromView(viewOf(northSite, mountmodel.Done, 0, 0.1*sky.Arcminute), Around{}))
	p.Says("Back to the bolts")
	rec.mu.Lock()
	rec.refuse = fmt.Errorf("the bolts are not locked")
	rec.mu.Unlock()
	p.Click("#does button")
	p.Until(`(e => !e.hidden && e.textContent === "The bolts are not locked.")(document.getElementById("toast"))`)
	rec.mu.Lock()
	rec.refuse = nil
	rec.mu.Unlock()
	told := []string{"event measured", "event locked", "event unlocked"}
	waitTold(t, rec, told...)
	// The measurement after the lock can be ended as soon as it is good enough.
	again := viewOf(northSite, mountmodel.Confirming, 0, 0.1*sky.Arcminute)
	again.CanEnd = true
	publish(t, s, StateFromView(again, Around{}))
	p.Says("That will do")
	p.Click("#does button")
	told = append(told, "event measured")
	waitTold(t, rec, told...)
	// What went wrong has its remedy under the thumb: pressed twice, it starts over.
	moved := measuringView(northSite, 2)
	tell(&moved, "tube_moved", "The tube moved on the mount between two frames: lock the declination and start over.")
	publish(t, s, StateFromView(moved, Around{}))
	p.Says("Lock the declination and start over")
	p.Click("#does button.strong")
	p.Says("Forget all frames? Press again")
	p.Click("#does button.strong")
	waitTold(t, rec, append(told, "event start_over")...)
}

// Two browsers at once show the same, and one that comes later too; what one of
// them notes the other knows.
func testTwoPages(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	other := browsertest.NewPage(t, p.Ctx)
	p.Do(chromedp.Navigate(s.url))
	publish(t, s, adjusting(0, time.Minute))
	other.Do(chromedp.Navigate(s.url))
	for _, page := range []*browsertest.Page{p, other} {
		page.Says("27.2′")
	}
	publish(t, s, StateFromView(viewOf(northSite, mountmodel.Adjusting, 3.3*sky.Arcminute, 0), Around{}))
	for _, page := range []*browsertest.Page{p, other} {
		page.Says("3.3′")
		page.Click("#setup-open")
	}
	p.Click(`[data-do="done"]`)
	p.Says("One leg towards north")
	other.Until(`document.querySelector(".way-list small").textContent === "done"`)
}

// Names of files and messages are text, whatever is in them.
func testHostileNames(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	p.Do(chromedp.Navigate(s.url))
	evil := `<img src=x onerror="document.title='caught'"><script>document.title='caught'</script>`
	state := adjusting(0, time.Minute)
	state.Latest.File, state.Do.Text, state.Source.Folder = evil, evil, evil
	state.Latest.Problem = &Notice{Code: evil, Message: evil}
	state.Frames[0].File, state.Frames[0].Message, state.Frames[0].Status = evil, evil, evil
	state.Warnings = []Notice{{Code: evil, Message: evil}}
	state.Now.Moves[0].Way, state.Now.Moves[0].Text = "", evil
	publish(t, s, state)
	p.Says("onerror")
	if title := browsertest.Eval[string](p, `document.title`); title != "polard" {
		t.Errorf("title is %q", title)
	}
}

// The place is typed as people write numbers, what is wrong with it is said beside
// it, and the device's own position may be taken.
func testPlace(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec})
	publish(t, s, StateWithoutSite(Around{}))
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	p.Until(`document.querySelector("[name=lat_deg]") !== null`)
	const save = `[data-do="done"]`
	p.Fill("[name=lat_deg]", "forty")
	p.Click(save)
	p.Says("Please write a number")
	p.Until(`document.activeElement.name === "lat_deg" && document.activeElement.getAttribute("aria-invalid") === "true"`)
	p.Inspect("place-wrong-phone")
	p.Fill("[name=lat_deg]", "91")
	p.Fill("[name=lon_deg]", "11,5") // a comma will do
	p.Fill("[name=elevation_m]", "840")
	p.Fill("[name=temperature_c]", "-3.5")
	p.Click(save)
	p.Says("Latitude 91.0000 is outside -90 to +90 degrees.")
	waitTold(t, rec)
	p.Fill("[name=lat_deg]", "−30.2") // nor a typographic minus
	p.Click(save)
	want := []string{"site -30.2000 11.5000 840 m, 916.3 hPa, -3.5 C, refracted"}
	waitTold(t, rec, want...)

	// With the place the step says what to set; the place can be changed, from the
	// device's own position too. localhost is as good as https for that.
	publish(t, s, StateFromView(waiting(northSite), Around{}))
	p.Says("Set the latitude scale")
	lat, lon, metres := 46.318, 13.072, 12.0
	browsertest.Tell(p, emulation.SetGeolocationOverride, emulation.SetGeolocationOverrideParams{Latitude: &lat, Longitude: &lon, Accuracy: &metres})
	allowPosition(t, p, s.url)
	p.Click(`.step-extra > .row button`)
	p.Until(`document.querySelector("[name=lat_deg]").value === "47.25"`)
	browsertest.Eval[bool](p, `([...document.querySelectorAll("#now form button")].find(b => b.textContent.startsWith("Use this device")).click(), true)`)
	p.Says("give or take 12 m")
	p.Until(`document.querySelector("[name=lat_deg]").value === "46.318" && document.querySelector("[name=lon_deg]").value === "13.072"`)
	p.Click(save)
	waitTold(t, rec, append(want, "site 46.3180 13.0720 840 m, 916.3 hPa, 10.0 C, refracted")...)

	// Another night the same place is one touch away.
	publish(t, s, StateWithoutSite(Around{}))
	p.Do(chromedp.Reload())
	p.Says("As last time: 46.32° N, 13.07° E")
	browsertest.Eval[bool](p, `([...document.querySelectorAll("#now form button")].find(b => b.textContent.startsWith("As last time")).click(), true)`)
	p.Until(`document.querySelector("[name=lat_deg]").value === "46.318"`)
}

// allowPosition lets the page ask where the device is, as a person does who says yes.
func allowPosition(t *testing.T, p *browsertest.Page, url string) {
	t.Helper()
	_, err := chromedp.CallBrowser(p.Ctx, browser.SetPermission, browser.SetPermissionParams{
		Permission: &browser.PermissionDescriptor{Name: "geolocation"}, Setting: browser.PermissionSettingGranted,
		Origin: strings.TrimSuffix(url, "/"), BrowserContextID: chromedp.FromContext(p.Ctx).BrowserContextID,
	})
	if err != nil {
		t.Fatal(err)
	}
}

// Earlier nights say what the scale should read; what is noted now comes back.
func testRemembered(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{Nights: &earlierNights{memory: newMemory()}})
	publish(t, s, StateFromView(waiting(northSite), Around{}))
	p.Do(browsertest.Laptop.Size(), chromedp.Navigate(s.url))
	// The scale read 47.5 degrees and the axis was 42 arcminutes too low then.
	p.Says("By the last night here, your scale should read 48.2°")
	p.Says("first measured 1.02° off")
	p.Says("confirmed at 20″, the lock moved it by 12″")
	p.Inspect("remembered-laptop")
	p.Fill("[name=scale_deg]", "48,1")
	p.Do(chromedp.KeyEvent("\t"))
	p.Says("Kept.")
	p.Click(`.way-list li:nth-child(2) button`)
	p.Says("Last time you noted: legs on the three slabs")
	p.Do(chromedp.Reload())
	p.Says("Set the latitude scale")
	p.Until(`document.querySelector("[name=scale_deg]").value === "48.1"`)
	// With the night's result everything is asked for once more.
	publish(t, s, StateFromView(viewOf(northSite, mountmodel.Done, 0, 0.1*sky.Arcminute), Around{}))
	p.Click("#setup-open")
	p.Says("For the next night here")
	p.Until(`document.querySelector("#marks [name=scale_deg]").value === "48.1"`)
	p.Fill("#marks textarea", "north leg on the white stone")
	p.Click("#marks button")
	p.Says("Kept.")
	if m := memoriesOf(t, s.Server); m.Marks.Words != "north leg on the white stone" || *m.Marks.ScaleDeg != 48.1 {
		t.Errorf("kept %+v", m.Marks)
	}
}

// After a bolt has moved the axis the page asks how far it was turned; one touch tells, another
// takes it back.
func testTold(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec})
	finished(t, s)
	state := func(id int64, offsets ...[2]float64) State {
		return StateFromView(readings(offsets...), Around{Latest: latestOf(id, time.Now(), nil)})
	}
	publish(t, s, state(1, [2]float64{27, 7}))
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	p.Says("Turn the mount west")
	if browsertest.Eval[bool](p, browsertest.Shows("How far did you turn")) {
		t.Error("asked although nothing was turned")
	}
	publish(t, s, state(2, [2]float64{27, 7}, [2]float64{15, 7}))
	p.Says("How far did you turn the azimuth bolt?")
	p.Inspect("told-phone")
	p.Click(`[data-turns="-0.25"]`)
	waitTold(t, rec, "turned azimuth -0.25")
	p.Says("Told: Azimuth bolt, ¼ turn anticlockwise.")
	p.Until(`document.querySelector(".told-sheet").hidden`)
	p.Click(`[data-told="undo"]`)
	waitTold(t, rec, "turned azimuth -0.25", "event take_back")
	p.Says("Taken back.")
	// The other bolt; then what the session asks for, with one press.
	asks := state(3, [2]float64{27, 7}, [2]float64{15, 7}, [2]float64{15, 2})
	asks.Strokes = []Stroke{{Bolt: "altitude", TurnDeg: 36, Text: "altitude bolt: about a tenth of a turn clockwise, raising"}}
	publish(t, s, asks)
	p.Says("How far did you turn the altitude bolt?")
	p.Click(`[data-asked="altitude"]`)
	waitTold(t, rec, "turned azimuth -0.25", "event take_back", "turned altitude 0.10")
	p.Says("Told: Altitude bolt, as asked.")
	// What is learnt is not asked about any more.
	learnt := state(4, [2]float64{27, 7}, [2]float64{15, 7}, [2]float64{15, 2}, [2]float64{9, 2})
	learnt.Bolts = []Bolt{{Bolt: "altitude", Learnt: true}, {Bolt: "azimuth", Learnt: true}}
	publish(t, s, learnt)
	p.Until(`document.querySelector(".picture-file").textContent === "pole_0004.fits"`)
	p.Until(`document.querySelector(".told-sheet").hidden`)
}

// The tone sounds with each new frame of the bolts, never from old numbers, and
// its notes draw together with the error.
func testTone(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	finished(t, s)
	state := adjusting(0, time.Minute)
	publish(t, s, state)
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	p.Says("Sound off")
	browsertest.Eval[bool](p, `(() => { window.played = []; const start = OscillatorNode.prototype.start;
		OscillatorNode.prototype.start = function (at) { window.played.push(this.frequency.value); return start.call(this, at); }; return true; })()`)
	frame := func(id int64, az sky.Angle) []float64 {
		t.Helper()
		browsertest.Eval[bool](p, `(window.played = [], true)`)
		next := StateFromView(viewOf(northSite, mountmodel.Adjusting, az, 0), Around{Latest: latestOf(id, time.Now(), nil)})
		publish(t, s, next)
		p.Until(fmt.Sprintf(`document.querySelector(".picture-file").textContent === "pole_%04d.fits"`, id))
		return browsertest.Eval[[]float64](p, `window.played`)
	}
	if notes := frame(2, 30*sky.Arcminute); len(notes) != 0 {
		t.Errorf("sounds although it is off: %v", notes)
	}
	p.Click(".sound")
	p.Says("Sound on")
	const pole = 523
	last := 1e9
	for i, az := range []sky.Angle{300 * sky.Arcminute, 90 * sky.Arcminute, 30 * sky.Arcminute, 8 * sky.Arcminute, 2 * sky.Arcminute} {
		notes := frame(int64(3+i), az)
		if len(notes) != 3 || notes[0] != pole || notes[1] != pole || !(notes[2] < last) || !(notes[2] > pole) {
			t.Fatalf("%.0f' too far right: %v after %.0f", az.Arcminutes(), notes, last)
		}
		last = notes[2]
	}
	if notes := frame(8, -30*sky.Arcminute); len(notes) != 3 || !(notes[2] < pole) {
		t.Errorf("too far left: %v", notes)
	}
	if notes := frame(9, 0.5*sky.Arcminute); len(notes) != 3 || notes[1] != pole || !(notes[2] > pole) {
		t.Errorf("inside the tolerance: %v", notes)
	}
	// One knock for the other bolt; up and down are told as right and left are.
	for _, c := range []struct {
		way  string
		high bool
	}{{"raise", false}, {"lower", true}} {
		got := browsertest.Eval[[]float64](p, fmt.Sprintf(`import("/assets/%s/js/tone.js").then(m => m.notes({within: false, turning: "altitude", now: {moves: [{bolt: "altitude", way: %q, amount_arcmin: 20, gate_arcmin: 0.7}]}}))`, s.assets.version, c.way))
		if len(got) != 2 || got[0] != 0 || got[1] == 0 || (got[1] > 0) != c.high {
			t.Errorf("%s: %v", c.way, got)
		}
	}
	// The same frame sounds once, and an old one not at all.
	browsertest.Eval[bool](p, `(window.played = [], true)`)
	again := adjusting(time.Hour, time.Second)
	again.Latest.ID, again.Latest.File = 10, "pole_0010.fits"
	publish(t, s, again)
	p.Until(looksOld)
	if notes := browsertest.Eval[[]float64](p, `window.played`); len(notes) != 0 {
		t.Errorf("an old number sounds: %v", notes)
	}
	p.Do(chromedp.Reload())
	p.Says("Sound on") // remembered
}

// The picture is enlarged by two fingers, by keys and by buttons.
func testZoom(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	finished(t, s)
	pic, stars := starField(1)
	if err := s.PublishPreview(pic); err != nil {
		t.Fatal(err)
	}
	state := StateFromView(viewOf(northSite, mountmodel.Adjusting, 27.2*sky.Arcminute, 0), Around{Latest: latestOf(1, time.Now(), stars)})
	publish(t, s, state)
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	p.Until(`document.querySelector(".picture img").naturalWidth === 960`)
	scale := `Number(document.querySelector(".picture-inner").style.getPropertyValue("--zoom") || 1)`
	browsertest.Eval[bool](p, `(document.querySelector(".picture-box").scrollIntoView({block: "start"}), true)`)
	box := browsertest.Eval[[]float64](p, `(r => [r.x, r.y, r.width, r.height])(document.querySelector(".picture-box").getBoundingClientRect())`)
	x, y := box[0]+box[2]/2, box[1]+box[3]/2
	touch := func(kind input.DispatchTouchEventType, apart float64) {
		params := input.DispatchTouchEventParams{Type: kind, TouchPoints: []*input.TouchPoint{}}
		if kind != input.DispatchTouchEventTypeTouchEnd {
			one, two := 1.0, 2.0
			params.TouchPoints = []*input.TouchPoint{{X: x - apart/2, Y: y, ID: &one}, {X: x + apart/2, Y: y, ID: &two}}
		}
		browsertest.Tell(p, input.DispatchTouchEvent, params)
	}
	touch(input.DispatchTouchEventTypeTouchStart, 60)
	for apart := 70.0; apart <= 150; apart += 10 {
		touch(input.DispatchTouchEventTypeTouchMove, apart)
	}
	touch(input.DispatchTouchEventTypeTouchEnd, 0)
	p.Until(scale + " > 2 && " + scale + " < 3")
	p.Click(".picture-tools button:nth-child(3)")
	p.Until(scale + " === 1")
	browsertest.Eval[bool](p, `(document.querySelector(".picture-box").focus(), true)`)
	p.Do(chromedp.KeyEvent("+"), chromedp.KeyEvent("+"))
	p.Until(scale + " > 2")
	p.Inspect("zoomed-phone")
}

// A phone sleeps while the axis moves on: its connection dies without a word and
// its timers stand. Woken, it shows at once that it knows nothing fresh, connects by
// itself, and goes on with the new numbers.
func testAsleep(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	finished(t, s)
	way := newWire(t, strings.TrimSuffix(strings.TrimPrefix(s.url, "http://"), "/"))
	publish(t, s, adjusting(0, 30*time.Second))
	p.Do(browsertest.Phone.Size(), chromedp.Navigate("http://"+way.addr+"/"))
	p.Until(looksFresh)
	lifecycle := func(state page.SetWebLifecycleStateState) {
		browsertest.Tell(p, page.SetWebLifecycleState, page.SetWebLifecycleStateParams{State: state})
	}
	way.cut()
	lifecycle(page.SetWebLifecycleStateStateFrozen)
	southern := viewOf(southSite, mountmodel.Adjusting, 4*sky.Arcminute, 95*sky.Arcminute)
	publish(t, s, StateFromView(southern, Around{Latest: latestOf(2, time.Now(), nil)}))
	time.Sleep(300 * time.Millisecond)
	way.mend()
	lifecycle(page.SetWebLifecycleStateStateActive)
	p.Says("Lower the axis")
	p.Until(looksFresh)
}

// While the Sun is up the page says so, and more when a frame looks near it.
func testSun(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{}, func(s *Server) {
		begun := time.Now()
		s.now = func() time.Time { return time.Date(2026, 3, 15, 11, 30, 0, 0, time.UTC).Add(time.Since(begun)) }
	})
	finished(t, s)
	state := adjusting(0, time.Minute)
	state.Latest.ReadMs = s.now().UnixMilli()
	publish(t, s, state)
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	p.Says("The Sun is up: caps on tube and finder")
	state.Latest.Sight = &Direction{AltDeg: 35, AzDeg: 170}
	publish(t, s, state)
	p.Says("The Sun is up and near where the camera looks")
	p.Click("#setup-open")
	p.Click("#way details summary")
	p.Says("The Sun is up. Its light in a telescope")
}

// The whole set-up without a mouse: tab from the heading to the button, press it. The
// camera runs already; the page begins with the set-up all the same.
func testKeyboard(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	measuring := measuringView(northSite, 1)
	tell(&measuring, "turn", "Turn the RA axis by about 30°, leave the declination alone, and take another frame.", sky.Whole(30*sky.Degree))
	publish(t, s, StateFromView(measuring, Around{Latest: latestOf(1, time.Now(), nil)}))
	p.Do(browsertest.Laptop.Size(), chromedp.Navigate(s.url))
	p.Says("Set the latitude scale")
	for _, step := range setupSteps(setupOf(t, s.Server, ""), false) {
		p.Says(step.want[0])
		for tabs := 0; !browsertest.Eval[bool](p, `document.activeElement?.dataset.do === "done"`); tabs++ {
			if tabs == 60 {
				t.Fatalf("%s: no way to the button by the tab key", step.key)
			}
			p.Do(chromedp.KeyEvent("\t"))
			if !browsertest.Eval[bool](p, `document.activeElement === document.body || (e => { const s = getComputedStyle(e); return s.outlineStyle !== "none" || e.closest(".drawing") !== null; })(document.activeElement)`) {
				t.Errorf("%s: where the focus is cannot be seen: %s", step.key, browsertest.Eval[string](p, `document.activeElement.outerHTML.slice(0, 100)`))
			}
		}
		p.Do(chromedp.KeyEvent("\r"))
	}
	p.Says("Turn the RA axis")
}
