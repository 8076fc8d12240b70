package web

import (
	"fmt"
	"testing"
	"time"

	"polard/web/browsertest"

	"github.com/chromedp/chromedp"
)

// holdsInLanguage looks at what longer words would move: on a phone on its side nothing jumps
// from state to state, nor the bar between set-up and frames; and beside the open controls of
// the practice rig the number is whole in sight, and what is to be pressed next.
func holdsInLanguage(t *testing.T, p *browsertest.Page, s *running, language string) {
	t.Helper()
	states := map[string]State{}
	for _, scene := range scenes() {
		states[scene.name] = scene.state
	}
	searching := states["two"] // the longest note beside the age
	searching.Reading = &Reading{Stage: StageSearching, SinceMs: time.Now().Add(-75 * time.Second).UnixMilli(), Waiting: 12}
	states["searching"] = searching
	file := int64(100)
	show := func(name string, rig *RigState) {
		t.Helper()
		state := states[name]
		state.Rig = rig
		file++
		state.Latest = latestOf(file, time.Now(), nil)
		publish(t, s, state)
		p.Until(fmt.Sprintf(`document.body.dataset.phase === %q && document.querySelector(".picture-file").textContent === %q && !document.querySelector(".old")`, state.Phase, state.Latest.File))
		drawn(p)
	}
	size := func(width, height int64) {
		p.Do(chromedp.EmulateViewport(width, height, chromedp.EmulateMobile, chromedp.EmulateTouch))
	}
	size(640, 360)
	still := func(name string, scenes ...string) {
		t.Helper()
		show(scenes[0], nil)
		p.Do(chromedp.Reload())
		show(scenes[0], nil)
		p.WatchShifts()
		for _, scene := range scenes[1:] {
			show(scene, nil)
		}
		p.HoldsStill(language + name)
	}
	still(" on its side", "one", "searching", "two", "adjusting", "near", "within", "done")
	if language == "en" { // what comes with later frames stands below the form that is being filled in
		p.Do(browsertest.Laptop.Size())
		still(" on a laptop", "done", "watching")
		size(640, 360)
	}
	const bar = `JSON.stringify([...document.querySelectorAll(".bar button")].map(b => (r => [r.x, r.y, r.width].map(Math.round))(b.getBoundingClientRect())))`
	before := browsertest.Eval[string](p, bar)
	p.Click("#setup-open")
	if after := browsertest.Eval[string](p, bar); after != before {
		t.Errorf("%s: from the frames to the set-up the bar goes from %s to %s", language, before, after)
	}
	p.Click("#setup-open")
	for _, screen := range [][2]int64{{360, 640}, {390, 844}, {640, 360}} {
		size(screen[0], screen[1])
		for _, name := range []string{"adjusting", "near", "within"} {
			show(name, states["practice"].Rig)
			browsertest.Eval[bool](p, `(document.querySelector('#rig[data-open="false"] .rig-toggle')?.click(), scrollTo(0, 0), true)`)
			if out := browsertest.Eval[string](p, numberCovered); out != "" {
				t.Errorf("%s, %s on %dx%d: the open rig covers the number: %s", language, name, screen[0], screen[1], out)
			}
			if name == "within" && !browsertest.Eval[bool](p, `(e => { const r = e.getBoundingClientRect();
				return e.contains(document.elementFromPoint(r.x + r.width / 2, r.bottom - 2)); })(document.querySelector("#does .strong"))`) {
				t.Errorf("%s on %dx%d: under the open rig the button that comes next is out of sight", language, screen[0], screen[1])
			}
			p.NoOverflow(fmt.Sprintf("%s, rig on %dx%d", language, screen[0], screen[1]))
		}
	}
}

// numberCovered tells what lies over the number's corners, or that they are out of sight.
const numberCovered = `(r => [[r.left + 2, r.top + 2], [r.right - 2, r.top + 2], [r.left + 2, r.top + r.height - 4], [r.right - 2, r.top + r.height - 4]].filter(([x, y]) => {
	const at = document.elementFromPoint(x, y);
	return !at?.closest("#now");
}).map(([x, y]) => Math.round(x) + "," + Math.round(y) + " " + (document.elementFromPoint(x, y)?.id ?? "out of sight")).join("; "))(
	(e => { const range = document.createRange(); range.selectNodeContents(e.firstChild); return range.getBoundingClientRect(); })(document.querySelector("#now .figure")))`

// drawn waits until the browser has drawn what changed.
func drawn(p *browsertest.Page) {
	p.T.Helper()
	browsertest.Eval[bool](p, `new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(true))))`)
}
