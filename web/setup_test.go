package web

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"polard/mountmodel"
)

func setupOf(t *testing.T, s *Server, query string) (out SetupData) {
	t.Helper()
	w := ask(s, "GET", "/api/v1/setup"+query, "", nil)
	if w.Code != 200 {
		t.Fatalf("%s: %d %s", query, w.Code, w.Body)
	}
	if err := json.Unmarshal(w.Body.Bytes(), &out); err != nil {
		t.Fatal(err)
	}
	return out
}

func TestSetupNeedsAPlace(t *testing.T) {
	s, _ := newTestServer(t, Options{})
	w := ask(s, "GET", "/api/v1/setup", "", nil)
	if code, message := problemOf(t, w); w.Code != 409 || code != "no_place" || message == "" {
		t.Errorf("%d %s %s", w.Code, code, message)
	}
}

func TestSetupOfThePlace(t *testing.T) {
	s, _ := newTestServer(t, Options{})
	if err := s.Publish(StateFromView(viewOf(northSite, mountmodel.Waiting, 0, 0), Around{})); err != nil {
		t.Fatal(err)
	}
	now := setupOf(t, s, "")
	if math.Abs(now.Site.LatDeg-47.25) > 1e-9 || now.Eyepiece != nil || len(now.PoleStars) != 1 || len(now.PoleStars[0].Views) != 4 {
		t.Errorf("%+v", now)
	}
	// The latitude and the refraction that Bennett 1982 (J. Navigation 35, 255) gives
	// at this altitude, 0.9 arcminutes at sea level; here the air is thinner.
	if got := now.LatitudeScale; math.Abs(got.SetDeg-47.25-got.RefractionArcmin/60) > 1e-6 || got.RefractionArcmin < 0.75 || got.RefractionArcmin > 0.9 {
		t.Errorf("latitude scale %+v", got)
	}
	// A field of 20 mm at 50 degrees in 200 mm is 5 degrees, law of magnification.
	at := setupOf(t, s, "?at=2026-03-14T20:15:00Z&telescope_mm=200&eyepiece_mm=20")
	if at.TimeUTC != "2026-03-14T20:15:00Z" || at.Eyepiece == nil || math.Abs(at.Eyepiece.TrueFieldArcmin-300) > 1e-9 || !at.Eyepiece.HoldsPoleStar {
		t.Errorf("%s %+v", at.TimeUTC, at.Eyepiece)
	}
	for _, bad := range []string{"?at=tonight", "?at=1066-10-14T12:00:00Z", "?telescope_mm=600", "?telescope_mm=x&eyepiece_mm=20", "?telescope_mm=NaN&eyepiece_mm=20", "?eyepiece_mm=-1"} {
		w := ask(s, "GET", "/api/v1/setup"+bad, "", nil)
		if _, message := problemOf(t, w); w.Code != 400 || message == "" {
			t.Errorf("%s: %d %s", bad, w.Code, w.Body)
		}
	}
}

func TestBalance(t *testing.T) {
	s, rec := newTestServer(t, Options{})
	// Law of the lever: 7.5 kg at 210 mm against 5 kg is 315 mm.
	w := ask(s, "POST", "/api/v1/balance", `{"parts":[{"name":"tube","kg":7.5,"shaft_mm":210}],"sliding_kg":5,"nearest_mm":110,"farthest_mm":380}`, nil)
	var b Balance
	if err := json.Unmarshal(w.Body.Bytes(), &b); err != nil || b.RA.AtMm == nil || math.Abs(*b.RA.AtMm-315) > 1e-9 || b.RA.Verdict != "balanced" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	for _, bad := range []string{`{}`, `{"parts":[{"kg":-1}]}`, `{"parts":[{"kg":1}],"sliding_kg":5}`, `{"parts":[` + strings.Repeat(`{"kg":1},`, 30) + `{"kg":1}]}`, `{"tube":1}`, `[]`} {
		w := ask(s, "POST", "/api/v1/balance", bad, nil)
		if _, message := problemOf(t, w); w.Code != 400 || message == "" {
			t.Errorf("%s: %d %s", bad, w.Code, w.Body)
		}
	}
	// It changes nothing, so a device that may only look on may ask.
	if told := rec.told(); len(told) != 0 {
		t.Errorf("told %q", told)
	}
}
