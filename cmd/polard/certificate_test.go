package main

import (
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"polard/cmd/polard/internal/harness"
)

// With one option the page is served over TLS. The link that pairs carries the certificate's
// fingerprint, which is that of the certificate shown; who installs the authority that the
// service hands out has no warning any more.
func TestOwnCertificate(t *testing.T) {
	state := t.TempDir()
	addr := "0.0.0.0:" + freePort(t)
	options := []string{"--addr", addr, "--own-certificate", "--state", state, "--host", "localhost"}
	r := startWithAddress(t, append([]string{"serve", t.TempDir(), "--allow-network", "--no-name", "--lat", "46.318", "--lon", "13.072"}, options...)...)
	if !strings.HasPrefix(r.URL, "https://") {
		t.Fatalf("%s: %s", r.URL, r.Stderr.String())
	}
	base := "https://localhost:" + addr[strings.LastIndexByte(addr, ':')+1:]
	get := func(config *tls.Config, path string) (*http.Response, []byte) {
		t.Helper()
		client := http.Client{Transport: &http.Transport{TLSClientConfig: config}, Timeout: harness.Patience}
		resp, err := client.Get(base + path)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp, b
	}
	resp, der := get(&tls.Config{InsecureSkipVerify: true}, "/authority.crt")
	authority, err := x509.ParseCertificate(der)
	if err != nil || resp.Header.Get("Content-Type") != "application/x-x509-ca-cert" {
		t.Fatalf("%v, %v", err, resp.Header)
	}
	roots := x509.NewCertPool()
	roots.AddCert(authority)
	resp, _ = get(&tls.Config{RootCAs: roots}, "/healthz")
	if resp.StatusCode != http.StatusOK {
		t.Errorf("status %d", resp.StatusCode)
	}
	status, shown, stderr := call(t, append([]string{"serve", "--pair"}, options...)...)
	link := regexp.MustCompile(`https://localhost:\d+/pair#[0-9a-z]{10}\.([0-9A-F]{64})\n`).FindStringSubmatch(shown)
	if status != exitDone || link == nil {
		t.Fatalf("status %d: %s%s", status, shown, stderr)
	}
	printed := strings.ReplaceAll(strings.Join(regexp.MustCompile(`(?m)^  ([0-9A-F:]+)$`).FindAllString(shown, -1), ""), " ", "")
	if want := fmt.Sprintf("%X", sha256.Sum256(resp.TLS.PeerCertificates[0].Raw)); strings.ReplaceAll(printed, ":", "") != want || link[1] != want {
		t.Errorf("%q and %q printed, the certificate has %s", printed, link[1], want)
	}
	for _, word := range []string{"nobody vouches for it", "somebody else answers", base + "/authority.crt"} {
		if !strings.Contains(shown, word) {
			t.Errorf("%q is missing in %s", word, shown)
		}
	}
	if status, _, stderr := call(t, "serve", "--pair", "--addr", addr, "--own-certificate", "--state", t.TempDir()); status != exitNot || !strings.Contains(stderr, "start the service with --own-certificate first") {
		t.Errorf("status %d: %s", status, stderr)
	}
	if status, _, stderr := call(t, "serve", t.TempDir(), "--own-certificate", "--tls-cert", "x", "--tls-key", "y"); status != exitUsage || !strings.Contains(stderr, "exclude") {
		t.Errorf("status %d: %s", status, stderr)
	}
}
