package overview

import (
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"polard/web"
	"polard/web/browsertest"
	"polard/web/mqtt"

	"github.com/chromedp/chromedp"
)

// The overview on a phone, on its side and on a laptop: piers that need somebody come first,
// old numbers are struck through, nothing sticks out, and axe-core finds nothing to mend.
func TestOverviewPage(t *testing.T) {
	if testing.Short() {
		t.Skip("browser tests take long")
	}
	s := NewStore(nil)
	s.Connected(true)
	now := time.Now()
	nights := func(first, last float64) (out []web.WatchedNight) {
		for i := range 6 {
			out = append(out, night(1+i, first+(last-first)*float64(i)/5))
		}
		return out
	}
	tell := func(name string, online bool, p mqtt.Pier) {
		s.HeardState(name, p)
		s.HeardStatus(name, mqtt.Status{Online: online})
	}
	fresh, old := now.UnixMilli(), now.Add(-time.Hour).UnixMilli()
	within := mqtt.Pier{Phase: "watching", Do: "Watching: the axis is within 1' of the pole.", Within: true, ToleranceArcmin: 1, LastFrameMs: fresh, LastSolved: true,
		Offset: &web.Offset{TotalArcmin: 0.4}, Uncertainty: &web.Uncertainty{AltArcsec: 4, AzArcsec: 6}, Nights: nights(0.3, 0.4)}
	outside := within
	outside.Within, outside.Offset, outside.Nights = false, &web.Offset{TotalArcmin: 12.3}, nights(9, 12.3)
	stale := within
	stale.LastFrameMs = old
	alarmed := outside
	alarmed.Alarms = []web.Alarm{{Code: "axis_moved", Message: "The axis has moved by 11.4' since the night before.", SinceUTC: "2026-03-14T20:00:00Z"}}
	tell("west-dome-with-a-rather-long-name", true, within)
	tell("east-dome", true, outside)
	tell("meadow", true, stale)
	tell("ridge", true, alarmed)
	tell("barn", false, within)

	addr := serveAt(t, s)
	browser := browsertest.Start(t)
	p := browsertest.NewPage(t, browser)
	for _, screen := range []browsertest.Screen{browsertest.Phone, browsertest.Landscape, browsertest.Laptop, {Name: "narrowest", Width: 320, Height: 568, Mobile: true}} {
		p.Do(screen.Size(), chromedp.Navigate(addr))
		p.Says("5 piers: 1 with an alarm, 1 not running, 2 outside the tolerance")
		if order := browsertest.Eval[[]string](p, `[...document.querySelectorAll("#rows tr")].map(r => r.cells[0].innerText)`); order[0] != "ridge" || order[1] != "barn" || order[2] != "east-dome" {
			t.Errorf("%s: in the order %q", screen.Name, order)
		}
		if struck := browsertest.Eval[string](p, `[...document.querySelectorAll("tr[data-stale]")].map(r => r.cells[0].innerText).join()`); struck != "meadow" {
			t.Errorf("%s: old are %q", screen.Name, struck)
		}
		for _, look := range []string{"day", "night"} {
			browsertest.Eval[bool](p, `(document.documentElement.dataset.theme = "`+look+`", true)`)
			p.NoOverflow(screen.Name)
			p.TargetsAreLarge(screen.Name)
			img := p.Shot("overview-"+screen.Name+"-"+look, true)
			if look == "night" {
				p.OnlyRed(screen.Name, img)
			}
			p.Accessible(screen.Name+" by "+look, "")
		}
	}
	// In every language nothing sticks out on the narrowest phones, and no English is left.
	p.Do(browsertest.Screen{Width: 320, Height: 568, Mobile: true}.Size())
	english := regexp.MustCompile(`(?i)\b(the|and|with|from|frame|pier|ago|running|tolerance)\b`)
	codes := browsertest.Eval[[]string](p, `import("/overview-words.js").then(m => m.covered)`)
	for _, code := range codes {
		browsertest.Eval[bool](p, fmt.Sprintf(`(localStorage.setItem("language", %q), true)`, code))
		p.Do(chromedp.Reload())
		p.Until(fmt.Sprintf(`document.documentElement.lang.startsWith(%q) && document.querySelectorAll("#rows tr").length === 5`, code))
		p.NoOverflow(code)
		text := browsertest.Eval[string](p, `document.body.innerText`)
		for _, name := range []string{"west-dome-with-a-rather-long-name", "east-dome", "meadow", "ridge", "barn"} {
			text = strings.ReplaceAll(text, name, "")
		}
		if found := english.FindString(text); code != "en" && found != "" {
			t.Errorf("%s: English is left (%q):\n%s", code, found, text)
		}
	}
	if len(codes) != 7 {
		t.Errorf("languages %q", codes)
	}
	browsertest.Eval[bool](p, `(localStorage.removeItem("language"), true)`)
	p.Do(chromedp.Reload())
	// What changes comes by itself.
	s.HeardStatus("barn", mqtt.Status{Online: true})
	p.Says("5 piers: 1 with an alarm, 2 outside the tolerance")
	s.Connected(false)
	s.HeardStatus("barn", mqtt.Status{Online: false})
	p.Says("The broker cannot be heard")
}
