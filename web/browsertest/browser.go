// Package browsertest drives the page in a headless Chromium, for the tests of
// the packages that serve it. Nothing of the program imports it. In browser.go tabs, hands
// and eyes; in names.go what a screen reader tells apart.
package browsertest

import (
	"bytes"
	"context"
	"encoding/json"
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

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// Screen is a size at which the page is tried.
type Screen struct {
	Name          string
	Width, Height int64
	Mobile        bool
}

// The screens: a phone held upright, among the smaller ones in use, the same on its
// side, and a small laptop.
var (
	Phone     = Screen{"phone", 360, 740, true}
	Landscape = Screen{"landscape", 740, 360, true}
	Laptop    = Screen{"laptop", 1280, 800, false}
)

// Size makes the page as large as the screen.
func (s Screen) Size() chromedp.Action[chromedp.Void] {
	if s.Mobile {
		return chromedp.EmulateViewport(s.Width, s.Height, chromedp.EmulateMobile, chromedp.EmulateTouch)
	}
	return chromedp.EmulateViewport(s.Width, s.Height)
}

// Patience is how long a test waits for what takes a second on an idle machine:
// a busy one under the race detector takes thirty times that.
const Patience = 2 * time.Minute

// Start runs a headless Chromium with a fresh profile until the test ends.
// Without a Chromium the test is skipped, but never in CI: there a skip would
// pass for a pass.
func Start(t *testing.T) context.Context {
	t.Helper()
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
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path),
		chromedp.UserDataDir(t.TempDir()),
		chromedp.NoSandbox,
		chromedp.DisableGPU,
		chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-sync", true),
		chromedp.Flag("force-prefers-reduced-motion", true), // nothing moves while a picture is taken
	)
	allocator, stopAllocator := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(stopAllocator)
	browser, stop := chromedp.NewContext(allocator)
	t.Cleanup(stop)
	if err := chromedp.Do(browser); err != nil {
		t.Fatalf("Chromium did not start: %v", err)
	}
	return browser
}

// Page is a tab with a storage of its own, as if it were another device.
type Page struct {
	T   *testing.T
	Ctx context.Context
}

// NewPage opens a tab. Every error that the page reports fails the test, above
// all what the content policy refused.
func NewPage(t *testing.T, browser context.Context) *Page {
	t.Helper()
	ctx, stop := chromedp.NewContext(browser, chromedp.WithNewBrowserContext())
	ctx, expire := context.WithTimeout(ctx, 2*Patience)
	t.Cleanup(func() { expire(); stop() })
	p := &Page{t, ctx}
	p.Do()
	err := chromedp.Listen(ctx, func(ev any) {
		switch ev := ev.(type) {
		case *runtime.EventExceptionThrown:
			d := ev.ExceptionDetails
			text := d.Text
			if d.Exception != nil {
				text += " " + d.Exception.Description
			}
			t.Errorf("page threw: %s", text)
		case *log.EventEntryAdded:
			if ev.Entry.Level == log.EntryLevelError && !expected(ev.Entry) {
				t.Errorf("console: %s %s", ev.Entry.Text, ev.Entry.URL)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// expected tells of an error that it is part of the tests: commands that were
// refused, a device whose access was taken, a service that was stopped (while the script of the service worker was fetched, too), a page put to sleep, an icon or a font asked for late, of a
// version gone by. A service that stops closes what has connected and is not answered
// yet: where the page tries again in that moment, its socket ends before the handshake.
func expected(e *log.Entry) bool {
	for _, part := range []string{"ERR_CONNECTION", "ERR_INTERNET_DISCONNECTED", "ERR_EMPTY_RESPONSE", "ERR_SOCKET", "ERR_NETWORK", "HTTP Authentication failed", "closed before receiving a handshake response", "Page entered Back-Forward Cache", "when fetching the script"} {
		if strings.Contains(e.Text, part) {
			return true
		}
	}
	return strings.HasPrefix(e.Text, "Failed to load resource") &&
		(strings.Contains(e.URL, "/api/v1/") || strings.HasSuffix(e.URL, "/icon.svg") || strings.HasSuffix(e.URL, ".woff2"))
}

// Do carries out steps, or fails the test with what the page says.
func (p *Page) Do(steps ...chromedp.Action[chromedp.Void]) {
	p.T.Helper()
	if err := chromedp.Do(p.Ctx, steps...); err != nil {
		p.T.Fatalf("%v\nthe page says:\n%s", err, p.Text())
	}
}

// Eval is the value of a JavaScript expression on the page; a promise is waited for.
func Eval[T any](p *Page, expression string) T {
	p.T.Helper()
	v, err := chromedp.Run(p.Ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		p.T.Fatalf("%s: %v", expression, err)
	}
	return v
}

// Tell sends a command of the DevTools protocol to the tab.
func Tell[P, R any](p *Page, command cdp.Command[P, R], params P) {
	p.T.Helper()
	if _, err := chromedp.Call(p.Ctx, command, params); err != nil {
		p.T.Fatal(err)
	}
}

// Text is all that the page shows.
func (p *Page) Text() string {
	text, err := chromedp.Run(p.Ctx, chromedp.Evaluate[string](`document.body?.innerText ?? ""`))
	if err != nil {
		return err.Error()
	}
	return text
}

// Until waits for a JavaScript expression to become true. The page may be
// loading anew meanwhile.
func (p *Page) Until(expression string) {
	p.T.Helper()
	var err error
	for end := time.Now().Add(Patience); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		var yes bool
		if yes, err = chromedp.Run(p.Ctx, chromedp.Evaluate[bool](expression)); yes {
			return
		}
		if p.Ctx.Err() != nil {
			break
		}
	}
	p.T.Fatalf("never true: %s (%v)\nthe page says:\n%s", expression, err, p.Text())
}

// Says waits until the page shows a text.
func (p *Page) Says(text string) {
	p.T.Helper()
	p.Until(Shows(text))
}

// Shows is the expression for that.
func Shows(text string) string {
	return fmt.Sprintf("document.body.innerText.includes(%q)", text)
}

// reachable is how long a finger tries to bring what it wants from under a bar: a page that moves comes to rest in less.
const reachable = 2 * time.Second

// Click clicks with the mouse or the finger on what a selector finds, where it is
// seen and nothing covers it. Like a finger it hits a place: the page may draw the element anew
// meanwhile.
func (p *Page) Click(selector string) {
	p.T.Helper()
	p.Until(fmt.Sprintf(`(e => e && (e.scrollIntoViewIfNeeded(), true))(document.querySelector(%q))`, selector))
	reach := fmt.Sprintf(`(e => { if (!e) return "drawn anew"; const r = e.getBoundingClientRect(), at = document.elementFromPoint(r.x + r.width / 2, r.y + r.height / 2);
		return at === e || e.contains(at) ? "" : at ? at.outerHTML.slice(0, 120) : "outside"; })(document.querySelector(%q))`, selector)
	over := Eval[string](p, reach)
	// What lies behind a bar is brought to the middle, as a thumb would; the page may still be moving.
	for end := time.Now().Add(reachable); over != ""; over = Eval[string](p, reach) {
		if time.Now().After(end) {
			p.T.Fatalf("%s is covered by %s", selector, over)
		}
		Eval[bool](p, fmt.Sprintf(`(e => e && (e.scrollIntoView({block: "center"}), true))(document.querySelector(%q)) ?? false`, selector))
		time.Sleep(20 * time.Millisecond)
	}
	at := Eval[[2]float64](p, fmt.Sprintf(`(r => [r.x + r.width / 2, r.y + r.height / 2])(document.querySelector(%q).getBoundingClientRect())`, selector))
	p.Do(chromedp.MouseClickXY(at[0], at[1]))
}

// Fill types into a field as a person would, over what is in it.
func (p *Page) Fill(selector, text string) {
	p.T.Helper()
	Eval[bool](p, fmt.Sprintf(`(e => { e.focus(); e.select(); return true; })(document.querySelector(%q))`, selector))
	if text == "" {
		text = "\b"
	}
	p.Do(chromedp.KeyEvent(text))
}

// Theme sets the theme, "day" or "night".
func (p *Page) Theme(theme string) {
	p.T.Helper()
	Eval[bool](p, fmt.Sprintf(`document.documentElement.dataset.theme === %q || (document.getElementById("theme").click(), true)`, theme))
}

// KeepsShots says whether pictures are to be kept: POLARD_SHOTS names a folder.
func KeepsShots() bool { return os.Getenv("POLARD_SHOTS") != "" }

// Shot takes a picture, of the whole page or of what the screen shows, and
// keeps it where POLARD_SHOTS says.
func (p *Page) Shot(name string, full bool) image.Image {
	p.T.Helper()
	take := chromedp.CaptureScreenshot()
	if full {
		take = chromedp.FullScreenshot(100)
	}
	b, err := chromedp.Run(p.Ctx, take)
	if err != nil {
		p.T.Fatal(err)
	}
	if KeepsShots() {
		if err := os.WriteFile(filepath.Join(os.Getenv("POLARD_SHOTS"), name+".png"), b, 0o644); err != nil {
			p.T.Fatal(err)
		}
	}
	img, err := png.Decode(bytes.NewReader(b))
	if err != nil {
		p.T.Fatal(err)
	}
	return img
}

// Inspect looks at the page as it stands, in both themes: nothing sticks out
// sideways, what is to be pressed is large, by night no pixel has any green or blue in it, and axe-core finds
// nothing to mend. Pictures are kept if that is asked for.
func (p *Page) Inspect(name string) {
	p.T.Helper()
	p.NoOverflow(name)
	p.TargetsAreLarge(name)
	p.NamesApart(name)
	p.Theme("day")
	p.NoOverflow(name + " by day") // other words than by night
	if KeepsShots() {
		p.Shot(name+"-day", false)
	}
	p.Accessible(name+" by day", "")
	p.Theme("night")
	if KeepsShots() {
		p.Shot(name+"-night", false)
	}
	p.OnlyRed(name, p.Shot(name+"-night-whole", true))
	p.Accessible(name+" by night", "color-contrast") // all else is the same as by day
}

// leastTarget is how large everything is that one presses, in CSS pixels each way: WCAG
// 2.2, success criterion 2.5.5 (enhanced); fingers are cold and gloved here.
const leastTarget = 44

// TargetsAreLarge fails on what is too small for a cold finger.
func (p *Page) TargetsAreLarge(name string) {
	p.T.Helper()
	small := Eval[[]string](p, fmt.Sprintf(`[...document.querySelectorAll("button, input, select, textarea, summary, a")].filter(e => {
		const r = e.getBoundingClientRect();
		return e.checkVisibility() && (r.height < %[1]d || r.width < %[1]d);
	}).map(e => e.outerHTML.slice(0, 100))`, leastTarget))
	for _, s := range small {
		p.T.Errorf("%s: too small to press: %s", name, s)
	}
}

// NoOverflow fails when the page is wider than the screen.
func (p *Page) NoOverflow(name string) {
	p.T.Helper()
	// Not innerWidth: a phone makes that as wide as what sticks out.
	if overflow := Eval[int](p, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); overflow > 0 {
		p.T.Errorf("%s sticks out sideways by %d px", name, overflow)
	}
}

// OnlyRed fails on the first pixel with green or blue in it.
func (p *Page) OnlyRed(name string, img image.Image) {
	p.T.Helper()
	b := img.Bounds()
	rgba := image.NewRGBA(b)
	draw.Draw(rgba, b, img, b.Min, draw.Src)
	lit := 0
	for i := 0; i < len(rgba.Pix); i += 4 {
		if rgba.Pix[i+1] > 0 || rgba.Pix[i+2] > 0 {
			p.T.Errorf("%s: pixel %d,%d is %d: not pure red", name, i/4%b.Dx(), i/4/b.Dx(), rgba.Pix[i:i+3])
			return
		}
		if rgba.Pix[i] > 0 {
			lit++
		}
	}
	if lit == 0 {
		p.T.Errorf("%s is all black", name)
	}
}

// axe is axe-core, from testdata/axe.
func axe(t *testing.T) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for ; ; dir = filepath.Dir(dir) {
		b, err := os.ReadFile(filepath.Join(dir, "testdata", "axe", "axe.min.js"))
		if err == nil {
			return string(b)
		}
		if dir == filepath.Dir(dir) {
			t.Fatalf("testdata/axe/axe.min.js: %v", err)
		}
	}
}

// Accessible fails on everything that axe-core finds to mend, by all its rules or by one
// alone.
func (p *Page) Accessible(name, rule string) {
	p.T.Helper()
	if !Eval[bool](p, `typeof axe === "object"`) {
		Eval[bool](p, axe(p.T)+"\n;true")
	}
	only := ""
	if rule != "" {
		only = fmt.Sprintf(`runOnly: {type: "rule", values: [%q]}, `, rule)
	}
	found := Eval[string](p, `axe.run(document, {`+only+`resultTypes: ["violations"]}).then(r =>
		JSON.stringify(r.violations.map(v => ({rule: v.id, nodes: v.nodes.slice(0, 3).map(n => n.target.join(" ") + ": " + n.failureSummary)}))))`)
	var violations []struct {
		Rule  string   `json:"rule"`
		Nodes []string `json:"nodes"`
	}
	if err := json.Unmarshal([]byte(found), &violations); err != nil {
		p.T.Fatal(err)
	}
	for _, v := range violations {
		p.T.Errorf("%s: %s\n%s", name, v.Rule, strings.Join(v.Nodes, "\n"))
	}
}

// shiftWatcher collects what the browser reports of parts of the page that jumped without
// a touch or a key right before (Layout Instability, W3C draft: the entries without
// hadRecentInput), with what moved.
const shiftWatcher = `(() => {
	if (window.shifts) return true;
	window.shifts = [];
	const where = r => Math.round(r.x) + "," + Math.round(r.y) + " " + Math.round(r.width) + "x" + Math.round(r.height);
	new PerformanceObserver(list => {
		for (const e of list.getEntries()) if (!e.hadRecentInput) window.shifts.push({value: e.value,
			moved: e.sources.map(s => (s.node?.outerHTML ?? s.node?.textContent ?? "?").slice(0, 90) + ": " + where(s.previousRect) + " -> " + where(s.currentRect)).join("; ")});
	}).observe({type: "layout-shift", buffered: true});
	return true;
})()`

// afterInput is longer than the time after a touch, a key or a change of size in which the
// browser excuses what moves: 500 ms (Layout Instability, W3C draft, hadRecentInput).
const afterInput = 600 * time.Millisecond

// WatchShifts begins to watch for parts of the page that jump, from now on whatever was
// pressed before.
func (p *Page) WatchShifts() {
	p.T.Helper()
	Eval[bool](p, shiftWatcher)
	time.Sleep(afterInput)
}

// HoldsStill fails when anything jumped since WatchShifts, or since the page was loaded.
func (p *Page) HoldsStill(name string) {
	p.T.Helper()
	shifts := Eval[[]struct {
		Value float64 `json:"value"`
		Moved string  `json:"moved"`
	}](p, `window.shifts`)
	total := 0.0
	for _, s := range shifts {
		total += s.Value
	}
	if total > 0 {
		p.T.Errorf("%s: the page jumps, Layout Instability value %.4f:", name, total)
		for _, s := range shifts {
			p.T.Logf("  %.4f: %s", s.Value, s.Moved)
		}
	}
}
