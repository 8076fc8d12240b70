package web

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
	"polard/web/browsertest"

	"github.com/chromedp/chromedp"
)

// What was typed is kept by the one button, and never thrown away without a word. A
// usual air pressure does not become a typed one by opening the form again.
func testUnsaved(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec})
	publish(t, s, StateFromView(waiting(northSite), Around{}))
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	p.Says("Set the latitude scale")
	p.Click(`.step-extra > .row button`) // another place
	p.Until(`document.querySelector("[name=lat_deg]").value === "47.25" && document.querySelector("[name=pressure_hpa]").value === "" && document.querySelector("[name=temperature_c]").value === ""`)
	p.Fill("[name=lat_deg]", `40°57'28"`)
	p.Says("Keep it, go on")
	for _, leave := range []string{`[data-do="skip"]`, `#setup-open`, `.way-list li:nth-child(3) button`} {
		p.Click(leave)
		p.Says("What you typed is not kept yet.")
		p.Until(`document.querySelector("#now h1").textContent === "Where does the mount stand?"`)
		time.Sleep(50 * time.Millisecond)
		browsertest.Eval[bool](p, `(document.getElementById("toast").hidden = true)`)
	}
	waitTold(t, rec)
	p.Click(`[data-do="done"]`)
	waitTold(t, rec, "site 40.9578 11.5000 840 m, 916.3 hPa, 10.0 C, refracted")
	p.Until(`document.querySelector("[data-do=done]").textContent === "Done, go on"`)
}

// Angles as people write them, read by the page and by the commands: positive north and east.
func testAngles(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	p.Do(chromedp.Navigate(s.url))
	type case_ struct {
		Text  string   `json:"text"`
		Wants *float64 `json:"wants"` // nil: refused
	}
	yes := func(text string, x float64) case_ { return case_{text, &x} }
	cases := []case_{
		yes("40.95", 40.95), yes("40,95", 40.95), yes("-30.2", -30.2), yes("−30,2", -30.2), yes("+7", 7),
		yes("40 57 28 N", 40+57.0/60+28.0/3600), yes(`40°57'28"`, 40+57.0/60+28.0/3600), yes("40° 57′ 28.5″ S", -(40 + 57.0/60 + 28.5/3600)),
		yes("40.9N", 40.9), yes("N40.9", 40.9), yes("S 30 12", -30.2), yes("40:57:28", 40+57.0/60+28.0/3600), yes("30°12'", 30.2), yes("30°", 30), yes("40d57m28s", 40+57.0/60+28.0/3600),
		yes("33 55 31 S", -(33 + 55.0/60 + 31.0/3600)), yes("33:55:31S", -(33 + 55.0/60 + 31.0/3600)), yes("33d55m31s S", -(33 + 55.0/60 + 31.0/3600)), yes("33d S", -33), yes("33 55.5 s", -(33 + 55.5/60)),
		{"forty", nil}, {"40 75 00", nil}, {"-30 S", nil}, {"40 E", nil}, {"N 40 S", nil}, {"4 5 6 7", nil}, {"40.9.1", nil},
		{"33d55m31 S", nil}, {"46.32 13.07", nil}, {"46.32, 13.07", nil}, {"46.32,13.07", nil}, {"46 19.2 13.07", nil}, {"nan", nil}, {"1e2", nil},
	}
	for _, c := range cases {
		text, _ := json.Marshal(c.Text)
		got := browsertest.Eval[*float64](p, fmt.Sprintf(`import("/assets/%s/js/fields.js").then(m => { const n = m.parseAngle(%s, "N", "S"); return Number.isNaN(n) ? null : n; })`, s.assets.version, text))
		switch {
		case (got == nil) != (c.Wants == nil):
			t.Errorf("%q: %v, want %v", c.Text, got, c.Wants)
		case got != nil && math.Abs(*got-*c.Wants) > 1e-9:
			t.Errorf("%q: %v, want %v", c.Text, *got, *c.Wants)
		}
		switch a, ok := sky.ParseAngle(c.Text, "N", "S"); {
		case ok != (c.Wants != nil):
			t.Errorf("%q for a command: %v", c.Text, ok)
		case ok && math.Abs(a.Degrees()-*c.Wants) > 1e-9:
			t.Errorf("%q for a command: %v, want %v", c.Text, a.Degrees(), *c.Wants)
		}
	}
}

// A device whose access is taken away is told so at once, and how it comes back; the link that
// it is given then pairs it again.
func testTakenAway(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{Forwarded: true}) // so that this machine's browser is a stranger too
	finished(t, s)
	publish(t, s, adjusting(0, time.Minute))
	sum := strings.Repeat("0F", 32)
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url+"pair#"+s.Invite(RightOperate)+"."+sum))
	// The certificate is the machine's own: the person compares before anything is sent.
	p.Until(`document.querySelector(".fingerprint")?.innerText.startsWith("0F:0F:0F:0F:0F:0F:0F:0F")`)
	p.NoOverflow("fingerprint")
	p.TargetsAreLarge("fingerprint")
	if browsertest.Eval[string](p, `location.pathname + location.hash`) != "/pair" {
		t.Error("the code stays in the address")
	}
	p.Click("#pair button.strong")
	p.Until(looksFresh)
	if n, err := s.pairing.revoke(0); n != 1 || err != nil {
		t.Fatal(n, err)
	}
	p.Says("This device is no longer paired")
	p.Says("polard serve --pair")
	p.Until(`document.querySelector("#now h1").textContent === "This device is no longer paired"`)
	p.Until(`!document.querySelector("#does button") && document.querySelector(".command").getClientRects().length === 1`) // nothing is offered that cannot be done
	// It tries again, lest it was paired meanwhile, and says no other than that all the while.
	browsertest.Eval[bool](p, `(globalThis.other = "", globalThis.tries = 0, WebSocket = class extends WebSocket { constructor(u) { super(u); tries++; } }, new MutationObserver(() => { const h = document.querySelector("#now h1").textContent; if (h !== "This device is no longer paired") other += h; })
		.observe(document.getElementById("now"), {childList: true, subtree: true, characterData: true}), true)`)
	p.Inspect("unpaired-phone")
	p.Do(browsertest.Landscape.Size())
	p.Inspect("unpaired-landscape")
	p.Until(`tries >= 2`)
	if other := browsertest.Eval[string](p, `other`); other != "" {
		t.Errorf("while it tries again the page says %q", other)
	}
	p.Do(browsertest.Phone.Size())
	p.Do(chromedp.Navigate(s.url + "pair"))
	p.Says("Pair this device")
	p.Do(chromedp.Navigate("about:blank"), chromedp.Navigate(s.url+"pair#"+s.Invite(RightView)))
	p.Until(looksFresh)
}

// A frame is left out at a press, the page says what that did, and takes it back.
func testFrameLeftOut(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec})
	finished(t, s)
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	state := adjusting(0, time.Minute)
	publish(t, s, state)
	p.Until(looksFresh)
	p.Until(`document.querySelector("#list details") !== null`)
	browsertest.Eval[bool](p, `(document.querySelector("#list details").open = true)`)
	p.Click(`#list td button[data-file="pole_0002.fits"]`)
	out := "frame pole_0002.fits " + state.Frames[1].Mid + " false"
	waitTold(t, rec, out)
	state.Frames[1].Status = "left out"
	state.Choice = &Choice{File: "pole_0002.fits", Mid: state.Frames[1].Mid, WasArcmin: 12.5, IsArcmin: 11.2}
	publish(t, s, state)
	p.Says("Without frame 2, ")
	p.Says("11.2′ from the pole, before that 12.5′.")
	p.Says("left out by you")
	p.Inspect("frame-left-out")
	p.Click(`.chosen button`)
	waitTold(t, rec, out, "frame pole_0002.fits "+state.Frames[1].Mid+" true")
}

// What has the focus keeps it while states come.
func testFocusStays(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	finished(t, s)
	p.Do(browsertest.Laptop.Size(), chromedp.Navigate(s.url))
	frame := func(id int64) {
		publish(t, s, StateFromView(viewOf(northSite, mountmodel.Adjusting, sky.Angle(20-id)*sky.Arcminute, 0), Around{Latest: latestOf(id, time.Now(), nil)}))
		p.Until(fmt.Sprintf(`document.querySelector(".picture-file").textContent === "pole_%04d.fits"`, id))
	}
	frame(1)
	for i, focus := range []string{"#list .scroll", "#list summary", ".choice button:last-child", "#does button"} {
		browsertest.Eval[bool](p, fmt.Sprintf(`(document.querySelector(%q).focus(), true)`, focus))
		frame(int64(2 + i))
		if !browsertest.Eval[bool](p, fmt.Sprintf(`document.activeElement === document.querySelector(%q)`, focus)) {
			t.Errorf("%s lost the focus", focus)
		}
	}
	// What tells a turn has the focus when it is opened by hand, and gives it back.
	at := func(what, want string) {
		t.Helper()
		if got := browsertest.Eval[string](p, `document.activeElement.dataset.boltReport ?? document.activeElement.dataset.turns ?? document.activeElement.id`); got != want {
			t.Errorf("%s: the focus is on %q, want %q", what, got, want)
		}
	}
	press := func(button string) {
		browsertest.Eval[bool](p, fmt.Sprintf(`(b => (b.focus(), b.click(), true))(document.querySelector(%q))`, button))
	}
	press(`[data-bolt-report="open"]`)
	at("opened", "0.125")
	press(`[data-bolt-report="later"]`)
	at("put off", "open")
	// Where its button or bolt is gone it is on what to do now, never on another button.
	for i, focus := range []string{"#does button", ".choice button"} {
		browsertest.Eval[bool](p, fmt.Sprintf(`(document.querySelector(%q).focus(), true)`, focus))
		done := StateFromView(viewOf(northSite, mountmodel.Done, 0, 0), Around{Latest: latestOf(int64(10+2*i), time.Now(), nil)})
		publish(t, s, done)
		p.Until(`document.body.dataset.phase === "done"`)
		at(focus, "now")
		frame(int64(11 + 2*i))
	}
	// New frames come above the one whose button has the focus: the focus stays with that frame.
	state := adjusting(0, time.Minute)
	publish(t, s, state)
	browsertest.Eval[bool](p, `(document.querySelector("#list details").open = true)`)
	const button = `#list td button[data-file="pole_0002.fits"]`
	p.Until(fmt.Sprintf(`document.querySelector(%q) !== null`, button))
	browsertest.Eval[bool](p, fmt.Sprintf(`(document.querySelector(%q).focus(), true)`, button))
	for n := range 3 {
		file := fmt.Sprintf("new_%d.fits", n)
		state.Frames = append(state.Frames, Frame{Number: len(state.Frames) + 1, File: file, Mid: UTC(time.Now()), Status: "adjusts"})
		publish(t, s, state)
		p.Until(fmt.Sprintf(`document.querySelector("#list tbody tr").dataset.id.startsWith(%q)`, file))
		if !browsertest.Eval[bool](p, fmt.Sprintf(`document.activeElement === document.querySelector(%q)`, button)) {
			t.Fatalf("after %d new frames the focus is on %q", n+1, browsertest.Eval[string](p, `document.activeElement.outerHTML`))
		}
	}
	state.Frames = state.Frames[1:]
	publish(t, s, state)
	p.Until(fmt.Sprintf(`document.querySelectorAll("#list tbody tr").length === %d`, len(state.Frames)))
	if !browsertest.Eval[bool](p, fmt.Sprintf(`document.activeElement === document.querySelector(%q)`, button)) {
		t.Error("a frame that left the list took the focus along")
	}
}

// The marks are those of the picture shown: a new frame's come with its picture.
func testMarksOfThePicture(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	finished(t, s)
	p.Do(browsertest.Laptop.Size(), chromedp.Navigate(s.url))
	show := func(id int64) {
		_, stars := starField(id)
		publish(t, s, StateFromView(viewOf(northSite, mountmodel.Adjusting, 20*sky.Arcminute, 0), Around{Latest: latestOf(id, time.Now(), stars)}))
		p.Until(fmt.Sprintf(`document.querySelector(".picture-file").textContent === "pole_%04d.fits"`, id))
	}
	marks := func() string {
		return browsertest.Eval[string](p, `[...document.querySelectorAll(".marks path")].map(e => e.getAttribute("d")).join()`)
	}
	pic, _ := starField(1)
	if err := s.PublishPreview(pic); err != nil {
		t.Fatal(err)
	}
	show(1)
	p.Until(`document.querySelectorAll(".marks path").length > 10 && document.querySelector(".picture img").src.includes("frame=1")`)
	first := marks()
	show(2) // its picture is still to come
	if marks() != first {
		t.Error("the marks of the new frame are drawn on the old picture")
	}
	pic, _ = starField(2)
	if err := s.PublishPreview(pic); err != nil {
		t.Fatal(err)
	}
	p.Until(`document.querySelector(".picture img").src.includes("frame=2") && document.querySelector(".picture img").complete`)
	p.Until(fmt.Sprintf(`[...document.querySelectorAll(".marks path")].map(e => e.getAttribute("d")).join() !== %q`, first))
}

// While a bolt is turned its number and its rule are both in sight above the buttons, on the
// phones in common use, upright and on their side; the number is at least 96 px high.
func testInSight(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	finished(t, s)
	for _, size := range [][2]int64{{360, 640}, {390, 844}, {740, 360}} {
		p.Do(chromedp.EmulateViewport(size[0], size[1], chromedp.EmulateMobile, chromedp.EmulateTouch), chromedp.Navigate(s.url))
		for _, off := range [][2]sky.Angle{{27.2 * sky.Arcminute, 0}, {0, -7 * sky.Arcminute}} {
			publish(t, s, StateFromView(viewOf(northSite, mountmodel.Adjusting, off[0], off[1]), Around{Latest: latestOf(1, time.Now(), nil)}))
			bolt := "azimuth"
			if off[0] == 0 {
				bolt = "altitude"
			}
			p.Until(fmt.Sprintf(`document.querySelector(".now-card.%s .rule") !== null && !document.querySelector(".old")`, bolt))
			p.Until(`(() => { const does = document.querySelector("#does").getBoundingClientRect(), landscape = innerWidth > innerHeight;
				const end = landscape ? innerHeight : does.top;
				return [".now-card .figure", ".now-card .rule-body"].every(q => { const r = document.querySelector(q).getBoundingClientRect(); return r.top >= 0 && r.bottom <= end + 1; })
					&& parseFloat(getComputedStyle(document.querySelector(".now-card .figure")).fontSize) >= 96; })()`)
		}
		// So is the question whether the tripod was bumped, beside the frame that shows it.
		bumped := readings([2]float64{27.2, 7}, [2]float64{15, 9})
		bumped.Warnings = []axis.Warning{{Code: axis.WarnMountMoved, Frame: "a", Message: "the mount moved"}}
		publish(t, s, StateFromView(bumped, Around{Latest: latestOf(1, time.Now(), nil)}))
		p.Until(`(e => e && e.textContent === "Was the tripod bumped?" && e.getBoundingClientRect().bottom <= (innerWidth > innerHeight ? innerHeight : document.querySelector("#does").getBoundingClientRect().top))(document.querySelector(".now-card .hand.wrong"))`)
	}
}
