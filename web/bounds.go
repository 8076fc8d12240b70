package web

import (
	"net/http"
	"net/netip"
	"sync"
	"time"

	"github.com/labstack/echo/v4"
	"golang.org/x/time/rate"
)

// Bounds on how often the network may ask.
const (
	// requestsPerSecond and requestBurst bound the requests of one paired device, and of
	// the strangers at one address of the network: a page that is opened asks for some
	// thirty files at once and then for a picture each frame.
	requestsPerSecond = 20
	requestBurst      = 200
	// mostAddresses bounds the list of addresses. Beyond it all new ones share a
	// limiter.
	mostAddresses = 4096
)

// requester is who is counted: a paired device by its hash, wherever it asks from, or else
// an address.
type requester struct {
	device  string
	address netip.Addr
}

// rates holds a limiter for each that asks.
type rates struct {
	mu       sync.Mutex
	limiters map[requester]*rate.Limiter
}

func newRates() *rates { return &rates{limiters: make(map[requester]*rate.Limiter)} }

// allow tells whether one may ask once more.
func (r *rates) allow(a requester, now time.Time) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	l := r.limiters[a]
	if l == nil && len(r.limiters) >= mostAddresses {
		for a, l := range r.limiters { // full ones say nothing
			if l.TokensAt(now) >= requestBurst {
				delete(r.limiters, a)
			}
		}
		// Devices are few and stay apart.
		if len(r.limiters) >= mostAddresses && a.device == "" {
			a = requester{}
			l = r.limiters[a]
		}
	}
	if l == nil {
		l = rate.NewLimiter(requestsPerSecond, requestBurst)
		r.limiters[a] = l
	}
	return l.AllowN(now, 1)
}

// checkBounds counts a request to whoever sent it, and its connection to their share,
// and refuses who asks too often. A /64 of IPv6 is one subscriber (RFC 6177) and counts
// as one address.
func (s *Server) checkBounds(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r := c.Request()
		who := s.visitorOf(r)
		if conn, ok := r.Context().Value(connKey{}).(*boundedConn); ok {
			if !conn.serve(who) {
				return &problem{status: http.StatusServiceUnavailable, code: "full", message: "too many pages are open on this device: close some"}
			}
			defer conn.served()
		}
		if who.here {
			return next(c)
		}
		a := requester{device: who.device}
		if a.device == "" {
			from, _ := netip.ParseAddrPort(r.RemoteAddr)
			a.address = subscriber(from.Addr())
		}
		if !s.rates.allow(a, s.now()) {
			c.Response().Header().Set("Retry-After", "5")
			return &problem{status: http.StatusTooManyRequests, code: "too_fast", message: "too many requests from this device: wait some seconds"}
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
