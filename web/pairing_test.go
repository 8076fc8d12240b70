package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"
)

const lan = "192.168.7.9:40000" // a device of the network

// paired pairs a device of the network and gives the cookie that its browser
// sends from then on.
func paired(t *testing.T, s *Server, right Right) string {
	t.Helper()
	w := pairWith(s, s.Invite(right))
	cookies := w.Result().Cookies()
	if w.Code != 204 || len(cookies) != 1 {
		t.Fatalf("%d %s, cookies %v", w.Code, w.Body, cookies)
	}
	return cookies[0].Name + "=" + cookies[0].Value
}

func pairWith(s *Server, code string) *httptest.ResponseRecorder {
	body, _ := json.Marshal(pairRequest{code})
	return ask(s, "POST", "/api/v1/pair", string(body), map[string]string{"Remote": lan, "User-Agent": "a phone\r\nX-Evil: 1"})
}

// What each kind of visitor sees and may do: the machine itself everything,
// strangers nothing, and paired devices what their right says. A header that
// claims another origin of the connection takes the machine's own right away.
func TestRights(t *testing.T) {
	s, rec := newTestServer(t, Options{Addr: "0.0.0.0:0", AllowNetwork: true})
	view, operate := paired(t, s, RightView), paired(t, s, RightOperate)
	bearer := strings.TrimPrefix(operate, cookieName+"=")
	for _, c := range []struct {
		name                 string
		headers              map[string]string
		page, state, command int
	}{
		{"loopback", map[string]string{"Remote": "127.0.0.1:5"}, 200, 200, 204},
		{"loopback, IPv6", map[string]string{"Remote": "[::1]:5"}, 200, 200, 204},
		{"loopback, mapped", map[string]string{"Remote": "[::ffff:127.0.0.1]:5"}, 200, 200, 204},
		{"behind a proxy", map[string]string{"Remote": "127.0.0.1:5", "X-Forwarded-For": "127.0.0.1"}, 401, 401, 401},
		{"behind a proxy, RFC 7239", map[string]string{"Remote": "127.0.0.1:5", "Forwarded": "for=127.0.0.1"}, 401, 401, 401},
		{"stranger", map[string]string{"Remote": lan}, 401, 401, 401},
		{"stranger, IPv6", map[string]string{"Remote": "[fe80::1]:5"}, 401, 401, 401},
		// Rootless forwarders and translations bring everybody from the service's own
		// address: it is not this machine's.
		{"the service's own address", map[string]string{"Remote": "192.168.7.1:40000", "Local": "192.168.7.1:7315"}, 401, 401, 401},
		{"a proxy that tells nothing, in HTTP/1.0", map[string]string{"Remote": "127.0.0.1:5", "Proto": "HTTP/1.0"}, 401, 401, 401},
		{"behind a proxy that tells the scheme alone", map[string]string{"Remote": "127.0.0.1:5", "X-Forwarded-Proto": "https"}, 401, 401, 401},
		{"no address", map[string]string{"Remote": ""}, 401, 401, 401},
		{"pretends", map[string]string{"Remote": lan, "X-Real-Ip": "127.0.0.1"}, 401, 401, 401},
		{"guesses a token", map[string]string{"Remote": lan, "Cookie": cookieName + "=x"}, 401, 401, 401},
		{"shows the hash", map[string]string{"Remote": lan, "Cookie": cookieName + "=" + hashOf(bearer)}, 401, 401, 401},
		{"looks on", map[string]string{"Remote": lan, "Cookie": view}, 200, 200, 403},
		{"operates", map[string]string{"Remote": lan, "Cookie": operate}, 200, 200, 204},
		{"a program", map[string]string{"Remote": lan, "Authorization": "Bearer " + bearer}, 200, 200, 204},
		{"the cookie from another site's page", map[string]string{"Remote": lan, "Cookie": operate, "Origin": "http://evil.example"}, 200, 403, 403},
		{"the cookie under another name", map[string]string{"Remote": lan, "Cookie": operate, "Host": "evil.example"}, 421, 421, 421},
	} {
		before := len(rec.told())
		for _, q := range []struct {
			method, target, body string
			want                 int
		}{
			{"GET", "/", "", c.page}, {"GET", "/api/v1/state", "", c.state},
			{"POST", "/api/v1/event", `{"event":"locked"}`, c.command},
		} {
			w := ask(s, q.method, q.target, q.body, c.headers)
			if w.Code != q.want {
				t.Errorf("%s: %s %s is %d, want %d", c.name, q.method, q.target, w.Code, q.want)
			}
			if q.target == "/api/v1/state" && w.Code == 200 && strings.Contains(w.Body.String(), `"operate":true`) != (c.command == 204) {
				t.Errorf("%s: %s", c.name, w.Body)
			}
			if q.target == "/" && (w.Code == 401) != strings.Contains(w.Body.String(), "js/pair.js") {
				t.Errorf("%s: status %d with the page %.300s", c.name, w.Code, w.Body)
			}
		}
		if told := len(rec.told()) - before; (told == 1) != (c.command == 204) {
			t.Errorf("%s: %d commands carried out", c.name, told)
		}
	}
}

// Probes tell strangers whether, and only those who may look on why.
func TestProbesTellStrangersNothing(t *testing.T) {
	wrong := func(context.Context) error { return errors.New("the folder /data/secret cannot be read") }
	s, _ := newTestServer(t, Options{Healthy: wrong, Able: wrong})
	view := paired(t, s, RightView)
	for _, path := range []string{"/healthz", "/readyz"} {
		for name, c := range map[string]struct {
			headers map[string]string
			told    bool
		}{
			"stranger": {map[string]string{"Remote": lan}, false}, "paired": {map[string]string{"Remote": lan, "Cookie": view}, true}, "here": {nil, true},
		} {
			if w := ask(s, "GET", path, "", c.headers); w.Code != 503 || strings.Contains(w.Body.String(), "secret") != c.told {
				t.Errorf("%s, %s: %d %s", path, name, w.Code, w.Body)
			}
		}
	}
}

// Where somebody forwards, loopback is nobody in particular; who shows the machine's key
// from an address of the machine is this machine, and nothing else is taken for the key.
func TestForwarded(t *testing.T) {
	here := "127.0.0.1:5"
	for _, c := range []struct {
		name    string
		opt     Options
		headers map[string]string
		want    int
	}{
		{"loopback", Options{}, map[string]string{"Remote": here}, 200},
		{"loopback, forwarded", Options{Forwarded: true}, map[string]string{"Remote": here}, 403},
		{"the key, forwarded", Options{Forwarded: true, LocalKey: "k"}, map[string]string{"Remote": here, "Authorization": "Bearer k"}, 200},
		{"an address of its own", Options{LocalKey: "k"}, map[string]string{"Remote": "192.168.7.1:4", "Local": "192.168.7.1:7315"}, 403},
		{"the key from there", Options{LocalKey: "k"}, map[string]string{"Remote": "192.168.7.1:4", "Local": "192.168.7.1:7315", "Authorization": "Bearer k"}, 200},
		{"the key from the network", Options{LocalKey: "k"}, map[string]string{"Remote": lan, "Local": "192.168.7.1:7315", "Authorization": "Bearer k"}, 403},
		{"the key through a proxy", Options{LocalKey: "k"}, map[string]string{"Remote": here, "Via": "1.1 x", "Authorization": "Bearer k"}, 403},
		{"another key", Options{Forwarded: true, LocalKey: "k"}, map[string]string{"Remote": here, "Authorization": "Bearer l"}, 403},
		{"no key", Options{Forwarded: true}, map[string]string{"Remote": here, "Authorization": "Bearer "}, 403},
		{"an empty key", Options{Forwarded: true, LocalKey: "k"}, map[string]string{"Remote": here, "Authorization": "Bearer "}, 403},
		{"the key as a cookie", Options{Forwarded: true, LocalKey: "k"}, map[string]string{"Remote": here, "Cookie": cookieName + "=k"}, 403},
	} {
		s, _ := newTestServer(t, c.opt)
		for _, q := range [][3]string{{"POST", "/api/v1/invite", `{"right":"operate"}`}, {"GET", "/api/v1/devices", ""}} {
			if w := ask(s, q[0], q[1], q[2], c.headers); w.Code != c.want {
				t.Errorf("%s: %s is %d, want %d", c.name, q[1], w.Code, c.want)
			}
		}
	}
}

// RFC 6265bis: the cookie is out of reach of scripts, of other sites and, under
// TLS, of plain connections.
func TestCookie(t *testing.T) {
	s, _ := newTestServer(t, Options{})
	cookie := pairWith(s, s.Invite(RightView)).Header().Get("Set-Cookie")
	for _, want := range []string{cookieName + "=", "HttpOnly", "SameSite=Strict", "Path=/"} {
		if !strings.Contains(cookie, want) {
			t.Errorf("cookie %q lacks %q", cookie, want)
		}
	}
	if strings.Contains(cookie, "Secure") || strings.Contains(cookie, "Domain") {
		t.Errorf("cookie %q", cookie)
	}
}

// A link works once, for ten minutes, however it is typed; what is kept of it
// and of the token is a hash.
func TestLinkWorksOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		kept := &memoryDevices{}
		s, _ := newTestServer(t, Options{Devices: kept})
		code := s.Invite(RightOperate)
		typed := strings.ToUpper(code[:5]) + " - " + code[5:]
		w := pairWith(s, typed)
		if w.Code != 204 {
			t.Fatalf("%q for %q: %d %s", typed, code, w.Code, w.Body)
		}
		token := w.Result().Cookies()[0].Value
		if w := pairWith(s, code); w.Code != 403 || len(w.Result().Cookies()) != 0 {
			t.Errorf("the second use: %d", w.Code)
		}
		late := s.Invite(RightView)
		time.Sleep(inviteLasts + time.Second)
		if w := pairWith(s, late); w.Code != 403 {
			t.Errorf("after ten minutes: %d", w.Code)
		}
		b, err := json.Marshal(kept.devices)
		if err != nil || strings.Contains(string(b), token) || strings.Contains(string(b), code) || !strings.Contains(string(b), hashOf(token)) {
			t.Errorf("kept %s", b)
		}
		if kept.devices[0].Name != "a phoneX-Evil: 1" {
			t.Errorf("name %q", kept.devices[0].Name)
		}
		// After a restart the device is still known.
		again, _ := newTestServer(t, Options{Devices: kept})
		if w := ask(again, "GET", "/api/v1/state", "", map[string]string{"Remote": lan, "Cookie": cookieName + "=" + token}); w.Code != 200 {
			t.Errorf("after a restart: %d", w.Code)
		}
	})
}

// Guessing codes voids the open links long before it could hit one.
func TestGuessingCodes(t *testing.T) {
	s, _ := newTestServer(t, Options{})
	code := s.Invite(RightOperate)
	for i := range mostWrong {
		if w := pairWith(s, fmt.Sprintf("%010d", i)); w.Code != 403 {
			t.Fatalf("guess %d: %d", i, w.Code)
		}
	}
	if w := pairWith(s, code); w.Code != 403 {
		t.Errorf("the code still works after %d guesses: %d", mostWrong, w.Code)
	}
	// And an address that goes on is not even heard.
	refused := 0
	for range 2 * requestBurst {
		if pairWith(s, "x").Code == 429 {
			refused++
		}
	}
	if refused < requestBurst/2 {
		t.Errorf("of %d requests in a moment %d were refused", 2*requestBurst, refused)
	}
	// The machine itself is not held up by that.
	if w := ask(s, "GET", "/api/v1/state", "", nil); w.Code != 200 {
		t.Errorf("the machine itself: %d", w.Code)
	}
	codes := map[string]bool{}
	for range 1000 {
		c := s.Invite(RightView)
		if len(c) != codeBits/5 || codes[c] {
			t.Fatalf("code %q", c)
		}
		codes[c] = true
	}
}

// A right that is taken is gone at once, with the cookie, and with the page that
// is open.
func TestRevoked(t *testing.T) {
	r := serve(t, Options{})
	cookie := paired(t, r.Server, RightView)
	if err := r.Publish(fullState()); err != nil {
		t.Fatal(err)
	}
	// A proxy's header makes the test's own machine a device of the network.
	header := http.Header{"Cookie": {cookie}, "X-Forwarded-For": {"192.168.7.9"}}
	url := "ws" + strings.TrimPrefix(r.url, "http") + "api/v1/live"
	conn, _, err := websocket.DefaultDialer.Dial(url, header)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, _, err := conn.ReadMessage(); err != nil {
		t.Fatal(err)
	}
	if w := ask(r.Server, "POST", "/api/v1/revoke", `{"id":1}`, nil); w.Code != 204 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	_ = conn.SetReadDeadline(time.Now().Add(10 * time.Second))
	for {
		if _, _, err = conn.ReadMessage(); err != nil {
			break
		}
	}
	if !websocket.IsCloseError(err, websocket.ClosePolicyViolation) {
		t.Errorf("the open page ended with %v", err)
	}
	if w := ask(r.Server, "GET", "/api/v1/state", "", map[string]string{"Remote": lan, "Cookie": cookie}); w.Code != 401 {
		t.Errorf("the stolen cookie still opens: %d", w.Code)
	}
	if _, answer, err := websocket.DefaultDialer.Dial(url, header); err == nil || answer == nil || answer.StatusCode != 401 {
		t.Errorf("a new page opens with it: %v", err)
	}
	// All at once.
	paired(t, r.Server, RightView)
	paired(t, r.Server, RightView)
	open := r.Invite(RightOperate)
	if w := ask(r.Server, "POST", "/api/v1/revoke", `{"id":0}`, nil); w.Code != 204 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := pairWith(r.Server, open); w.Code != 403 {
		t.Errorf("a link from before all rights were taken: %d", w.Code)
	}
	if w := ask(r.Server, "GET", "/api/v1/devices", "", nil); !strings.Contains(w.Body.String(), `"devices":[]`) {
		t.Errorf("left: %s", w.Body)
	}
}

func TestManyDevices(t *testing.T) {
	s, _ := newTestServer(t, Options{})
	for range mostDevices {
		if _, _, err := s.pairing.pair(s.Invite(RightView), "x"); err != nil {
			t.Fatal(err)
		}
	}
	code := s.Invite(RightView)
	if w := pairWith(s, code); w.Code != 409 {
		t.Errorf("%d", w.Code)
	}
	if _, err := s.pairing.revoke(7); err != nil {
		t.Fatal(err)
	}
	if w := pairWith(s, code); w.Code != 204 {
		t.Errorf("after one left: %d", w.Code)
	}
	ids := map[int64]bool{}
	for _, d := range s.pairing.list() {
		if ids[d.ID] {
			t.Errorf("number %d twice", d.ID)
		}
		ids[d.ID] = true
	}
}

// A number is given once, over restarts and between services on one list: who takes a
// right by a number that was read earlier takes nobody else's.
func TestNumbersAreGivenOnce(t *testing.T) {
	kept := &memoryDevices{}
	seen := map[int64]bool{}
	for round := range 4 {
		one, _ := newTestServer(t, Options{Devices: kept})
		two, _ := newTestServer(t, Options{Devices: kept})
		for i, s := range []*Server{one, two, one} {
			_, d, err := s.pairing.pair(s.Invite(RightView), "x")
			if err != nil || seen[d.ID] || d.ID == 0 {
				t.Errorf("round %d, device %d: number %d was given before (%v)", round, i, d.ID, err)
			}
			seen[d.ID] = true
			if round%2 == 0 {
				if n, err := s.pairing.revoke(d.ID); n != 1 || err != nil {
					t.Fatal(n, err)
				}
			}
		}
		if _, err := one.pairing.revoke(0); err != nil {
			t.Fatal(err)
		}
	}
	// A list of before numbers were kept is read.
	var old DeviceList
	if err := json.Unmarshal([]byte(`[{"id":7,"right":"view"}]`), &old); err != nil || old.highest() != 7 || len(old.Devices) != 1 {
		t.Errorf("%+v (%v)", old, err)
	}
}

// hangingDevices do not come back until they are let go.
type hangingDevices struct {
	memoryDevices
	hold chan struct{}
}

func (h *hangingDevices) Update(change func(DeviceList) DeviceList) error {
	<-h.hold
	return h.memoryDevices.Update(change)
}

// A disk that hangs while the list is kept holds up neither who is paired, nor the pages
// that are open; the answer comes in time, and what it says is kept as soon as it can be.
func TestDevicesOnDiskThatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		kept := &hangingDevices{hold: make(chan struct{})}
		s, _ := newTestServer(t, Options{Devices: kept})
		go s.pairing.follow(t.Context(), s.opt.Logger)
		code := s.Invite(RightView)
		answered := make(chan string)
		go func() {
			w := pairWith(s, code)
			answered <- cookieName + "=" + w.Result().Cookies()[0].Value
		}()
		synctest.Wait()
		begin := time.Now()
		if w := ask(s, "GET", "/api/v1/state", "", map[string]string{"Remote": lan, "Cookie": "x=y"}); w.Code != 401 {
			t.Errorf("a stranger meanwhile: %d", w.Code)
		}
		s.Invite(RightView)
		if waited := time.Since(begin); waited > 0 {
			t.Errorf("others waited for %v", waited)
		}
		cookie := <-answered
		if waited := time.Since(begin); waited > keepWithin {
			t.Errorf("answered after %v", waited)
		}
		if w := ask(s, "GET", "/api/v1/state", "", map[string]string{"Remote": lan, "Cookie": cookie}); w.Code != 200 {
			t.Errorf("the paired device: %d", w.Code)
		}
		if n, err := s.pairing.revoke(1); n != 1 || err == nil {
			t.Errorf("a right that is taken, but not on the disk: %d (%v)", n, err)
		}
		if w := ask(s, "GET", "/api/v1/state", "", map[string]string{"Remote": lan, "Cookie": cookie}); w.Code != 401 {
			t.Errorf("after its right was taken: %d", w.Code)
		}
		close(kept.hold)
		time.Sleep(3 * refreshEvery)
		synctest.Wait()
		if l, _ := kept.Load(); len(l.Devices) != 0 || l.Last != 1 {
			t.Errorf("kept %+v", l)
		}
	})
}

// A list that cannot be kept leaves devices paired while the service runs; one
// that cannot be read stops the service from starting as if nobody were paired.
func TestDevicesThatCannotBeKept(t *testing.T) {
	s, _ := newTestServer(t, Options{Devices: &memoryDevices{broken: errors.New("the disk is full")}})
	cookie := paired(t, s, RightView)
	if w := ask(s, "GET", "/api/v1/state", "", map[string]string{"Remote": lan, "Cookie": cookie}); w.Code != 200 {
		t.Errorf("%d", w.Code)
	}
}

// memoryDevices keeps a list as the file does: one at a time reads or changes it.
type memoryDevices struct {
	mu      sync.Mutex
	devices []Device
	last    int64
	broken  error
}

func (m *memoryDevices) Load() (DeviceList, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return DeviceList{m.last, slices.Clone(m.devices)}, nil
}

func (m *memoryDevices) Update(change func(DeviceList) DeviceList) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.broken == nil {
		l := change(DeviceList{m.last, slices.Clone(m.devices)})
		m.last, m.devices = l.Last, l.Devices
	}
	return m.broken
}

// Two services share a list: neither undoes what the other did, and each knows it
// within a second. What could not be kept is kept with the next change.
func TestSharedDevices(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		kept := &memoryDevices{}
		one, _ := newTestServer(t, Options{Devices: kept})
		two, _ := newTestServer(t, Options{Devices: kept})
		for _, s := range []*Server{one, two} {
			go s.pairing.follow(t.Context(), s.opt.Logger)
		}
		may := func(s *Server, cookie string) int {
			return ask(s, "GET", "/api/v1/state", "", map[string]string{"Remote": lan, "Cookie": cookie}).Code
		}
		settle := func() {
			time.Sleep(refreshEvery)
			synctest.Wait()
		}
		phone, tablet := paired(t, one, RightOperate), paired(t, two, RightView) // two had no time to look
		if len(kept.devices) != 2 || kept.devices[0].ID == kept.devices[1].ID {
			t.Fatalf("kept %+v", kept.devices)
		}
		settle()
		for _, s := range []*Server{one, two} {
			if may(s, phone) != 200 || may(s, tablet) != 200 {
				t.Error("a device paired by one service is not known to the other")
			}
		}
		revoked := two.pairing.revoked()
		if n, err := one.pairing.revoke(kept.devices[0].ID); n != 1 || err != nil {
			t.Fatalf("%d revoked (%v)", n, err)
		}
		settle()
		select {
		case <-revoked:
		default:
			t.Error("the other's websockets are not told")
		}
		if may(two, phone) != 401 || may(two, tablet) != 200 {
			t.Error("a right that one service took is still there, or another went with it")
		}
		kept.broken = errors.New("the disk is full")
		laptop := paired(t, one, RightView)
		if n, err := one.pairing.revoke(kept.devices[0].ID); n != 1 || err == nil {
			t.Fatalf("%d revoked (%v)", n, err)
		}
		settle()
		if may(one, laptop) != 200 || may(one, tablet) != 401 {
			t.Error("a change that could not be kept is lost")
		}
		kept.broken = nil
		other := paired(t, one, RightView)
		settle()
		if may(two, laptop) != 200 || may(two, tablet) != 401 || may(two, other) != 200 {
			t.Error("a change that could not be kept was not kept with the next")
		}
	})
}
