package web

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/sky"
	"polard/web/browsertest"

	"github.com/chromedp/chromedp"
)

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
	state.Rig = &RigState{Name: "Curlew mount", Drive: true}
	publish(t, s, state)
	p.Says("Practice rig")
	// It is put away where the phone is laid on its side, and is back where it is held upright.
	for _, c := range []struct {
		screen browsertest.Screen
		open   bool
	}{{browsertest.Landscape, false}, {browsertest.Laptop, true}, {browsertest.Landscape, false}, {browsertest.Phone, true}} {
		p.Do(c.screen.Size())
		p.Until(fmt.Sprintf(`document.getElementById("rig-body").checkVisibility() === %t`, c.open))
	}
	button := func(name string) {
		t.Helper()
		browsertest.Eval[bool](p, fmt.Sprintf(`([...document.querySelectorAll("#rig button")].find(b => b.firstChild.textContent === %q).click(), true)`, name))
	}
	var want []string
	for _, c := range []struct{ name, told string }{
		{"↻ 30°", "ra -30.0"}, {"↺ 15°", "ra 15.0"}, {"Raise", "altitude 10.00"}, {"Lower", "altitude -10.00"},
		{"West", "azimuth -10.00"}, {"East", "azimuth 10.00"}, {"Drive", "drive false"}, {"Repeat", "repeat true"}, {"Take a frame", "expose"},
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
	p.Until(`(document.querySelector("#rig .label button").click(), document.querySelector("#rig .for-bolts [role=switch][aria-checked=true]") !== null)`)
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
	button("Cloud hides the stars.")
	want = append(want, "fault cloud true")
	waitTold(t, rec, want...)
	button("Someone kicks a leg.")
	waitTold(t, rec, append(want, "fault bump true")...)
}

// A switch keeps its name, and says by its state alone whether it is on (WAI-ARIA Authoring Practices, switch pattern);
// the button of the rig's controls says so whether they show.
func testSwitches(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{Operator: &recorder{}, Rig: &recorder{}})
	finished(t, s)
	state := adjusting(0, time.Minute)
	state.Rig = &RigState{Name: "Curlew mount", Drive: true, Faults: []RigFault{{Name: "cloud", Text: "cloud hides the stars", Lasts: true}}}
	publish(t, s, state)
	p.Do(browsertest.Laptop.Size(), chromedp.Navigate(s.url))
	p.Until(looksFresh)
	const read = `[...document.querySelectorAll("[role=switch], button[aria-expanded]")].map(e => [e.ariaLabel ?? e.textContent, e.ariaChecked ?? e.ariaExpanded])`
	before := browsertest.Eval[[][2]string](p, "window.before = "+read)
	if len(before) != 8 {
		t.Fatalf("%q", before)
	}
	browsertest.Eval[bool](p, `(document.querySelectorAll("[role=switch], button[aria-expanded]").forEach(e => e.click()), true)`)
	state.Rig.Drive, state.Rig.Repeating, state.Rig.Faults[0].On = false, true, true
	publish(t, s, state)
	p.Until(`JSON.stringify(` + read + `) === JSON.stringify(before.map(([name, on]) => [name, String(on === "false")]))`)
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
