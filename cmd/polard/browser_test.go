package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"

	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// TestBrowser drives the page in a headless Chromium with a fresh profile.
// Without a Chromium it is skipped, but never in CI: there a skip would pass
// for a pass.
func TestBrowser(t *testing.T) {
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
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path),
		chromedp.UserDataDir(t.TempDir()),
		chromedp.NoSandbox,
		chromedp.DisableGPU,
		chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-sync", true),
		chromedp.Flag("force-prefers-reduced-motion", true), // nothing moves while it is clicked
	)
	allocator, stopAllocator := chromedp.NewExecAllocator(context.Background(), options...)
	defer stopAllocator()
	browser, stop := chromedp.NewContext(allocator)
	defer stop()
	if err := chromedp.Do(browser); err != nil {
		t.Fatalf("Chromium did not start: %v", err)
	}
	for _, part := range []struct {
		name string
		test func(*testing.T, *pageDriver)
	}{
		{"rehearsal in the north on a laptop", func(t *testing.T, p *pageDriver) {
			notUnderRace(t) // the one on the phone goes through the same goroutines
			p.do(chromedp.EmulateViewport(1280, 800))
			rehearseByPage(t, p, rehearsal.Quillmere(time.Now()))
		}},
		// A worn rig in the south, its frames taken one by one.
		{"rehearsal in the south on a phone", func(t *testing.T, p *pageDriver) {
			p.do(chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile, chromedp.EmulateTouch))
			p.single = true
			rehearseByPage(t, p, rehearsal.Worn(rehearsal.Karrabine(time.Now())))
		}},
		{"numbers of a folder", serveByPage},
	} {
		t.Run(part.name, func(t *testing.T) { part.test(t, newPageDriver(t, browser)) })
	}
}

// pageDriver does what a person does who sees nothing but the page.
type pageDriver struct {
	t       *testing.T
	ctx     context.Context
	touched time.Time // when something was last turned
	single  bool      // frames are asked for one by one, not repeated
}

func newPageDriver(t *testing.T, browser context.Context) *pageDriver {
	t.Helper()
	ctx, stop := chromedp.NewContext(browser, chromedp.WithNewBrowserContext())
	ctx, expire := context.WithTimeout(ctx, 2*testPatience)
	t.Cleanup(func() { expire(); stop() })
	p := &pageDriver{t: t, ctx: ctx}
	p.do()
	err := chromedp.Listen(ctx, func(ev any) {
		if e, ok := ev.(*runtime.EventExceptionThrown); ok {
			t.Errorf("page threw: %s", e.ExceptionDetails.Text)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func (p *pageDriver) do(steps ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	if err := chromedp.Do(p.ctx, steps...); err != nil {
		p.t.Fatalf("%v\nthe page says:\n%s", err, p.text())
	}
}

func (p *pageDriver) text() string {
	text, err := chromedp.Run(p.ctx, chromedp.Evaluate[string](`document.body.innerText`))
	if err != nil {
		return err.Error()
	}
	return text
}

// click clicks with the mouse or the finger on what a selector finds.
func (p *pageDriver) click(selector string) {
	p.t.Helper()
	p.do(chromedp.Click(chromedp.CSS(selector)))
}

// clickBehindRig clicks on what the rig's panel may cover on a phone: it is put
// away meanwhile.
func (p *pageDriver) clickBehindRig(selector string) {
	p.t.Helper()
	sheet, err := chromedp.Run(p.ctx, chromedp.Evaluate[bool](`document.querySelector("#rig .rig-toggle").checkVisibility()`))
	if err != nil {
		p.t.Fatal(err)
	}
	if sheet {
		p.click("#rig .rig-toggle")
		defer p.click("#rig .rig-toggle")
	}
	p.click(selector)
}

// view is what a person reads off the page.
type view struct {
	Head    string     `json:"head"`
	Bolts   []boltCard `json:"bolts"`
	Buttons []string   `json:"buttons"` // what the page offers; "!" before the likely one
	File    string     `json:"file"`    // the frame just read
	Fresh   bool       `json:"fresh"`
	Text    string     `json:"text"`
}

type boltCard struct {
	Bolt   string `json:"bolt"`
	Order  string `json:"order"`
	Amount string `json:"amount"`
}

const readView = `JSON.stringify({
	head: document.querySelector("#now h1")?.innerText ?? "",
	bolts: [...document.querySelectorAll("#now .bolt-card")].map(c => ({
		bolt: c.classList.contains("altitude") ? "altitude" : "azimuth",
		order: c.querySelector(".head").innerText,
		amount: c.querySelector(".figure").innerText})),
	buttons: [...document.querySelectorAll("#does button")].map(b => (b.classList.contains("strong") ? "!" : "") + b.innerText),
	file: document.querySelector(".picture-file")?.innerText ?? "",
	fresh: document.documentElement.dataset.stale === "false" && document.getElementById("pulse").dataset.state === "fresh",
	text: document.body.innerText})`

func (p *pageDriver) look() view {
	p.t.Helper()
	s, err := chromedp.Run(p.ctx, chromedp.Evaluate[string](readView))
	if err != nil {
		p.t.Fatal(err)
	}
	var v view
	if err := json.Unmarshal([]byte(s), &v); err != nil {
		p.t.Fatal(err)
	}
	return v
}

// rehearsedFrame is the beginning of the name of a rehearsed frame: the start
// of its exposure.
const rehearsedFrame = "20060102T150405.000"

// frame waits for the numbers of a frame begun after the rig was last touched.
func (p *pageDriver) frame() view {
	p.t.Helper()
	if p.single {
		p.rigButton("Take a frame")
	}
	var v view
	eventually(p.t, "a new frame", func() (bool, string) {
		v = p.look()
		begun, err := time.Parse(rehearsedFrame, strings.SplitN(v.File, "_", 2)[0])
		return err == nil && begun.After(p.touched) && v.Fresh, v.Text
	})
	return v
}

// rigButton clicks a button of the practice rig by its name.
func (p *pageDriver) rigButton(name string) {
	p.t.Helper()
	mark := fmt.Sprintf(`(b => { document.querySelectorAll("#rig [data-test]").forEach(o => delete o.dataset.test); if (b) b.dataset.test = "this"; return Boolean(b); })(
		[...document.querySelectorAll("#rig button")].find(b => b.firstChild.textContent === %q))`, name)
	eventually(p.t, "the rig's button "+name, func() (bool, string) {
		found, err := chromedp.Run(p.ctx, chromedp.Evaluate[bool](mark))
		return err == nil && found, p.text()
	})
	p.click(`#rig [data-test]`)
	eventually(p.t, "the rig to turn", func() (bool, string) {
		idle, err := chromedp.Run(p.ctx, chromedp.Evaluate[bool](`!document.querySelector("#rig [aria-busy]")`))
		return err == nil && idle, fmt.Sprint(err)
	})
	if name != "Take a frame" {
		p.touched = time.Now()
	}
}

var degrees = regexp.MustCompile(`(\d+)°`)

// turnRA turns the axis by about as much as the page asks for, the way given.
func (p *pageDriver) turnRA(asked string, sign string) {
	p.t.Helper()
	m := degrees.FindStringSubmatch(asked)
	if m == nil {
		p.t.Fatalf("the page does not say how far to turn: %q", asked)
	}
	n, err := strconv.Atoi(m[1])
	if err != nil {
		p.t.Fatal(err)
	}
	for n >= 23 {
		p.rigButton(sign + "30°")
		n -= 30
	}
	if n >= 8 {
		p.rigButton(sign + "15°")
	}
}

// boltSteps are the steps of the rig's bolts in arcseconds, by the names of
// their buttons.
var boltSteps = []struct {
	name   string
	arcsec int
}{{"1.00°", 3600}, {"10.0′", 600}, {"1.0′", 60}, {"10″", 10}}

// turnBolt does what a card of the page orders. A bolt that is to be left
// alone is.
func (p *pageDriver) turnBolt(c boltCard) {
	p.t.Helper()
	button, ok := map[string]string{
		"Raise the axis": "Raise", "Lower the axis": "Lower",
		"Turn the mount east": "East", "Turn the mount west": "West",
	}[c.Order]
	if !ok {
		return
	}
	left := int(math.Round(arcsecOf(p.t, c.Amount)))
	for _, step := range boltSteps {
		if left < step.arcsec {
			continue
		}
		p.rigButton(step.name)
		for ; left >= step.arcsec; left -= step.arcsec {
			p.rigButton(button)
		}
	}
}

// arcsecOf reads an angle off the page.
func arcsecOf(t *testing.T, s string) float64 {
	t.Helper()
	s = strings.Fields(s)[0]
	for unit, arcsec := range map[string]float64{"″": 1, "′": 60, "°": 3600} {
		if digits, ok := strings.CutSuffix(s, unit); ok {
			v, err := strconv.ParseFloat(digits, 64)
			if err != nil {
				t.Fatal(err)
			}
			return v * arcsec
		}
	}
	t.Fatalf("%q is no angle", s)
	return 0
}

// quick makes a rig's exposures short and its aperture larger, so that its
// frames show the same stars.
func quick(c rehearsal.Config) rehearsal.Config {
	const shorter = 8
	c.Exposure /= shorter
	c.Camera.ApertureMm *= math.Sqrt(shorter)
	return c
}

// longRest lets a busy machine keep up with the frames under the race detector.
// It costs no time: a turn of the rig ends the rest.
const longRest = 5 * time.Second

// mostRounds is how often the bolts may be turned: a good mount is right after
// two rounds; play and crosstalk cost one or two more.
const mostRounds = 6

// rehearseByPage goes through a whole rehearsal by what the page says and by
// its buttons alone, and compares the end with how the rig really stands.
func rehearseByPage(t *testing.T, p *pageDriver, config rehearsal.Config) {
	var rig *rehearsal.Rig
	folder := t.TempDir()
	made := make(chan struct{})
	r := startWith(t, func(ctx context.Context, r *running) int {
		defer func() {
			if rig == nil {
				close(made)
			}
		}()
		s, simulated, err := rehearsed{
			config: quick(config), page: pageFlags{addr: "127.0.0.1:0", tolerance: 1}, log: newLogger(&r.stderr),
			station: rehearsal.StationOptions{Folder: folder, Rest: longRest, Settle: 150 * time.Millisecond},
			ready:   func(url string) { fmt.Fprintln(&r.stdout, url) },
		}.service(t.Context())
		if err != nil {
			fmt.Fprintln(&r.stderr, err)
			return exitNot
		}
		rig = simulated
		close(made)
		if err := s.run(ctx); err != nil {
			fmt.Fprintln(&r.stderr, err)
			return exitNot
		}
		return exitDone
	})
	<-made
	before := rig.Truth(time.Now()).Offset
	t.Logf("the axis starts %s from the pole", mountmodel.AngleWords(before.Total))
	p.do(chromedp.Navigate(r.url))

	if p.single {
		p.rigButton("Repeating")
	}

	// Measure: turn as told until the page speaks of bolts.
	v := p.frame()
	turns := 0
	for ; len(v.Bolts) == 0 && turns < mostRounds; turns++ {
		t.Logf("the page says: %s", v.Head)
		p.turnRA(v.Head, "+")
		v = p.frame()
	}
	if len(v.Bolts) != 2 {
		t.Fatalf("no measurement after %d turns; the page says:\n%s", turns, v.Text)
	}
	if turns < 2 {
		t.Errorf("measured after %d turns: two frames leave nothing that tests the model", turns)
	}

	// Turn both bolts until the page is content.
	rounds := 0
	for ; !slices.Contains(v.Buttons, "!Both are locked") && rounds < mostRounds; rounds++ {
		for _, c := range v.Bolts {
			t.Logf("the page says: %s by %s", c.Order, c.Amount)
			p.turnBolt(c)
		}
		v = p.frame()
	}
	if !slices.Contains(v.Buttons, "!Both are locked") {
		t.Fatalf("not near the pole after %d rounds; the page says:\n%s", rounds, v.Text)
	}
	if !strings.Contains(v.Head, "Lock both bolts") {
		t.Errorf("the page says %q", v.Head)
	}

	// Lock, and confirm with a second measurement, turning back.
	p.clickBehindRig("#does button.strong")
	eventually(t, "the second measurement", func() (bool, string) {
		v = p.look()
		return slices.Contains(v.Buttons, "Back to the bolts"), v.Text
	})
	p.touched = time.Now()
	v = p.frame()
	for turns = 0; strings.Contains(v.Head, "The bolts are locked"); turns++ {
		if turns == mostRounds {
			t.Fatalf("not confirmed after %d turns; the page says:\n%s", turns, v.Text)
		}
		t.Logf("the page says: %s", v.Head)
		p.turnRA(v.Head, "−")
		v = p.frame()
	}
	t.Logf("the page says: %s", v.Head)
	if v.Head != "Done" {
		t.Errorf("the page says %q, want Done:\n%s", v.Head, v.Text)
	}

	// The page's number and the truth, both under an arcminute and the same.
	after := rig.Truth(time.Now()).Offset
	s := r.state(t)
	shown := sky.Angle(s.Now.Offset.TotalArcmin) * sky.Arcminute
	t.Logf("%d rounds of bolts; the axis ends %s from the pole, %s by the page", rounds, mountmodel.AngleWords(after.Total), mountmodel.AngleWords(shown))
	if after.Total >= sky.Arcminute || shown >= sky.Arcminute || before.Total < 10*sky.Arcminute {
		t.Errorf("from %s the axis came to %s from the pole, %s by the page: under 1' is wanted",
			mountmodel.AngleWords(before.Total), mountmodel.AngleWords(after.Total), mountmodel.AngleWords(shown))
	}
	if d := (after.Total - shown).Abs(); d > shownWithin {
		t.Errorf("the page is off by %s", mountmodel.KnownWords(d))
	}
	if s.Rig == nil || s.Rig.AltTurned == 0 || s.Rig.AzTurned == 0 {
		t.Errorf("a bolt was not turned: %+v", s.Rig)
	}
	if s.Phase != string(mountmodel.Done) || !strings.Contains(v.Text, "from the pole") {
		t.Errorf("phase %s; the page shows:\n%s", s.Phase, v.Text)
	}
	frames, err := filepath.Glob(filepath.Join(folder, "*.fits"))
	if err != nil || len(frames) == 0 || len(frames) > rehearsedFrames+2 {
		t.Errorf("%d frames lie in the folder (%v), at most the newest %d and those on their way should", len(frames), err, rehearsedFrames)
	}
}

// shownWithin is how far the page's final offset may lie from the rig's: three
// frames of this camera fix the axis to about 2 arcsec.
const shownWithin = 8 * sky.Arcsecond

// serveByPage copies frames into a watched folder one by one and reads the
// numbers that polard axis prints off the page.
func serveByPage(t *testing.T, p *pageDriver) {
	set := practice(t, practiceFolder+"/adjust_000")
	folder := t.TempDir()
	r := start(t, append([]string{"serve", folder, "--measure", "4"}, set.siteArgs()...)...)
	a := axisOf(t, append(append(set.siteArgs(), "--measure", "4"), set.paths()...)...)
	p.do(chromedp.EmulateViewport(1280, 800), chromedp.Navigate(r.url))
	primes := strings.NewReplacer(`'`, "′", `"`, "″")
	for i, f := range set.Frames {
		writeFrame(t, set.paths()[i], filepath.Join(folder, f.File))
		var v view
		eventually(t, f.File+" on the page", func() (bool, string) {
			v = p.look()
			return v.File == f.File, v.Text
		})
		if i < set.Measure-1 {
			continue
		}
		o, m := *a.Offset, *a.Move
		if i >= set.Measure {
			o, m = a.Adjust[i-set.Measure].Offset, a.Adjust[i-set.Measure].Move
		}
		cards := map[string]boltCard{}
		for _, c := range v.Bolts {
			cards[c.Bolt] = c
		}
		amount := func(arcmin float64) string {
			return primes.Replace(mountmodel.AngleWords(sky.Angle(arcmin) * sky.Arcminute))
		}
		for bolt, want := range map[string]struct{ amount, words string }{
			"altitude": {amount(o.AltArcmin), m.Altitude},
			"azimuth":  {amount(o.AzArcmin), m.Azimuth},
		} {
			got := cards[bolt]
			if got.Amount != want.amount || !strings.HasSuffix(want.words, way(got.Order)) && !strings.HasPrefix(want.words, way(got.Order)) {
				t.Errorf("%s: the page says %s by %s, polard axis %q", f.File, got.Order, got.Amount, want.words)
			}
		}
		if total := amount(o.TotalArcmin) + " from the refracted pole"; !strings.Contains(v.Text, total) {
			t.Errorf("%s: the page does not say %q:\n%s", f.File, total, v.Text)
		}
	}
}

// way is the word of an order on the page that polard axis uses too.
func way(order string) string {
	return map[string]string{
		"Raise the axis": "raise", "Lower the axis": "lower",
		"Turn the mount east": "east", "Turn the mount west": "west",
	}[order]
}
