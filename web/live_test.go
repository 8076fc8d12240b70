package web

import (
	"context"
	"encoding/json"
	"image/jpeg"
	"net/http"
	"net/http/httptest"
	"net/url"
	"reflect"
	"runtime"
	"strings"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/sky"

	"github.com/gorilla/websocket"
)

type message struct {
	Type    string
	Seq     uint64
	SentMs  int64 `json:"sent_ms"`
	Page    string
	Operate bool
	State   *State
}

func dial(t *testing.T, r *running, header http.Header) (*websocket.Conn, *http.Response, error) {
	t.Helper()
	c, resp, err := websocket.DefaultDialer.Dial(strings.Replace(r.url, "http", "ws", 1)+"api/v1/live", header)
	if err == nil {
		t.Cleanup(func() { c.Close() })
		_ = c.SetReadDeadline(time.Now().Add(20 * time.Second))
	}
	return c, resp, err
}

func next(t *testing.T, c *websocket.Conn) message {
	t.Helper()
	var m message
	_, b, err := c.ReadMessage()
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &m); err != nil {
		t.Fatalf("%v: %s", err, b)
	}
	return m
}

func TestLive(t *testing.T) {
	r := serve(t, Options{})
	if err := r.Publish(State{Phase: PhasePlace}); err != nil {
		t.Fatal(err)
	}
	before := time.Now().UnixMilli()
	c, _, err := dial(t, r, http.Header{"Origin": {strings.TrimSuffix(r.url, "/")}})
	if err != nil {
		t.Fatal(err)
	}
	m := next(t, c)
	if m.Type != "state" || m.Seq != 1 || m.State == nil || m.State.Phase != PhasePlace || !m.Operate || m.Page != r.assets.version {
		t.Errorf("first message %+v", m)
	}
	if m.SentMs < before || m.SentMs > time.Now().UnixMilli() {
		t.Errorf("sent at %d, outside of the call", m.SentMs)
	}
	if err := r.Publish(StateFromView(viewOf(northSite, mountmodel.Adjusting, 27.2*sky.Arcminute, -7*sky.Arcminute), Around{})); err != nil {
		t.Fatal(err)
	}
	m = next(t, c)
	if m.Seq != 2 || m.State.Phase != "adjusting" {
		t.Errorf("second message %+v", m)
	}

	// The state address gives the same.
	resp, err := http.Get(r.url + "api/v1/state")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var same message
	if err := json.NewDecoder(resp.Body).Decode(&same); err != nil {
		t.Fatal(err)
	}
	if same.Seq != m.Seq || same.Type != "state" || !reflect.DeepEqual(stateJSON(t, same.State), stateJSON(t, m.State)) {
		t.Errorf("the state address gives %+v", same)
	}
}

func stateJSON(t *testing.T, s *State) string {
	t.Helper()
	b, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestLiveRefusesStrangers(t *testing.T) {
	r := serve(t, Options{}, func(s *Server) { s.hub = newHub(2) })
	for _, h := range []http.Header{
		{"Origin": {"http://evil.example"}},
		{"Origin": {"null"}},
		{"Origin": {strings.TrimSuffix(r.url, "/")}, "Sec-Fetch-Site": {"cross-site"}},
		{"Host": {"evil.example"}},
	} {
		if _, resp, err := dial(t, r, h); err == nil || resp.StatusCode/100 != 4 {
			t.Errorf("%v: %v", h, err)
		}
	}
	if resp, err := http.Get(r.url + "api/v1/live"); err != nil || resp.StatusCode != 400 {
		t.Errorf("plain request: %v %v", resp.StatusCode, err)
	}
	for range 2 {
		if _, _, err := dial(t, r, nil); err != nil {
			t.Fatal(err)
		}
	}
	if _, resp, err := dial(t, r, nil); err == nil || resp.StatusCode != 503 {
		t.Errorf("a third of two got in: %v", err)
	}
}

// What a client sends is bounded, and no client that sends or is silent
// disturbs another.
func TestLiveTalkativeClientIsCutOff(t *testing.T) {
	r := serve(t, Options{})
	c, _, err := dial(t, r, nil)
	if err != nil {
		t.Fatal(err)
	}
	quiet, _, err := dial(t, r, nil)
	if err != nil {
		t.Fatal(err)
	}
	// The connection may be reset before all is written.
	_ = c.WriteMessage(websocket.TextMessage, make([]byte, 10*maxFromClient))
	if _, _, err := c.ReadMessage(); err == nil {
		t.Error("still connected")
	}
	waitFor(t, "the mailbox to be given back", func() bool { return r.hub.size() == 1 })
	if err := r.Publish(State{}); err != nil {
		t.Fatal(err)
	}
	if m := next(t, quiet); m.Seq != 1 {
		t.Errorf("%+v", m)
	}
}

func waitFor(t *testing.T, what string, done func() bool) {
	t.Helper()
	for range 400 {
		if done() {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Fatal("waited in vain for " + what)
}

func TestBeat(t *testing.T) {
	s, _ := newTestServer(t, Options{})
	s.beat = 20 * time.Millisecond
	ts := httptest.NewServer(s.echo)
	defer ts.Close()
	c, _, err := dial(t, &running{Server: s, url: ts.URL + "/"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if m := next(t, c); m.Type != "beat" || m.State != nil || m.SentMs == 0 || m.Page == "" {
			t.Errorf("%+v", m)
		}
	}
	c.Close()
	waitFor(t, "the client to be forgotten", func() bool { return s.hub.size() == 0 })
}

// On stop every browser is told (close 1001, RFC 6455 section 7.4.1), Run
// returns within two seconds, and no goroutine stays behind. Clients that
// never read do not hold it up.
func TestStopSaysGoodbye(t *testing.T) {
	before := runtime.NumGoroutine()
	r := serve(t, Options{})
	var conns []*websocket.Conn
	for range 5 {
		c, _, err := dial(t, r, nil)
		if err != nil {
			t.Fatal(err)
		}
		conns = append(conns, c)
	}
	big := State{Do: Instruction{Text: strings.Repeat("x", 100_000)}}
	for range 30 { // fills the sockets of those who do not read
		if err := r.Publish(big); err != nil {
			t.Fatal(err)
		}
	}
	if err := r.stop(); err != nil {
		t.Fatal(err)
	}
	for _, c := range conns[:3] {
		for {
			_, _, err := c.ReadMessage()
			if err == nil {
				continue
			}
			if !websocket.IsCloseError(err, websocket.CloseGoingAway) {
				t.Errorf("got %v, want close 1001", err)
			}
			break
		}
	}
	for _, c := range conns {
		c.Close()
	}
	http.DefaultClient.CloseIdleConnections()
	waitFor(t, "every goroutine to end", func() bool { return runtime.NumGoroutine() <= before })

	if err := r.Run(context.Background()); err == nil {
		t.Error("Run ran twice")
	}
	if err := r.Publish(State{}); err != nil { // use after stop is discarded
		t.Error(err)
	}
	if _, resp, err := dial(t, r, nil); err == nil {
		t.Errorf("still answers: %v", resp)
	}
}

func TestPreviewJoinsItsState(t *testing.T) {
	s, _ := newTestServer(t, Options{})
	get := func(target string) (*httptest.ResponseRecorder, *State) {
		w := ask(s, "GET", "/api/v1/state", "", nil)
		var m message
		if err := json.Unmarshal(w.Body.Bytes(), &m); err != nil {
			t.Fatal(err)
		}
		return ask(s, "GET", target, "", nil), m.State
	}
	if w, _ := get("/api/v1/preview.jpg"); w.Code != 404 {
		t.Errorf("a picture before the first: %d", w.Code)
	}
	p, stars := starField(1)
	l := latestOf(1, testNight, stars)
	l.Picture = &Picture{URL: "http://evil.example"} // the server alone knows its pictures
	if err := s.Publish(State{Latest: l}); err != nil {
		t.Fatal(err)
	}
	if _, state := get("/"); state.Latest.Picture != nil {
		t.Errorf("a picture before it was made: %+v", state.Latest.Picture)
	}
	if err := s.PublishPreview(p); err != nil {
		t.Fatal(err)
	}
	w, state := get("/api/v1/preview.jpg?frame=1")
	if state.Latest.Picture == nil || state.Latest.Picture.URL != "/api/v1/preview.jpg?frame=1" {
		t.Fatalf("the state did not learn of its picture: %+v", state.Latest.Picture)
	}
	if w.Code != 200 || w.Header().Get("Content-Type") != "image/jpeg" {
		t.Errorf("%d %s", w.Code, w.Header().Get("Content-Type"))
	}
	img, err := jpeg.Decode(w.Body)
	if err != nil || img.Bounds().Dx() != 960 || img.Bounds().Dy() != 640 {
		t.Errorf("%v %v", img.Bounds(), err)
	}

	// The picture may also come first, and only a few are kept.
	for id := int64(2); id <= 9; id++ {
		p.ID = id
		if err := s.PublishPreview(p); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Publish(State{Latest: latestOf(9, testNight, nil)}); err != nil {
		t.Fatal(err)
	}
	if w, state := get("/api/v1/preview.jpg?frame=1"); w.Code != 404 || state.Latest.Picture == nil {
		t.Errorf("%d, %+v", w.Code, state.Latest.Picture)
	}
	if n := len(s.pictures); n != picturesKept {
		t.Errorf("%d pictures kept", n)
	}
	for _, bad := range []string{"../etc", "-1", "0x9", "9 ", strings.Repeat("9", 1000)} {
		if w := ask(s, "GET", "/api/v1/preview.jpg?frame="+url.QueryEscape(bad), "", nil); w.Code != 404 {
			t.Errorf("%q: %d", bad, w.Code)
		}
	}
}
