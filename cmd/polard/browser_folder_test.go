package main

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"polard/cmd/polard/internal/harness"
	"polard/mountmodel/sky"
	"polard/web/browsertest"

	"github.com/chromedp/chromedp"
)

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
	p.Until(`document.body.dataset.view === "work"`)
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
