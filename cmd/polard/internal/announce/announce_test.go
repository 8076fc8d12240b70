package announce

import (
	"net"
	"testing"

	"github.com/miekg/dns"
)

// The answers hold what RFC 6763, sections 4 to 6, asks for: the service points to the
// instance (PTR), that to host and port (SRV) with a text (TXT), and the host's name to its
// address (A), as the phone that opens the page needs it.
func TestZone(t *testing.T) {
	z, err := zone(Page{Port: 8467, Scheme: "https"}, "polard.local", []net.IP{net.IPv4(192, 168, 4, 17)})
	if err != nil {
		t.Fatal(err)
	}
	var instance, host string
	for _, r := range z.Records(dns.Question{Name: "_https._tcp.local.", Qtype: dns.TypePTR, Qclass: dns.ClassINET}) {
		if p, ok := r.(*dns.PTR); ok {
			instance = p.Ptr
		}
	}
	for _, r := range z.Records(dns.Question{Name: instance, Qtype: dns.TypeSRV, Qclass: dns.ClassINET}) {
		if s, ok := r.(*dns.SRV); ok {
			if host = s.Target; s.Port != 8467 {
				t.Errorf("port %d", s.Port)
			}
		}
	}
	if host != "polard.local." {
		t.Fatalf("instance %q is on %q", instance, host)
	}
	found := false
	for _, r := range z.Records(dns.Question{Name: host, Qtype: dns.TypeA, Qclass: dns.ClassINET}) {
		if a, ok := r.(*dns.A); ok && a.A.Equal(net.IPv4(192, 168, 4, 17)) {
			found = true
		}
	}
	if !found {
		t.Error("the name has no address")
	}
}

// A name that another machine bears is left to it.
func TestFirstFree(t *testing.T) {
	for _, c := range []struct {
		taken []string
		want  string
	}{
		{nil, "polard.local"},
		{[]string{"printer.local."}, "polard.local"},
		{[]string{"Polard.local.", "polard-3.local."}, "polard-2.local"},
		{[]string{"polard.local", "polard-2.local", "polard-3.local", "polard-4.local", "polard-5.local"}, ""},
	} {
		if got := firstFree(c.taken); got != c.want {
			t.Errorf("%v: %q, want %q", c.taken, got, c.want)
		}
	}
}
