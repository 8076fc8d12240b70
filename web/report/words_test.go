package report

import (
	"encoding/json"
	"path"
	"regexp"
	"slices"
	"strings"
	"testing"

	"polard/mountmodel"
	"polard/web"

	"golang.org/x/net/html"
)

// Every language has the same sentences, with the same numbers in the same order, and those of each event.
func TestCatalogues(t *testing.T) {
	read := func(l string) map[string]string {
		text, err := catalogues.ReadFile(path.Join("words", l+".json"))
		if err != nil {
			t.Fatal(err)
		}
		var all map[string]string
		if err := json.Unmarshal(text, &all); err != nil {
			t.Fatal(l, err)
		}
		return all
	}
	verbs := regexp.MustCompile(`%[-+.0-9]*[a-z]`)
	english := read("en")
	for _, event := range []mountmodel.Event{mountmodel.StartOver, mountmodel.Measured, mountmodel.Locked, mountmodel.Unlocked, mountmodel.Prove, mountmodel.WatchOnly, mountmodel.TakeBack,
		mountmodel.FreeHead, mountmodel.TwoBolts, mountmodel.TurnAltitude, mountmodel.TurnAzimuth} {
		if english["did_"+string(event)] == "" {
			t.Errorf("no words for the event %q", event)
		}
	}
	for _, l := range Languages {
		all := read(l)
		if len(all) != len(english) {
			t.Errorf("%s has %d sentences, English %d", l, len(all), len(english))
		}
		for code, sentence := range english {
			if got := verbs.FindAllString(all[code], -1); !slices.Equal(got, verbs.FindAllString(sentence, -1)) || all[code] == "" {
				t.Errorf("%s, %s: %q", l, code, all[code])
			}
		}
	}
	if _, err := wordsOf("xx"); err == nil {
		t.Error("a page in no language")
	}
}

// A page in another language has no English left, and decimals as that language writes them.
func TestPageInEveryLanguage(t *testing.T) {
	english := regexp.MustCompile(`(?i)\b(the|and|with|from|frames?|were|known|pole|axis|bolts?|too|night|tolerance of)\b`)
	r := aligned()
	r.Folders = []string{"/nights/2026-11-24"}
	r.MovedSince = &Move{OnSkyArcmin: 2.4, SigmaArcsec: 7}
	r.Habits = &web.Habits{
		Periodic: &web.Periodic{PeriodS: 480, AmplitudeArcsec: 12.5, SigmaArcsec: 0.8, Curve: []web.PeriodPoint{{Phase: 0.2, ErrorArcsec: 11}, {Phase: 0.7, ErrorArcsec: -12}}},
		Bends:    []web.Bend{{FromUTC: r.SinceUTC, ToUTC: r.UntilUTC, Frames: 30, RateArcsecH: 3.5, SigmaArcsecH: 0.5}},
	}
	r.Last.Doubt = true
	for _, l := range Languages[1:] {
		parsed, err := html.Parse(strings.NewReader(rendered(t, r, l)))
		if err != nil {
			t.Fatal(err)
		}
		var words strings.Builder
		for n := range parsed.Descendants() {
			if n.Type == html.TextNode && n.Parent.Data != "style" && n.Parent.Data != "script" {
				words.WriteString(n.Data + "\n")
			}
			for _, a := range n.Attr {
				if a.Key == "aria-label" {
					words.WriteString(a.Val + "\n")
				}
			}
		}
		if found := english.FindAllString(words.String(), -1); len(found) > 0 {
			t.Errorf("%s: English is left: %q in\n%s", l, found, words.String())
		}
		if strings.Contains(words.String(), "%!") {
			t.Errorf("%s: %s", l, words.String())
		}
		want := []string{"46.320", "12.5″", "2.4′", "0.50"}
		if slices.Contains([]string{"de", "fr", "es", "it"}, l) {
			want = []string{"46,320", "12,5″", "2,4′", "0,50"}
		}
		for _, number := range want {
			if !strings.Contains(words.String(), number) {
				t.Errorf("%s does not say %s:\n%s", l, number, words.String())
			}
		}
	}
}
