package web

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"polard/mountmodel/sky"
	"polard/web/browsertest"

	"github.com/chromedp/chromedp"
)

// The languages beside English, each with words of the page and of the first step.
var languages = []struct{ code, turn, place string }{
	{"de", "RA-Achse drehen", "Polhöhenskala einstellen"},
	{"fr", "Tourner l’axe d’AD", "Régler l’échelle de latitude"},
	{"es", "Gire el eje de AR", "Ponga la escala de latitud"},
	{"it", "Girare l’asse di AR", "Impostare la scala di latitudine"},
	{"ja", "赤経軸を回す", "緯度目盛を合わせる"},
	{"zh", "转动赤经轴", "设定纬度刻度"},
}

// Each sentence of the session has its words in every language, by its code, and each
// warning in every one but English, whose own stand.
func TestEveryCodeHasItsWords(t *testing.T) {
	said := regexp.MustCompile(`(?:sky\.Say\(|sky\.Saying\{Code: )"([a-z_]+)"`)
	warns := regexp.MustCompile(`WarningCode = "([a-z_]+)"`)
	var sentences, warnings []string
	for _, dir := range []string{"../mountmodel", "../mountmodel/axis", "../mountmodel/nights", "../mountmodel/tracking"} {
		files, err := filepath.Glob(dir + "/*.go")
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			if strings.HasSuffix(f, "_test.go") {
				continue
			}
			b, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range said.FindAllStringSubmatch(string(b), -1) {
				sentences = append(sentences, m[1])
			}
			for _, m := range warns.FindAllStringSubmatch(string(b), -1) {
				warnings = append(warnings, m[1])
			}
		}
	}
	if len(sentences) < 20 || len(warnings) < 10 {
		t.Fatalf("only %d sentences and %d warnings found", len(sentences), len(warnings))
	}
	faults, err := os.ReadFile("../mountmodel/rehearsal/faults.go")
	if err != nil {
		t.Fatal(err)
	}
	var rehearsed []string
	for _, m := range regexp.MustCompile(`\{Name: "([a-z]+)"`).FindAllStringSubmatch(string(faults), -1) {
		rehearsed = append(rehearsed, m[1])
	}
	if len(rehearsed) < 8 {
		t.Fatalf("faults %q", rehearsed)
	}
	catalogue := func(file string) string {
		b, err := os.ReadFile("assets/js/words/" + file)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	en := catalogue("en-sentences.js")
	service := catalogue("de-service.js") // those are held by TestServiceSentences
	sentences = slices.DeleteFunc(sentences, func(code string) bool { return strings.Contains(service, " "+code+": ") })
	for _, code := range sentences {
		if !slices.Contains(shown, code) && !strings.Contains(en, " "+code+": ") {
			t.Errorf("en has no words for %q", code)
		}
	}
	for _, l := range languages {
		words := catalogue(l.code + ".js")
		missing := func(part string, codes []string) {
			_, rest, found := strings.Cut(words, part+": {")
			rest, _, closed := strings.Cut(rest, map[string]string{"said": "stop: ", "warning": "equipment: {", "refused": "unreachable: ", "faultText": "title: "}[part])
			if !found || !closed {
				t.Fatalf("%s has no part %s", l.code, part)
			}
			for _, code := range codes {
				if !slices.Contains(shown, code) && !strings.Contains(rest, " "+code+": ") {
					t.Errorf("%s has no words for the %s %q", l.code, part, code)
				}
			}
		}
		missing("said", sentences)
		missing("warning", append(slices.Clone(warnings), aroundTheSession...))
		missing("refused", refusals())
		missing("faultText", rehearsed)
	}
}

// shown are the codes that are told by numbers, or by the warning's own code.
var shown = []string{"moves", "turns", "warning"}

// aroundTheSession are the codes of warnings that the service and the set-up give.
var aroundTheSession = []string{"not_kept", "folder", "session_dropped", "site", "header", "alarm_axis_moved", "alarm_frames_unsolved",
	"low_pole", "upright_axis", "no_declination", "compass_none", "compass_caution"}

func refusals() (names []string) {
	for _, r := range reasons {
		names = append(names, r.name)
	}
	return names
}

// alike lists what a catalogue has in common with the English one: words of at least four
// letters, but for names, units and what the trade has from English or Latin.
const alike = `Promise.all([import("./assets/%[1]s/js/words/en.js".slice(1)), import("./assets/%[1]s/js/words/%[2]s.js".slice(1))]).then(([a, b]) => {
	const same = [], known = new Set(["polard", "Code", "Balance", "Direction", "Latitude", "Longitude", "Tube", "tube", "horizon", "angle", "Azimuth", "usual: 1", "Camera", "covered", "STOP"]); // the same in both
	const walk = (x, y, at) => {
		if (typeof x === "string") { if (x === y && /[a-z]{4}/i.test(x) && !known.has(x)) same.push(at + ": " + x); }
		else if (x && typeof x === "object") for (const k of Object.keys(x)) walk(x[k], y?.[k], at + "." + k);
		else if (typeof x === "function" && typeof y !== "function") same.push(at + " is no function");
	};
	walk(a.words, b.words, "");
	return same;
})`

// stepsDiffer lists the steps of the set-up of which there are more or fewer than in the service's own words, for each
// kind of mount.
const stepsDiffer = `import("/assets/%[1]s/js/setupdata.js").then(async (setup) => {
	const differ = [];
	for (const kind of ["fork", "tracker", "german"]) {
		const english = await (await fetch("/api/v1/setup?mount=" + kind)).json(), own = await setup.fetchSetup(undefined, kind);
		if (own.mount !== kind) differ.push(kind + " is " + own.mount);
		for (const [k, v] of Object.entries(english.steps)) if (own.steps[k]?.length !== v.length || own.steps[k].some(s => !s)) differ.push(kind + " " + k);
		if (own.cautions.length !== english.cautions.length) differ.push(kind + " cautions");
	}
	return differ;
})`

// In every language the page is whole on the narrowest phones, and no English is left in
// what it says itself.
func testLanguages(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec})
	finished(t, s)
	p.Do(chromedp.EmulateViewport(320, 568, chromedp.EmulateMobile, chromedp.EmulateTouch), chromedp.Navigate(s.url))
	for _, l := range languages {
		if same := browsertest.Eval[[]string](p, fmt.Sprintf(alike, s.assets.version, l.code)); len(same) > 0 {
			t.Errorf("%s: not translated: %q", l.code, same)
		}
		browsertest.Eval[bool](p, fmt.Sprintf(`(localStorage.setItem("language", %q), true)`, l.code))
		p.Do(chromedp.Reload())
		for _, scene := range scenes() {
			if scene.state.Rig != nil { // its name and faults are the rig's own
				continue
			}
			if scene.state.Latest != nil {
				scene.state.Latest.ReadMs = time.Now().Add(-2 * time.Second).UnixMilli()
			}
			scene.state.Site = nil // so that each scene is drawn anew
			if scene.name != "place" {
				site := siteWire(northSite, sky.StandardAir(northSite.ElevationM))
				scene.state.Site = &site
			}
			publish(t, s, scene.state)
			p.Until(fmt.Sprintf(`document.documentElement.lang.startsWith(%q) && document.body.dataset.phase === %q`, l.code, scene.state.Phase))
			time.Sleep(60 * time.Millisecond)
			p.NoOverflow(l.code + " " + scene.name)
			text := browsertest.Eval[string](p, `[...document.querySelectorAll("#now, #does, #others, #frame-age, #total, #bolt-report, #warnings, #watched, #correction, #proof, #habits, #history, #own, .picture-facts, #list summary")].map(e => e.innerText).join("\n")`)
			if found := english.FindString(strings.ReplaceAll(text, "polard serve", "")); found != "" {
				t.Errorf("%s, %s: English is left (%q):\n%s", l.code, scene.name, found, text)
			}
		}
		p.Do(chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile, chromedp.EmulateTouch)) // where all steps stand beside each other
		p.NoOverflow(l.code + " on a wider phone")
		holdsInLanguage(t, p, s, l.code)
		p.Do(chromedp.EmulateViewport(320, 568, chromedp.EmulateMobile, chromedp.EmulateTouch))
		one := measuringView(northSite, 1)
		tell(&one, "turn", "Turn the RA axis.", sky.Whole(30*sky.Degree))
		publish(t, s, StateFromView(one, Around{Latest: latestOf(1, time.Now(), nil)}))
		p.Says(l.turn)
		p.Inspect("language-" + l.code)
		p.Theme("day")
		warned := StateFromView(waiting(northSite), Around{})
		warned.Warnings = append(warned.Warnings, Notice{Code: "low_pole"}) // what is warned of stands beside the cautions
		publish(t, s, warned)
		p.Click("#setup-open")
		browsertest.Eval[bool](p, `(document.querySelector(".way-list button").click(), true)`)
		p.Says(l.place)
		if differ := browsertest.Eval[[]string](p, fmt.Sprintf(stepsDiffer, s.assets.version)); len(differ) > 0 {
			t.Errorf("%s: other steps or cautions of the set-up than the service has: %q", l.code, differ)
		}
		for i := range 7 {
			browsertest.Eval[bool](p, fmt.Sprintf(`(document.querySelectorAll(".way-list button")[%d].click(), true)`, i))
			drawn(p)
			p.NoOverflow(fmt.Sprintf("%s set-up %d", l.code, i+1))
			p.NamesApart(fmt.Sprintf("%s set-up %d", l.code, i+1))
			if found := english.FindString(browsertest.Eval[string](p, `document.querySelector("main").innerText`)); found != "" {
				t.Errorf("%s, set-up %d: English is left (%q)", l.code, i+1, found)
			}
		}
		p.Click("#setup-open")
	}
	// Without a choice the browser's own first language decides.
	browsertest.Eval[bool](p, `(localStorage.removeItem("language"), true)`)
	p.Do(chromedp.Reload())
	p.Until(`document.documentElement.lang === "en"`)
	holdsInLanguage(t, p, s, "en")
}

// A page that was loaded once opens without the service, and goes on when it is there.
func testWithoutService(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	finished(t, s)
	publish(t, s, adjusting(0, time.Minute))
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	p.Until(looksFresh)
	p.Until(`caches.keys().then(() => true) && navigator.serviceWorker.controller !== null`)
	if !browsertest.Eval[bool](p, `(async () => { for (let i = 0; i < 100; i++) { const c = await caches.open("polard"); if ((await c.keys()).length > 20) return true; await new Promise(r => setTimeout(r, 100)); } return false; })()`) {
		t.Fatal("the page's files were not kept")
	}
	addr := strings.TrimSuffix(strings.TrimPrefix(s.url, "http://"), "/")
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	p.Do(chromedp.Reload())
	p.Says("Does polard still run on the computer by the mount")
	p.Until(browsertest.Shows("No connection. Trying again"))
	s = serve(t, Options{Addr: addr})
	finished(t, s)
	publish(t, s, adjusting(0, time.Minute))
	p.Until(looksFresh)
}

// The result goes out as a sentence and the night as a table; the error over time is drawn.
func testShare(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	finished(t, s)
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	v := readings([2]float64{40, 7}, [2]float64{20, 7}, [2]float64{5, 6}, [2]float64{1, 0.2})
	v.Frames[0].Name = "=cmd|evil"
	publish(t, s, StateFromView(v, Around{Latest: latestOf(1, time.Now(), nil)}))
	p.Says("Error over time")
	p.Until(`document.querySelector("#history polyline").getAttribute("points").split(" ").length === 3`)
	browsertest.Eval[bool](p, `(navigator.share = d => { window.sent = d.text; return Promise.resolve(); }, true)`)
	p.Click(`[data-do="share"]`)
	total := strings.ReplaceAll(sky.AngleWords(v.Now.Offset.Total), `"`, "″")
	p.Until(fmt.Sprintf(`window.sent?.includes(%q) === true`, "Polar alignment: "+total+" from the pole"))
	browsertest.Eval[bool](p, `(URL.createObjectURL = b => { b.text().then(t => { window.table = t; }); return "blob:x"; }, HTMLAnchorElement.prototype.click = () => {}, true)`)
	p.Click(`[data-do="export"]`)
	p.Until(`window.table?.startsWith("file,mid_utc,status,turn_deg") === true && window.table.split("\r\n").length === 8 && window.table.includes("'=cmd|evil")`)
}
