package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/pairing"
	"polard/web"
	"polard/web/mqtt"
	"polard/web/overview"
)

// overviewPiers is how many piers tell the broker in TestOverview; 'make piers' takes
// 200 and prints what they cost.
var overviewPiers = flag.Int("piers", 12, "piers of TestOverview")

// rehearsedPier is the state of a pier of a made-up site after so many frames: an
// axis that creeps from night to night.
func rehearsedPier(n, frame int) web.State {
	r := rand.New(rand.NewPCG(uint64(n), 8))
	az, alt, creep := r.NormFloat64(), r.NormFloat64(), 0.05*r.NormFloat64()
	offset := func(night int) web.Offset {
		a, b := alt+creep*float64(night), az+creep*float64(night)
		return web.Offset{AltArcmin: web.Number(a), AzArcmin: web.Number(b), TotalArcmin: web.Number(math.Hypot(a, b))}
	}
	s := web.State{
		Program: "polard rehearsed", Phase: "watching", ToleranceArcmin: 1,
		Do:     web.Instruction{Text: "Watching: take your exposures as you would, and leave this running."},
		Site:   &web.Site{LatDeg: -30.2, LonDeg: 20.8, ElevationM: 1760},
		Latest: &web.Latest{ID: int64(frame), File: fmt.Sprintf("n_%05d.fits", frame), ReadMs: time.Now().UnixMilli(), Solved: true},
	}
	const nights = 30
	now := offset(nights)
	s.Watch = &web.Watch{Frames: frame, Offset: &now, Axis: &web.Direction{}, Uncertainty: &web.Uncertainty{AltArcsec: 4, AzArcsec: 4}}
	for night := range nights {
		until := time.Date(2026, 3, 1+night, 4, 0, 0, 0, time.UTC)
		s.Watch.Nights = append(s.Watch.Nights, web.WatchedNight{UntilUTC: until.Format(time.RFC3339), Frames: 400, Offset: offset(night), UncertaintyArcsec: 4})
	}
	s.Within = now.TotalArcmin <= 1
	return s
}

// residentMB is the memory of a process in MB (proc(5), VmRSS); 0 elsewhere.
func residentMB(pid int) float64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0
	}
	for line := range strings.Lines(string(text)) {
		if f := strings.Fields(line); len(f) >= 2 && f[0] == "VmRSS:" {
			kB, _ := strconv.ParseFloat(f[1], 64)
			return kB / 1000
		}
	}
	return 0
}

// Many piers, each with the publisher of the service, tell a real broker; the overview
// shows them all with their newest frame, and who goes away without a word.
func TestOverview(t *testing.T) {
	broker := startMosquitto(t, "max_queued_messages 10000\n")
	r := start(t, "overview", "--mqtt", broker)
	ctx, end := context.WithCancel(t.Context())
	defer end()
	var mu sync.Mutex
	told := make(map[string]time.Time) // pier and frame: when it was told
	var all []*mqtt.Publisher
	var running sync.WaitGroup
	defer running.Wait()
	defer end()
	for n := range *overviewPiers {
		p, err := mqtt.NewPublisher(mqtt.Options{Broker: broker, Prefix: "polard", Pier: fmt.Sprintf("pier-%03d", n), Program: "polard rehearsed"})
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
		running.Go(func() { _ = p.Run(ctx) })
	}
	// The page's own way: ask for what changed, and wait for it.
	rows := make(map[string]overview.Row)
	var seq uint64
	var latency []time.Duration
	next := func() {
		answer, err := http.Get(r.URL + "api/v1/piers?after=" + strconv.FormatUint(seq, 10))
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close()
		var page overview.Page
		if err := json.NewDecoder(answer.Body).Decode(&page); err != nil {
			t.Fatal(err)
		}
		now := time.Now()
		seq = page.Seq
		for _, row := range page.Rows {
			rows[row.Pier] = row
			mu.Lock()
			key := fmt.Sprint(row.Pier, row.LastFrameMs)
			if at, ok := told[key]; ok {
				latency = append(latency, now.Sub(at))
				delete(told, key)
			}
			mu.Unlock()
		}
	}
	complete := func() bool {
		mu.Lock()
		defer mu.Unlock()
		return len(rows) == *overviewPiers && len(told) == 0
	}
	const rounds = 3
	for round := range rounds {
		go func() { // each pier exposes for itself: their frames come over two seconds
			for n, p := range all {
				s := rehearsedPier(n, round+1)
				mu.Lock()
				told[fmt.Sprintf("pier-%03d%d", n, s.Latest.ReadMs)] = time.Now()
				mu.Unlock()
				p.Publish(s)
				time.Sleep(2 * time.Second / time.Duration(len(all)))
			}
		}()
		for end := time.Now().Add(harness.Patience); ; {
			next()
			if len(latency) >= (round+1)**overviewPiers && complete() {
				break
			}
			if time.Now().After(end) {
				t.Fatalf("round %d: %d of %d piers shown, %d frames missing", round, len(rows), *overviewPiers, len(told))
			}
		}
	}
	for n := range *overviewPiers {
		want := rehearsedPier(n, rounds)
		row := rows[fmt.Sprintf("pier-%03d", n)]
		if !row.Online || row.Offset == nil || row.Offset.TotalArcmin != want.Watch.Offset.TotalArcmin || row.Within != want.Within || len(row.Nights) != 30 {
			t.Errorf("pier %d: %+v", n, row)
		}
	}
	slices.Sort(latency)
	var memory runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&memory)
	t.Logf("%d piers: from a pier's state to the page, median %v, 95 %% below %v, worst %v",
		*overviewPiers, latency[len(latency)/2].Round(time.Millisecond), latency[len(latency)*95/100].Round(time.Millisecond), latency[len(latency)-1].Round(time.Millisecond))
	if broker := brokerPID(); broker != 0 {
		t.Logf("memory: broker %.1f MB; overview and all piers in this test, with its catalogue, %.0f MB resident, %.1f MB of it in use by Go", residentMB(broker), residentMB(os.Getpid()), float64(memory.HeapAlloc)/1e6)
	}
	end()
	running.Wait()
	for end := time.Now().Add(harness.Patience); ; {
		next()
		online := 0
		for _, row := range rows {
			if row.Online {
				online++
			}
		}
		if online == 0 {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("%d piers still shown as running", online)
		}
	}
}

// brokerPID finds the broker among this process's
// children; 0 where there is no /proc.
func brokerPID() int {
	tasks, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/children", os.Getpid()))
	for _, file := range tasks {
		text, _ := os.ReadFile(file)
		for _, f := range strings.Fields(string(text)) {
			pid, _ := strconv.Atoi(f)
			name, _ := os.ReadFile(fmt.Sprintf("/proc/%d/comm", pid))
			if strings.TrimSpace(string(name)) == "mosquitto" {
				return pid
			}
		}
	}
	return 0
}

// A broker that is not there shows in the page's readiness, not in an exit.
func TestOverviewWithoutBroker(t *testing.T) {
	r := start(t, "overview", "--mqtt", "mqtt://127.0.0.1:1")
	if status, _ := r.get(t, "readyz"); status != 503 {
		t.Errorf("ready: %d", status)
	}
	if status, _ := r.get(t, "healthz"); status != 200 {
		t.Errorf("healthy: %d", status)
	}
	if status, took := r.Stop(t); status != exitDone || took > harness.StopsWithin()+2*time.Second {
		t.Errorf("status %d after %v: %s", status, took, r.Stderr.String())
	}
	for _, args := range [][]string{{"overview"}, {"overview", "--mqtt", "x"}, {"overview", "--mqtt", "mqtt://a:1", "--addr", "0.0.0.0:0"}} {
		if status, _, stderr := call(t, args...); status != exitUsage || stderr == "" {
			t.Errorf("%q: status %d: %s", args, status, stderr)
		}
	}
}

// A stranger on the network gets the page that pairs and nothing else; who was let look
// on sees the piers, until that is taken back. A proxy's header makes this machine's
// requests those of a device of the network.
func TestOverviewOnlyForPaired(t *testing.T) {
	state := t.TempDir()
	addr := "0.0.0.0:" + freePort(t)
	reach := []string{"--addr", addr, "--host", "localhost"}
	r := startWithAddress(t, append([]string{"overview", "--mqtt", "mqtt://127.0.0.1:1", "--allow-network", "--state", state}, reach...)...)
	base := "http://localhost:" + addr[strings.LastIndexByte(addr, ':')+1:]
	do := func(method, path, body string, header http.Header) (*http.Response, string) {
		t.Helper()
		req, err := http.NewRequest(method, base+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		req.Header = header
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		got, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp, string(got)
	}
	const shown = "All piers" // the title of the page
	far := func(cookie string) http.Header {
		return http.Header{"X-Forwarded-For": {"192.168.7.9"}, "Content-Type": {"application/json"}, "Cookie": {cookie}}
	}
	sees := func(who string, header http.Header, allowed bool) {
		t.Helper()
		for path, says := range map[string]string{"/": shown, "/overview.js": "listen()", "/shared/css/base.css": "--paper", "/api/v1/piers": "rows"} {
			resp, body := do("GET", path, "", header)
			if want := map[bool]int{true: 200, false: 401}[allowed]; resp.StatusCode != want || strings.Contains(body, says) != allowed {
				t.Errorf("%s: %s is %d, want %d: %.80s", who, path, resp.StatusCode, want, body)
			}
		}
	}
	sees("this machine", http.Header{}, true)
	sees("a stranger", far(""), false)
	if _, body := do("GET", "/", "", far("")); !strings.Contains(body, "js/pair.js") {
		t.Errorf("a stranger's page: %s", body)
	}
	if resp, _ := do("POST", "/api/v1/invite", `{"right":"view"}`, far("")); resp.StatusCode != 403 {
		t.Errorf("a stranger asks for a link: %d", resp.StatusCode)
	}
	status, out, stderr := call(t, append([]string{"overview", "--pair"}, reach...)...)
	link := regexp.MustCompile(`http://localhost:\d+/pair#([0-9a-z]{10})`).FindStringSubmatch(out)
	if status != exitDone || link == nil || !strings.Contains(out, "may look on") || !strings.Contains(out, "▀") {
		t.Fatalf("status %d: %s%s", status, out, stderr)
	}
	resp, _ := do("POST", "/api/v1/pair", fmt.Sprintf(`{"code":%q}`, link[1]), far(""))
	if resp.StatusCode != 204 || len(resp.Cookies()) != 1 {
		t.Fatalf("pairing: %d", resp.StatusCode)
	}
	cookie := resp.Cookies()[0]
	shows := cookie.Name + "=" + cookie.Value
	sees("who was let look on", far(shows), true)
	evil := far(shows)
	evil.Set("Origin", "http://evil.example")
	if resp, _ := do("GET", "/api/v1/piers", "", evil); resp.StatusCode != 403 {
		t.Errorf("another site's page reads %d", resp.StatusCode)
	}
	if resp, _ := do("POST", "/", "{}", far(shows)); resp.StatusCode != 405 {
		t.Errorf("operating: %d", resp.StatusCode)
	}
	// Browsers take no account of ports: the cookie of a pier on this machine is
	// another, and so is the list.
	if cookie.Name == "polard_device" || !cookie.HttpOnly || cookie.SameSite != http.SameSiteStrictMode {
		t.Errorf("cookie %+v", cookie)
	}
	if _, err := os.Stat(filepath.Join(state, pairing.DevicesName)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the devices of a pier: %v", err)
	}
	if status, _, stderr := call(t, append([]string{"overview", "--revoke", "1"}, reach...)...); status != exitDone {
		t.Errorf("status %d: %s", status, stderr)
	}
	sees("after that was taken back", far(shows), false)
	if log := r.Stdout.String() + r.Stderr.String(); strings.Contains(log, link[1]) || strings.Contains(log, cookie.Value) {
		t.Error("a secret was logged")
	}
	if status, _, stderr := call(t, append([]string{"overview", "--pair=operate"}, reach...)...); status != exitUsage || !strings.Contains(stderr, "operates nothing") {
		t.Errorf("status %d: %s", status, stderr)
	}
}
