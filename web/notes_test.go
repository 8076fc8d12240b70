package web

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

// memory keeps notes as long as the test runs; there are no earlier nights.
type memory struct {
	mu    sync.Mutex
	notes map[string][]byte
	marks Marks
}

func newMemory() *memory { return &memory{notes: make(map[string][]byte)} }

func (m *memory) Note(_ context.Context, key string) ([]byte, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.notes[key]), nil
}

func (m *memory) SetNote(_ context.Context, key string, value []byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.notes[key] = slices.Clone(value)
	return nil
}

func (m *memory) Earlier(context.Context, sky.Site, int) ([]Night, error) { return nil, nil }

func (m *memory) Marks(context.Context) (Marks, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.marks, nil
}

func (m *memory) SetMarks(_ context.Context, marks Marks) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.marks = marks
	return nil
}

// withNotes keeps the notes in memory where the options do not say.
func withNotes(opt Options) Options {
	kept := newMemory()
	if opt.Notes == nil {
		opt.Notes = kept
	}
	if opt.Nights == nil {
		opt.Nights = kept
	}
	return opt
}

// earlierNights is a logbook of our own invention.
type earlierNights struct {
	*memory
	asked sky.Site
	err   error
}

func (e *earlierNights) Earlier(_ context.Context, at sky.Site, most int) ([]Night, error) {
	e.asked = at
	scale := 47.5 * sky.Degree
	nights := []Night{
		{Began: testNight.Add(-48 * time.Hour), Site: at, Marks: Marks{Scale: &scale, Words: "legs on the three slabs"},
			First: &axis.Offset{Alt: -42 * sky.Arcminute, Az: 66 * sky.Arcminute, Total: 61 * sky.Arcminute}},
		{Began: testNight.Add(-72 * time.Hour), Site: at, Confirmed: true, Result: &axis.Offset{Total: 20 * sky.Arcsecond},
			Lock: &mountmodel.LockShift{Total: 12 * sky.Arcsecond}},
	}
	return nights[:min(most, len(nights))], e.err
}

func memoriesOf(t *testing.T, s *Server) (m memoriesBody) {
	t.Helper()
	w := ask(s, "GET", "/api/v1/memories", "", nil)
	if w.Code != 200 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if err := json.Unmarshal(w.Body.Bytes(), &m); err != nil {
		t.Fatal(err)
	}
	return m
}

func TestNotesComeBack(t *testing.T) {
	s, _ := newTestServer(t, Options{})
	if m := memoriesOf(t, s); len(m.Notes) != 0 || m.Nights == nil || len(m.Nights) != 0 {
		t.Errorf("a fresh service remembers %+v", m)
	}
	post := func(path, body string, want int) {
		t.Helper()
		if w := ask(s, "POST", "/api/v1/"+path, body, nil); w.Code != want {
			t.Errorf("%s %.80s: %d, want %d: %s", path, body, w.Code, want, w.Body)
		}
	}
	post("note", `{"key":"eyepiece","value":{"telescope_mm":600}}`, 204)
	post("note", `{"key":"steps","value":[1,2]}`, 204)
	post("note", `{"key":"steps","value":null}`, 204)
	post("note", `{"key":"../etc/passwd","value":1}`, 400)
	post("note", `{"key":"plan","value":"`+strings.Repeat("x", MaxNoteBytes)+`"}`, 400)
	post("marks", `{"scale_deg":46.5,"bearing_deg":356,"words":"white stone"}`, 204)
	post("marks", `{"scale_deg":91}`, 400)
	post("marks", `{"bearing_deg":-1}`, 400)
	post("marks", `{"words":"`+strings.Repeat("x", MaxMarkWords+1)+`"}`, 400)
	post("site", `{"lat_deg":47.25,"lon_deg":11.5}`, 204) // is kept without being asked
	m := memoriesOf(t, s)
	if place := string(m.Notes["place"]); len(m.Notes) != 2 || !strings.Contains(place, `"lat_deg":47.25,"lon_deg":11.5`) {
		t.Errorf("place kept: %s", place)
	}
	if string(m.Notes["eyepiece"]) != `{"telescope_mm":600}` {
		t.Errorf("notes %s", m.Notes)
	}
	if m.Marks.ScaleDeg == nil || *m.Marks.ScaleDeg != 46.5 || m.Marks.BearingDeg == nil || *m.Marks.BearingDeg != 356 || m.Marks.Words != "white stone" {
		t.Errorf("marks %+v", m.Marks)
	}
}

// What was noted reaches every page as a number that grew.
func TestNotingTellsThePages(t *testing.T) {
	s, _ := newTestServer(t, Options{})
	if err := s.Publish(StateFromView(viewOf(northSite, mountmodel.Adjusting, 0, 0), Around{})); err != nil {
		t.Fatal(err)
	}
	before := s.hub.newest().seq
	if w := ask(s, "POST", "/api/v1/note", `{"key":"plan","value":{}}`, nil); w.Code != 204 {
		t.Fatal(w.Body)
	}
	after := s.hub.newest()
	var state State
	if err := json.Unmarshal(after.state, &state); err != nil {
		t.Fatal(err)
	}
	if after.seq != before+1 || state.Memories != 1 {
		t.Errorf("state %d tells %d notes", after.seq, state.Memories)
	}
}

func TestEarlierNights(t *testing.T) {
	logbook := &earlierNights{memory: newMemory()}
	s, _ := newTestServer(t, Options{Nights: logbook})
	if m := memoriesOf(t, s); len(m.Nights) != 0 {
		t.Error("nights are told before the place is known")
	}
	if err := s.Publish(StateFromView(viewOf(northSite, mountmodel.Adjusting, 0, 0), Around{})); err != nil {
		t.Fatal(err)
	}
	m := memoriesOf(t, s)
	if len(m.Nights) != 2 || sky.Angle(logbook.asked.Latitude-northSite.Latitude).Abs() > sky.Arcsecond {
		t.Fatalf("%d nights at latitude %.3f", len(m.Nights), logbook.asked.Latitude.Degrees())
	}
	first, second := m.Nights[0], m.Nights[1]
	if first.BeganUTC != "2026-03-12T20:15:00.000Z" || first.First == nil || first.First.AzArcmin < 65.9 || first.First.AzArcmin > 66.1 || first.Result != nil || *first.Marks.ScaleDeg != 47.5 {
		t.Errorf("%+v", first)
	}
	if !second.Confirmed || second.Lock == nil || second.First != nil {
		t.Errorf("%+v", second)
	}
	logbook.err = errors.New("disk on fire at /secret")
	if w := ask(s, "GET", "/api/v1/memories", "", nil); w.Code != 500 || strings.Contains(w.Body.String(), "secret") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}
