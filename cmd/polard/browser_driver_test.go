package main

import (
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/mountmodel/rehearsal"
	"polard/web/browsertest"

	"github.com/chromedp/chromedp"
)

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
		p.Theme(look)
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
	fresh: document.documentElement.dataset.stale === "false" && document.getElementById("frame-age").dataset.state === "fresh",
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
	if browsertest.Eval[bool](p.Page, `(s => s && s.checkVisibility())(document.querySelector(".bolt-report-question"))`) {
		p.Click(`[data-bolt-report="later"]`)
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
	if !browsertest.Eval[bool](p.Page, `!document.querySelector(".bolt-report-question").hidden`) {
		p.Until(`document.querySelector("#now .choice [data-change-over=altitude]") !== null`)
		if browsertest.Eval[bool](p.Page, `document.querySelector("#now .choice [data-change-over=altitude]").getAttribute("aria-pressed") === "false"`) {
			p.Click(`#now [data-change-over="altitude"]`)
			p.Until(`document.querySelector("#now .choice [data-change-over=altitude]").getAttribute("aria-pressed") === "true"`)
		}
		p.Click(`[data-bolt-report="open"]`)
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
