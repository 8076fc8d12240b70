package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/mountmodel"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
	"polard/web"
	"polard/web/browsertest"

	"github.com/chromedp/chromedp"
)

// TestBrowser drives the page of a running program in a headless Chromium.
func TestBrowser(t *testing.T) {
	t.Parallel() // it waits most of its time
	if testing.Short() {
		t.Skip("browser tests take long")
	}
	browser := browsertest.Start(t)
	for _, part := range []struct {
		name string
		test func(*testing.T, *pageDriver)
	}{
		{"rehearsal in the north on a laptop", func(t *testing.T, p *pageDriver) {
			harness.NotUnderRace(t) // the one on the phone goes through the same goroutines
			p.screen = browsertest.Laptop
			rehearseByPage(t, p, rehearsal.Quillmere(time.Now()))
		}},
		// A worn rig in the south, its frames taken one by one.
		{"rehearsal in the south on a phone", func(t *testing.T, p *pageDriver) {
			p.screen, p.single = browsertest.Phone, true
			rehearseByPage(t, p, rehearsal.Worn(rehearsal.Karrabine(time.Now())))
		}},
		{"rehearsal in the north on a phone", func(t *testing.T, p *pageDriver) {
			harness.NotUnderRace(t)
			p.screen, p.single = browsertest.Phone, true
			rehearseByPage(t, p, rehearsal.Worn(rehearsal.Quillmere(time.Now())))
		}},
		{"rehearsal in the south on a laptop", func(t *testing.T, p *pageDriver) {
			harness.NotUnderRace(t)
			p.screen, p.single = browsertest.Laptop, true
			rehearseByPage(t, p, rehearsal.Karrabine(time.Now()))
		}},
		{"numbers of a folder", serveByPage},
		{"alarm", alarmByPage},
	} {
		t.Run(part.name, func(t *testing.T) {
			part.test(t, &pageDriver{Page: browsertest.NewPage(t, browser), screen: browsertest.Laptop})
		})
	}
}

// pageDriver does what a person does who sees nothing but the page.
type pageDriver struct {
	*browsertest.Page
	screen  browsertest.Screen
	touched time.Time // when something was last turned
	single  bool      // frames are asked for one by one, not repeated
	shots   int       // pictures kept so far
	pole    string    // "north" or "south", where the rig stands
}

// keepShot keeps a picture of the walk where that is asked for, in both looks.
func (p *pageDriver) keepShot(name string) {
	p.T.Helper()
	if !browsertest.KeepsShots() {
		return
	}
	p.shots++
	browsertest.Eval[bool](p.Page, `(scrollTo(0, 0), true)`)
	for _, look := range []string{"day", "night"} {
		p.Look(look)
		p.Shot(fmt.Sprintf("walk-%s-%s-%02d-%s-%s", p.pole, p.screen.Name, p.shots, name, look), false)
	}
}

// view is what a person reads off the page.
type view struct {
	Head    string     `json:"head"`
	Figure  string     `json:"figure"` // the large one
	Bolts   []boltCard `json:"bolts"`
	Buttons []string   `json:"buttons"` // what the page offers; "!" before the likely one
	File    string     `json:"file"`    // the frame just read
	Fresh   bool       `json:"fresh"`
	Phase   string     `json:"phase"`
	Text    string     `json:"text"`
}

type boltCard struct {
	Bolt   string `json:"bolt"`
	Order  string `json:"order"`
	Amount string `json:"amount"`
}

const readView = `JSON.stringify({
	head: document.querySelector("#now h1")?.innerText ?? "",
	figure: document.querySelector("#now .now-card .figure")?.innerText ?? "",
	bolts: [...document.querySelectorAll("#now .bolt-card.still")].map(c => ({
		bolt: c.classList.contains("altitude") ? "altitude" : "azimuth",
		order: c.querySelector(".head").innerText,
		amount: c.querySelector(".figure").innerText})).concat([...document.querySelectorAll("#now .choice button")].map(c => ({
		bolt: c.dataset.changeOver,
		order: c.querySelector("b").firstChild.textContent,
		amount: c.querySelector(".amount").textContent}))),
	buttons: [...document.querySelectorAll("#does button, #others > button")].map(b => (b.classList.contains("strong") ? "!" : "") + b.innerText),
	file: document.querySelector(".picture-file")?.innerText ?? "",
	fresh: document.documentElement.dataset.stale === "false" && document.getElementById("pulse").dataset.state === "fresh",
	phase: document.body.dataset.phase,
	text: document.body.innerText})`

func (p *pageDriver) look() view {
	p.T.Helper()
	s, err := chromedp.Run(p.Ctx, chromedp.Evaluate[string](readView))
	if err != nil {
		p.T.Fatal(err)
	}
	var v view
	if err := json.Unmarshal([]byte(s), &v); err != nil {
		p.T.Fatal(err)
	}
	return v
}

// rehearsedFrame is the beginning of the name of a rehearsed frame: the start
// of its exposure.
const rehearsedFrame = "20060102T150405.000"

// frame waits for the numbers of a frame begun after the rig was last touched.
func (p *pageDriver) frame() view {
	p.T.Helper()
	if p.single {
		p.rigButton("Take a frame")
	}
	var v view
	harness.Eventually(p.T, "a new frame", func() (bool, string) {
		v = p.look()
		begun, err := time.Parse(rehearsedFrame, strings.SplitN(v.File, "_", 2)[0])
		return err == nil && begun.After(p.touched) && v.Fresh, v.Text
	})
	return v
}

// notNow puts the page's question off, if it asks one.
func (p *pageDriver) notNow() {
	p.T.Helper()
	if browsertest.Eval[bool](p.Page, `(s => s && s.checkVisibility())(document.querySelector(".told-sheet"))`) {
		p.Click(`[data-told="later"]`)
	}
}

// rigButton clicks a button of the practice rig by its name.
func (p *pageDriver) rigButton(name string) {
	p.T.Helper()
	p.notNow()
	p.Until(fmt.Sprintf(`(b => { document.querySelectorAll("#rig [data-test]").forEach(o => delete o.dataset.test); if (b) b.dataset.test = "this"; return Boolean(b); })(
		[...document.querySelectorAll("#rig button")].find(b => b.firstChild.textContent === %q))`, name))
	p.Click(`#rig [data-test]`)
	p.Until(`!document.querySelector("#rig [aria-busy]")`)
	if name != "Take a frame" {
		p.touched = time.Now()
	}
}

// walkSetUp goes through the set-up step by step, as the page opens with it.
func (p *pageDriver) walkSetUp(south bool) {
	p.T.Helper()
	p.pole = "north"
	if south {
		p.pole = "south"
	}
	for _, step := range []struct{ name, head string }{
		{"place", "Set the latitude scale"}, {"ground", "One leg towards " + p.pole}, {"direction", "True " + p.pole + " by compass"},
		{"balance", "Balance: right ascension, then declination"}, {"start", "Tube on top, counterweight down"}, {"star", " at "},
		{"plan", "What will you photograph?"},
	} {
		p.Until(fmt.Sprintf(`document.querySelector("#now h1")?.innerText.replaceAll("\n", " ").includes(%q) === true`, step.head))
		p.keepShot("setup-" + step.name)
		p.Click(`[data-do="done"]`)
	}
	p.Until(`document.body.dataset.view === "work"`)
}

var turnAsked = regexp.MustCompile(`(\d+)° ?([↻↺])`)

// turnRA turns the axis by about as much as the page asks for, the way it says.
func (p *pageDriver) turnRA(v view) {
	p.T.Helper()
	m := turnAsked.FindStringSubmatch(v.Figure)
	if m == nil {
		p.T.Fatalf("the page does not say how far to turn, and which way: %q, %q", v.Head, v.Figure)
	}
	n, err := strconv.Atoi(m[1])
	if err != nil {
		p.T.Fatal(err)
	}
	for n >= 23 {
		p.rigButton(m[2] + " 30°")
		n -= 30
	}
	if n >= 8 {
		p.rigButton(m[2] + " 15°")
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
	p.T.Helper()
	button, ok := map[string]string{
		"Raise": "Raise", "Lower": "Lower", "East": "East", "West": "West",
	}[c.Order]
	if !ok {
		return
	}
	left := int(math.Round(arcsecOf(p.T, c.Amount)))
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

// tellTurn turns the altitude bolt by a quarter of a turn and tells the page so:
// it then speaks in turns of that bolt.
func (p *pageDriver) tellTurn(config rehearsal.Config) view {
	p.T.Helper()
	quarter := int(math.Round((config.Mount.AltitudeBolt.PerTurn / 4).Arcminutes())) // whole minutes in this rig
	p.rigButton("1.0′")
	for range quarter {
		p.rigButton("Raise")
	}
	if !browsertest.Eval[bool](p.Page, `!document.querySelector(".told-sheet").hidden`) {
		p.Until(`document.querySelector("#now .choice [data-change-over=altitude]") !== null`)
		if browsertest.Eval[bool](p.Page, `document.querySelector("#now .choice [data-change-over=altitude]").getAttribute("aria-pressed") === "false"`) {
			p.Click(`#now [data-change-over="altitude"]`)
			p.Until(`document.querySelector("#now .choice [data-change-over=altitude]").getAttribute("aria-pressed") === "true"`)
		}
		p.Click(`[data-told="open"]`)
	}
	p.Says("How far did you turn the altitude bolt?")
	p.Click(`[data-turns="0.25"]`)
	p.Says("Told: Altitude bolt, ¼ turn clockwise")
	v := p.frame()
	stroke := browsertest.Eval[string](p.Page, `document.querySelector("#now .bolt-card.altitude .stroke")?.innerText ?? ""`)
	p.T.Logf("the page says: altitude bolt: %s", stroke)
	if !strings.HasSuffix(stroke, " turn clockwise") {
		p.T.Errorf("told a turn of the altitude bolt the page says %q of it:\n%s", stroke, v.Text)
	}
	return v
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
	r := harness.StartWith(t, func(ctx context.Context, r *harness.Running) int {
		defer func() {
			if rig == nil {
				close(made)
			}
		}()
		s, simulated, err := rehearsed{
			config: harness.Quick(config), page: &pageFlags{reachFlags: reachFlags{addr: "127.0.0.1:0"}, tolerance: 1}, log: newLogger(&r.Stderr),
			station: rehearsal.StationOptions{Folder: folder, Rest: longRest, Settle: 150 * time.Millisecond},
			ready:   func(_ *web.Server, url string) { fmt.Fprintln(&r.Stdout, url) },
		}.service(t.Context())
		if err != nil {
			fmt.Fprintln(&r.Stderr, err)
			return exitNot
		}
		rig = simulated
		close(made)
		if err := s.Run(ctx); err != nil {
			fmt.Fprintln(&r.Stderr, err)
			return exitNot
		}
		return exitDone
	})
	<-made
	before := rig.Truth(time.Now()).Offset
	t.Logf("the axis starts %s from the pole", sky.AngleWords(before.Total))
	p.Do(p.screen.Size(), chromedp.Navigate(r.URL))
	p.WatchShifts()
	p.walkSetUp(config.Site.South())

	if p.single {
		p.rigButton("Repeating")
	}

	// Measure: turn as told until the page speaks of bolts.
	v := p.frame()
	turns := 0
	for ; len(v.Bolts) == 0 && turns < mostRounds; turns++ {
		t.Logf("the page says: %s %s", v.Head, v.Figure)
		p.keepShot("measure")
		p.turnRA(v)
		v = p.frame()
	}
	if len(v.Bolts) != 2 {
		t.Fatalf("no measurement after %d turns; the page says:\n%s", turns, v.Text)
	}
	if turns < 2 {
		t.Errorf("measured after %d turns: two frames leave nothing that tests the model", turns)
	}

	// Loaded anew in the middle of the work the page goes on where it was, and a
	// second browser shows the same.
	repeats := !p.single
	if repeats { // further frames would change the numbers meanwhile
		p.rigButton("Repeating")
		p.single = true
		v = p.frame()
	}
	p.HoldsStill("the measurement")
	p.Do(chromedp.Reload())
	p.WatchShifts()
	other := &pageDriver{Page: browsertest.NewPage(t, p.Ctx), screen: browsertest.Laptop}
	other.Do(other.screen.Size(), chromedp.Navigate(r.URL))
	for _, driver := range []*pageDriver{p, other} {
		harness.Eventually(t, "the same bolts", func() (bool, string) {
			w := driver.look()
			return slices.Equal(w.Bolts, v.Bolts) && w.File == v.File, w.Text
		})
	}
	if repeats {
		v = p.tellTurn(config)
		p.single = false
		p.rigButton("Repeat")
	}

	// Turn both bolts until the page is content.
	rounds := 0
	for ; !slices.Contains(v.Buttons, "!Both are locked") && rounds < mostRounds; rounds++ {
		for _, c := range v.Bolts {
			t.Logf("the page says: %s by %s", c.Order, c.Amount)
			p.keepShot("bolts")
			p.turnBolt(c)
		}
		v = p.frame()
	}
	if !slices.Contains(v.Buttons, "!Both are locked") {
		t.Fatalf("not near the pole after %d rounds; the page says:\n%s", rounds, v.Text)
	}
	if v.Head != "Lock both bolts" {
		t.Errorf("the page says %q", v.Head)
	}

	// Lock, and confirm with a second measurement.
	p.keepShot("lock")
	// What to press is in sight as it stands: not scrolled to, not behind the rig.
	if !browsertest.Eval[bool](p.Page, `(e => { const r = e.getBoundingClientRect();
		return r.top >= 0 && r.bottom <= innerHeight && e.contains(document.elementFromPoint(r.x + r.width / 2, r.y + r.height / 2)); })(document.querySelector("#does button.strong"))`) {
		t.Error("the button that says that both are locked is out of sight")
	}
	p.Click("#does button.strong")
	harness.Eventually(t, "the second measurement", func() (bool, string) {
		v = p.look()
		return slices.Contains(v.Buttons, "Back to the bolts"), v.Text
	})
	p.touched = time.Now()
	v = p.frame()
	for turns = 0; v.Phase == string(mountmodel.Confirming); turns++ {
		if turns == mostRounds {
			t.Fatalf("not confirmed after %d turns; the page says:\n%s", turns, v.Text)
		}
		t.Logf("the page says: %s %s", v.Head, v.Figure)
		p.keepShot("confirm")
		p.turnRA(v)
		v = p.frame()
	}
	t.Logf("the page says: %s", v.Head)
	p.HoldsStill("bolts, lock and confirmation")
	p.keepShot("done")
	if v.Head != "Done" {
		t.Errorf("the page says %q, want Done:\n%s", v.Head, v.Text)
	}

	// The page's number and the truth, both under an arcminute and the same.
	after := rig.Truth(time.Now()).Offset
	s := r.State(t)
	shown := sky.Angle(s.Now.Offset.TotalArcmin) * sky.Arcminute
	t.Logf("%d rounds of bolts; the axis ends %s from the pole, %s by the page", rounds, sky.AngleWords(after.Total), sky.AngleWords(shown))
	if after.Total >= sky.Arcminute || shown >= sky.Arcminute || before.Total < 10*sky.Arcminute {
		t.Errorf("from %s the axis came to %s from the pole, %s by the page: under 1' is wanted",
			sky.AngleWords(before.Total), sky.AngleWords(after.Total), sky.AngleWords(shown))
	}
	if d := (after.Total - shown).Abs(); d > shownWithin {
		t.Errorf("the page is off by %s", sky.KnownWords(d))
	}
	if repeats {
		p.planExposures(t)
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

// planExposures says what is planned; what the alignment means for it is then
// said beside the result.
func (p *pageDriver) planExposures(t *testing.T) {
	t.Helper()
	p.Click("#setup-open")
	p.Click(`.way-list li:last-child button`)
	p.Fill("[name=exposure_s]", "120")
	p.Fill("[name=dec_deg]", "41")
	p.Click(`[data-do="done"]`)
	p.Says("What your plan allows")
	p.Until(`/The axis stands .* from the pole: (good enough|too far)\./.test(document.querySelector("#now .now-card").innerText)`)
	p.Click("#setup-open")
	p.Until(`document.querySelector("#now .why") !== null`)
	browsertest.Eval[bool](p.Page, `(document.querySelector("#now .why").open = true)`)
	p.Says("As it stands, stars trail by")
}

// shownWithin is how far the page's final offset may lie from the rig's: three
// frames of this camera fix the axis to about 2 arcsec.
const shownWithin = 8 * sky.Arcsecond

// serveByPage copies frames into a watched folder one by one and reads the
// numbers that polard axis prints off the page.
func serveByPage(t *testing.T, p *pageDriver) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder := t.TempDir()
	args := append([]string{"serve", folder, "--measure", "4", "--state", t.TempDir()}, set.SiteArgs()...)
	r := start(t, args...)
	a := axisOf(t, append(append(set.SiteArgs(), "--measure", "4"), set.Paths()...)...)
	p.Do(p.screen.Size(), chromedp.Navigate(r.URL))
	p.Click(`[data-do="straight"]`)
	primes := strings.NewReplacer(`'`, "′", `"`, "″")
	for i, f := range set.Frames {
		if i == set.Measure+1 {
			// The service is started anew under the open page: it says so, and goes on
			// by itself with the numbers from before.
			before := p.look().Bolts
			r.Stop(t)
			p.Says("No connection")
			r = start(t, append(slices.Clone(args), "--addr", strings.TrimSuffix(strings.TrimPrefix(r.URL, "http://"), "/"))...)
			harness.Eventually(t, "the numbers from before", func() (bool, string) {
				v := p.look()
				return slices.Equal(v.Bolts, before), v.Text
			})
		}
		harness.WriteFrame(t, set.Paths()[i], filepath.Join(folder, f.File))
		var v view
		harness.Eventually(t, f.File+" on the page", func() (bool, string) {
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
			return primes.Replace(sky.AngleWords(sky.Angle(arcmin) * sky.Arcminute))
		}
		for bolt, want := range map[string]struct{ amount, words string }{
			"altitude": {amount(o.AltArcmin), m.Altitude},
			"azimuth":  {amount(o.AzArcmin), m.Azimuth},
		} {
			got := cards[bolt]
			if got.Amount != want.amount || got.Order != "Leave" && !strings.HasSuffix(want.words, strings.ToLower(got.Order)) && !strings.HasPrefix(want.words, strings.ToLower(got.Order)) {
				t.Errorf("%s: the page says %s by %s, polard axis %q", f.File, got.Order, got.Amount, want.words)
			}
		}
		if total := amount(o.TotalArcmin) + " from the refracted pole"; !strings.Contains(v.Text, total) {
			t.Errorf("%s: the page does not say %q:\n%s", f.File, total, v.Text)
		}
	}

	// What the scale read tonight, and how far off the axis was found to be, tell the
	// next night what it should read.
	const scale = 47.0
	p.Click("#setup-open")
	p.Says("Set the latitude scale")
	p.Fill(".mark [name=scale_deg]", fmt.Sprint(scale))
	p.Do(chromedp.KeyEvent("\t"))
	p.Says("Kept.")
	r.Stop(t)
	start(t, append(slices.Clone(args), "--new-session", "--since", "0s", "--addr", strings.TrimSuffix(strings.TrimPrefix(r.URL, "http://"), "/"))...)
	p.Says(fmt.Sprintf("By the last night here, your scale should read %.1f°", scale-a.Offset.AltArcmin/60))
}

// Frames that stop solving raise an alarm, which stands on the page until a frame is solved again.
func alarmByPage(t *testing.T, p *pageDriver) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder := t.TempDir()
	r := start(t, append([]string{"serve", folder, "--watch", "--alarm-unsolved", "2"}, set.SiteArgs()...)...)
	p.Do(p.screen.Size(), chromedp.Navigate(r.URL))
	const standing = `document.querySelector('#warnings [data-code="alarm_frames_unsolved"]')`
	for _, unsolved := range []string{"nosky_000", "nosky_001"} {
		name := unsolved + ".fits"
		if browsertest.Eval[bool](p.Page, standing+` !== null`) {
			t.Fatalf("an alarm before %s", name)
		}
		harness.WriteFrame(t, filepath.Join(harness.PracticeFolder, unsolved, "f0.fits"), filepath.Join(folder, name))
		harness.Eventually(t, name+" on the page", func() (bool, string) {
			v := p.look()
			return v.File == name, v.Text
		})
	}
	p.Until(standing + `?.checkVisibility() && ` + standing + `.innerText.startsWith("The last 2 frames were not solved.")`)
	harness.WriteFrame(t, set.Paths()[0], filepath.Join(folder, "stars.fits"))
	p.Until(standing + ` === null`)
}
