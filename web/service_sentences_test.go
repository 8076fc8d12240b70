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

// manyOfOne finds one star that is said as many.
var manyOfOne = regexp.MustCompile(`\b1 (stars|Sterne|étoiles|estrellas|stelle)`)

// english finds words that stand in no other language's sentences.
var english = regexp.MustCompile(`(?i)\b(the|and|with|from|frame|frames|take|turn|bolt|bolts|pole|axis)\b`)

// serviceCodes are the codes of sentences on camera, mount, plan and single frames, from the sources.
func serviceCodes(t *testing.T) []string {
	t.Helper()
	// What is said with a code that the source builds, and why a file gave no stars (pipeline, solve).
	codes := []string{"limit_turning", "limit_shown", "limits", "ask_focal", "ask_pixel", "plan_then",
		"few_stars", "no_match", "no_stars", "incomplete", "malformed", "unsupported", "unreadable", "not_found", "folder", "internal"}
	say := regexp.MustCompile(`(?:sky\.Say\(|say\(|badCall\(|sky\.Refuse\([^,"]+, )"([a-z_]+)"`)
	limit := regexp.MustCompile(`violates\("([a-z_]+)"`)
	for _, pattern := range []string{"*.go", "../mountmodel/*.go", "../mountmodel/adjust/*.go", "../mountmodel/axis/*.go", "../mountmodel/nights/*.go", "../mountmodel/observed/*.go", "../mountmodel/plan/*.go",
		"../cmd/polard/internal/service/*.go", "../cmd/polard/internal/devices/*.go", "../cmd/polard/internal/devices/*/*.go"} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			t.Fatal(pattern, err)
		}
		for _, f := range files {
			if strings.HasSuffix(f, "_test.go") {
				continue
			}
			b, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range say.FindAllStringSubmatch(string(b), -1) {
				codes = append(codes, m[1])
			}
			for _, m := range limit.FindAllStringSubmatch(string(b), -1) {
				codes = append(codes, "limit_"+m[1])
			}
		}
	}
	codes = slices.DeleteFunc(codes, func(code string) bool { return strings.HasSuffix(code, "_") }) // the beginning of one
	slices.Sort(codes)
	return slices.Compact(codes)
}

// Every sentence of the service has its words in every language, and none is left in English.
func TestServiceSentences(t *testing.T) {
	codes := serviceCodes(t)
	if len(codes) < 150 {
		t.Fatalf("only %d codes found", len(codes))
	}
	session, err := os.ReadFile("assets/js/words/en-sentences.js")
	if err != nil {
		t.Fatal(err)
	}
	entry := regexp.MustCompile(`(?m)(?:^|, |  )([a-z_]+): \(`)
	for _, l := range languages {
		b, err := os.ReadFile("assets/js/words/" + l.code + "-service.js")
		if err != nil {
			t.Fatal(err)
		}
		var has []string
		for _, m := range entry.FindAllStringSubmatch(string(b), -1) {
			has = append(has, m[1])
		}
		for _, code := range codes {
			if !slices.Contains(has, code) && !strings.Contains(string(session), " "+code+": ") && !slices.Contains(shown, code) {
				t.Errorf("%s has no words for %q", l.code, code)
			}
		}
		for _, code := range has {
			if !slices.Contains(codes, code) {
				t.Errorf("%s has words for %q, which nobody says", l.code, code)
			}
		}
		if found := english.FindAllString(string(b), -1); len(found) > 0 {
			t.Errorf("%s: English is left: %q", l.code, found)
		}
	}
}

// A plan of movement, what went wrong, the plan of exposures and frames that do not count are said in the page's language, with
// their numbers, on the narrowest phones.
func testServiceSentences(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec, Equipment: rec})
	finished(t, s)
	degrees := func(x float64) sky.Decimal { return sky.Decimal{Value: x} }
	west := sky.Say("way_west", "west")
	low := sky.Say("limit_turning", "turning %s degrees %s, %s", degrees(41), west, sky.Say("limit_altitude", "the tube would point %s degrees high, in azimuth %s; the lowest allowed is %s", degrees(22), degrees(266), degrees(30)))
	state := adjusting(0, time.Minute)
	state.Equipment = &EquipmentState{Protocol: "indi", Cameras: []string{"C7"}, Mounts: []string{"B2"}, Camera: "C7", Mount: "B2", Activity: "idle"}
	state.Equipment.Plan = PlanOfMotion("3", sky.Say("both", "%s %s", sky.Say("plan_turn", "%s will turn about its right ascension axis %s degrees to the %s, in %d steps of %s degrees, from altitude %s, azimuth %s to altitude %s, azimuth %s; %s",
		"B2", degrees(43), west, 2, degrees(21), degrees(51), degrees(15), degrees(37), degrees(301), sky.Say("plan_dec_alone", "declination is left alone.")),
		sky.Say("plan_left_out", "Left out: %s.", sky.Say("left_side_limit", "the other side of the pier: %s", low.Args[2]))),
		[]sky.Saying{sky.Say("care_manuals", "The makers' manuals come first."), sky.Say("care_balance", "Balance and clutches must hold.")})
	state.Equipment.Fail(low)
	state.Equipment.Tell(sky.Say("shot_longer", "too few stars (%d): exposing %s s", 13, sky.Decimal{Value: 4.5, Digits: 1}))
	state.Frames = append(state.Frames, Frame{Number: 9, File: "cloudy.fits", Status: "unsolved", Message: "only 7 stars found", Said: SaidFrom(sky.Saying{Code: "few_stars", Args: []any{7}, Text: "only 7 stars found"})})
	state.Frames = append(state.Frames, Frame{Number: 10, File: "cap.fits", Status: "unsolved", Message: "only one star found", Said: SaidFrom(sky.Saying{Code: "few_stars", Args: []any{1}, Text: "only one star found"})})
	state.Plan = &Plan{Planned: true, ExposureS: 180, TrailPx: 4.2, LongestExposureS: 42, ToleranceArcmin: 1}
	verdict := []sky.Saying{
		sky.Say("plan_within", "Stars stay within %s (%s px) as long as the axis is within %s of %s.", sky.Known(3.2*sky.Arcsecond), degrees(1), sky.Amount(9.4*sky.Arcminute), sky.Say("aim_refracted", "the refracted pole")),
		sky.Say("plan_longest", "The longest exposure that stays within the limit is %s s.", degrees(42))}
	state.Plan.Sentences, state.Plan.Said = sky.English(verdict), saidAll(verdict)
	p.Do(chromedp.EmulateViewport(320, 568, chromedp.EmulateMobile, chromedp.EmulateTouch), chromedp.Navigate(s.url))
	for _, l := range languages {
		browsertest.Eval[bool](p, fmt.Sprintf(`(localStorage.setItem("language", %q), true)`, l.code))
		p.Do(chromedp.Reload())
		state.Latest.ReadMs = time.Now().UnixMilli()
		publish(t, s, state)
		p.Until(fmt.Sprintf(`document.documentElement.lang.startsWith(%q) && document.querySelector("#list tbody") !== null && !document.getElementById("equipment").hidden`, l.code))
		p.Until(`document.body.dataset.view === "work" || (document.getElementById("setup-open").click(), false)`)
		browsertest.Eval[bool](p, `(document.querySelector("#list details").open = true)`)
		said := browsertest.Eval[string](p, `document.getElementById("equipment").innerText + document.getElementById("list").innerText`)
		p.NoOverflow(l.code + " equipment and frames")
		// Whether the page opens in the set-up is settled once it knows what is remembered.
		p.Until(`(() => {
			if (document.body.dataset.view !== "setup") { document.getElementById("setup-open").click(); return false; }
			if (document.querySelector('.way-list [aria-current]') !== document.querySelectorAll(".way-list button")[6]) { document.querySelectorAll(".way-list button")[6].click(); return false; }
			const more = document.querySelector("main .more");
			more.open = true;
			window.plan = document.querySelector("main").innerText;
			return more.checkVisibility() && window.plan.includes("42");
		})()`)
		said += browsertest.Eval[string](p, `window.plan`)
		p.NoOverflow(l.code + " plan")
		if plural := manyOfOne.FindString(said); plural != "" {
			t.Errorf("%s: one star is said as many: %q", l.code, plural)
		}
		if found := english.FindAllString(said, -1); len(found) > 0 {
			t.Errorf("%s: English is left (%q):\n%s", l.code, found, said)
		}
		decimal := "."
		if slices.Contains([]string{"de", "fr", "es", "it"}, l.code) {
			decimal = ","
		}
		for _, number := range []string{"43°", "21°", "301", "41°", "266", "13", "4" + decimal + "5", "7", "3" + decimal + "2″", "9" + decimal + "4′", "42"} {
			if !strings.Contains(said, number) {
				t.Errorf("%s does not say %s:\n%s", l.code, number, said)
			}
		}
	}
	browsertest.Eval[bool](p, `(localStorage.removeItem("language"), true)`)
}
