package web

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/plan"
	"polard/mountmodel/sky"
	"polard/web/browsertest"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// setupStep is what a step of the set-up must say.
type setupStep struct {
	key  string
	want []string
}

// setupSteps are those of a site, in their order. The numbers are those of
// mountmodel/setup, which its own tests hold to ERFA and to the test values of the
// World Magnetic Model.
func setupSteps(data SetupData, south bool) []setupStep {
	pole := "north"
	if south {
		pole = "south"
	}
	star := data.PoleStars[0]
	return []setupStep{
		{"place", []string{"Set the latitude scale", fmt.Sprintf("%.1f°", data.LatitudeScale.SetDeg), "The air lifts the pole by"}},
		{"ground", []string{"One leg towards " + pole, "Level the base to within 1°"}},
		{"direction", []string{"True " + pole + " by compass", fmt.Sprintf("%.1f°", data.Compass.BearingDeg), "World Magnetic Model 2025", "Never look at the Sun"}},
		{"balance", []string{"Balance: right ascension, then declination", "Hold the tube whenever"}},
		{"start", []string{"Tube on top, counterweight down", "Turn the axis a third of a turn"}},
		{"star", []string{star.Name + " at ", "Naked eye", "Inverting finder", "An axis simply pointed at the star is"}},
		{"plan", []string{"What will you photograph?", "Longest trail allowed"}},
	}
}

// The steps of the set-up, one after the other, at both sizes, north and south:
// what they say is there, and the page stands inspection. They are left behind one by
// one, and that is remembered.
func testSteps(t *testing.T, p *browsertest.Page) {
	for _, c := range []struct {
		screen browsertest.Screen
		site   sky.Site
		name   string
	}{
		{browsertest.Phone, northSite, "north"},
		{browsertest.Laptop, southSite, "south"},
	} {
		rec := &recorder{}
		s := serve(t, Options{Operator: rec})
		publish(t, s, StateFromView(waiting(c.site), Around{
			Source: Source{Kind: "folder", Folder: "/nights/2026-03-14"},
			Plan:   PlanFromOrder(PlanOrder{Plan: plan.Plan{HourFrom: sky.Angle(math.NaN()), HourTo: sky.Angle(math.NaN())}, LimitPx: 1}), // as before a plan is made
		}))
		data := setupOf(t, s.Server, "")
		p.Do(c.screen.Size(), chromedp.Navigate(s.url))
		for i, step := range setupSteps(data, c.site.South()) {
			for _, w := range step.want {
				p.Says(w)
			}
			switch step.key {
			case "direction": // the Sun is up at noon of Greenwich at both places, all year round
				noon := time.Now().UTC().Format("2006-01-02") + "T12:00:00Z"
				shadow := setupOf(t, s.Server, "?at="+noon).Sun.Shadow
				browsertest.Eval[bool](p, `(e => { const noon = new Date(); noon.setUTCHours(12, 0, 0, 0);
					e.value = noon.toTimeString().slice(0, 5); e.dispatchEvent(new Event("change")); return true; })(document.getElementById("f-when"))`)
				p.Says(fmt.Sprintf("the shadow points to %.1f°", shadow.AzDeg))
			case "balance":
				for field, text := range map[string]string{"kg0": "7,5", "shaft0": "210", "tube0": "15", "kg1": "0.9", "shaft1": "210", "tube1": "-420", "sliding_kg": "5", "nearest_mm": "110", "farthest_mm": "380", "shaft_kg": "1.2"} {
					p.Fill(fmt.Sprintf("[name=%s]", field), text)
				}
				p.Click(`#now .step-extra button[type=submit]`)
				// Law of the lever: (8.4 x 210 - 1.2 x 245) / 5, and (7.5 x 15 - 0.9 x 420) / 8.4.
				p.Says("Middle of the weight 294 mm")
				p.Says("slide the tube with all on it 32 mm towards its sky end")
			case "plan":
				p.Fill("[name=exposure_s]", "180")
				p.Fill("[name=dec_deg]", "41.5")
				p.Click(`label[for=f-guided]`)
				p.Fill("[name=guide_offset_arcmin]", "25")
				p.Click(`#now .step-extra button[type=submit]`)
				waitTold(t, rec, "plan 0 mm 0 um 0 x 0, 3m0s, guided true 25.0', dec 41.5, -45.0 to 45.0, 1 px, apply true")
				p.Says("Kept.")
			case "star":
				p.Fill("[name=telescope_mm]", "200")
				p.Fill("[name=eyepiece_mm]", "20")
				p.Click(`#now .step-extra button[type=submit]`)
				p.Says("Your eyepiece shows 5.00°")
				p.Until(`document.querySelectorAll(".star-views svg[role=img]").length === 4 && document.querySelectorAll(".star-views circle.d-dashed").length === 3`)
			}
			browsertest.Eval[bool](p, `(scrollTo(0, 0), true)`)
			p.Inspect(fmt.Sprintf("setup-%d-%s-%s", i+1, step.key, c.screen.Name))
			how := "done"
			if i == 1 {
				how = "skip"
			}
			p.Click(fmt.Sprintf("[data-do=%q]", how))
			if i < 6 { // the focus goes along: keys and a screen reader go on from the heading
				p.Until(`document.activeElement === document.querySelector("#now h1")`)
			}
		}
		p.Says("Point the camera at clear sky") // behind the last step lie the frames
		p.Do(chromedp.Reload())
		p.Says("Point the camera at clear sky")
		p.Click("#setup-open")
		p.Until(`[...document.querySelectorAll(".way-list small")].map(e => e.textContent).join() === "done,left out,done,done,done,done,done"`)
	}
}

// The set-up speaks of the mount that there is: a fork and a camera on a ball head have no
// counterweight, in any language. On the equator it does not point at a pole that nobody sees.
func testMounts(t *testing.T, p *browsertest.Page) {
	const counterweight = `/counterweight|Gegengewicht|contrepoids|contrapeso|contrappeso|重锤|ウェイトが下/i`
	s := serve(t, Options{Operator: &recorder{}})
	equator := sky.Site{Latitude: 0.5 * sky.Degree, Longitude: 36.8 * sky.Degree, ElevationM: 1700}
	publish(t, s, StateFromView(waiting(equator), Around{}))
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	step := func(i int) {
		browsertest.Eval[bool](p, fmt.Sprintf(`(document.querySelectorAll(".way-list button")[%d].click(), true)`, i))
	}
	p.Says("Set the latitude scale")
	step(4)
	p.Says("The pole stands low, at 0.")
	p.Inspect("setup-equator-german")
	step(5)
	p.Says("the horizon now") // above or below it, by the hour
	step(1)
	p.Says("Two legs towards north")
	p.Do(browsertest.Laptop.Size())
	p.Inspect("setup-equator-ground")
	p.Do(browsertest.Phone.Size())
	for kind, says := range map[string]string{"fork": "Fork towards the pole", "tracker": "The drive's axis towards the pole"} {
		step(1)
		browsertest.Eval[bool](p, fmt.Sprintf(`(e => { e.value = %q; e.dispatchEvent(new Event("change")); return true; })(document.getElementById("f-mount"))`, kind))
		p.Says("One leg towards north")
		step(4)
		p.Says(says)
		p.Inspect("setup-equator-" + kind)
		for _, l := range append(languages, struct{ code, turn, place string }{code: "en"}) {
			browsertest.Eval[bool](p, fmt.Sprintf(`(localStorage.setItem("language", %q), true)`, l.code))
			p.Do(chromedp.Reload())
			p.Until(fmt.Sprintf(`document.documentElement.lang.startsWith(%q) && document.querySelectorAll(".way-list button").length === 7 && document.querySelector("#now .setup-card h1") !== null`, l.code))
			for i := range 5 {
				if i == 2 {
					continue // the direction depends on no mount
				}
				step(i)
				p.Until(`!document.body.hasAttribute("data-waits")`)
				p.NoOverflow(fmt.Sprintf("%s set-up %d of a %s", l.code, i+1, kind))
				// Everything that can be unfolded too, but for the names of the other kinds.
				p.Until(fmt.Sprintf(`!%s.test([...document.querySelectorAll("#now .setup-card, #now .more, #way")].map(e => e.textContent).join("\n"))`, counterweight))
			}
		}
	}
}

// A thumb that is on its way to a button finds it there: neither what the service computes for the place, however late it
// comes, nor the next step moves the buttons of the set-up.
func testButtonsHoldStill(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{})
	publish(t, s, StateFromView(waiting(northSite), Around{}))
	browsertest.Tell(p, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: `(() => {
		const ask = window.fetch, come = new Promise(resolve => { window.letCome = resolve; });
		window.fetch = async (...what) => { if (String(what[0]).startsWith("/api/v1/setup")) await come; return ask(...what); };
	})()`})
	const where = `(r => Math.round(r.x) + "," + Math.round(r.y) + " " + Math.round(r.width) + "x" + Math.round(r.height))(document.querySelector('[data-do=%q]').getBoundingClientRect())`
	for _, screen := range []browsertest.Screen{browsertest.Phone, browsertest.Landscape, browsertest.Laptop} {
		p.Do(screen.Size(), chromedp.Navigate(s.url))
		p.Until(`document.querySelector('[data-do="straight"]')?.checkVisibility() && document.body.hasAttribute("data-waits")`)
		before := browsertest.Eval[string](p, fmt.Sprintf(where, "straight"))
		browsertest.Eval[bool](p, `(window.letCome(), true)`)
		p.Says("The air lifts the pole by")
		if after := browsertest.Eval[string](p, fmt.Sprintf(where, "straight")); after != before {
			t.Errorf("%s: when the place's numbers come, what is to be pressed goes from %s to %s", screen.Name, before, after)
		}
		first := browsertest.Eval[string](p, fmt.Sprintf(where, "done"))
		for i := 1; i < 7; i++ {
			p.Click(fmt.Sprintf(`.way-list li:nth-child(%d) button`, i+1))
			p.Until(`document.activeElement === document.querySelector("#now h1")`)
			browsertest.Eval[bool](p, `(scrollTo(0, 0), true)`)
			if now := browsertest.Eval[string](p, fmt.Sprintf(where, "done")); now != first {
				t.Errorf("%s: at step %d the button to go on is at %s, at the first at %s", screen.Name, i+1, now, first)
			}
		}
	}
}

// waiting is a session that waits for its first frame.
func waiting(site sky.Site) mountmodel.View {
	v := measuringView(site, 0)
	tell(&v, "first_frame", "Point the camera at clear sky, well above the horizon, and take a frame.")
	return v
}

// The place is typed as people write numbers, what is wrong with it is said beside
// it, and the device's own position may be taken.
func testPlace(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec})
	publish(t, s, StateWithoutSite(Around{}))
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	p.Until(`document.querySelector("[name=lat_deg]") !== null`)
	const save = `[data-do="done"]`
	p.Fill("[name=lat_deg]", "forty")
	p.Click(save)
	p.Says("Please write a number")
	p.Until(`document.activeElement.name === "lat_deg" && document.activeElement.getAttribute("aria-invalid") === "true"`)
	p.Inspect("place-wrong-phone")
	p.Fill("[name=lat_deg]", "91")
	p.Fill("[name=lon_deg]", "11,5") // a comma will do
	p.Fill("[name=elevation_m]", "840")
	p.Fill("[name=temperature_c]", "-3.5")
	p.Click(save)
	p.Says("Latitude 91.0000 is outside −90 to +90 degrees.")
	waitTold(t, rec)
	p.Fill("[name=lat_deg]", "−30.2") // nor a typographic minus
	p.Click(save)
	want := []string{"site -30.2000 11.5000 840 m, 916.3 hPa, -3.5 C, refracted"}
	waitTold(t, rec, want...)

	// With the place the step says what to set; the place can be changed, from the
	// device's own position too. localhost is as good as https for that.
	publish(t, s, StateFromView(waiting(northSite), Around{}))
	p.Says("Set the latitude scale")
	lat, lon, metres := 46.318, 13.072, 12.0
	browsertest.Tell(p, emulation.SetGeolocationOverride, emulation.SetGeolocationOverrideParams{Latitude: &lat, Longitude: &lon, Accuracy: &metres})
	allowPosition(t, p, s.url)
	p.Click(`.step-extra > .row button`)
	p.Until(`document.querySelector("[name=lat_deg]").value === "47.25"`)
	browsertest.Eval[bool](p, `([...document.querySelectorAll("#now form button")].find(b => b.textContent.startsWith("Use this device")).click(), true)`)
	p.Says("give or take 12 m")
	p.Until(`document.querySelector("[name=lat_deg]").value === "46.318" && document.querySelector("[name=lon_deg]").value === "13.072"`)
	p.Click(save)
	waitTold(t, rec, append(want, "site 46.3180 13.0720 840 m, 916.3 hPa, 10.0 C, refracted")...)

	// Another night the same place is one touch away.
	publish(t, s, StateWithoutSite(Around{}))
	p.Do(chromedp.Reload())
	p.Says("As last time: 46.32° N, 13.07° E")
	browsertest.Eval[bool](p, `([...document.querySelectorAll("#now form button")].find(b => b.textContent.startsWith("As last time")).click(), true)`)
	p.Until(`document.querySelector("[name=lat_deg]").value === "46.318"`)
}

// allowPosition lets the page ask where the device is, as a person does who says yes.
func allowPosition(t *testing.T, p *browsertest.Page, url string) {
	t.Helper()
	_, err := chromedp.CallBrowser(p.Ctx, browser.SetPermission, browser.SetPermissionParams{
		Permission: &browser.PermissionDescriptor{Name: "geolocation"}, Setting: browser.PermissionSettingGranted,
		Origin: strings.TrimSuffix(url, "/"), BrowserContextID: chromedp.FromContext(p.Ctx).BrowserContextID,
	})
	if err != nil {
		t.Fatal(err)
	}
}

// Earlier nights say what the scale should read; what is noted now comes back.
func testRemembered(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{Nights: &earlierNights{memory: newMemory()}})
	publish(t, s, StateFromView(waiting(northSite), Around{}))
	p.Do(browsertest.Laptop.Size(), chromedp.Navigate(s.url))
	// The scale read 47.5 degrees and the axis was 42 arcminutes too low then.
	p.Says("By the last night here, your scale should read 48.2°")
	p.Says("first measured 1.02° off")
	p.Says("confirmed at 20″, the lock moved it by 12″")
	p.Inspect("remembered-laptop")
	p.Fill("[name=scale_deg]", "48,1")
	p.Do(chromedp.KeyEvent("\t"))
	p.Says("Kept.")
	p.Click(`.way-list li:nth-child(2) button`)
	p.Says("Last time you noted: legs on the three slabs")
	p.Do(chromedp.Reload())
	p.Says("Set the latitude scale")
	p.Until(`document.querySelector("[name=scale_deg]").value === "48.1"`)
	// With the night's result everything is asked for once more.
	publish(t, s, StateFromView(viewOf(northSite, mountmodel.Done, 0, 0.1*sky.Arcminute), Around{}))
	p.Click("#setup-open")
	p.Says("For the next night here")
	p.Until(`document.querySelector("#marks [name=scale_deg]").value === "48.1"`)
	p.Fill("#marks textarea", "north leg on the white stone")
	p.Click("#marks button")
	p.Says("Kept.")
	if m := memoriesOf(t, s.Server); m.Marks.Words != "north leg on the white stone" || *m.Marks.ScaleDeg != 48.1 {
		t.Errorf("kept %+v", m.Marks)
	}
}

// While the Sun is up the page says so, and more when a frame looks near it.
func testSun(t *testing.T, p *browsertest.Page) {
	s := serve(t, Options{}, func(s *Server) {
		begun := time.Now()
		s.now = func() time.Time { return time.Date(2026, 3, 15, 11, 30, 0, 0, time.UTC).Add(time.Since(begun)) }
	})
	finished(t, s)
	state := adjusting(0, time.Minute)
	state.Latest.ReadMs = s.now().UnixMilli()
	publish(t, s, state)
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	p.Says("The Sun is up: caps on tube and finder")
	state.Latest.Sight = &Direction{AltDeg: 35, AzDeg: 170}
	publish(t, s, state)
	p.Says("The Sun is up and near where the camera looks")
	p.Click("#setup-open")
	p.Click("#way details summary")
	p.Says("The Sun is up. Its light in a telescope")
}
