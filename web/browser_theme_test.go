package web

import (
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/sky"
	"polard/web/browsertest"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
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
	p.Do(chromedp.KeyEvent(kb.Escape))
	p.Until(scale + " === 1")
}
