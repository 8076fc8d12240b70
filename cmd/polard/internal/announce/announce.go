// Package announce makes the page known on the local network under a name, by multicast DNS
// (RFC 6762) and DNS-based service discovery (RFC 6763): a phone opens polard.local, whatever
// number the machine has there.
//
// In comes the port of the page; out goes the name under which it is found, or why there is
// none: where the network or the system allows no multicast the page is opened by its number.
package announce

import (
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/hashicorp/mdns"
)

// Names are those under which the page may be found: the first that nobody else has.
var Names = []string{"polard.local", "polard-2.local", "polard-3.local", "polard-4.local", "polard-5.local"}

// asked is how long others have to say that they bear a name (RFC 6762, section 8.1, waits
// for 750 ms).
const asked = time.Second

// Page is what is announced.
type Page struct {
	Port   int
	Scheme string // "http" or "https"
}

// Announcement answers questions for the page until it is closed.
type Announcement struct {
	Name    string
	servers []*mdns.Server
}

// ErrNoNetwork tells that no network that carries multicast is connected.
var ErrNoNetwork = errors.New("no network that carries multicast is connected")

// Start looks for a name that is free, and answers for it from then on. It takes a second.
func Start(p Page) (*Announcement, error) {
	links := links()
	if len(links) == 0 {
		return nil, ErrNoNetwork
	}
	name := free(links)
	if name == "" {
		return nil, fmt.Errorf("all names from %s to %s are taken by others", Names[0], Names[len(Names)-1])
	}
	a := &Announcement{Name: name}
	var failed error
	for _, l := range links {
		zone, err := zone(p, name, l.ips)
		if err != nil {
			return nil, errors.Join(err, a.Close())
		}
		s, err := mdns.NewServer(&mdns.Config{Zone: zone, Iface: &l.link, Logger: quiet()})
		if err != nil {
			failed = fmt.Errorf("%s: %w", l.link.Name, err)
			continue
		}
		a.servers = append(a.servers, s)
	}
	if len(a.servers) == 0 {
		return nil, failed
	}
	return a, nil
}

// Close stops the answers.
func (a *Announcement) Close() error {
	var all error
	for _, s := range a.servers {
		all = errors.Join(all, s.Shutdown())
	}
	return all
}

// service is the type under which pages are found (RFC 6763, section 7); browsers that speak
// TLS are found by the same.
func service(scheme string) string { return "_" + scheme + "._tcp" }

// zone are the answers on one link, with the machine's addresses there.
func zone(p Page, name string, ips []net.IP) (*mdns.MDNSService, error) {
	instance := "polard"
	if host, err := os.Hostname(); err == nil {
		instance += " on " + strings.ReplaceAll(host, ".", "-")
	}
	return mdns.NewMDNSService(instance, service(p.Scheme), "local.", name+".", p.Port, ips, []string{"path=/"})
}

// link is a network that the machine is connected to, and its addresses there.
type link struct {
	link net.Interface
	ips  []net.IP
}

func links() []link {
	all, err := net.Interfaces()
	if err != nil {
		return nil
	}
	var out []link
	for _, i := range all {
		const wanted = net.FlagUp | net.FlagMulticast
		if i.Flags&wanted != wanted || i.Flags&net.FlagLoopback != 0 {
			continue
		}
		addresses, err := i.Addrs()
		if err != nil {
			continue
		}
		var ips []net.IP
		for _, a := range addresses {
			// A link-local IPv6 address needs the link beside it, which a name does not carry.
			if n, ok := a.(*net.IPNet); ok && (n.IP.To4() != nil || !n.IP.IsLinkLocalUnicast()) {
				ips = append(ips, n.IP)
			}
		}
		if len(ips) > 0 {
			out = append(out, link{i, ips})
		}
	}
	return out
}

// free asks who bears the names, and gives the first that nobody else does; empty when all
// are taken.
func free(links []link) string {
	var mu sync.Mutex
	var taken []string
	var asking sync.WaitGroup
	for _, l := range links {
		for _, scheme := range []string{"http", "https"} {
			asking.Go(func() {
				names := others(scheme, l)
				mu.Lock()
				defer mu.Unlock()
				taken = append(taken, names...)
			})
		}
	}
	asking.Wait()
	return firstFree(taken)
}

func firstFree(taken []string) string {
	for _, name := range Names {
		if !slices.ContainsFunc(taken, func(t string) bool { return strings.EqualFold(strings.TrimSuffix(t, "."), name) }) {
			return name
		}
	}
	return ""
}

// others are the names of machines on a link that serve pages; none where it cannot be asked.
func others(scheme string, l link) (names []string) {
	found := make(chan *mdns.ServiceEntry, 64)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for e := range found {
			if !slices.ContainsFunc(l.ips, e.AddrV4.Equal) { // another service of this machine has the same addresses
				names = append(names, e.Host)
			}
		}
	}()
	_ = mdns.Query(&mdns.QueryParam{Service: service(scheme), Domain: "local", Timeout: asked, Interface: &l.link, Entries: found, Logger: quiet()})
	close(found)
	<-done
	return names
}

// quiet drops what the library logs: every stray packet on the network.
func quiet() *log.Logger { return log.New(io.Discard, "", 0) }
