package web

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/sky"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// screens are the sizes at which the page is tried: a phone held upright and
// a small laptop.
var screens = []struct {
	name          string
	width, height int64
	mobile        bool
}{
	{"phone", 390, 844, true},
	{"laptop", 1280, 800, false},
}

// browser starts a headless Chromium with a fresh profile. Without one the
// test is skipped, but never in CI: there a skip would pass for a pass.
func browser(t *testing.T) context.Context {
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
	if testing.Short() {
		t.Skip("browser tests take long")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path),
		chromedp.UserDataDir(t.TempDir()),
		chromedp.NoSandbox,
		chromedp.DisableGPU,
		chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-sync", true),
		chromedp.Flag("hide-scrollbars", false),
	)
	alloc, stopAlloc := chromedp.NewExecAllocator(context.Background(), opts...)
	ctx, stop := chromedp.NewContext(alloc)
	ctx, expire := context.WithTimeout(ctx, 90*time.Second)
	t.Cleanup(func() { expire(); stop(); stopAlloc() })
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("Chromium did not start: %v", err)
	}
	watchConsole(t, ctx)
	return ctx
}

// watchConsole fails the test on every error a page reports, above all on
// what the content policy refused.
func watchConsole(t *testing.T, ctx context.Context) {
	err := chromedp.Listen(ctx, func(ev any) {
		switch ev := ev.(type) {
		case *runtime.EventExceptionThrown:
			t.Errorf("page threw: %s %s", ev.ExceptionDetails.Text, exceptionText(ev.ExceptionDetails))
		case *log.EventEntryAdded:
			if ev.Entry.Level == log.EntryLevelError && !strings.Contains(ev.Entry.Text, "ERR_CONNECTION_REFUSED") {
				t.Errorf("console: %s %s", ev.Entry.Text, ev.Entry.URL)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
}

func exceptionText(d *runtime.ExceptionDetails) string {
	if d.Exception == nil {
		return ""
	}
	return d.Exception.Description
}

func run(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

// eval is the value of a JavaScript expression on the page.
func eval[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// until waits for a JavaScript expression to become true.
func until(t *testing.T, ctx context.Context, expression string) {
	t.Helper()
	for range 200 {
		if eval[bool](t, ctx, expression) {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("never true: %s\nthe page says:\n%s", expression, eval[string](t, ctx, `document.body.innerText`))
}

func says(text string) string {
	return fmt.Sprintf("document.body.innerText.includes(%q)", text)
}

func size(width, height int64, mobile bool) chromedp.Action[chromedp.Void] {
	if mobile {
		return chromedp.EmulateViewport(width, height, chromedp.EmulateMobile, chromedp.EmulateTouch)
	}
	return chromedp.EmulateViewport(width, height)
}

func setLook(t *testing.T, ctx context.Context, look string) {
	t.Helper()
	eval[bool](t, ctx, fmt.Sprintf(`document.documentElement.dataset.look === %q || (document.getElementById("look").click(), true)`, look))
}

// shot takes a screenshot, and keeps it when POLARD_SHOTS names a folder.
func shot(t *testing.T, ctx context.Context, name string, full bool) image.Image {
	t.Helper()
	time.Sleep(400 * time.Millisecond) // let the pointers come to rest
	take := chromedp.CaptureScreenshot()
	if full {
		take = chromedp.FullScreenshot(100)
	}
	b, err := chromedp.Run(ctx, take)
	if err != nil {
		t.Fatal(err)
	}
	if dir := os.Getenv("POLARD_SHOTS"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, name+".png"), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	img, err := png.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// scenes are the states in which the page is looked at.
func scenes() []struct {
	name  string
	state State
	want  []string // words and numbers that must be on the page
} {
	_, stars := starField(12)
	around := func() Around {
		return Around{
			Program: "polard test",
			Source:  Source{Kind: "folder", Folder: "/nights/2026-03-14"},
			Latest:  latestOf(12, time.Now().Add(-2*time.Second), stars),
		}
	}
	first := around()
	first.Latest = nil
	waiting := measuringView(northSite, 0)
	waiting.Instruction = "Point the camera at clear sky, near the pole if you can, and take a frame."
	one := measuringView(northSite, 1)
	one.Instruction = "Turn the RA axis by about 30°, leave the declination alone, and take another frame."
	two := measuringView(northSite, 2)
	two.Instruction = "Turn the RA axis on by about 30°, leave the declination alone, and take another frame."
	two.Details = []string{"The axis stands 19.8' from the pole, known to 9\"."}
	adjusting := viewOf(northSite, mountmodel.Adjusting, 27.2*sky.Arcminute, -7*sky.Arcminute)
	adjusting.Warnings = []mountmodel.Warning{{Code: mountmodel.WarnTwoFrames, Message: "Two frames cannot test themselves: a third would show whether anything moved."}}
	southern := viewOf(southSite, mountmodel.Adjusting, 4*sky.Arcminute, 95*sky.Arcminute)
	near := viewOf(northSite, mountmodel.Adjusting, 0.4*sky.Arcminute, -1.9*sky.Arcminute)
	within := viewOf(northSite, mountmodel.Adjusting, 0.5*sky.Arcminute, -0.3*sky.Arcminute)
	within.Instruction = "The axis is within 1.0' of the pole: lock the bolts, then measure once more to confirm."
	done := viewOf(northSite, mountmodel.Done, 0.5*sky.Arcminute, -0.4*sky.Arcminute)
	done.Instruction = "Done: the axis is within 1.0' of the pole."
	done.Details = []string{"The axis stands 31\" from the pole, known to 6\".", "Locking moved the axis by 12\"."}
	done.Lock = &mountmodel.LockShift{Alt: -0.2 * sky.Arcminute, Total: 0.2 * sky.Arcminute, Uncertainty: 4 * sky.Arcsecond}
	practice := around()
	practice.Source = Source{Kind: "rehearsal", Folder: "/tmp/rehearsal"}
	practice.Rig = &RigState{Name: "the practice rig", RADeg: 62, AltTurned: -4, AzTurned: 12.5, Drive: true, Repeating: true, ExposureMs: 2000}
	failed := around()
	failed.Latest.Solved, failed.Latest.Stars, failed.Latest.Matched = false, nil, 0
	failed.Latest.Problem = &Notice{Code: "no_match", Message: "12 stars, needs about 20: expose longer or look for a gap in the clouds."}
	return []struct {
		name  string
		state State
		want  []string
	}{
		{"place", StateWithoutSite(first), []string{"Where does the mount stand?", "No frame yet"}},
		{"waiting", StateFromView(waiting, first), []string{"Point the camera at clear sky", "No frame yet"}},
		{"one", StateFromView(one, around()), []string{"Turn the RA axis by about 30°", "\n30°\n"}},
		{"two", StateFromView(two, around()), []string{"Turn the RA axis on by about 30°", "31.0° over 2 frames", "19.8′ from the pole, known to 9″"}},
		{"adjusting", StateFromView(adjusting, around()), []string{"Turn the mount west", "27.2′", "Raise the axis", "7.0′", "Two frames cannot test"}},
		{"southern", StateFromView(southern, around()), []string{"Lower the axis", "1.58°", "Turn the mount east", "4.0′"}},
		{"near", StateFromView(near, around()), []string{"Raise the axis", "1.9′", "24″"}},
		{"within", StateFromView(within, around()), []string{"Lock both bolts", "Both are locked"}},
		{"done", StateFromView(done, around()), []string{"The axis stands"}},
		{"practice", StateFromView(adjusting, practice), []string{"Practice rig", "Drive runs", "+12.5′"}},
		{"failed", StateFromView(adjusting, failed), []string{"12 stars, needs about 20", "not understood"}},
	}
}

// Every scene at both sizes and in both looks: its words and numbers are
// there, nothing sticks out sideways, and by night no pixel has any green or
// blue in it.
func TestScenes(t *testing.T) {
	ctx := browser(t)
	for _, sc := range screens {
		rec := &recorder{}
		s := serve(t, Options{Operator: rec, Rig: rec})
		pic, _ := starField(12)
		if err := s.PublishPreview(pic); err != nil {
			t.Fatal(err)
		}
		run(t, ctx, size(sc.width, sc.height, sc.mobile), chromedp.Navigate(s.url))
		for _, scene := range scenes() {
			if scene.state.Latest != nil {
				scene.state.Latest.ReadMs = time.Now().Add(-2 * time.Second).UnixMilli()
			}
			if err := s.Publish(scene.state); err != nil {
				t.Fatal(err)
			}
			for _, w := range scene.want {
				until(t, ctx, says(w))
			}
			if scene.state.Latest != nil {
				until(t, ctx, says("Last frame "))
				until(t, ctx, `document.querySelector(".picture img").naturalWidth === 960`)
			}
			if overflow := eval[int](t, ctx, `document.documentElement.scrollWidth - innerWidth`); overflow > 0 {
				t.Errorf("%s on the %s sticks out sideways by %d px", scene.name, sc.name, overflow)
			}
			for _, look := range []string{"day", "night"} {
				setLook(t, ctx, look)
				name := scene.name + "-" + sc.name + "-" + look
				img := shot(t, ctx, name, sc.mobile)
				if look == "night" {
					onlyRed(t, name, img)
				}
			}
		}
	}
}

// onlyRed fails on the first pixel with green or blue in it.
func onlyRed(t *testing.T, name string, img image.Image) {
	t.Helper()
	b := img.Bounds()
	lit := 0
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			r, g, bl, _ := img.At(x, y).RGBA()
			if g > 0 || bl > 0 {
				t.Errorf("%s: pixel %d,%d is %d,%d,%d: not pure red", name, x, y, r>>8, g>>8, bl>>8)
				return
			}
			if r > 0 {
				lit++
			}
		}
	}
	if lit == 0 {
		t.Errorf("%s is all black", name)
	}
}
