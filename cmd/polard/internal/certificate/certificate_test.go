package certificate

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var (
	at    = time.Date(2026, 11, 30, 12, 0, 0, 0, time.UTC)
	names = []string{"localhost", "polard.local", "pier", "127.0.0.1", "192.168.4.17", "203.0.113.9"}
)

func own(t *testing.T, folder string, names []string, now time.Time) *Own {
	t.Helper()
	o, err := Load(folder, names, now)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// Who trusts the authority gets a page without a warning, by each name and private address,
// and by no other.
func TestTrusted(t *testing.T) {
	folder := t.TempDir()
	o := own(t, folder, names, at)
	roots := x509.NewCertPool()
	roots.AddCert(o.Authority)
	verify := func(name string) error {
		_, err := o.Certificate.Leaf.Verify(x509.VerifyOptions{Roots: roots, DNSName: name, CurrentTime: at})
		return err
	}
	for _, n := range []string{"localhost", "polard.local", "pier", "127.0.0.1", "192.168.4.17"} {
		if err := verify(n); err != nil {
			t.Errorf("%s: %v", n, err)
		}
	}
	for _, n := range []string{"203.0.113.9", "example.com", "other.local"} {
		if verify(n) == nil {
			t.Errorf("it passes for %s", n)
		}
	}
	s := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "sky") }))
	s.TLS = &tls.Config{Certificates: []tls.Certificate{o.Certificate}}
	s.StartTLS()
	defer s.Close()
	client := http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots, Time: func() time.Time { return at }}}}
	r, err := client.Get(s.URL)
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	for _, f := range []string{authorityFile, pageFile} {
		info, err := os.Stat(filepath.Join(folder, f))
		if err != nil || info.Mode().Perm() != 0o600 && os.PathSeparator == '/' {
			t.Errorf("%s: %v, %v", f, info.Mode(), err)
		}
	}
}

// A stolen key of the authority is of no use for other sites: what it signs for them no
// verifier takes (RFC 5280, section 4.2.1.10).
func TestConstrained(t *testing.T) {
	folder := t.TempDir()
	o := own(t, folder, names, at)
	authority, key, err := load(filepath.Join(folder, authorityFile))
	if err != nil {
		t.Fatal(err)
	}
	forged, _, err := makePage(t.TempDir(), authority, key, []string{"bank.example"}, nil, at)
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AddCert(o.Authority)
	if _, err := forged.Verify(x509.VerifyOptions{Roots: roots, DNSName: "bank.example", CurrentTime: at}); err == nil {
		t.Error("a forged certificate passes")
	}
}

// The same certificate comes again, so that devices need to be told once; another address
// has another made under the same authority, another name under another authority.
func TestStored(t *testing.T) {
	folder := t.TempDir()
	first := own(t, folder, names, at)
	if again := own(t, folder, names, at.Add(time.Hour)); again.Fingerprint() != first.Fingerprint() {
		t.Error("another certificate an hour later")
	}
	moved := own(t, folder, append(names, "10.0.0.5"), at.Add(time.Hour))
	if moved.Fingerprint() == first.Fingerprint() || !moved.Authority.Equal(first.Authority) {
		t.Error("another address: the certificate stays, or the authority does not")
	}
	later := own(t, folder, names, at.Add(pageLasts-time.Hour))
	if later.Fingerprint() == moved.Fingerprint() || !later.Authority.Equal(first.Authority) {
		t.Error("it is not renewed before it ends")
	}
	if renamed := own(t, folder, append(names, "mount.example"), at); renamed.Authority.Equal(first.Authority) {
		t.Error("the authority signs for a name that it may not")
	}
	if err := os.WriteFile(filepath.Join(folder, authorityFile), []byte("broken"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(folder, names, at); err == nil || !strings.Contains(err.Error(), "remove it") {
		t.Errorf("a broken file: %v", err)
	}
}

// The fingerprint is what OpenSSL, a reference library, shows for the same certificate.
func TestFingerprint(t *testing.T) {
	path, err := exec.LookPath("openssl")
	if err != nil {
		t.Skip("no openssl found (Debian: apt-get install openssl)")
	}
	o := own(t, t.TempDir(), names, at)
	c := exec.CommandContext(t.Context(), path, "x509", "-noout", "-fingerprint", "-sha256")
	c.Stdin = strings.NewReader(string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: o.Certificate.Certificate[0]})))
	out, err := c.Output()
	if err != nil {
		t.Fatal(err)
	}
	if got := Hex(o.Fingerprint()); !strings.Contains(string(out), got) {
		t.Errorf("%s, and openssl says %s", got, out)
	}
}

// Addresses of version 6, unique local and global, are named; the authority signs for the networks it was made in and for no other
// public ones. An address that the system changes within its network makes no new certificate; the private ones always can be named.
func TestVersion6(t *testing.T) {
	folder := t.TempDir()
	verify := func(o *Own, name string) error {
		roots := x509.NewCertPool()
		roots.AddCert(o.Authority)
		_, err := o.Certificate.Leaf.Verify(x509.VerifyOptions{Roots: roots, DNSName: name, CurrentTime: at})
		return err
	}
	// 2001:db8::/32 is for documentation (RFC 3849).
	first := own(t, folder, []string{"localhost", "2001:db8:1:2::5", "fd00:7::9"}, at)
	for _, name := range []string{"localhost", "2001:db8:1:2::5", "fd00:7::9"} {
		if err := verify(first, name); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if verify(first, "2001:db8:1:2::6") == nil {
		t.Error("it passes for another machine of the network")
	}
	if again := own(t, folder, []string{"localhost", "2001:db8:1:2::77", "fd00:7::a"}, at); again.Fingerprint() != first.Fingerprint() {
		t.Error("an address that changed within its network made a new certificate")
	}
	moved := own(t, folder, []string{"localhost", "2001:db8:ffff::5", "fd00:8::9"}, at)
	if !moved.Authority.Equal(first.Authority) {
		t.Error("another network made another authority: every phone would have to trust it anew")
	}
	if err := verify(moved, "fd00:8::9"); err != nil {
		t.Errorf("an address of another private network: %v", err)
	}
	if err := verify(moved, "localhost"); err != nil {
		t.Errorf("beside a public network that the authority may not sign for: %v", err)
	}
	if verify(moved, "2001:db8:ffff::5") == nil {
		t.Error("it passes for an address that the authority may not sign for")
	}
}
