package web

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/sky"
	"polard/web/browsertest"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// adjusting is a state in the midst of turning bolts, with a frame of the
// given age.
func adjusting(age time.Duration, staleAfter time.Duration) State {
	v := viewOf(northSite, mountmodel.Adjusting, 27.2*sky.Arcminute, -7*sky.Arcminute)
	return StateFromView(v, Around{Latest: latestOf(1, time.Now().Add(-age), nil), StaleAfter: staleAfter})
}

const (
	looksOld   = `document.documentElement.dataset.stale === "true" && document.querySelectorAll(".old .figure").length === 2`
	looksFresh = `document.getElementById("frame-age").dataset.state === "fresh" && document.documentElement.dataset.stale === "false" && !document.querySelector(".old")`
	showsWay   = `[...document.querySelectorAll(".way")].some(e => e.checkVisibility())`
)

// Numbers grow old by themselves: they are struck out, the way to go is gone,
// and the words ask for a new frame. A new frame makes them good again. The
// age is in sight all the while, also scrolled down.
func testStale(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	publish(t, s, adjusting(0, 2*time.Second))
	p.Says("Last frame 0 s ago")
	p.Until(looksFresh)
	p.Until(showsWay)
	p.Says("OLD: last frame 2 s ago")
	p.Until(looksOld)
	p.Says("Take a new frame first")
	if browsertest.Eval[bool](p, showsWay) {
		t.Error("old numbers still show a way to go")
	}
	p.Inspect("old-phone")
	browsertest.Eval[bool](p, `scrollTo(0, 1e6), true`)
	p.Until(`(r => r.top >= 0 && r.bottom <= innerHeight)(document.getElementById("frame-age-text").getBoundingClientRect())`)
	publish(t, s, adjusting(time.Second, 30*time.Second))
	p.Until(looksFresh)
	p.Until(showsWay)
	old := adjusting(3*time.Hour, 30*time.Second) // the page was opened long after
	old.Source.Folder = "/nights/2026-03-14"
	publish(t, s, old)
	p.Says("OLD: last frame 3 h ago")
	p.Until(looksOld)
	p.Says("No frame has come for 3 h. Does the camera expose, and does it write into /nights/2026-03-14?")
	// Behind locked bolts nothing is turned: the result stays, with its age.
	done := viewOf(northSite, mountmodel.Done, 0.5*sky.Arcminute, -0.4*sky.Arcminute)
	publish(t, s, StateFromView(done, Around{Latest: latestOf(3, time.Now().Add(-4*time.Hour), nil), StaleAfter: 30 * time.Second, Source: old.Source}))
	p.Says("Last frame 4 h ago")
	p.Until(looksFresh)
	p.Until(`parseFloat(document.querySelector(".now-card .figure").textContent) > 0`)
}

// The service goes away and comes back: the page says so, takes its numbers
// for old meanwhile, and goes on by itself with what the new one says.
func testReconnect(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	addr := strings.TrimSuffix(strings.TrimPrefix(s.url, "http://"), "/")
	publish(t, s, adjusting(0, time.Minute))
	p.Do(browsertest.Laptop.Size(), chromedp.Navigate(s.url))
	p.Until(looksFresh)
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	p.Says("The service was stopped")
	p.Until(`document.querySelector("h1").textContent === "No connection"`)
	p.Until(looksOld)
	p.Inspect("stopped-laptop")
	p.Until(browsertest.Shows("No connection. Trying again")) // after the first vain try
	s = serve(t, Options{Addr: addr})
	southern := viewOf(southSite, mountmodel.Adjusting, 4*sky.Arcminute, 95*sky.Arcminute)
	publish(t, s, StateFromView(southern, Around{Latest: latestOf(2, time.Now(), nil)}))
	p.Says("Lower the axis")
	p.Until(looksFresh)
	if browsertest.Eval[bool](p, `document.getElementById("frame-age").innerText.includes("connection")`) {
		t.Error("still says that there is no connection")
	}
}

// What a service that was started anew under an open page remembers is read anew, though it has counted as far as the one before.
func testReconnectRemembers(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	addr := strings.TrimSuffix(strings.TrimPrefix(s.url, "http://"), "/")
	publish(t, s, StateFromView(waiting(northSite), Around{}))
	p.Do(browsertest.Laptop.Size(), chromedp.Navigate(s.url))
	p.Says("Set the latitude scale")
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	s = serve(t, Options{Addr: addr, Nights: &earlierNights{memory: newMemory()}})
	publish(t, s, StateFromView(waiting(northSite), Around{}))
	p.Says("By the last night here, your scale should read 48.2°")
}

// A service of another version under an open page makes the page load anew.
func testNewVersion(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	addr := strings.TrimSuffix(strings.TrimPrefix(s.url, "http://"), "/")
	publish(t, s, adjusting(0, time.Minute))
	p.Do(chromedp.Navigate(s.url))
	p.Until(looksFresh)
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("assets")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "note.txt"), []byte("another version"), 0o644); err != nil {
		t.Fatal(err)
	}
	another, err := loadAssets(os.DirFS(dir))
	if err != nil {
		t.Fatal(err)
	}
	s = serve(t, Options{Addr: addr}, func(s *Server) { s.assets = another })
	publish(t, s, adjusting(0, time.Minute))
	p.Until(fmt.Sprintf(`document.querySelector("script[type=module]")?.src.includes(%q) === true`, s.assets.version))
	p.Until(looksFresh)
}

// inFrontOf passes requests on to the service until the test ends, each after first has seen it.
func inFrontOf(t *testing.T, s *running, first func(*http.Request)) (address string) {
	t.Helper()
	behind, err := url.Parse(s.url)
	if err != nil {
		t.Fatal(err)
	}
	pass := &httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) {
		r.SetURL(behind)
		r.Out.Host = r.In.Host
	}}
	front := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		first(r)
		pass.ServeHTTP(w, r)
	}))
	t.Cleanup(func() {
		front.CloseClientConnections()
		front.Close()
	})
	return front.URL
}

// A file of the page that does not come at first, since the phone changes its network, is asked for again.
func testFilesLostAtFirst(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	publish(t, s, adjusting(0, time.Minute))
	lost := map[string]*atomic.Int64{"/js/main.js": {}, "/js/link.js": {}, "/css/parts.css": {}}
	front := inFrontOf(t, s, func(r *http.Request) {
		for name, times := range lost {
			if strings.HasSuffix(r.URL.Path, name) && times.Add(1) <= 3 { // the browser itself asks once more
				panic(http.ErrAbortHandler)
			}
		}
	})
	p.Do(chromedp.Navigate(front))
	p.Until(looksFresh)
	p.Until(`[...document.styleSheets].some((s) => s.href.endsWith("/css/parts.css"))`)
}

// A phone sleeps while the axis moves on: its connection dies without a word and
// its timers stand. Woken, it shows at once that it knows nothing fresh, connects by
// itself, and goes on with the new numbers. So it does too where it fell asleep
// before all had come that it asked for.
func testAsleep(t *testing.T, p *browsertest.Page) {
	for _, c := range []struct {
		name  string
		drawn string // what has come when it falls asleep
	}{
		{"in the midst of loading", `document.body.dataset.view === "work"`},
		{"long after", `document.body.dataset.phase === "adjusting" && ` + showsWay},
	} {
		s := serve(t, Options{})
		finished(t, s)
		way := newWire(t, strings.TrimSuffix(strings.TrimPrefix(s.url, "http://"), "/"))
		publish(t, s, adjusting(0, 2*browsertest.Patience))
		p.Do(browsertest.Phone.Size(), chromedp.Navigate("http://"+way.addr+"/"))
		p.Until(c.drawn)
		wasDrawn := browsertest.Eval[bool](p, `globalThis.wasOld = false, new MutationObserver(() => { wasOld ||= document.documentElement.dataset.stale === "true"; })
			.observe(document.documentElement, {attributeFilter: ["data-stale"]}), `+showsWay)
		lifecycle := func(state page.SetWebLifecycleStateState) {
			browsertest.Tell(p, page.SetWebLifecycleState, page.SetWebLifecycleStateParams{State: state})
		}
		way.cut()
		lifecycle(page.SetWebLifecycleStateStateFrozen)
		southern := viewOf(southSite, mountmodel.Adjusting, 4*sky.Arcminute, 95*sky.Arcminute)
		publish(t, s, StateFromView(southern, Around{Latest: latestOf(2, time.Now(), nil), StaleAfter: 2 * browsertest.Patience}))
		time.Sleep(300 * time.Millisecond)
		way.mend()
		lifecycle(page.SetWebLifecycleStateStateActive)
		p.Says("Lower the axis")
		p.Until(looksFresh)
		p.Until(showsWay)
		if wasDrawn && !browsertest.Eval[bool](p, `wasOld`) {
			t.Errorf("%s: numbers from before the sleep looked fresh all the while", c.name)
		}
	}
}

// What is remembered is asked for beside the state. Where that is never answered, the bolts are shown all the same; the
// set-up, where it decides what to begin with, waits for it, but not for ever.
func testMemoriesHang(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	front := inFrontOf(t, s, func(r *http.Request) {
		if strings.HasSuffix(r.URL.Path, "/memories") {
			<-r.Context().Done()
			panic(http.ErrAbortHandler)
		}
	})
	publish(t, s, adjusting(0, 2*browsertest.Patience))
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(front))
	p.Until(looksFresh)
	p.Until(showsWay)
	southern := viewOf(southSite, mountmodel.Adjusting, 4*sky.Arcminute, 95*sky.Arcminute)
	publish(t, s, StateFromView(southern, Around{Latest: latestOf(2, time.Now(), nil), StaleAfter: 2 * browsertest.Patience}))
	p.Says("Lower the axis")
	p.Until(looksFresh)
	publish(t, s, StateFromView(measuringView(northSite, 1), Around{Latest: latestOf(3, time.Now(), nil)}))
	p.Do(chromedp.Navigate(front))
	p.Until(`document.body.dataset.view === "work" && document.body.dataset.phase === "measuring"`)
}
