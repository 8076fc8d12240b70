// Package certificate makes the certificate with which the page is served over TLS where
// nobody gives one: an authority of this machine's own, kept in the folder of state, and under
// it a certificate for the names and addresses by which the machine is opened.
//
// A browser knows no such authority and warns, once on each device, until the person has
// compared the fingerprint and trusts it. The authority may sign for names that end in .local,
// for the machine's own names, for addresses of private networks and for those of the networks of
// version 6 in which the machine stood when it was made, and for nothing else (name constraints,
// RFC 5280, section 4.2.1.10): who installs it on a phone opens the phone to no other site, even if
// the key were stolen.
package certificate

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

const (
	// Names of the files in the folder of state.
	authorityFile = "page-authority.pem"
	pageFile      = "page-certificate.pem"

	// A common phone system refuses certificates of authorities that a person installed when
	// they last longer than 825 days (from memory of its maker's notes); a year leaves room.
	pageLasts      = 365 * 24 * time.Hour
	authorityLasts = 10 * pageLasts
	// Renewed so long before the end, a certificate never ends in the middle of a night.
	renewBefore = 30 * 24 * time.Hour
	// Clocks in the field are off.
	clockSlack = 24 * time.Hour
)

// private are the networks for whose addresses the authority may sign: RFC 1918, RFC 3927,
// RFC 6598, RFC 4193, and loopback.
var private = networks("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "100.64.0.0/10", "127.0.0.0/8", "::1/128", "fc00::/7", "fe80::/10")

// subnet is the network of a global address of version 6: its first 64 bits (RFC 4291, section 2.5.4); nil for other addresses.
func subnet(ip net.IP) *net.IPNet {
	if ip.To4() != nil || !ip.IsGlobalUnicast() {
		return nil
	}
	mask := net.CIDRMask(64, 128)
	return &net.IPNet{IP: ip.Mask(mask), Mask: mask}
}

// within tells whether an address lies in one of some networks.
func within(ip net.IP, all []*net.IPNet) bool {
	return slices.ContainsFunc(all, func(n *net.IPNet) bool { return n.Contains(ip) })
}

func networks(text ...string) (out []*net.IPNet) {
	for _, t := range text {
		_, n, err := net.ParseCIDR(t)
		if err != nil {
			panic(err) // written above
		}
		out = append(out, n)
	}
	return out
}

// Own is the certificate of this machine's page, and the authority that signed it.
type Own struct {
	Certificate tls.Certificate
	Authority   *x509.Certificate
}

// Fingerprint is the SHA-256 of the page's certificate, as browsers show it.
func (o *Own) Fingerprint() [sha256.Size]byte { return sha256.Sum256(o.Certificate.Certificate[0]) }

// Hex writes a fingerprint as browsers do: pairs of hexadecimal digits.
func Hex(sum [sha256.Size]byte) string {
	pairs := make([]string, len(sum))
	for i, b := range sum {
		pairs[i] = fmt.Sprintf("%02X", b)
	}
	return strings.Join(pairs, ":")
}

// Load gives the certificate kept in a folder for the names and addresses given. What is
// missing, ends soon or does not cover them is made anew; the authority stays as long as it
// may sign for them. An address for which an authority that is kept may not sign is left out.
func Load(folder string, names []string, now time.Time) (*Own, error) {
	dns, ips := sorted(names)
	authority, key, err := load(filepath.Join(folder, authorityFile))
	if err == nil && (now.Add(pageLasts).After(authority.NotAfter) || !permits(authority, dns)) {
		authority = nil
	}
	if err != nil || authority == nil {
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("the certificate of this machine's own cannot be used: %w; remove it to have another made", err)
		}
		if authority, key, err = makeAuthority(folder, dns, ips, now); err != nil {
			return nil, err
		}
	}
	ips = slices.DeleteFunc(ips, func(ip net.IP) bool { return !within(ip, authority.PermittedIPRanges) })
	page, pageKey, err := load(filepath.Join(folder, pageFile))
	if err != nil || now.Add(renewBefore).After(page.NotAfter) || page.CheckSignatureFrom(authority) != nil || !covers(page, dns, ips) {
		if page, pageKey, err = makePage(folder, authority, key, dns, ips, now); err != nil {
			return nil, err
		}
	}
	return &Own{Authority: authority, Certificate: tls.Certificate{
		Certificate: [][]byte{page.Raw, authority.Raw}, PrivateKey: pageKey, Leaf: page,
	}}, nil
}

// Stored gives the certificate that a folder holds, as a service that runs there shows it.
func Stored(folder string) (*Own, error) {
	authority, _, err := load(filepath.Join(folder, authorityFile))
	if err != nil {
		return nil, err
	}
	page, key, err := load(filepath.Join(folder, pageFile))
	if err != nil {
		return nil, err
	}
	return &Own{Authority: authority, Certificate: tls.Certificate{Certificate: [][]byte{page.Raw, authority.Raw}, PrivateKey: key, Leaf: page}}, nil
}

// sorted tells names from addresses; public addresses of version 4 are left out, for which nobody signs here.
func sorted(names []string) (dns []string, ips []net.IP) {
	for _, n := range names {
		ip := net.ParseIP(n)
		switch {
		case ip == nil:
			dns = append(dns, strings.ToLower(n))
		case within(ip, private), subnet(ip) != nil:
			ips = append(ips, ip)
		}
	}
	return dns, ips
}

// permits tells whether an authority may sign for names.
func permits(a *x509.Certificate, dns []string) bool {
	return !slices.ContainsFunc(dns, func(n string) bool {
		return !slices.ContainsFunc(a.PermittedDNSDomains, func(p string) bool { return n == p || strings.HasSuffix(n, "."+p) })
	})
}

// covers tells whether a certificate names all of them. Of a network of version 6 one address will do: systems change theirs
// from day to day, and a certificate must not.
func covers(c *x509.Certificate, dns []string, ips []net.IP) bool {
	for _, n := range dns {
		if c.VerifyHostname(n) != nil {
			return false
		}
	}
	for _, ip := range ips {
		if n := subnet(ip); c.VerifyHostname(ip.String()) != nil && (n == nil || !slices.ContainsFunc(c.IPAddresses, n.Contains)) {
			return false
		}
	}
	return true
}

func makeAuthority(folder string, dns []string, ips []net.IP, now time.Time) (*x509.Certificate, *ecdsa.PrivateKey, error) {
	host, err := os.Hostname()
	if err != nil {
		host = "this machine"
	}
	permitted := []string{"local", "localhost"}
	for _, n := range dns {
		if !slices.Contains(permitted, n) && !strings.HasSuffix(n, ".local") {
			permitted = append(permitted, n)
		}
	}
	ranges := slices.Clone(private)
	for _, ip := range ips {
		if !within(ip, ranges) {
			ranges = append(ranges, subnet(ip))
		}
	}
	t := &x509.Certificate{
		Subject:   pkix.Name{CommonName: "polard on " + host},
		NotBefore: now.Add(-clockSlack), NotAfter: now.Add(authorityLasts),
		IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true, KeyUsage: x509.KeyUsageCertSign,
		PermittedDNSDomainsCritical: true, PermittedDNSDomains: permitted, PermittedIPRanges: ranges,
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, nil, err
	}
	c, err := sign(filepath.Join(folder, authorityFile), t, t, key, key)
	return c, key, err
}

func makePage(folder string, authority *x509.Certificate, by *ecdsa.PrivateKey, dns []string, ips []net.IP, now time.Time) (*x509.Certificate, *ecdsa.PrivateKey, error) {
	t := &x509.Certificate{
		Subject:   pkix.Name{CommonName: authority.Subject.CommonName},
		NotBefore: now.Add(-clockSlack), NotAfter: now.Add(pageLasts),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid: true, DNSNames: dns, IPAddresses: ips,
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, nil, err
	}
	c, err := sign(filepath.Join(folder, pageFile), t, authority, key, by)
	return c, key, err
}

// sign makes a certificate and keeps it with its key, which only the owner can read.
func sign(path string, t, parent *x509.Certificate, key, by *ecdsa.PrivateKey) (*x509.Certificate, error) {
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		return nil, err
	}
	t.SerialNumber = serial
	raw, err := x509.CreateCertificate(rand.Reader, t, parent, &key.PublicKey, by)
	if err != nil {
		return nil, err
	}
	c, err := x509.ParseCertificate(raw)
	if err != nil {
		return nil, err
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	text := append(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: raw}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})...)
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, err
	}
	fresh := path + ".new"
	if err := os.WriteFile(fresh, text, 0o600); err != nil {
		return nil, err
	}
	return c, os.Rename(fresh, path)
}

func load(path string) (*x509.Certificate, *ecdsa.PrivateKey, error) {
	pair, err := tls.LoadX509KeyPair(path, path)
	if err != nil {
		return nil, nil, err
	}
	key, ok := pair.PrivateKey.(*ecdsa.PrivateKey)
	if !ok {
		return nil, nil, fmt.Errorf("%s: its key is of another kind", path)
	}
	return pair.Leaf, key, nil
}
