package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"polard/web"

	"github.com/spf13/cobra"
	"rsc.io/qr"
)

// tlsFlags name the certificate that the page is served with.
type tlsFlags struct{ cert, key string }

func (f *tlsFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&f.cert, "tls-cert", "", "serve the page over TLS with the certificate in this `FILE` (PEM, with those between it and its root)")
	c.Flags().StringVar(&f.key, "tls-key", "", "the certificate's key, in this `FILE` (PEM)")
}

// load reads the certificate; nil when none is named.
func (f *tlsFlags) load() (*tls.Certificate, error) {
	switch {
	case f.cert == "" && f.key == "":
		return nil, nil
	case f.cert == "" || f.key == "":
		return nil, wrongCall("--tls-cert and --tls-key go together")
	}
	cert, err := tls.LoadX509KeyPair(f.cert, f.key)
	if err != nil {
		return nil, wrongCall("--tls-cert %s with --tls-key %s: %w", f.cert, f.key, err)
	}
	return &cert, nil
}

// deviceFile keeps the paired devices in the folder of the program's state.
type deviceFile string

// Files in that folder. A device that may operate a pier is another matter than one
// that looks on all.
const (
	devicesName   = "devices.json"
	onlookersName = "onlookers.json"
)

// Load reads the file; where there is none the list is nil.
func (f deviceFile) Load() ([]web.Device, error) {
	b, err := os.ReadFile(string(f))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	devices := []web.Device{}
	if err := json.Unmarshal(b, &devices); err != nil {
		err = fmt.Errorf("%s is damaged (%w); it was set aside", string(f), err)
		return nil, errors.Join(err, os.Rename(string(f), string(f)+".damaged"))
	}
	return devices, nil
}

// Update replaces the file as a whole, so that it is never half written. Only its
// owner may read it. A lock on a file beside it keeps other services from doing so at
// the same time: the file itself is another one after each change.
func (f deviceFile) Update(change func([]web.Device) []web.Device) error {
	if err := os.MkdirAll(filepath.Dir(string(f)), 0o700); err != nil {
		return err
	}
	lock, err := os.OpenFile(string(f)+".lock", os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	defer lock.Close() // which gives the lock back
	// File systems without locks are those of one machine's stick or card.
	if err := lockFile(lock); err != nil && !errors.Is(err, errors.ErrUnsupported) {
		return fmt.Errorf("%s cannot be locked: %w", lock.Name(), err)
	}
	kept, err := f.Load()
	if err != nil {
		return err
	}
	b, err := json.MarshalIndent(change(kept), "", " ")
	if err != nil {
		return err
	}
	part := string(f) + ".part"
	if err := os.WriteFile(part, b, 0o600); err != nil {
		return err
	}
	return os.Rename(part, string(f))
}

// managing are the options that speak to a service that runs.
type managing struct {
	pair    string
	devices bool
	revoke  string
}

// add adds them; right is what a link gives that names none.
func (m *managing) add(c *cobra.Command, right web.Right) {
	what := "have the running service pair one more device, to operate or only to view (`RIGHT`)"
	if right == web.RightView {
		what = "have the running service pair one more device, to view (`RIGHT`)"
	}
	c.Flags().StringVar(&m.pair, "pair", "", what)
	c.Flags().Lookup("pair").NoOptDefVal = string(right)
	c.Flags().BoolVar(&m.devices, "devices", false, "list the devices that are paired with the running service")
	c.Flags().StringVar(&m.revoke, "revoke", "", "take the right from the device with this number in the running service, or from all (`ID`)")
}

func (m *managing) wanted() bool { return m.pair != "" || m.devices || m.revoke != "" }

// run does what is wanted and prints what came of it.
func (m *managing) run(ctx context.Context, page reachFlags, out io.Writer) error {
	s, err := runningService(page)
	if err != nil {
		return err
	}
	switch {
	case m.pair != "":
		right, err := web.ParseRight(m.pair)
		if err != nil {
			return wrongCall("--pair: %w", err)
		}
		if loopbackOnly(page.addr) {
			return wrongCall("a service at %s is for this machine only: start it with --addr 0.0.0.0:%s --allow-network, and give the same --addr here", page.addr, s.port)
		}
		var answer struct {
			Code string `json:"code"`
		}
		if err := s.ask(ctx, http.MethodPost, "invite", map[string]web.Right{"right": right}, &answer); err != nil {
			return err
		}
		return printInvitation(out, page, s.scheme, s.port, right, answer.Code)
	case m.devices:
		var answer struct {
			Devices []struct {
				ID     int64     `json:"id"`
				Name   string    `json:"name"`
				Right  web.Right `json:"right"`
				Paired string    `json:"paired_utc"`
			} `json:"devices"`
		}
		if err := s.ask(ctx, http.MethodGet, "devices", nil, &answer); err != nil {
			return err
		}
		table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(table, "ID\tRIGHT\tPAIRED\tDEVICE")
		for _, d := range answer.Devices {
			fmt.Fprintf(table, "%d\t%s\t%s\t%s\n", d.ID, d.Right, d.Paired, d.Name)
		}
		return table.Flush()
	}
	id := int64(0)
	if m.revoke != "all" {
		if id, err = strconv.ParseInt(m.revoke, 10, 64); err != nil || id <= 0 {
			return wrongCall("--revoke %q: give a device's number from --devices, or all", m.revoke)
		}
	}
	return s.ask(ctx, http.MethodPost, "revoke", map[string]int64{"id": id}, nil)
}

// runner is a service that runs on this machine.
type runner struct {
	scheme, port string
	client       *http.Client
	url          string
}

// runningService is where the service with these options answers this machine.
func runningService(page reachFlags) (*runner, error) {
	host, port, err := net.SplitHostPort(page.addr)
	if err != nil || port == "0" || port == "" {
		return nil, wrongCall("--addr %q: give the HOST:PORT at which the service runs", page.addr)
	}
	if a, err := netip.ParseAddr(host); host == "" || err == nil && a.IsUnspecified() {
		host = "127.0.0.1"
	}
	cert, err := page.tls.load()
	if err != nil {
		return nil, err
	}
	r := &runner{scheme: "http", port: port, client: &http.Client{Timeout: 5 * time.Second}}
	if cert != nil {
		r.scheme = "https"
		// The certificate names the machine as others call it; here it must be
		// that very certificate.
		r.client.Transport = &http.Transport{TLSClientConfig: &tls.Config{
			InsecureSkipVerify: true, //nolint:gosec // VerifyPeerCertificate does it
			VerifyPeerCertificate: func(raw [][]byte, _ [][]*x509.Certificate) error {
				if len(raw) == 0 || !bytes.Equal(raw[0], cert.Certificate[0]) {
					return errors.New("the service shows another certificate than --tls-cert names")
				}
				return nil
			},
		}}
	}
	r.url = r.scheme + "://" + net.JoinHostPort(host, port) + "/api/v1/"
	return r, nil
}

// ask sends a request to the service and reads its answer.
func (r *runner) ask(ctx context.Context, method, path string, body, answer any) error {
	var b []byte
	if body != nil {
		var err error
		if b, err = json.Marshal(body); err != nil {
			return err
		}
	}
	req, err := http.NewRequestWithContext(ctx, method, r.url+path, bytes.NewReader(b))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/json")
	resp, err := r.client.Do(req)
	if err != nil {
		return fmt.Errorf("no service answers at %s (%w): start it, or give the --addr and --tls-cert that it was started with", r.url, err)
	}
	defer resp.Body.Close()
	const most = 1 << 20 // a list of devices has some kilobytes
	b, err = io.ReadAll(io.LimitReader(resp.Body, most))
	if err != nil {
		return err
	}
	if resp.StatusCode >= http.StatusBadRequest {
		var problem struct {
			Detail string `json:"detail"`
		}
		if json.Unmarshal(b, &problem) != nil || problem.Detail == "" {
			problem.Detail = resp.Status
		}
		return fmt.Errorf("the service refuses: %s", problem.Detail)
	}
	if answer == nil {
		return nil
	}
	return json.Unmarshal(b, answer)
}

// loopbackOnly tells whether an address can be reached from this machine only.
func loopbackOnly(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return false
	}
	a, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && a.IsLoopback()
}

// openable is the service's address as this machine's browser opens it: all
// addresses of the machine are none to open.
func openable(url string) string {
	return strings.NewReplacer("//[::]:", "//127.0.0.1:", "//0.0.0.0:", "//127.0.0.1:").Replace(url)
}

// invite tells how other devices are paired, when the service can be reached
// from the network: by a link on a terminal, or else by a command.
func (f reachFlags) invite(server *web.Server, url string, right web.Right, command string, out io.Writer, log *slog.Logger) {
	if loopbackOnly(f.addr) {
		return
	}
	scheme, _, _ := strings.Cut(url, ":")
	if scheme == "http" {
		log.Warn("the page is served in plain HTTP: who listens on this network can take a paired device's right; --tls-cert and --tls-key prevent that")
	}
	if out == nil || !onTerminal(out) {
		log.Info("other devices are paired by '" + command + "' on this machine")
		return
	}
	port := url[strings.LastIndexByte(url, ':')+1 : len(url)-1]
	if err := printInvitation(out, f, scheme, port, right, server.Invite(right)); err != nil {
		log.Warn("no link could be shown", "error", err)
	}
}

// printInvitation shows a one-time link, as text and as a picture for a phone's
// camera. The code stands behind a #, so that no server logs it.
func printInvitation(out io.Writer, page reachFlags, scheme, port string, right web.Right, code string) error {
	links := []string{}
	for _, host := range reachedBy(page) {
		links = append(links, scheme+"://"+net.JoinHostPort(host, port)+web.PairPath+"#"+code)
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
	return err
}

// reachedBy are the names or addresses by which others reach this machine, the
// likeliest first.
func reachedBy(page reachFlags) []string {
	if len(page.hosts) > 0 {
		return page.hosts
	}
	host, _, err := net.SplitHostPort(page.addr)
	if err != nil {
		return nil
	}
	if a, err := netip.ParseAddr(host); host != "" && (err != nil || !a.IsUnspecified()) {
		return []string{host}
	}
	own, err := net.InterfaceAddrs()
	if err != nil {
		return nil
	}
	var private, others []string
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
	return slices.Concat(private, others)
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
