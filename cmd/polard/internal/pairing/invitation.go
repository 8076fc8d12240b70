package pairing

import (
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"slices"
	"strings"

	"polard/web"

	"rsc.io/qr"
)

// Reach says where a page is served.
type Reach struct {
	Addr  string   // HOST:PORT
	Hosts []string // names under which the machine is opened
	// Fingerprint is the SHA-256 of a certificate that the machine made itself, in pairs of
	// hexadecimal digits; empty for one that browsers know, and without TLS.
	Fingerprint string
}

// Links are the addresses at which others open the page, the likeliest first.
func (r Reach) Links(scheme, port string) []string {
	links := []string{}
	for _, host := range reachedBy(r) {
		links = append(links, scheme+"://"+net.JoinHostPort(host, port)+"/")
	}
	return links
}

// SchemeAndPort are those of the address of a service.
func SchemeAndPort(url string) (scheme, port string) {
	scheme, _, _ = strings.Cut(url, ":")
	return scheme, strings.TrimSuffix(url[strings.LastIndexByte(url, ':')+1:], "/")
}

// LoopbackOnly tells whether an address can be reached from this machine only.
func LoopbackOnly(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return false
	}
	a, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && a.IsLoopback()
}

// Openable is the service's address as this machine's browser opens it: all
// addresses of the machine are none to open.
func Openable(url string) string {
	return strings.NewReplacer("//[::]:", "//127.0.0.1:", "//0.0.0.0:", "//127.0.0.1:").Replace(url)
}

// Invite tells how other devices are paired, when the service can be reached
// from the network: by a link on a terminal, or else by a command.
func Invite(at Reach, server *web.Server, url string, right web.Right, command string, out io.Writer, log *slog.Logger) {
	if LoopbackOnly(at.Addr) {
		return
	}
	scheme, port := SchemeAndPort(url)
	if scheme == "http" {
		log.Warn("the page is served in plain HTTP: who listens on this network can take a paired device's right; --own-certificate prevents that, or --tls-cert and --tls-key")
	}
	if out == nil || !onTerminal(out) {
		log.Info("other devices are paired by '" + command + "' on this machine")
		return
	}
	if err := Print(out, at, scheme, port, right, server.Invite(right)); err != nil {
		log.Warn("no link could be shown", "error", err)
	}
}

// Print shows a one-time link, as text and as a picture for a phone's
// camera. The code stands behind a #, so that no server logs it.
func Print(out io.Writer, at Reach, scheme, port string, right web.Right, code string) error {
	secret := "#" + code
	if at.Fingerprint != "" { // the page shows it, for who compares
		secret += "." + strings.ReplaceAll(at.Fingerprint, ":", "")
	}
	links := at.Links(scheme, port)
	for i, l := range links {
		links[i] = strings.TrimSuffix(l, "/") + web.PairPath + secret
	}
	what := "may operate"
	if right == web.RightView {
		what = "may look on"
	}
	if len(links) == 0 {
		_, err := fmt.Fprintf(out, "This machine has no address on a network: connect it, then ask for another code. The code: %s\n", code)
		return err
	}
	picture, err := squares(links[0])
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "One more device %s. Open this link on it within ten minutes; it works once:\n\n%s\n\n%s\n", what, strings.Join(links, "\n"), picture)
	if err == nil && at.Fingerprint != "" {
		half := len(at.Fingerprint)/2 + 1
		_, err = fmt.Fprintf(out, compare, at.Fingerprint[:half], at.Fingerprint[half:], at.Links(scheme, port)[0]+strings.TrimPrefix(web.AuthorityPath, "/"))
	}
	return err
}

// compare says what a certificate is worth that nobody else vouches for.
const compare = `This machine made its certificate itself and nobody vouches for it, so a browser warns once
on each device. Before you go on there, look at the certificate in the browser: its SHA-256
fingerprint must be

  %s
  %s

If it is another, somebody else answers in this machine's place: go back.

To be rid of the warning, and to have the page open without the service, install
%s
on the device as a certificate authority (the device's settings, security). It can vouch for
this machine's names, names that end in .local, private addresses and those of this machine's own
networks, and for no other site.
`

// reachedBy are the names or addresses by which others reach this machine, the
// likeliest first.
func reachedBy(at Reach) []string {
	if len(at.Hosts) > 0 {
		return at.Hosts
	}
	host, _, err := net.SplitHostPort(at.Addr)
	if err != nil {
		return nil
	}
	if a, err := netip.ParseAddr(host); host != "" && (err != nil || !a.IsUnspecified()) {
		return []string{host}
	}
	private, others := addresses()
	return slices.Concat(private, others)
}

// OwnAddresses are this machine's addresses but for loopback and those that need the link beside them.
func OwnAddresses() []string {
	private, others := addresses()
	return slices.Concat(private, others)
}

func addresses() (private, others []string) {
	own, err := net.InterfaceAddrs()
	if err != nil {
		return nil, nil
	}
	for _, address := range own {
		p, err := netip.ParsePrefix(address.String())
		if err != nil {
			continue
		}
		switch a := p.Addr(); {
		case a.IsLoopback(), a.IsLinkLocalUnicast():
		case a.Is4() && a.IsPrivate():
			private = append(private, a.String())
		default:
			others = append(others, a.String())
		}
	}
	return private, others
}

// quietZone is the empty border that readers need (ISO/IEC 18004:2015, section 6.3.8).
const quietZone = 4

// squares draws a QR code with characters of half a line, light on dark.
func squares(text string) (string, error) {
	code, err := qr.Encode(text, qr.L)
	if err != nil {
		return "", err
	}
	light := func(x, y int) bool {
		return x < -quietZone || y < -quietZone || x >= code.Size+quietZone || y >= code.Size+quietZone || !code.Black(x, y)
	}
	var b strings.Builder
	for y := -quietZone; y < code.Size+quietZone; y += 2 {
		for x := -quietZone; x < code.Size+quietZone; x++ {
			switch upper, lower := light(x, y), light(x, y+1); {
			case upper && lower:
				b.WriteRune('█')
			case upper:
				b.WriteRune('▀')
			case lower:
				b.WriteRune('▄')
			default:
				b.WriteByte(' ')
			}
		}
		b.WriteByte('\n')
	}
	return b.String(), nil
}

// onTerminal tells whether what is printed is seen by a person now and kept by
// nobody: a code belongs there and in no log.
func onTerminal(out io.Writer) bool {
	f, ok := out.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
