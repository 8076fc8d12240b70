package web

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/draw"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/sky"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// screens are the sizes at which the page is tried: a phone held upright and
// a small laptop.
var screens = []struct {
	name          string
	width, height int64
	mobile        bool
}{
	{"phone", 390, 844, true},
	{"laptop", 1280, 800, false},
}

// TestPage opens the page in a headless Chromium with a fresh profile, a tab
// for each part. Without a Chromium it is skipped, but never in CI: there a
// skip would pass for a pass.
func TestPage(t *testing.T) {
	if testing.Short() {
		t.Skip("browser tests take long")
	}
	var path string
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		if os.Getenv("CI") == "true" {
			t.Fatal("no Chromium found; CI must have one (Debian: apt-get install chromium)")
		}
		t.Skip("no Chromium found (Debian: apt-get install chromium)")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path),
		chromedp.UserDataDir(t.TempDir()),
		chromedp.NoSandbox,
		chromedp.DisableGPU,
		chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-sync", true),
		chromedp.Flag("force-prefers-reduced-motion", true), // nothing moves while a picture is taken
	)
	alloc, stopAlloc := chromedp.NewExecAllocator(context.Background(), opts...)
	defer stopAlloc()
	first, stop := chromedp.NewContext(alloc)
	defer stop()
	if err := chromedp.Do(first); err != nil {
		t.Fatalf("Chromium did not start: %v", err)
	}
	for _, part := range []struct {
		name string
		test func(*testing.T, context.Context)
	}{
		{"scenes", testScenes},
		{"narrow", testNarrow},
		{"stale", testStale},
		{"reconnect", testReconnect},
		{"new version", testNewVersion},
		{"looks", testLooks},
		{"setup", testSetup},
		{"rig", testRig},
		{"events", testEvents},
		{"two pages", testTwoPages},
		{"hostile names", testHostileNames},
	} {
		t.Run(part.name, func(t *testing.T) { part.test(t, tab(t, first)) })
	}
}

// tab opens another tab with a storage of its own. Every error that the page
// reports fails the test.
func tab(t *testing.T, browser context.Context) context.Context {
	t.Helper()
	ctx, stop := chromedp.NewContext(browser, chromedp.WithNewBrowserContext())
	ctx, expire := context.WithTimeout(ctx, 2*time.Minute)
	t.Cleanup(func() { expire(); stop() })
	if err := chromedp.Do(ctx); err != nil {
		t.Fatal(err)
	}
	watchConsole(t, ctx)
	return ctx
}

// watchConsole fails the test on every error a page reports, above all on
// what the content policy refused.
func watchConsole(t *testing.T, ctx context.Context) {
	t.Helper()
	err := chromedp.Listen(ctx, func(ev any) {
		switch ev := ev.(type) {
		case *runtime.EventExceptionThrown:
			t.Errorf("page threw: %s %s", ev.ExceptionDetails.Text, exceptionText(ev.ExceptionDetails))
		case *log.EventEntryAdded:
			// Refused commands and a service that was stopped are part of the
			// tests, and so is an icon asked for late, of a version gone by.
			expected := strings.Contains(ev.Entry.Text, "ERR_CONNECTION_REFUSED") ||
				strings.HasPrefix(ev.Entry.Text, "Failed to load resource") &&
					(strings.Contains(ev.Entry.URL, "/api/v1/") || strings.HasSuffix(ev.Entry.URL, "/icon.svg"))
			if ev.Entry.Level == log.EntryLevelError && !expected {
				t.Errorf("console: %s %s", ev.Entry.Text, ev.Entry.URL)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
}

func exceptionText(d *runtime.ExceptionDetails) string {
	if d.Exception == nil {
		return ""
	}
	return d.Exception.Description
}

func run(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

// eval is the value of a JavaScript expression on the page.
func eval[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// until waits for a JavaScript expression to become true. The page may be
// loading anew meanwhile.
func until(t *testing.T, ctx context.Context, expression string) {
	t.Helper()
	var err error
	for range 200 {
		var yes bool
		if yes, err = chromedp.Run(ctx, chromedp.Evaluate[bool](expression)); yes {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("never true: %s (%v)\nthe page says:\n%s", expression, err, eval[string](t, ctx, `document.body.innerText`))
}

func says(text string) string {
	return fmt.Sprintf("document.body.innerText.includes(%q)", text)
}

func size(width, height int64, mobile bool) chromedp.Action[chromedp.Void] {
	if mobile {
		return chromedp.EmulateViewport(width, height, chromedp.EmulateMobile, chromedp.EmulateTouch)
	}
	return chromedp.EmulateViewport(width, height)
}

func setLook(t *testing.T, ctx context.Context, look string) {
	t.Helper()
	eval[bool](t, ctx, fmt.Sprintf(`document.documentElement.dataset.look === %q || (document.getElementById("look").click(), true)`, look))
}

// keepsShots says whether pictures are to be kept: POLARD_SHOTS names a folder.
func keepsShots() bool { return os.Getenv("POLARD_SHOTS") != "" }

// shot takes a picture, of the whole page or of what the screen shows, and
// keeps it where POLARD_SHOTS says.
func shot(t *testing.T, ctx context.Context, name string, full bool) image.Image {
	t.Helper()
	take := chromedp.CaptureScreenshot()
	if full {
		take = chromedp.FullScreenshot(100)
	}
	b, err := chromedp.Run(ctx, take)
	if err != nil {
		t.Fatal(err)
	}
	if keepsShots() {
		if err := os.WriteFile(filepath.Join(os.Getenv("POLARD_SHOTS"), name+".png"), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	img, err := png.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// looksIn takes a picture in both looks (the one by day only to be kept) and
// checks the one by night.
func looksIn(t *testing.T, ctx context.Context, name string, full bool) {
	t.Helper()
	if keepsShots() {
		setLook(t, ctx, "day")
		shot(t, ctx, name+"-day", full)
	}
	setLook(t, ctx, "night")
	onlyRed(t, name, shot(t, ctx, name+"-night", full))
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
	waiting.Instruction = "Point the camera at clear sky, near the pole if you can, and take a frame."
	one := measuringView(northSite, 1)
	one.Instruction = "Turn the RA axis by about 30°, leave the declination alone, and take another frame."
	two := measuringView(northSite, 2)
	two.Instruction = "Turn the RA axis on by about 30°, leave the declination alone, and take another frame."
	two.Details = []string{"The axis stands 19.8' from the pole, known to 9\"."}
	adjusting := viewOf(northSite, mountmodel.Adjusting, 27.2*sky.Arcminute, -7*sky.Arcminute)
	adjusting.Warnings = []mountmodel.Warning{{Code: mountmodel.WarnTwoFrames, Message: "Two frames cannot test themselves: a third would show whether anything moved."}}
	southern := viewOf(southSite, mountmodel.Adjusting, 4*sky.Arcminute, 95*sky.Arcminute)
	near := viewOf(northSite, mountmodel.Adjusting, 0.4*sky.Arcminute, -1.9*sky.Arcminute)
	within := viewOf(northSite, mountmodel.Adjusting, 0.5*sky.Arcminute, -0.3*sky.Arcminute)
	within.Instruction = "The axis is within 1.0' of the pole: lock the bolts, then measure once more to confirm."
	done := viewOf(northSite, mountmodel.Done, 0.5*sky.Arcminute, -0.4*sky.Arcminute)
	done.Instruction = "Done: the axis is within 1.0' of the pole."
	done.Details = []string{"The axis stands 31\" from the pole, known to 6\".", "Locking moved the axis by 12\"."}
	done.Lock = &mountmodel.LockShift{Alt: -0.2 * sky.Arcminute, Total: 0.2 * sky.Arcminute, Uncertainty: 4 * sky.Arcsecond}
	practice := around()
	practice.Source = Source{Kind: "rehearsal", Folder: "/tmp/rehearsal"}
	practice.Rig = &RigState{Name: "the practice rig", RADeg: 62, AltTurned: -4, AzTurned: 12.5, Drive: true, Repeating: true, ExposureMs: 2000}
	failed := around()
	failed.Latest.Solved, failed.Latest.Stars, failed.Latest.Matched = false, nil, 0
	failed.Latest.Problem = &Notice{Code: "no_match", Message: "12 stars, needs about 20: expose longer or look for a gap in the clouds."}
	return []struct {
		name  string
		state State
		want  []string
	}{
		{"place", StateWithoutSite(first), []string{"Where does the mount stand?", "No frame yet"}},
		{"waiting", StateFromView(waiting, first), []string{"Point the camera at clear sky", "No frame yet"}},
		{"one", StateFromView(one, around()), []string{"Turn the RA axis by about 30°", "\n30°\n"}},
		{"two", StateFromView(two, around()), []string{"Turn the RA axis on by about 30°", "31.0° over 2 frames", "19.8′ from the pole, known to 9″"}},
		{"adjusting", StateFromView(adjusting, around()), []string{"Turn the mount west", "27.2′", "Raise the axis", "7.0′", "Two frames cannot test"}},
		{"southern", StateFromView(southern, around()), []string{"Lower the axis", "1.58°", "Turn the mount east", "4.0′"}},
		{"near", StateFromView(near, around()), []string{"Raise the axis", "1.9′", "24″"}},
		{"within", StateFromView(within, around()), []string{"Lock both bolts", "Both are locked"}},
		{"done", StateFromView(done, around()), []string{"The axis stands"}},
		{"practice", StateFromView(adjusting, practice), []string{"Practice rig", "Drive runs", "+12.5′"}},
		{"failed", StateFromView(adjusting, failed), []string{"12 stars, needs about 20", "not understood"}},
	}
}

// Every scene at both sizes and in both looks: its words and numbers are
// there, nothing sticks out sideways, and by night no pixel has any green or
// blue in it.
func testScenes(t *testing.T, ctx context.Context) {
	for _, sc := range screens {
		rec := &recorder{}
		s := serve(t, Options{Operator: rec, Rig: rec})
		pic, _ := starField(12)
		if err := s.PublishPreview(pic); err != nil {
			t.Fatal(err)
		}
		run(t, ctx, size(sc.width, sc.height, sc.mobile), chromedp.Navigate(s.url))
		for _, scene := range scenes() {
			if scene.state.Latest != nil {
				scene.state.Latest.ReadMs = time.Now().Add(-2 * time.Second).UnixMilli()
			}
			publish(t, s, scene.state)
			for _, w := range scene.want {
				until(t, ctx, says(w))
			}
			if scene.state.Latest != nil {
				until(t, ctx, says("Last frame "))
				until(t, ctx, `document.querySelector(".picture img").naturalWidth === 960`)
			}
			if overflow := eval[int](t, ctx, `document.documentElement.scrollWidth - innerWidth`); overflow > 0 {
				t.Errorf("%s on the %s sticks out sideways by %d px", scene.name, sc.name, overflow)
			}
			looksIn(t, ctx, scene.name+"-"+sc.name, sc.mobile)
		}
	}
}

// On the narrowest phones nothing sticks out either.
func testNarrow(t *testing.T, ctx context.Context) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec, Rig: rec})
	run(t, ctx, size(320, 568, true), chromedp.Navigate(s.url))
	for _, scene := range scenes() {
		publish(t, s, scene.state)
		until(t, ctx, says(scene.want[0]))
		if overflow := eval[int](t, ctx, `document.documentElement.scrollWidth - innerWidth`); overflow > 0 {
			t.Errorf("%s sticks out sideways by %d px", scene.name, overflow)
		}
		if keepsShots() {
			shot(t, ctx, scene.name+"-narrow", true)
		}
	}
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

const (
	looksOld   = `document.documentElement.dataset.stale === "true" && document.querySelectorAll(".old .figure").length === 2`
	looksFresh = `document.documentElement.dataset.stale === "false" && !document.querySelector(".old")`
	showsWay   = `[...document.querySelectorAll(".way")].some(e => e.checkVisibility())`
)

// Numbers grow old by themselves: they are struck out, the way to go is gone,
// and the words ask for a new frame. A new frame makes them good again. The
// age is in sight all the while, also scrolled down.
func testStale(t *testing.T, ctx context.Context) {
	s := serve(t, Options{})
	run(t, ctx, size(390, 844, true), chromedp.Navigate(s.url))
	publish(t, s, adjusting(0, 2*time.Second))
	until(t, ctx, says("Last frame 0 s ago"))
	until(t, ctx, looksFresh)
	until(t, ctx, showsWay)
	until(t, ctx, says("OLD: last frame 2 s ago"))
	until(t, ctx, looksOld)
	until(t, ctx, says("Take a new frame first"))
	if eval[bool](t, ctx, showsWay) {
		t.Error("old numbers still show a way to go")
	}
	looksIn(t, ctx, "old-phone", true)
	eval[bool](t, ctx, `scrollTo(0, 1e6), true`)
	until(t, ctx, `(r => r.top >= 0 && r.bottom <= innerHeight)(document.getElementById("pulse-age").getBoundingClientRect())`)
	publish(t, s, adjusting(time.Second, 30*time.Second))
	until(t, ctx, looksFresh)
	until(t, ctx, showsWay)
	publish(t, s, adjusting(3*time.Hour, 30*time.Second)) // the page was opened long after
	until(t, ctx, says("OLD: last frame 3 h ago"))
	until(t, ctx, looksOld)
}

// The service goes away and comes back: the page says so, takes its numbers
// for old meanwhile, and goes on by itself with what the new one says.
func testReconnect(t *testing.T, ctx context.Context) {
	s := serve(t, Options{})
	addr := strings.TrimSuffix(strings.TrimPrefix(s.url, "http://"), "/")
	publish(t, s, adjusting(0, time.Minute))
	run(t, ctx, size(1280, 800, false), chromedp.Navigate(s.url))
	until(t, ctx, looksFresh)
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	until(t, ctx, says("The service was stopped"))
	until(t, ctx, `document.querySelector("h1").textContent === "No connection"`)
	until(t, ctx, looksOld)
	if keepsShots() {
		shot(t, ctx, "stopped-laptop", false)
	}
	until(t, ctx, says("No connection. Trying again")) // after the first vain try
	s = serve(t, Options{Addr: addr})
	southern := viewOf(southSite, mountmodel.Adjusting, 4*sky.Arcminute, 95*sky.Arcminute)
	publish(t, s, StateFromView(southern, Around{Latest: latestOf(2, time.Now(), nil)}))
	until(t, ctx, says("Lower the axis"))
	until(t, ctx, looksFresh)
	if eval[bool](t, ctx, `document.getElementById("pulse").innerText.includes("connection")`) {
		t.Error("still says that there is no connection")
	}
}

// A service of another version under an open page makes the page load anew.
func testNewVersion(t *testing.T, ctx context.Context) {
	s := serve(t, Options{})
	addr := strings.TrimSuffix(strings.TrimPrefix(s.url, "http://"), "/")
	publish(t, s, adjusting(0, time.Minute))
	run(t, ctx, chromedp.Navigate(s.url))
	until(t, ctx, looksFresh)
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
	until(t, ctx, fmt.Sprintf(`document.querySelector("script[type=module]")?.src.includes(%q) === true`, s.assets.version))
	until(t, ctx, looksFresh)
}

// The look is remembered, and is there before the first paint.
func testLooks(t *testing.T, ctx context.Context) {
	s := serve(t, Options{})
	publish(t, s, adjusting(0, time.Minute))
	run(t, ctx, chromedp.Navigate(s.url))
	for _, look := range []string{"night", "day", "night"} {
		setLook(t, ctx, look)
		run(t, ctx, chromedp.Reload())
		if got := eval[string](t, ctx, `document.documentElement.dataset.look`); got != look {
			t.Errorf("after a reload the look is %s, want %s", got, look)
		}
	}
	if got := eval[string](t, ctx, `getComputedStyle(document.documentElement).backgroundColor`); got != "rgb(0, 0, 0)" {
		t.Errorf("night is %s", got)
	}
	if !eval[bool](t, ctx, `document.querySelector("script").src.endsWith("/js/look.js") && !document.querySelector("script").type`) {
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

func click(selector string) chromedp.Action[chromedp.Void] {
	return chromedp.Click(chromedp.CSS(selector))
}

// fill types into a field as a person would, over what is in it.
func fill(t *testing.T, ctx context.Context, id, text string) {
	t.Helper()
	eval[bool](t, ctx, fmt.Sprintf(`(e => { e.focus(); e.select(); return true; })(document.getElementById(%q))`, id))
	if text == "" {
		run(t, ctx, chromedp.KeyEvent("\b"))
		return
	}
	run(t, ctx, chromedp.KeyEvent(text))
}

func testSetup(t *testing.T, ctx context.Context) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec})
	publish(t, s, StateWithoutSite(Around{}))
	run(t, ctx, size(390, 844, true), chromedp.Navigate(s.url))
	until(t, ctx, says("Type in the place"))
	run(t, ctx, click("#does button"))
	until(t, ctx, `document.getElementById("setup").open && document.activeElement.id === "f-lat_deg"`)
	looksIn(t, ctx, "setup-phone", false)
	fill(t, ctx, "f-lat_deg", "forty")
	run(t, ctx, click("#setup button[type=submit]"))
	until(t, ctx, says("Please write a number"))
	until(t, ctx, `document.activeElement.id === "f-lat_deg" && document.activeElement.getAttribute("aria-invalid") === "true"`)
	fill(t, ctx, "f-lat_deg", "91")
	fill(t, ctx, "f-lon_deg", "11,5") // a comma will do
	fill(t, ctx, "f-elevation_m", "840")
	fill(t, ctx, "f-temperature_c", "-3.5")
	fill(t, ctx, "f-tolerance_arcmin", "1.5")
	run(t, ctx, click("#setup button[type=submit]"))
	until(t, ctx, says("latitude 91.0000 is outside -90 to +90 degrees"))
	waitTold(t, rec)
	fill(t, ctx, "f-lat_deg", "−30.2") // nor a typographic minus
	run(t, ctx, click("#setup button[type=submit]"))
	waitTold(t, rec, "site -30.2000 11.5000 840 m, 916.3 hPa, -3.5 C, refracted", "tolerance 1.50")
	until(t, ctx, `!document.getElementById("setup").open`)

	// Opened again it holds what the service holds; start over asks twice.
	publish(t, s, adjusting(0, time.Minute))
	until(t, ctx, looksFresh)
	run(t, ctx, click("#setup-open"))
	until(t, ctx, `document.getElementById("f-lat_deg").value === "47.25" && document.getElementById("f-tolerance_arcmin").value === "1"`)
	run(t, ctx, click("#setup > .wide"))
	until(t, ctx, says("Press again"))
	waitTold(t, rec, "site -30.2000 11.5000 840 m, 916.3 hPa, -3.5 C, refracted", "tolerance 1.50")
	run(t, ctx, click("#setup > .wide"))
	waitTold(t, rec, "site -30.2000 11.5000 840 m, 916.3 hPa, -3.5 C, refracted", "tolerance 1.50", "event start_over")
}

// The rig is turned by buttons and, when it has the focus, by keys.
func testRig(t *testing.T, ctx context.Context) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec, Rig: rec})
	state := adjusting(0, time.Minute)
	run(t, ctx, size(390, 844, true), chromedp.Navigate(s.url))
	publish(t, s, state)
	until(t, ctx, looksFresh)
	if eval[bool](t, ctx, says("Practice rig")) {
		t.Error("a rig is offered although there is none")
	}
	state.Rig = &RigState{Name: "the practice rig", Drive: true}
	publish(t, s, state)
	until(t, ctx, says("Practice rig"))
	button := func(name string) {
		t.Helper()
		eval[bool](t, ctx, fmt.Sprintf(`([...document.querySelectorAll("#rig button")].find(b => b.firstChild.textContent === %q).click(), true)`, name))
	}
	var want []string
	for _, c := range []struct{ name, told string }{
		{"−30°", "ra -30.0"}, {"+15°", "ra 15.0"}, {"Raise", "altitude 10.00"}, {"Lower", "altitude -10.00"},
		{"West", "azimuth -10.00"}, {"East", "azimuth 10.00"}, {"Drive runs", "drive false"}, {"Repeat", "repeat true"}, {"Take a frame", "expose"},
	} {
		button(c.name)
		want = append(want, c.told)
		waitTold(t, rec, want...)
	}
	button("10″")
	for _, c := range []struct{ key, told string }{
		{"ArrowUp", "altitude 0.17"}, {"ArrowLeft", "azimuth -0.17"}, {"2", ""}, {"ArrowRight", "azimuth 1.00"}, {"l", "ra 15.0"}, {"f", "expose"},
	} {
		eval[bool](t, ctx, fmt.Sprintf(`document.getElementById("rig").dispatchEvent(new KeyboardEvent("keydown", {key: %q, bubbles: true}))`, c.key))
		if c.told != "" {
			want = append(want, c.told)
		}
		waitTold(t, rec, want...)
	}
	// Keys outside the panel do nothing.
	eval[bool](t, ctx, `document.body.dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowUp", bubbles: true}))`)
	// In the south east lies on the left of who faces the pole; the button on
	// the right still turns clockwise.
	south := StateFromView(viewOf(southSite, mountmodel.Adjusting, 4*sky.Arcminute, 0), Around{Rig: state.Rig})
	publish(t, s, south)
	until(t, ctx, says("Turn the mount east"))
	button("East")
	waitTold(t, rec, append(want, "azimuth -1.00")...)
}

func testEvents(t *testing.T, ctx context.Context) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec})
	run(t, ctx, size(390, 844, true), chromedp.Navigate(s.url))
	publish(t, s, StateFromView(measuringView(northSite, 2), Around{}))
	until(t, ctx, says("Go on to the bolts"))
	run(t, ctx, click("#does button"))
	waitTold(t, rec, "event measured")
	publish(t, s, StateFromView(viewOf(northSite, mountmodel.Adjusting, 0, 0.1*sky.Arcminute), Around{}))
	until(t, ctx, says("Both are locked"))
	run(t, ctx, click("#does button.strong"))
	waitTold(t, rec, "event measured", "event locked")
	publish(t, s, StateFromView(viewOf(northSite, mountmodel.Done, 0, 0.1*sky.Arcminute), Around{}))
	until(t, ctx, says("Back to the bolts"))
	rec.mu.Lock()
	rec.refuse = fmt.Errorf("the bolts are not locked")
	rec.mu.Unlock()
	run(t, ctx, click("#does button"))
	until(t, ctx, `(e => !e.hidden && e.textContent === "the bolts are not locked")(document.getElementById("toast"))`)
}

// Two browsers at once show the same, and one that comes later too.
func testTwoPages(t *testing.T, ctx context.Context) {
	s := serve(t, Options{})
	other := tab(t, ctx)
	run(t, ctx, chromedp.Navigate(s.url))
	publish(t, s, adjusting(0, time.Minute))
	run(t, other, chromedp.Navigate(s.url))
	for _, c := range []context.Context{ctx, other} {
		until(t, c, says("27.2′"))
	}
	publish(t, s, StateFromView(viewOf(northSite, mountmodel.Adjusting, 3.3*sky.Arcminute, 0), Around{}))
	for _, c := range []context.Context{ctx, other} {
		until(t, c, says("3.3′"))
	}
}

// Names of files and messages are text, whatever is in them.
func testHostileNames(t *testing.T, ctx context.Context) {
	s := serve(t, Options{})
	run(t, ctx, chromedp.Navigate(s.url))
	evil := `<img src=x onerror="document.title='caught'"><script>document.title='caught'</script>`
	state := adjusting(0, time.Minute)
	state.Latest.File, state.Do.Text, state.Source.Folder = evil, evil, evil
	state.Latest.Problem = &Notice{Code: evil, Message: evil}
	state.Frames[0].File, state.Frames[0].Message, state.Frames[0].Status = evil, evil, evil
	state.Warnings = []Notice{{Code: evil, Message: evil}}
	state.Now.Moves[0].Way, state.Now.Moves[0].Text = "", evil
	publish(t, s, state)
	until(t, ctx, says("onerror"))
	if title := eval[string](t, ctx, `document.title`); title != "polard" {
		t.Errorf("title is %q", title)
	}
}

// onlyRed fails on the first pixel with green or blue in it.
func onlyRed(t *testing.T, name string, img image.Image) {
	t.Helper()
	b := img.Bounds()
	rgba := image.NewRGBA(b)
	draw.Draw(rgba, b, img, b.Min, draw.Src)
	lit := 0
	for i := 0; i < len(rgba.Pix); i += 4 {
		if rgba.Pix[i+1] > 0 || rgba.Pix[i+2] > 0 {
			t.Errorf("%s: pixel %d,%d is %d: not pure red", name, i/4%b.Dx(), i/4/b.Dx(), rgba.Pix[i:i+3])
			return
		}
		if rgba.Pix[i] > 0 {
			lit++
		}
	}
	if lit == 0 {
		t.Errorf("%s is all black", name)
	}
}
