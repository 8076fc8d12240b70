package main

import (
	"context"
	"crypto/tls"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"

	"github.com/gorilla/websocket"
)

// nginx runs Debian's nginx with what stands in its http block.
func nginx(t *testing.T, block, listens string) {
	t.Helper()
	folder := t.TempDir()
	conf := filepath.Join(folder, "nginx.conf")
	user := ""
	if os.Getuid() == 0 {
		user = "user root;"
	}
	text := fmt.Sprintf(`%s daemon off; error_log stderr; pid %[2]s/pid; events {}
http { access_log off; client_body_temp_path %[2]s/a; proxy_temp_path %[2]s/b; fastcgi_temp_path %[2]s/c; uwsgi_temp_path %[2]s/d; scgi_temp_path %[2]s/e;
%[3]s
}`, user, folder, block)
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	c := exec.Command("/usr/sbin/nginx", "-c", conf, "-p", folder)
	var said harness.Output
	c.Stderr = &said
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = c.Process.Signal(os.Interrupt)
		_ = c.Wait()
	})
	harness.Eventually(t, "nginx", func() (bool, string) {
		conn, err := net.Dial("tcp", "127.0.0.1:"+listens)
		if err == nil {
			conn.Close()
		}
		return err == nil, said.String()
	})
}

// The proxy configuration of the guide, with a real nginx: nobody unpaired sees anything
// through it, and a browser is paired, looks on live and operates, over TLS. Proxies that are
// set up in other ways: nginx as it comes, which adds no header, and one that adds none and
// speaks HTTP/1.1 before a service that was told so.
func TestBehindProxy(t *testing.T) {
	if _, err := os.Stat("/usr/sbin/nginx"); err != nil {
		t.Skip("needs Debian's nginx")
	}
	guide, err := os.ReadFile("docs/start-observatory.md")
	if err != nil {
		t.Fatal(err)
	}
	config := regexp.MustCompile("(?s)```nginx\n(.*?)```").FindSubmatch(guide)
	if config == nil {
		t.Fatal("the guide shows no configuration")
	}
	cert, key := certificateFiles(t)
	serve := func(options ...string) (at, state string) {
		state = t.TempDir()
		r := start(t, append([]string{"serve", t.TempDir(), "--state", state, "--host", "pier.example", "--lat", "46.318", "--lon", "13.072"}, options...)...)
		return strings.Trim(strings.TrimPrefix(r.URL, "http:"), "/"), state
	}
	at, state := serve()
	door := freePort(t)
	block := string(config[1])
	for from, to := range map[string]string{
		"listen 443 ssl": "listen 127.0.0.1:" + door + " ssl", "/etc/ssl/pier.example.pem": cert, "/etc/ssl/private/pier.example.key": key, "127.0.0.1:8467": at,
	} {
		if !strings.Contains(block, from) {
			t.Fatalf("the guide's configuration lacks %q", from)
		}
		block = strings.ReplaceAll(block, from, to)
	}
	nginx(t, block, door)
	toDoor := func(ctx context.Context, network, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, network, "127.0.0.1:"+door)
	}
	trust := &tls.Config{InsecureSkipVerify: true} // a certificate of the test's own
	client := http.Client{Transport: &http.Transport{TLSClientConfig: trust, DialContext: toDoor}, Timeout: 30 * time.Second}
	origin := "https://pier.example:" + door
	ask := func(method, path, body, cookie, from string) *http.Response {
		t.Helper()
		r, err := http.NewRequest(method, origin+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		r.Header = http.Header{"Content-Type": {"application/json"}, "Cookie": {cookie}, "Origin": {from}, "X-Forwarded-For": {"127.0.0.1"}}
		answer, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		return answer
	}
	for path, want := range map[string]int{"/": 401, "/api/v1/state": 401, "/api/v1/devices": 403, "/healthz": 200} {
		if answer := ask("GET", path, "", "", origin); answer.StatusCode != want {
			t.Errorf("nothing paired: %s is %d, want %d", path, answer.StatusCode, want)
		}
	}
	status, shown, stderr := call(t, "serve", "--pair", "--state", state, "--addr", "0.0.0.0:"+at[strings.LastIndexByte(at, ':')+1:])
	code := regexp.MustCompile(`/pair#([0-9a-z]{10})`).FindStringSubmatch(shown)
	if status != exitDone || code == nil {
		t.Fatalf("status %d: %s%s", status, shown, stderr)
	}
	answer := ask("POST", "/api/v1/pair", fmt.Sprintf(`{"code":%q}`, code[1]), "", origin)
	if answer.StatusCode != 204 || len(answer.Cookies()) != 1 || !answer.Cookies()[0].Secure {
		t.Fatalf("pairing: %d %v", answer.StatusCode, answer.Cookies())
	}
	cookie := answer.Cookies()[0].Name + "=" + answer.Cookies()[0].Value
	if answer := ask("GET", "/", "", cookie, origin); answer.StatusCode != 200 || !strings.Contains(answer.Header.Get("Content-Security-Policy"), "wss://pier.example:"+door) {
		t.Errorf("the page: %d, policy %q", answer.StatusCode, answer.Header.Get("Content-Security-Policy"))
	}
	if answer := ask("POST", "/api/v1/tolerance", `{"arcmin":2}`, cookie, origin); answer.StatusCode != 204 {
		t.Errorf("a command: %d", answer.StatusCode)
	}
	if answer := ask("POST", "/api/v1/tolerance", `{"arcmin":2}`, cookie, "https://evil.example"); answer.StatusCode != 403 {
		t.Errorf("a command of another site: %d", answer.StatusCode)
	}
	dialer := websocket.Dialer{TLSClientConfig: trust, NetDialContext: toDoor}
	conn, _, err := dialer.Dial("wss://pier.example:"+door+"/api/v1/live", http.Header{"Cookie": {cookie}, "Origin": {origin}})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, message, err := conn.ReadMessage(); err != nil || !strings.Contains(string(message), `"state"`) {
		t.Errorf("the live connection: %s (%v)", message, err)
	}

	forwarded, _ := serve("--forwarded")
	for name, c := range map[string]struct{ to, more string }{
		"as nginx comes":                        {at, ""},
		"HTTP/1.1, and no header, and declared": {forwarded, "proxy_http_version 1.1; proxy_set_header Connection '';"},
	} {
		port := freePort(t)
		nginx(t, fmt.Sprintf("server { listen 127.0.0.1:%s; location / { proxy_pass http://%s; %s } }", port, c.to, c.more), port)
		for path, want := range map[string]int{"/api/v1/state": 401, "/api/v1/devices": 403} {
			answer, err := http.Get("http://127.0.0.1:" + port + path)
			if err != nil {
				t.Fatal(err)
			}
			answer.Body.Close()
			if answer.StatusCode != want {
				t.Errorf("%s: %s is %d, want %d", name, path, answer.StatusCode, want)
			}
		}
	}
}
