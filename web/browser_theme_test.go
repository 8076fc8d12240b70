package web

import (
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/sky"
	"polard/web/browsertest"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
)

// The theme is remembered, and is there before the first paint.
func testTheme(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	publish(t, s, adjusting(0, time.Minute))
	p.Do(chromedp.Navigate(s.url))
	for _, look := range []string{"night", "day", "night"} {
		p.Theme(look)
		p.Do(chromedp.Reload())
		if got := browsertest.Eval[string](p, `document.documentElement.dataset.theme`); got != look {
			t.Errorf("after a reload the theme is %s, want %s", got, look)
		}
	}
	if got := browsertest.Eval[string](p, `getComputedStyle(document.documentElement).backgroundColor`); got != "rgb(0, 0, 0)" {
		t.Errorf("night is %s", got)
	}
	if !browsertest.Eval[bool](p, `document.querySelector("script").src.endsWith("/js/theme.js") && !document.querySelector("script").type`) {
		t.Error("the theme is not set before the first paint")
	}
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
