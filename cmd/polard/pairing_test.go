package main

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/pairing"

	"github.com/gorilla/websocket"
)

// certificateFiles writes a certificate of its own for localhost, and its key.
func certificateFiles(t *testing.T) (cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	plan := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "polard test"}, DNSNames: []string{"localhost"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
	}
	der, err := x509.CreateCertificate(rand.Reader, plan, plan, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	cert, key = filepath.Join(folder, "cert.pem"), filepath.Join(folder, "key.pem")
	for path, block := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: keyDER}} {
		if err := os.WriteFile(path, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return cert, key
}

func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "0.0.0.0:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, port, _ := net.SplitHostPort(l.Addr().String())
	return port
}

// From the command that shows a link to the device that is shut out again, over
// TLS and in plain HTTP. A proxy's header makes this machine's requests those
// of a device of the network.
func TestPairing(t *testing.T) {
	cert, key := certificateFiles(t)
	for _, c := range []struct {
		scheme string
		tls    []string
	}{{"http", nil}, {"https", []string{"--tls-cert", cert, "--tls-key", key}}} {
		t.Run(c.scheme, func(t *testing.T) {
			state := t.TempDir()
			addr := "0.0.0.0:" + freePort(t)
			options := append([]string{"--addr", addr, "--host", "localhost"}, c.tls...)
			r := startWithAddress(t, append([]string{"serve", t.TempDir(), "--state", state, "--allow-network", "--lat", "46.318", "--lon", "13.072"}, options...)...)
			if !strings.HasPrefix(r.URL, c.scheme+"://") || strings.Contains(r.Stdout.String()+r.Stderr.String(), "/pair#") {
				t.Errorf("%s, no terminal: %s%s", r.URL, r.Stdout.String(), r.Stderr.String())
			}
			base := c.scheme + "://localhost:" + addr[strings.LastIndexByte(addr, ':')+1:]
			trust := &tls.Config{InsecureSkipVerify: true} // a certificate of the test's own
			client := http.Client{Transport: &http.Transport{TLSClientConfig: trust}, Timeout: harness.Patience}
			do := func(method, path, body, cookie string) *http.Response {
				t.Helper()
				req, err := http.NewRequest(method, base+path, strings.NewReader(body))
				if err != nil {
					t.Fatal(err)
				}
				req.Header = http.Header{"X-Forwarded-For": {"192.168.7.9"}, "Content-Type": {"application/json"}, "Cookie": {cookie}, "Origin": {base}}
				resp, err := client.Do(req)
				if err != nil {
					t.Fatal(err)
				}
				io.Copy(io.Discard, resp.Body)
				resp.Body.Close()
				return resp
			}
			if resp := do("GET", "/api/v1/state", "", ""); resp.StatusCode != 401 {
				t.Errorf("a stranger sees %d", resp.StatusCode)
			}
			status, shown, stderr := call(t, append([]string{"serve", "--pair"}, options...)...)
			link := regexp.MustCompile(c.scheme + `://localhost:\d+/pair#([0-9a-z]{10})`).FindStringSubmatch(shown)
			if status != exitDone || link == nil || !strings.Contains(shown, "may operate") || !strings.Contains(shown, "▀") {
				t.Fatalf("status %d: %s%s", status, shown, stderr)
			}
			if !strings.HasPrefix(link[0], base) {
				t.Errorf("link %s, want below %s", link[0], base)
			}
			if resp := do("GET", "/pair", "", ""); resp.StatusCode != 200 {
				t.Errorf("the page that pairs: %d", resp.StatusCode)
			}
			resp := do("POST", "/api/v1/pair", fmt.Sprintf(`{"code":%q}`, link[1]), "")
			if resp.StatusCode != 204 || len(resp.Cookies()) != 1 {
				t.Fatalf("pairing: %d", resp.StatusCode)
			}
			cookie := resp.Cookies()[0]
			if cookie.Secure != (c.scheme == "https") || strings.HasPrefix(cookie.Name, "__Host-") != cookie.Secure || !cookie.HttpOnly || cookie.SameSite != http.SameSiteStrictMode {
				t.Errorf("cookie %+v", cookie)
			}
			shows := cookie.Name + "=" + cookie.Value
			if resp := do("POST", "/api/v1/tolerance", `{"arcmin":2}`, shows); resp.StatusCode != 204 {
				t.Errorf("the device operates: %d", resp.StatusCode)
			}
			dialer := websocket.Dialer{TLSClientConfig: trust}
			conn, _, err := dialer.Dial("ws"+strings.TrimPrefix(base, "http")+"/api/v1/live", http.Header{"X-Forwarded-For": {"192.168.7.9"}, "Cookie": {shows}, "Origin": {base}})
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			if csp := do("GET", "/", "", shows).Header.Get("Content-Security-Policy"); !strings.Contains(csp, "ws"+strings.TrimPrefix(c.scheme, "http")+"://localhost") {
				t.Errorf("policy %q", csp)
			}

			// It is still paired after a restart of the service.
			kept, err := os.ReadFile(filepath.Join(state, pairing.DevicesName))
			if err != nil || strings.Contains(string(kept), cookie.Value) || strings.Contains(string(kept), link[1]) {
				t.Errorf("kept %s (%v)", kept, err)
			}
			if info, err := os.Stat(filepath.Join(state, pairing.DevicesName)); err != nil || info.Mode().Perm() != 0o600 {
				t.Errorf("rights of the list: %v, %v", info.Mode(), err)
			}
			status, listed, _ := call(t, append([]string{"serve", "--devices"}, options...)...)
			if status != exitDone || !strings.Contains(listed, "operate") || strings.Count(listed, "\n") != 2 {
				t.Errorf("status %d: %s", status, listed)
			}
			if status, _, stderr := call(t, append([]string{"serve", "--revoke", "1"}, options...)...); status != exitDone {
				t.Errorf("status %d: %s", status, stderr)
			}
			if resp := do("GET", "/api/v1/state", "", shows); resp.StatusCode != 401 {
				t.Errorf("after its right was taken it sees %d", resp.StatusCode)
			}
			if status, _, stderr := call(t, append([]string{"serve", "--revoke", "1"}, options...)...); status != exitNot || !strings.Contains(stderr, "no such device") {
				t.Errorf("status %d: %s", status, stderr)
			}
			if status, shown, _ := call(t, append([]string{"serve", "--pair=view"}, options...)...); status != exitDone || !strings.Contains(shown, "may look on") {
				t.Errorf("status %d: %s", status, shown)
			}
			if all := r.Stdout.String() + r.Stderr.String(); strings.Contains(all, link[1]) || strings.Contains(all, cookie.Value) {
				t.Error("a secret was logged")
			}
		})
	}
}

// startWithAddress starts a service whose --addr stands in args.
func startWithAddress(t *testing.T, args ...string) *running {
	t.Helper()
	return &running{harness.StartWith(t, func(ctx context.Context, r *harness.Running) int { return execute(ctx, args, &r.Stdout, &r.Stderr) })}
}

// What cannot be said to a service, or cannot be reached, is told with what to
// do.
func TestPairingCalls(t *testing.T) {
	cert, key := certificateFiles(t)
	bad := filepath.Join(t.TempDir(), "bad.pem")
	if err := os.WriteFile(bad, []byte("not a certificate"), 0o600); err != nil {
		t.Fatal(err)
	}
	nobody := "0.0.0.0:" + freePort(t)
	for _, c := range []struct {
		args   []string
		status int
		says   string
	}{
		{[]string{"serve", "--pair", "--addr", nobody}, exitNot, "no service answers"},
		{[]string{"serve", "--pair=all", "--addr", nobody}, exitUsage, `"view"`},
		{[]string{"serve", "--pair"}, exitUsage, "for this machine only"},
		{[]string{"serve", "--pair", "--addr", "0.0.0.0:0"}, exitUsage, "at which the service runs"},
		{[]string{"serve", "--devices", "--addr", nobody}, exitNot, "no service answers"},
		{[]string{"serve", "--revoke", "phone", "--addr", nobody}, exitUsage, "device's number"},
		{[]string{"serve", t.TempDir(), "--tls-cert", cert}, exitUsage, "go together"},
		{[]string{"serve", t.TempDir(), "--tls-cert", bad, "--tls-key", key}, exitUsage, "bad.pem"},
		{[]string{"serve", t.TempDir(), "--tls-cert", cert, "--tls-key", bad + "none"}, exitUsage, "no such file"},
	} {
		status, _, stderr := call(t, c.args...)
		if status != c.status || !strings.Contains(stderr, c.says) {
			t.Errorf("%q: status %d: %s", c.args, status, stderr)
		}
	}
}

// A damaged list of devices is set aside, and nobody is paired by it.
func TestDamagedDevices(t *testing.T) {
	state := t.TempDir()
	if err := os.WriteFile(filepath.Join(state, pairing.DevicesName), []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	r := start(t, "serve", t.TempDir(), "--state", state)
	if log := r.Stderr.String(); !strings.Contains(log, pairing.DevicesName+" is damaged") || !strings.Contains(log, "nobody is paired") {
		t.Errorf("log: %s", log)
	}
	if kept, err := os.ReadFile(filepath.Join(state, pairing.DevicesName+".damaged")); err != nil || string(kept) != "{" {
		t.Errorf("kept %q (%v)", kept, err)
	}
}
