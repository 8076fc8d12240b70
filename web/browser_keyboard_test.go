package web

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"polard/mountmodel/sky"
	"polard/web/browsertest"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// behindBars is what has the focus while the buttons that stay at the bottom, or the age on top, cover some of it (WCAG
// 2.2, success criterion 2.4.12).
const behindBars = `(e => {
	if (e === document.body || e.closest("#does, #frame-age, .bar")) return "";
	const at = e.getBoundingClientRect(), does = document.getElementById("does").getBoundingClientRect(), age = document.getElementById("frame-age").getBoundingClientRect();
	const beside = at.left >= does.right || at.right <= does.left || at.height > does.top - age.bottom;
	return !beside && at.bottom > does.top + 1 && at.top < does.bottom || at.top < age.bottom - 1 && at.bottom > age.top ? e.outerHTML.slice(0, 100) : "";
})(document.activeElement)`

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
			if hidden := browsertest.Eval[string](p, behindBars); hidden != "" {
				t.Errorf("%s: what has the focus lies behind a bar: %s", step.key, hidden)
			}
			if !browsertest.Eval[bool](p, `document.activeElement === document.body || (e => { const s = getComputedStyle(e); return s.outlineStyle !== "none" || e.closest(".drawing") !== null; })(document.activeElement)`) {
				t.Errorf("%s: where the focus is cannot be seen: %s", step.key, browsertest.Eval[string](p, `document.activeElement.outerHTML.slice(0, 100)`))
			}
		}
		p.Do(chromedp.KeyEvent("\r"))
	}
	p.Says("Turn the RA axis")
}

// hasFocus tells whether what a selector names has the focus.
func hasFocus(selector string) string {
	return fmt.Sprintf(`document.activeElement === document.querySelector(%q)`, selector)
}

// The whole of the work without a mouse, in every phase: the tab key reaches all that there is to press, in the order of the
// page, and where the focus is can be seen.
func testKeyboardAtWork(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{Operator: &recorder{}})
	finished(t, s)
	p.Do(browsertest.Laptop.Size(), chromedp.Navigate(s.url))
	for _, scene := range scenes() {
		if !slices.Contains([]string{"two", "practice", "within", "done"}, scene.name) {
			continue
		}
		publish(t, s, scene.state)
		p.Until(fmt.Sprintf(`document.body.dataset.phase === %q`, scene.state.Phase))
		browsertest.Eval[bool](p, `(document.activeElement.blur(), true)`)
		const reached = `(e => { if (e === document.body) return "";
			const s = getComputedStyle(e);
			const wrong = e.getClientRects().length === 0 ? "hidden" : s.outlineStyle === "none" && !e.closest(".drawing") ? "no outline" :
				window.last && window.last.isConnected && !(window.last.compareDocumentPosition(e) & Node.DOCUMENT_POSITION_FOLLOWING) ? "out of order" : "";
			window.last = e;
			return wrong ? wrong + ": " + e.outerHTML.slice(0, 100) : "+";
		})(document.activeElement)`
		browsertest.Eval[bool](p, `(window.last = null, window.reached = new Set(), true)`)
		for tabs := 0; ; tabs++ {
			if tabs == 80 {
				t.Fatalf("%s: the tab key comes to no end", scene.name)
			}
			p.Do(chromedp.KeyEvent("\t"))
			got := browsertest.Eval[string](p, reached)
			if got == "" {
				break
			}
			if got != "+" {
				t.Errorf("%s: %s", scene.name, got)
			}
			browsertest.Eval[bool](p, `(window.reached.add(document.activeElement), true)`)
			if hidden := browsertest.Eval[string](p, behindBars); hidden != "" {
				t.Errorf("%s: what has the focus lies behind a bar: %s", scene.name, hidden)
			}
		}
		if missed := browsertest.Eval[string](p, `[...document.querySelectorAll("button, input, select, textarea, a[href], summary")].filter(e => !e.disabled && e.checkVisibility({visibilityProperty: true}) && !window.reached.has(e)).map(e => e.outerHTML.slice(0, 80)).join("; ")`); missed != "" {
			t.Errorf("%s: the tab key does not reach %s", scene.name, missed)
		}
	}
}

// What has the focus may go away with the next frame, or by the press itself: the keyboard then stands where it is of use, and
// what lies over the page is put away by Esc.
func testFocusGoesOn(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec, Equipment: rec})
	finished(t, s)
	focus := func(selector string) {
		t.Helper()
		// What is hidden, or not to be pressed until the next state comes, takes no focus.
		p.Until(fmt.Sprintf(`(e => e?.focus() ?? (e !== null && document.activeElement === e))(document.querySelector(%q))`, selector))
	}
	p.Do(browsertest.Laptop.Size(), chromedp.Navigate(s.url))

	// Whoever has the mount moved has the button that stops it under the next press.
	state := adjusting(0, time.Minute)
	state.Equipment = &EquipmentState{Protocol: "indi", Cameras: []string{"Lapwing C2"}, Mounts: []string{"Bittern"}, Activity: "idle", ExposureS: 2}
	publish(t, s, state)
	focus(`#equipment select[aria-label="Mount"]`)
	state.Equipment.Cameras = append(state.Equipment.Cameras, "Heron C7")
	publish(t, s, state)
	p.Until(`document.querySelectorAll("#equipment option").length === 3`)
	p.Until(hasFocus(`#equipment select[aria-label="Mount"]`))
	state.Equipment.Camera, state.Equipment.Mount = "Heron C7", "Bittern"
	publish(t, s, state)
	focus(".equipment-measure")
	state.Equipment.Activity = "turning"
	publish(t, s, state)
	p.Until(hasFocus(".equipment-stop"))

	// A frame that has gone from the list.
	frames := StateFromView(measuringView(northSite, 2), Around{Latest: latestOf(7, time.Now(), nil)})
	publish(t, s, frames)
	p.Until(`document.body.dataset.phase === "measuring"`)
	browsertest.Eval[bool](p, `(document.querySelector("#list details").open = true)`)
	focus("#list tbody tr:last-child button")
	frames.Frames = frames.Frames[1:]
	publish(t, s, frames)
	p.Until(`document.querySelectorAll("#list tbody tr").length === 1`)
	p.Until(hasFocus("#now"))

	// The question after a bolt, and the practice rig that lies over the page of a phone on its side.
	bolts := StateFromView(readings([2]float64{27, 7}, [2]float64{15, 7}), Around{Latest: latestOf(8, time.Now(), nil)})
	for _, c := range scenes() {
		if c.name == "practice" {
			bolts.Rig = c.state.Rig
		}
	}
	publish(t, s, bolts)
	focus("[data-turns]")
	p.Do(chromedp.KeyEvent(kb.Escape))
	p.Until(`document.querySelector(".bolt-report-question").hidden && ` + hasFocus(`[data-bolt-report="open"]`))
	p.Do(chromedp.EmulateViewport(640, 360, chromedp.EmulateMobile, chromedp.EmulateTouch))
	p.Until(`document.querySelector("#rig").dataset.open === "false"`)
	focus(".rig-toggle")
	p.Do(chromedp.KeyEvent("\r"))
	p.Until(`document.querySelector("#rig").dataset.open === "true"`)
	focus("#rig-body button")
	p.Do(chromedp.KeyEvent(kb.Escape))
	p.Until(`document.querySelector("#rig").dataset.open === "false" && ` + hasFocus(".rig-toggle"))
}
