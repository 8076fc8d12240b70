package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"polard/mountmodel"
)

func newTestServer(t *testing.T, opt Options) (*Server, *recorder) {
	t.Helper()
	rec := &recorder{}
	if opt.Operator == nil {
		opt.Operator = rec
	}
	s, err := New(withNotes(opt))
	if err != nil {
		t.Fatal(err)
	}
	return s, rec
}

// ask sends one request from this machine to the handler, without a socket.
func ask(s *Server, method, target, body string, headers map[string]string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, "http://127.0.0.1:7315"+target, strings.NewReader(body))
	r.RemoteAddr = "127.0.0.1:40000"
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	for k, v := range headers {
		switch k {
		case "Host":
			r.Host = v
		case "Remote":
			r.RemoteAddr = v
		case "Local":
			r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(net.TCPAddrFromAddrPort(netip.MustParseAddrPort(v)))))
		case "Proto":
			r.Proto, r.ProtoMajor, r.ProtoMinor = v, 1, 0
		default:
			r.Header.Set(k, v)
		}
	}
	w := httptest.NewRecorder()
	s.echo.ServeHTTP(w, r)
	return w
}

func problemOf(t *testing.T, w *httptest.ResponseRecorder) (code, message string) {
	t.Helper()
	var p problemJSON
	if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil {
		t.Fatalf("status %d, body %q: %v", w.Code, w.Body, err)
	}
	if kind := w.Header().Get("Content-Type"); kind != "application/problem+json" || p.Status != w.Code {
		t.Errorf("problem %+v came as %s with status %d", p, kind, w.Code)
	}
	return p.Code, p.Detail
}

// OWASP Secure Headers Project; W3C Content Security Policy Level 3, section
// 6; Fetch Standard, section 3.7 (nosniff). Every answer has them, errors too.
func TestHeaders(t *testing.T) {
	s, _ := newTestServer(t, Options{})
	for _, target := range []string{"/", "/api/v1/state", "/healthz", "/nowhere", "/assets/" + s.assets.version + "/css/base.css"} {
		h := ask(s, "GET", target, "", nil).Header()
		csp := h.Get("Content-Security-Policy")
		for _, want := range []string{"default-src 'none'", "script-src 'self';", "style-src 'self';", "frame-ancestors 'none'", "base-uri 'none'", "form-action 'none'", "connect-src 'self' ws://127.0.0.1:7315;"} {
			if !strings.Contains(csp, want) {
				t.Errorf("%s: policy %q lacks %q", target, csp, want)
			}
		}
		if strings.Contains(csp, "unsafe") || strings.Contains(csp, "*") || strings.Contains(csp, "data:") {
			t.Errorf("%s: policy %q is too wide", target, csp)
		}
		for k, want := range map[string]string{"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "no-referrer", "Cross-Origin-Resource-Policy": "same-origin"} {
			if h.Get(k) != want {
				t.Errorf("%s: %s is %q, want %q", target, k, h.Get(k), want)
			}
		}
		for k := range h {
			if strings.HasPrefix(k, "Access-Control-") {
				t.Errorf("%s: %s opens the service to other sites", target, k)
			}
		}
	}
	refused := ask(s, "GET", "/", "", map[string]string{"Host": "evil.example; script-src *"}).Header()
	if csp := refused.Get("Content-Security-Policy"); csp != "default-src 'none'; frame-ancestors 'none'" || refused.Get("X-Frame-Options") != "DENY" {
		t.Errorf("refused host gets %v", refused)
	}
}

// The page itself holds no inline script or style, or the policy would break
// it.
func TestPageHasNothingInline(t *testing.T) {
	s, _ := newTestServer(t, Options{})
	page := ask(s, "GET", "/", "", nil).Body.String()
	for _, bad := range []string{"<style", " style=", " onclick=", " onload=", "javascript:", "http://", "https://"} {
		if strings.Contains(page, bad) {
			t.Errorf("page contains %q", bad)
		}
	}
	if n := strings.Count(page, "<script"); n != strings.Count(page, `<script src="/assets/`)+strings.Count(page, `<script type="module" src="/assets/`) {
		t.Error("a script is not one of the assets")
	}
	if strings.Contains(page, "{{") || strings.Contains(page, "ZgotmplZ") {
		t.Errorf("page was not filled in: %s", page)
	}
}

// Every file that the page and its modules name exists under the hashed
// address and may be kept for ever; another version's address is gone.
func TestAssets(t *testing.T) {
	s, _ := newTestServer(t, Options{})
	base := "/assets/" + s.assets.version + "/"
	page := ask(s, "GET", "/", "", nil).Body.String()
	for _, part := range strings.Split(page, `"`) {
		if !strings.HasPrefix(part, "/assets/") {
			continue
		}
		w := ask(s, "GET", part, "", nil)
		if w.Code != 200 || w.Header().Get("Cache-Control") != "public, max-age=31536000, immutable" {
			t.Errorf("%s: %d, %s", part, w.Code, w.Header().Get("Cache-Control"))
		}
	}
	for _, c := range []struct {
		path string
		code int
		kind string
	}{
		{base + "js/main.js", 200, "text/javascript; charset=utf-8"},
		{base + "css/parts.css", 200, "text/css; charset=utf-8"},
		{base + "icon.svg", 200, "image/svg+xml"},
		{"/assets/0000000000000000/js/main.js", 404, ""},
		{base + "index.html", 404, ""},
		{base + "../server.go", 404, ""},
		{base + "js/../../server.go", 404, ""},
		{base + "%2e%2e/server.go", 404, ""},
		{base + "js/", 404, ""},
		{base + "js", 404, ""},
	} {
		w := ask(s, "GET", c.path, "", nil)
		if w.Code != c.code {
			t.Errorf("%s: %d, want %d", c.path, w.Code, c.code)
		}
		if c.kind != "" && w.Header().Get("Content-Type") != c.kind {
			t.Errorf("%s: %s, want %s", c.path, w.Header().Get("Content-Type"), c.kind)
		}
	}
}

func TestAssetsOfUnknownKind(t *testing.T) {
	files := fstest.MapFS{sessionPage: {Data: []byte("{{.Assets}}")}, pairingPage: {}}
	if _, err := loadAssets(files); err != nil {
		t.Fatal(err)
	}
	files["odd.exe"] = &fstest.MapFile{}
	if _, err := loadAssets(files); err == nil {
		t.Error("a file of unknown kind was taken")
	}
}

func TestModulesAreSmall(t *testing.T) {
	files, err := filepath.Glob("assets/js/*.js")
	if err != nil || len(files) == 0 {
		t.Fatal(err, files)
	}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		if n := bytes.Count(b, []byte("\n")); n >= 300 {
			t.Errorf("%s has %d lines; modules stay under 300", f, n)
		}
	}
}

// DNS rebinding: a name that is not ours, whatever address it leads to, gets
// nothing (RFC 9110, section 7.4: 421 Misdirected Request).
func TestHost(t *testing.T) {
	s, _ := newTestServer(t, Options{Hosts: []string{"mount.local"}})
	for host, want := range map[string]int{
		"127.0.0.1:7315": 200, "localhost:7315": 200, "LOCALHOST": 200, "[::1]:7315": 200, "192.168.4.1:7315": 200,
		"mount.local:7315": 200, "Mount.Local": 200,
		"evil.example": 421, "evil.example:7315": 421, "127.0.0.1.evil.example": 421, "localhost.evil.example": 421,
		"user@127.0.0.1": 421, "127.0.0.1/x": 421, "[fe80::1%25eth0]": 421, "2130706433": 421,
		"127.0.0.1; script-src *": 421, "": 421,
	} {
		for _, target := range []string{"/", "/api/v1/state", "/healthz"} {
			if w := ask(s, "GET", target, "", map[string]string{"Host": host}); w.Code != want {
				t.Errorf("host %q, %s: %d, want %d", host, target, w.Code, want)
			}
		}
	}
}

// Cross-site requests: Fetch Metadata (W3C) and Origin (RFC 6454).
func TestOrigin(t *testing.T) {
	s, rec := newTestServer(t, Options{})
	for _, c := range []struct {
		origin, site string
		want         int
	}{
		{"", "", 204}, // no browser at all
		{"http://127.0.0.1:7315", "same-origin", 204},
		{"http://127.0.0.1:7315", "", 204},
		{"http://127.0.0.1:7316", "", 403},
		{"https://127.0.0.1:7315", "", 204}, // behind a proxy that speaks TLS for us
		{"http://localhost:7315", "", 403},
		{"http://evil.example", "", 403},
		{"http://evil.example", "same-origin", 403},
		{"http://127.0.0.1:7315", "cross-site", 403},
		{"http://127.0.0.1:7315", "same-site", 403},
		{"null", "", 403},
		{"http://127.0.0.1:7315.evil.example", "", 403},
	} {
		headers := map[string]string{}
		if c.origin != "" {
			headers["Origin"] = c.origin
		}
		if c.site != "" {
			headers["Sec-Fetch-Site"] = c.site
		}
		before := len(rec.told())
		w := ask(s, "POST", "/api/v1/event", `{"event":"locked"}`, headers)
		if w.Code != c.want {
			t.Errorf("origin %q, site %q: %d, want %d", c.origin, c.site, w.Code, c.want)
		}
		if told := len(rec.told()) - before; (told == 1) != (c.want == 204) {
			t.Errorf("origin %q, site %q: %d commands carried out", c.origin, c.site, told)
		}
		if c.want == 403 {
			if w := ask(s, "GET", "/api/v1/state", "", headers); w.Code != 403 {
				t.Errorf("origin %q, site %q may read the state: %d", c.origin, c.site, w.Code)
			}
		}
	}
}

func TestCommands(t *testing.T) {
	rec := &recorder{}
	s, _ := newTestServer(t, Options{Operator: rec, Rig: rec})
	for _, c := range []struct {
		path, body string
		want       int
		told       string
	}{
		// Pressure of the standard atmosphere at 840 m: ISO 2533:1975 gives 916.3 hPa.
		{"site", `{"lat_deg":47.25,"lon_deg":11.5,"elevation_m":840}`, 204, "site 47.2500 11.5000 840 m, 916.3 hPa, 10.0 C, refracted"},
		{"site", `{"lat_deg":-30.2,"lon_deg":20.8,"elevation_m":1760,"pressure_hpa":820,"temperature_c":-3.5,"pole":"true"}`, 204, "site -30.2000 20.8000 1760 m, 820.0 hPa, -3.5 C, true"},
		{"site", `{"lat_deg":0,"lon_deg":0}`, 204, "site 0.0000 0.0000 0 m, 1013.2 hPa, 10.0 C, refracted"},
		{"site", `{"lat_deg":47.25}`, 400, ""},
		{"site", `{"lat_deg":91,"lon_deg":0}`, 400, ""},
		{"site", `{"lat_deg":47,"lon_deg":0,"pressure_hpa":2000}`, 400, ""},
		{"site", `{"lat_deg":47,"lon_deg":0,"pole":"magnetic"}`, 400, ""},
		{"site", `{"lat_deg":"47","lon_deg":0}`, 400, ""},
		{"site", `{"lat_deg":1e999,"lon_deg":0}`, 400, ""},
		{"site", `{"lat_deg":47,"lon_deg":0,"height":3}`, 400, ""},
		{"tolerance", `{"arcmin":1.5}`, 204, "tolerance 1.50"},
		{"tolerance", `{}`, 400, ""},
		{"event", `{"event":"start_over"}`, 204, "event start_over"},
		{"event", `{"event":"measured"}`, 204, "event measured"},
		{"event", `{"event":"locked"}`, 204, "event locked"},
		{"event", `{"event":"unlocked"}`, 204, "event unlocked"},
		{"event", `{"event":"explode"}`, 400, ""},
		{"event", `{"event":"locked"} {"event":"unlocked"}`, 400, ""},
		{"event", `{"event":`, 400, ""},
		{"event", `null `, 400, ""},
		{"event", `{"event":"` + strings.Repeat("x", 5000) + `"}`, 413, ""},
		{"event", `{"event":"watch"}`, 204, "event watch"},
		{"turned", `{"bolt":"altitude","turns":-0.4}`, 204, "turned altitude -0.40"},
		{"turned", `{"bolt":"azimuth","turns":2}`, 204, "turned azimuth 2.00"},
		{"turned", `{"bolt":"wing","turns":2}`, 400, ""},
		{"turned", `{"bolt":"azimuth"}`, 400, ""},
		{"frame", `{"file":"f2.fits","mid_utc":"2026-03-14T21:08:09.120Z","counts":false}`, 204, "frame f2.fits 2026-03-14T21:08:09.120Z false"},
		{"frame", `{"file":"f2.fits","mid_utc":"2026-03-14T21:08:09.120Z"}`, 400, ""},
		{"frame", `{"file":"f2.fits","counts":true}`, 400, ""},
		{"frame", `{"file":"f2.fits","mid_utc":"yesterday","counts":true}`, 400, ""},
		{"plan", `{"exposure_s":300,"dec_deg":41.5,"ha_from_deg":-30,"ha_to_deg":45}`, 204, "plan 0 mm 0 um 0 x 0, 5m0s, guided false 0.0', dec 41.5, -30.0 to 45.0, 1 px, apply false"},
		{"plan", `{"focal_mm":800,"pixel_um":3.8,"width_px":6000,"height_px":4000,"exposure_s":0.5,"guided":true,"guide_offset_arcmin":20,"dec_deg":-60,"ha_from_deg":0,"ha_to_deg":1,"limit_px":2.5,"apply_tolerance":true}`, 204,
			"plan 800 mm 3.8 um 6000 x 4000, 500ms, guided true 20.0', dec -60.0, 0.0 to 1.0, 2.5 px, apply true"},
		{"plan", `{"exposure_s":300,"guided":true,"dec_deg":41.5,"ha_from_deg":-30,"ha_to_deg":45}`, 400, ""},
		{"plan", `{"exposure_s":300,"dec_deg":41.5,"ha_from_deg":-30}`, 400, ""},
		{"plan", `{"dec_deg":41.5,"ha_from_deg":-30,"ha_to_deg":45}`, 400, ""},
		{"plan", `{"exposure_s":1e300,"dec_deg":41.5,"ha_from_deg":-30,"ha_to_deg":45}`, 400, ""},
		{"plan", `{"width_px":1e12,"exposure_s":300,"dec_deg":41.5,"ha_from_deg":-30,"ha_to_deg":45}`, 400, ""},
		{"plan", `{"width_px":100.5,"exposure_s":300,"dec_deg":41.5,"ha_from_deg":-30,"ha_to_deg":45}`, 400, ""},
		{"rig/declination", `{"deg":12}`, 204, "declination 12.0"},
		{"rig/fault", `{"fault":"bump"}`, 204, "fault bump true"},
		{"rig/fault", `{"fault":"cloud","on":false}`, 204, "fault cloud false"},
		{"rig/fault", `{}`, 400, ""},
		{"rig/ra", `{"deg":-30}`, 204, "ra -30.0"},
		{"rig/ra", `{"deg":181}`, 400, ""},
		{"rig/ra", `{}`, 400, ""},
		{"rig/ra", `{"deg":1,"arcmin":1}`, 400, ""},
		{"rig/altitude-bolt", `{"arcmin":-7}`, 204, "altitude -7.00"},
		{"rig/azimuth-bolt", `{"arcmin":27.2}`, 204, "azimuth 27.20"},
		{"rig/azimuth-bolt", `{"deg":11}`, 400, ""},
		{"rig/drive", `{"on":true}`, 204, "drive true"},
		{"rig/drive", `{}`, 400, ""},
		{"rig/repeat", `{"on":false}`, 204, "repeat false"},
		{"rig/expose", `{}`, 204, "expose"},
		{"rig/nothing", `{}`, 404, ""},
	} {
		before := rec.told()
		w := ask(s, "POST", "/api/v1/"+c.path, c.body, nil)
		if w.Code != c.want {
			t.Errorf("%s %.60s: %d, want %d: %s", c.path, c.body, w.Code, c.want, w.Body)
		}
		told := strings.Join(rec.told()[len(before):], "; ")
		if told != c.told {
			t.Errorf("%s %.60s: carried out %q, want %q", c.path, c.body, told, c.told)
		}
		if w.Code >= 400 {
			if code, message := problemOf(t, w); code == "" || message == "" {
				t.Errorf("%s %.60s: no reason given: %s", c.path, c.body, w.Body)
			}
		}
	}
}

func TestCommandRefusedInWords(t *testing.T) {
	rec := &recorder{refuse: errors.New("the axis is not measured yet")}
	s, _ := newTestServer(t, Options{Operator: rec})
	w := ask(s, "POST", "/api/v1/event", `{"event":"locked"}`, nil)
	if code, message := problemOf(t, w); w.Code != 409 || code != "refused" || message != "the axis is not measured yet" {
		t.Errorf("%d %s %s", w.Code, code, message)
	}
}

// A form of another site can send text/plain without asking first (Fetch
// Standard, CORS-safelisted request-header); so only JSON is taken.
func TestCommandOnlyJSON(t *testing.T) {
	s, rec := newTestServer(t, Options{})
	for _, kind := range []string{"text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", ""} {
		w := ask(s, "POST", "/api/v1/event", `{"event":"locked"}`, map[string]string{"Content-Type": kind})
		if w.Code != 415 {
			t.Errorf("%q: %d", kind, w.Code)
		}
	}
	for _, method := range []string{"GET", "PUT", "DELETE", "PATCH"} {
		if w := ask(s, method, "/api/v1/event", `{"event":"locked"}`, nil); w.Code != 405 && w.Code != 404 {
			t.Errorf("%s: %d", method, w.Code)
		}
	}
	if told := rec.told(); len(told) != 0 {
		t.Errorf("carried out: %v", told)
	}
}

func TestRigOnlyInRehearsal(t *testing.T) {
	s, _ := newTestServer(t, Options{})
	if w := ask(s, "POST", "/api/v1/rig/ra", `{"deg":15}`, nil); w.Code != 404 {
		t.Errorf("%d", w.Code)
	}
}

func TestListenOnlyOnLoopback(t *testing.T) {
	for _, c := range []struct {
		addr  string
		allow bool
		ok    bool
	}{
		{"", false, true}, {"127.0.0.1:0", false, true}, {"[::1]:0", false, true}, {"localhost:0", false, true},
		{":7315", false, false}, {"0.0.0.0:7315", false, false}, {"[::]:7315", false, false}, {"192.168.4.1:7315", false, false}, {"mount.local:7315", false, false},
		{":7315", true, true}, {"7315", true, false}, {"127.0.0.1", false, false},
	} {
		_, err := New(withNotes(Options{Operator: &recorder{}, Addr: c.addr, AllowNetwork: c.allow}))
		if (err == nil) != c.ok {
			t.Errorf("%q, network %t: %v", c.addr, c.allow, err)
		}
	}
	if _, err := New(Options{}); err == nil {
		t.Error("a server without an operator was made")
	}
}

func TestPanicStaysInItsRequest(t *testing.T) {
	s, _ := newTestServer(t, Options{Operator: panicky{}})
	w := ask(s, "POST", "/api/v1/event", `{"event":"locked"}`, nil)
	if code, message := problemOf(t, w); w.Code != 500 || code != "internal" || strings.Contains(message, "secret") {
		t.Errorf("%d %s %s", w.Code, code, message)
	}
}

type panicky struct{ Operator }

func (panicky) Tell(context.Context, mountmodel.Event) error { panic("secret") }

func TestPortTaken(t *testing.T) {
	r := serve(t, Options{})
	addr := strings.TrimSuffix(strings.TrimPrefix(r.url, "http://"), "/")
	s, err := New(withNotes(Options{Operator: &recorder{}, Addr: addr}))
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Run(context.Background()); err == nil || !strings.Contains(err.Error(), "choose another port") {
		t.Errorf("got %v", err)
	}
}

func TestHealth(t *testing.T) {
	r := serve(t, Options{})
	resp, err := http.Get(r.url + "healthz")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if b, _ := io.ReadAll(resp.Body); resp.StatusCode != 200 || string(b) != "ok\n" {
		t.Errorf("%d %q", resp.StatusCode, b)
	}
}

func TestHostsAreNotShared(t *testing.T) {
	hosts := []string{"mount.local"}
	s, _ := newTestServer(t, Options{Hosts: slices.Clone(hosts)})
	if !s.ownHost("mount.local:80") || s.ownHost("other.local:80") {
		t.Error("names mixed up")
	}
}
