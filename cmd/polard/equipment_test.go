package main

import (
	"context"
	"fmt"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/devices/devicestest"
	"polard/cmd/polard/internal/harness"
	"polard/web"
	"polard/web/alarm"
	"polard/web/mqtt"
)

// operated is a service that operates a rehearsed rig behind the real INDI server.
type operated struct {
	*running
	server *devicestest.Server
	folder string
}

func startOperated(t *testing.T, args ...string) operated {
	t.Helper()
	config := devicestest.MidnightRig(time.Now())
	server := devicestest.RigServer(t, config)
	folder := t.TempDir()
	o := operated{start(t, append([]string{"serve", folder, "--indi", server.Addr, "--state", t.TempDir(), "--exposure", "0.5", "--beyond-meridian", "30",
		"--lat", fmt.Sprint(config.Site.Latitude.Degrees()), "--lon", fmt.Sprint(config.Site.Longitude.Degrees()), "--elevation", "640"}, args...)...), server, folder}
	o.until(t, "camera and mount to be found", func(q *web.EquipmentState) bool { return q.Camera != "" && q.Mount != "" && q.Activity == "idle" })
	return o
}

// until waits until what the page shows of camera and mount satisfies something.
func (o operated) until(t *testing.T, what string, holds func(*web.EquipmentState) bool) *web.EquipmentState {
	t.Helper()
	var q *web.EquipmentState
	harness.Eventually(t, what, func() (bool, string) {
		if s := o.State(t); s != nil {
			q = s.Equipment
		}
		return q != nil && holds(q), fmt.Sprintf("%+v; log: %s", q, o.Stderr.String())
	})
	return q
}

// proposed asks for a plan and gives its id.
func (o operated) proposed(t *testing.T, order string) string {
	t.Helper()
	if status, answer := o.Post(t, "equipment/propose", order); status != http.StatusNoContent {
		t.Fatalf("propose: %d %s", status, answer)
	}
	return o.until(t, "the plan", func(q *web.EquipmentState) bool { return q.Plan != nil }).Plan.ID
}

func (o operated) pictures() int {
	files, _ := filepath.Glob(filepath.Join(o.folder, "*.fits"))
	return len(files)
}

// On the page: find, look at the plan, measure, loop while a bolt is turned, lose the server and get it back.
func TestServeOperates(t *testing.T) {
	t.Parallel() // it waits most of its time
	o := startOperated(t)
	if status, answer := o.Post(t, "equipment/measure", `{"plan":"1"}`); status != http.StatusConflict || !strings.Contains(answer, "plan") {
		t.Errorf("without a plan: %d %s", status, answer)
	}
	id := o.proposed(t, `{"turn_deg":40,"way":"west"}`)
	plan := o.State(t).Equipment.Plan
	if !strings.Contains(plan.Text, "40 degrees to the west") || len(plan.Cautions) < 4 {
		t.Errorf("the plan is %+v", plan)
	}
	if status, answer := o.Post(t, "equipment/measure", `{"plan":"`+id+`"}`); status != http.StatusNoContent {
		t.Fatalf("measure: %d %s; %s", status, answer, o.Stderr.String())
	}
	s := o.State(t)
	if s.Phase != "adjusting" || s.Measured == nil {
		t.Fatalf("after the measurement %s, %+v", s.Phase, s.Do)
	}
	altDeg, azDeg := trueAxis(devicestest.MidnightRig(time.Now()))
	alt, onSky, _ := differ(directionJSON{float64(s.Measured.Axis.AltDeg), float64(s.Measured.Axis.AzDeg)}, altDeg, azDeg)
	if alt*alt+onSky*onSky > 20*20 {
		t.Errorf("the axis is wrong by %.1f and %.1f arcsec", alt, onSky)
	}
	o.until(t, "the loop", func(q *web.EquipmentState) bool { return q.Looping })
	before := float64(s.Measured.Offset.AltArcmin)
	o.server.Set(devicestest.RehearsedMount + "." + devicestest.BoltsProperty + ".ALTITUDE=0.1")
	harness.Eventually(t, "the bolt's turn to show", func() (bool, string) {
		s = o.State(t)
		moved := float64(s.Now.Offset.AltArcmin) - before
		return moved > 5 && moved < 5.5, fmt.Sprintf("moved %.2f arcmin", moved) // 52 arcmin a turn
	})

	o.server.Kill()
	o.until(t, "the loss to be told", func(q *web.EquipmentState) bool { return q.Activity == "waiting" })
	o.server.Start()
	many := o.pictures()
	harness.Eventually(t, "pictures after the server is back", func() (bool, string) {
		return o.pictures() > many+1, o.Stderr.String()
	})
	if status, answer := o.Post(t, "equipment/stop", `{}`); status != http.StatusNoContent {
		t.Errorf("stop: %d %s", status, answer)
	}
	o.until(t, "the end of the loop", func(q *web.EquipmentState) bool { return !q.Looping && q.Activity == "idle" })
	if log := o.Stderr.String(); strings.Contains(log, o.server.Addr) {
		t.Errorf("the address of the devices stands in the log: %s", log)
	}
}

// A mount that turns is stopped by the word of the user, by a browser that goes away, by one that is not
// heard any more, and by the end of the service.
func TestServeStopsTheMount(t *testing.T) {
	o := startOperated(t)
	aborts := func() int { return strings.Count(o.server.Log(), "abort") }
	stopped := func(what string, before int, since time.Time) {
		t.Helper()
		for aborts() == before && time.Since(since) < 10*time.Second {
			time.Sleep(2 * time.Millisecond)
		}
		t.Logf("%s: the mount was told to stop after %v", what, time.Since(since).Round(time.Millisecond))
		if aborts() == before {
			t.Errorf("%s: the mount was not told to stop", what)
		}
	}
	for _, how := range []string{"stop", "the browser goes away", "nobody is heard", "the service ends"} {
		way := `{"turn_deg":60,"way":"west"}`
		harness.Eventually(t, "a plan", func() (bool, string) { // the axis stands somewhere on its way
			for _, order := range []string{way, `{"turn_deg":60,"way":"east"}`, `{}`} {
				if status, _ := o.Post(t, "equipment/propose", order); status == http.StatusNoContent {
					return true, ""
				}
			}
			return false, o.State(t).Equipment.Trouble
		})
		id := o.until(t, "the plan", func(q *web.EquipmentState) bool { return q.Plan != nil }).Plan.ID
		ctx, leave := context.WithCancel(t.Context())
		r, err := http.NewRequestWithContext(ctx, http.MethodPost, o.URL+"api/v1/equipment/measure",
			strings.NewReader(`{"plan":"`+id+`","attended":`+fmt.Sprint(how == "nobody is heard")+`}`))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/json")
		answered := make(chan struct{})
		go func() {
			defer close(answered)
			if resp, err := http.DefaultClient.Do(r); err == nil {
				resp.Body.Close()
			}
		}()
		turning := func(q *web.EquipmentState) bool { return q.Activity == "turning" && q.OfDeg != 0 }
		if how == "nobody is heard" {
			// It is heard until the axis turns.
			turning = func(q *web.EquipmentState) bool {
				o.Post(t, "equipment/present", `{}`)
				return q.Activity == "turning" && q.OfDeg != 0
			}
		}
		o.until(t, "the mount to turn", turning)
		before, since := aborts(), time.Now()
		switch how {
		case "stop":
			if status, answer := o.Post(t, "equipment/stop", `{}`); status != http.StatusNoContent {
				t.Errorf("stop: %d %s", status, answer)
			}
		case "the browser goes away":
			leave()
		case "the service ends":
			if status, took := o.Stop(t); status != exitDone || took > harness.StopsWithin() {
				t.Errorf("the service ended with %d after %v", status, took)
			}
		}
		stopped(how, before, since)
		leave()
		<-answered
		if how != "the service ends" {
			o.until(t, "the end of the measurement", func(q *web.EquipmentState) bool { return q.Activity == "idle" })
		}
	}
}

// With nobody there the axis is measured at first dark, and again after a change; that it has moved by more than the
// set amount since is told on the page, to the broker and in the metrics.
func TestServeNightly(t *testing.T) {
	t.Parallel() // it waits most of its time
	broker := startMosquitto(t, "")
	heard := &piers{states: make(chan mqtt.Pier, 1000)}
	go func() { _ = mqtt.Listen(t.Context(), mqtt.Options{Broker: broker, Prefix: "site/polard"}, heard) }()
	o := startOperated(t, "--nightly", "--alarm-moved", "5", "--mqtt", broker, "--mqtt-prefix", "site/polard", "--pier", "pier-7")
	s := o.State(t)
	measured := func(what string, before bool) {
		t.Helper()
		harness.Eventually(t, what, func() (bool, string) {
			s = o.State(t)
			return s.Measured != nil && s.Equipment.Activity == "idle" && (s.Equipment.Before != nil) == before && !s.Equipment.Due,
				fmt.Sprintf("%+v %s", s.Equipment, o.Stderr.String())
		})
	}
	measured("tonight's measurement", false)
	altDeg, azDeg := trueAxis(devicestest.MidnightRig(time.Now()))
	alt, onSky, _ := differ(directionJSON{float64(s.Measured.Axis.AltDeg), float64(s.Measured.Axis.AzDeg)}, altDeg, azDeg)
	if alt*alt+onSky*onSky > 20*20 || s.Equipment.Looping || len(s.Alarms) != 0 {
		t.Errorf("the axis is wrong by %.1f and %.1f arcsec; looping %t, alarms %v", alt, onSky, s.Equipment.Looping, s.Alarms)
	}
	if many := o.pictures(); many < 5 {
		t.Errorf("%d pictures at two declinations", many)
	}
	o.server.Set(devicestest.RehearsedMount + "." + devicestest.BoltsProperty + ".ALTITUDE=0.2") // 10 arcminutes
	if status, answer := o.Post(t, "equipment/changed", `{}`); status != http.StatusNoContent {
		t.Fatalf("changed: %d %s", status, answer)
	}
	measured("the measurement after the change", true)
	if len(s.Alarms) != 1 || s.Alarms[0].Code != alarm.AxisMoved || !strings.Contains(s.Alarms[0].Message, "before this measurement") {
		t.Errorf("the page tells %+v", s.Alarms)
	}
	if _, text := o.get(t, "metrics"); !strings.Contains(string(text), `polard_alarm{alarm="axis_moved"} 1`) {
		t.Errorf("the metrics tell %s", text)
	}
	var last mqtt.Pier
	for len(last.Alarms) != 1 || last.Alarms[0].Code != alarm.AxisMoved {
		select {
		case last = <-heard.states:
		case <-time.After(harness.Patience):
			t.Fatalf("the broker is not told of the alarm, but last of %+v\n%s", last, o.Stderr.String())
		}
	}
}
