package web

import (
	"net/http"
	"testing"
	"time"

	"polard/web/browsertest"

	"github.com/chromedp/chromedp"
)

// What is asked of camera and mount is passed on, and nothing that makes no sense.
func TestEquipmentCommands(t *testing.T) {
	rec := &recorder{}
	s, _ := newTestServer(t, Options{Operator: rec, Equipment: rec})
	for _, c := range []struct {
		path, body string
		status     int
		told       string
	}{
		{"find", `{}`, 204, "find"},
		{"choose", `{"camera":"A","mount":"B"}`, 204, "choose A B"},
		{"choose", `{"camera":"A"}`, 400, ""},
		{"propose", `{}`, 204, "propose {TurnDeg:0 Way: Daylight: Thorough:false}"},
		{"propose", `{"turn_deg":40,"way":"west","daylight":"covered"}`, 204, "propose {TurnDeg:40 Way:west Daylight:covered Thorough:false}"},
		{"propose", `{"thorough":true}`, 204, "propose {TurnDeg:0 Way: Daylight: Thorough:true}"},
		{"propose", `{"turn_deg":400}`, 400, ""},
		{"propose", `{"way":"up"}`, 400, ""},
		{"measure", `{}`, 400, ""},
		{"measure", `{"plan":"7","attended":true}`, 204, "measure 7 true"},
		{"present", `{}`, 204, "present"},
		{"loop", `{}`, 400, ""},
		{"loop", `{"on":true}`, 204, "loop true"},
		{"stop", `{}`, 204, "stop"},
		{"changed", `{}`, 204, "something changed"},
	} {
		before := len(rec.told())
		w := ask(s, http.MethodPost, "/api/v1/equipment/"+c.path, c.body, nil)
		if w.Code != c.status {
			t.Errorf("%s %s: %d %s", c.path, c.body, w.Code, w.Body)
		}
		if told := rec.told()[before:]; c.told == "" && len(told) > 0 || c.told != "" && (len(told) != 1 || told[0] != c.told) {
			t.Errorf("%s %s: told %q", c.path, c.body, told)
		}
	}
	without, _ := newTestServer(t, Options{Operator: rec})
	if w := ask(without, http.MethodPost, "/api/v1/equipment/stop", `{}`, nil); w.Code != http.StatusNotFound {
		t.Errorf("without camera and mount: %d", w.Code)
	}
}

// The first press asks what would move, the second moves it; stop is there all the while.
func testEquipment(t *testing.T, p *browsertest.Page) {
	rec := &recorder{}
	s := serve(t, Options{Operator: rec, Equipment: rec})
	state := adjusting(0, time.Minute)
	p.Do(browsertest.Phone.Size(), chromedp.Navigate(s.url))
	publish(t, s, state)
	p.Until(looksFresh)
	if browsertest.Eval[bool](p, browsertest.Shows("Camera and mount")) {
		t.Error("camera and mount are offered although there are none")
	}
	state.Equipment = &EquipmentState{Protocol: "indi", Cameras: []string{"Lapwing C2", "Heron C7"}, Mounts: []string{"Bittern"}, Activity: "idle", ExposureS: 2}
	publish(t, s, state)
	p.Says("No camera and mount are chosen yet.")
	press := func(look string) {
		t.Helper()
		p.Until(`!document.querySelector("#equipment ` + look + `").disabled`)
		browsertest.Eval[bool](p, `(document.querySelector("#equipment `+look+`").click(), true)`)
	}
	browsertest.Eval[bool](p, `(document.querySelector("#equipment select").value = "Heron C7", true)`)
	press(".equipment-chooser .strong")
	waitTold(t, rec, "choose Heron C7 Bittern")
	state.Equipment.Camera, state.Equipment.Mount = "Heron C7", "Bittern"
	publish(t, s, state)
	p.Says("Heron C7 on Bittern")
	press(".equipment-measure")
	waitTold(t, rec, "choose Heron C7 Bittern", "propose {TurnDeg:0 Way: Daylight: Thorough:false}")
	state.Equipment.Plan = &MotionPlan{ID: "3", Text: "Bittern will turn about its right ascension axis 40 degrees to the west, in 2 steps of 20 degrees.",
		Cautions: []string{"The makers' manuals of mount, tube and camera come first.", "Look at the cables: they must reach over the whole turn."}}
	publish(t, s, state)
	p.Says("40 degrees to the west")
	p.Says("Look at the cables")
	p.Says("Move it now")
	lookAtEquipment(t, p, "plan")
	press(".equipment-measure")
	waitTold(t, rec, "choose Heron C7 Bittern", "propose {TurnDeg:0 Way: Daylight: Thorough:false}", "measure 3 true")
	state.Equipment.Plan, state.Equipment.Activity, state.Equipment.TurnedDeg, state.Equipment.OfDeg = nil, "turning", 5, 20
	publish(t, s, state)
	p.Says("The mount turns: 5° of 20°")
	if size := browsertest.Eval[float64](p, `document.querySelector(".equipment-stop").getBoundingClientRect().height`); size < 70 {
		t.Errorf("the stop button is %.0f pixels high", size)
	}
	if !browsertest.Eval[bool](p, `(() => { scrollTo(0, 0); const r = document.querySelector(".equipment-stop").getBoundingClientRect();
		return document.elementFromPoint(r.x + r.width / 2, r.y + r.height / 2)?.closest(".equipment-stop") !== null && r.bottom <= innerHeight; })()`) {
		t.Error("while the mount turns, its stop button is not in sight")
	}
	lookAtEquipment(t, p, "turning")
	// In the set-up too.
	browsertest.Eval[bool](p, `(document.getElementById("setup-open").click(), true)`)
	if !browsertest.Eval[bool](p, `document.querySelector(".equipment-stop").getBoundingClientRect().height > 70`) {
		t.Error("there is no stop button in the set-up")
	}
	press(".equipment-stop")
	waitTold(t, rec, "choose Heron C7 Bittern", "propose {TurnDeg:0 Way: Daylight: Thorough:false}", "measure 3 true", "stop")
	state.Equipment.Activity, state.Equipment.Trouble = "idle", "the mount does not turn as asked: it stands still"
	publish(t, s, state)
	browsertest.Eval[bool](p, `(document.getElementById("setup-open").click(), true)`)
	p.Says("it stands still")
	if browsertest.Eval[bool](p, browsertest.Shows("Something was changed")) {
		t.Error("a measurement with nobody there is offered although there is no schedule")
	}
	state.Equipment.Schedule = "after_change"
	publish(t, s, state)
	p.Says("Something was changed")
	browsertest.Eval[bool](p, `([...document.querySelectorAll("#equipment button")].find((b) => b.textContent === "Something was changed").click(), true)`)
	waitTold(t, rec, "choose Heron C7 Bittern", "propose {TurnDeg:0 Way: Daylight: Thorough:false}", "measure 3 true", "stop", "something changed")
	state.Equipment.Due = true
	publish(t, s, state)
	p.Says("as soon as it is dark")
	state.Equipment.Rests = "the mount does not turn as asked: it stands still"
	publish(t, s, state)
	p.Says("until somebody has looked at the mount")
	lookAtEquipment(t, p, "schedule")
}

// lookAtEquipment looks at the page as at every other state, by day and by night.
func lookAtEquipment(t *testing.T, p *browsertest.Page, name string) {
	t.Helper()
	browsertest.Eval[bool](p, `(document.getElementById("equipment").scrollIntoView({block: "center"}), true)`)
	p.Inspect("equipment " + name)
}
