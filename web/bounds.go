package web

import (
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"github.com/labstack/echo/v4"
)

// Bounds on what the network may take of the service.
const (
	// requestsPerSecond and requestBurst bound the requests from one address of
	// the network: a page that is opened asks for some thirty files at once and
	// then for a picture each frame.
	requestsPerSecond = 20
	requestBurst      = 200
	// mostAddresses bounds the list of addresses. Beyond it all new ones share a
	// bucket.
	mostAddresses = 4096
	// connsPerAddress bounds the open connections from one address of the
	// network: a browser keeps six and a websocket.
	connsPerAddress = 32
	// spareConns are open connections beside those of websockets.
	spareConns = 128
)

// rates counts requests by address, a bucket of tokens each.
type rates struct {
	mu      sync.Mutex
	buckets map[netip.Addr]*bucket
}

type bucket struct {
	tokens float64
	filled time.Time
}

func newRates() *rates { return &rates{buckets: make(map[netip.Addr]*bucket)} }

// take takes a token for an address and tells whether there was one.
func (r *rates) take(a netip.Addr, now time.Time) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	b := r.buckets[a]
	if b == nil && len(r.buckets) >= mostAddresses {
		for a, b := range r.buckets { // full buckets say nothing
			if b.fill(now) >= requestBurst {
				delete(r.buckets, a)
			}
		}
		if len(r.buckets) >= mostAddresses {
			a = netip.Addr{}
			b = r.buckets[a]
		}
	}
	if b == nil {
		b = &bucket{requestBurst, now}
		r.buckets[a] = b
	}
	if b.fill(now) < 1 {
		return false
	}
	b.tokens--
	return true
}

func (b *bucket) fill(now time.Time) float64 {
	b.tokens = min(requestBurst, b.tokens+requestsPerSecond*max(0, now.Sub(b.filled).Seconds()))
	b.filled = now
	return b.tokens
}

// checkRate refuses an address of the network that asks too often. A /64 of
// IPv6 is one subscriber (RFC 6177) and counts as one address.
func (s *Server) checkRate(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r := c.Request()
		if fromHere(r) {
			return next(c)
		}
		from, _ := netip.ParseAddrPort(r.RemoteAddr)
		if !s.rates.take(subscriber(from.Addr()), s.now()) {
			c.Response().Header().Set("Retry-After", "5")
			return &problem{http.StatusTooManyRequests, "too_fast", "too many requests from this device: wait some seconds"}
		}
		return next(c)
	}
}

func subscriber(a netip.Addr) netip.Addr {
	a = a.Unmap().WithZone("")
	if a.Is6() {
		if p, err := a.Prefix(64); err == nil {
			return p.Addr()
		}
	}
	return a
}

// boundedListener closes connections beyond what it may have open, at once:
// those who send nothing must not keep others out.
type boundedListener struct {
	net.Listener
	most, perAddress int

	mu   sync.Mutex
	open map[netip.Addr]int
	all  int
}

func boundConns(l net.Listener, most, perAddress int) *boundedListener {
	return &boundedListener{Listener: l, most: most, perAddress: perAddress, open: make(map[netip.Addr]int)}
}

// Accept gives the next connection that is within the bounds.
func (l *boundedListener) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		from, err := netip.ParseAddrPort(c.RemoteAddr().String())
		if err != nil {
			c.Close()
			continue
		}
		a := subscriber(from.Addr())
		if l.enter(a) {
			return &boundedConn{Conn: c, leave: sync.OnceFunc(func() { l.exit(a) })}, nil
		}
		c.Close()
	}
}

func (l *boundedListener) enter(a netip.Addr) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.all >= l.most || !a.IsLoopback() && l.open[a] >= l.perAddress {
		return false
	}
	l.all++
	l.open[a]++
	return true
}

func (l *boundedListener) exit(a netip.Addr) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.all--
	if l.open[a]--; l.open[a] == 0 {
		delete(l.open, a)
	}
}

type boundedConn struct {
	net.Conn
	leave func()
}

// Close closes the connection and makes room for another.
func (c *boundedConn) Close() error {
	defer c.leave()
	return c.Conn.Close()
}
