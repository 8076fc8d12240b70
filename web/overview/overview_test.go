package overview

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"math"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"polard/web"
	"polard/web/mqtt"
)

func night(day int, total float64) web.WatchedNight {
	return web.WatchedNight{
		UntilUTC: time.Date(2026, 3, day, 4, 0, 0, 0, time.UTC).Format("2006-01-02T15:04:05.000Z"),
		Offset:   web.Offset{TotalArcmin: web.Number(total)},
	}
}

// A straight line has its slope; fewer than three nights, or three at one moment,
// have none.
func TestTrend(t *testing.T) {
	for _, c := range []struct {
		nights []web.WatchedNight
		want   float64
	}{
		{[]web.WatchedNight{night(1, 2), night(8, 2.5), night(15, 3), night(29, 4)}, 0.5},
		{[]web.WatchedNight{night(1, 3), night(8, math.NaN()), night(15, 2), night(29, 1)}, -0.5},
		{[]web.WatchedNight{night(1, 2), night(8, 2.5)}, math.NaN()},
		{[]web.WatchedNight{night(1, 2), night(1, 2.5), night(1, 3)}, math.NaN()},
		{nil, math.NaN()},
	} {
		if got := trend(c.nights); !(math.Abs(got-c.want) < 1e-12) && !(math.IsNaN(got) && math.IsNaN(c.want)) {
			t.Errorf("%v: %g, want %g", c.nights, got, c.want)
		}
	}
}

// serveAt serves a store's page on loopback.
func serveAt(t *testing.T, s *Store) (url string) {
	t.Helper()
	address := make(chan string, 1)
	server, err := web.New(web.Options{Shown: Handler(s), Able: s.Able, Ready: func(url string) { address <- url }})
	if err != nil {
		t.Fatal(err)
	}
	ctx, end := context.WithCancel(context.WithoutCancel(t.Context()))
	ended := make(chan error, 1)
	go func() { ended <- server.Run(ctx) }()
	t.Cleanup(func() {
		end()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return <-address
}

// serve serves a store's page on loopback and gives a way to ask it.
func serve(t *testing.T, s *Store) (ask func(target, host string) *http.Response) {
	t.Helper()
	url := strings.TrimSuffix(serveAt(t, s), "/")
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	return func(target, host string) *http.Response {
		t.Helper()
		r, err := http.NewRequest("GET", url+target, nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Host = host
		answer, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { answer.Body.Close() })
		return answer
	}
}

// The page gets only what changed, and waits while nothing does.
func TestOnlyWhatChanged(t *testing.T) {
	s := NewStore(nil)
	s.Connected(true)
	s.HeardStatus("pier-1", mqtt.Status{Online: true})
	s.HeardState("pier-2", mqtt.Pier{Phase: "watching", Offset: &web.Offset{TotalArcmin: 3}, Nights: []web.WatchedNight{night(1, 2), night(8, 3)}})
	var first Page
	if err := json.NewDecoder(serve(t, s)("/api/v1/piers", "127.0.0.1:8468").Body).Decode(&first); err != nil {
		t.Fatal(err)
	}
	if len(first.Rows) != 2 || !first.Connected || first.Rows[0].Pier != "pier-1" || len(first.Rows[1].Nights) != 2 {
		t.Fatalf("%+v", first)
	}
	next := make(chan Page)
	go func() { next <- s.Since(t.Context(), first.Seq) }()
	select {
	case p := <-next:
		t.Fatalf("did not wait: %+v", p)
	case <-time.After(50 * time.Millisecond):
	}
	s.HeardStatus("pier-1", mqtt.Status{Online: false})
	if p := <-next; len(p.Rows) != 1 || p.Rows[0].Pier != "pier-1" || p.Rows[0].Online || p.Seq <= first.Seq {
		t.Errorf("%+v", p)
	}
	// A number of an earlier run of the service brings everything.
	if p := s.Since(t.Context(), 1<<40); len(p.Rows) != 2 {
		t.Errorf("%+v", p)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if p := s.Since(ended, s.seq); len(p.Rows) != 0 {
		t.Errorf("%+v", p)
	}
}

func TestGuardAndProbes(t *testing.T) {
	s := NewStore(nil)
	ask := serve(t, s)
	for _, c := range []struct {
		target, host string
		want         int
		says         string
	}{
		{"/", "127.0.0.1:8468", 200, "All piers"},
		{"/overview.js", "localhost:8468", 200, "listen()"},
		{"/shared/css/base.css", "127.0.0.1:8468", 200, "--paper"},
		{"/shared/../server.go", "127.0.0.1:8468", 307, ""},
		{"/api/v1/piers?after=x", "127.0.0.1:8468", 400, "sequence number"},
		{"/healthz", "127.0.0.1:8468", 200, "ok"},
		{"/readyz", "127.0.0.1:8468", 503, "broker"},
		{"/", "evil.example", 421, "not one of"},
	} {
		answer := ask(c.target, c.host)
		body, err := io.ReadAll(answer.Body)
		if err != nil || answer.StatusCode != c.want || !strings.Contains(string(body), c.says) {
			t.Errorf("%s %s: %d, want %d: %.80s (%v)", c.host, c.target, answer.StatusCode, c.want, body, err)
		}
		if answer.Header.Get("X-Content-Type-Options") != "nosniff" || !strings.Contains(answer.Header.Get("Content-Security-Policy"), "default-src 'none'") {
			t.Errorf("%s: headers %v", c.target, answer.Header)
		}
	}
	s.Connected(true)
	if answer := ask("/readyz", "127.0.0.1:8468"); answer.StatusCode != 200 {
		t.Errorf("readyz: %d", answer.StatusCode)
	}
}

// What a client of the broker can make this machine keep is bounded in parts, piers and
// rates; the piers that are heard stay, and pages are told which are gone.
func TestWhatIsKeptIsBounded(t *testing.T) {
	now := time.Date(2026, 3, 14, 20, 0, 0, 0, time.UTC)
	s := NewStore(nil)
	s.now = func() time.Time { return now }
	long := strings.Repeat("x", 60_000)
	huge := mqtt.Pier{Phase: long, Do: long, Nights: make([]web.WatchedNight, 5000), Alarms: []web.Alarm{{Code: long, Message: long, SinceUTC: long}}}
	for range 50 {
		huge.Alarms = append(huge.Alarms, huge.Alarms[0])
	}
	s.HeardState("honest", mqtt.Pier{Phase: "watching"})
	s.HeardStatus("honest", mqtt.Status{Online: true})
	first := s.Since(t.Context(), 0)
	for n := range 3 * mostPiers {
		now = now.Add(time.Millisecond)
		s.HeardState("made-up-"+strconv.Itoa(n), huge)
		if n%100 == 0 {
			s.HeardState("honest", mqtt.Pier{Phase: "watching", Do: strconv.Itoa(n)})
		}
	}
	page := s.Since(t.Context(), first.Seq)
	if !page.All || len(page.Rows) != mostPiers || page.Rows[0].Pier != "honest" || !page.Rows[0].Online {
		t.Errorf("all %t, %d rows, first %+.200v", page.All, len(page.Rows), page.Rows[0])
	}
	var written bytes.Buffer
	if err := page.write(&written); err != nil {
		t.Fatal(err)
	}
	var back Page
	if err := json.Unmarshal(written.Bytes(), &back); err != nil || len(back.Rows) != mostPiers || back.Seq != page.Seq {
		t.Errorf("%d rows read back: %v", len(back.Rows), err)
	}
	if each := written.Len() / mostPiers; each > 6000 {
		t.Errorf("a row has %d bytes", each)
	}
	// One pier tells more often than any can.
	before := s.seq
	for range 100_000 {
		s.HeardState("made-up-5999", mqtt.Pier{})
	}
	if taken := s.seq - before; taken > messageBurst {
		t.Errorf("%d messages of one moment were taken", taken)
	}
	// Those that went long ago are forgotten when another comes.
	now = now.Add(forgetAfter + time.Hour)
	s.HeardState("new", mqtt.Pier{})
	if page := s.Since(t.Context(), page.Seq); !page.All || len(page.Rows) != 2 {
		t.Errorf("all %t, %d rows", page.All, len(page.Rows))
	}
}
