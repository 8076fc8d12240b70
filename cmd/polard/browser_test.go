package main

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
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
		p.rigButton("Repeat")
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
		p.rigButton("Repeat")
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
