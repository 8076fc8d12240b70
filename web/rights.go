package web

import (
	"crypto/subtle"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"strings"

	"github.com/labstack/echo/v4"
)

// Right is what a browser or program may do.
type Right string

// The rights; each holds those before it.
const (
	RightNone    Right = ""
	RightView    Right = "view"
	RightOperate Right = "operate"
)

// ParseRight reads a right that can be given.
func ParseRight(word string) (Right, error) {
	switch r := Right(word); r {
	case RightView, RightOperate:
		return r, nil
	}
	return RightNone, fmt.Errorf("right %q is unknown: give %q to look on, or %q", word, RightView, RightOperate)
}

// Names of the cookie. The prefix under TLS has browsers refuse it from anybody but this
// very host over TLS (RFC 6265bis, section 4.1.3.2).
const (
	cookieName      = "polard_device"
	cookieNameShown = "polard_onlooker" // of Options.Shown
	cookiePrefixTLS = "__Host-"
)

// cookieName is that of the service's cookie. Browsers take no account of ports
// (RFC 6265, section 8.5), so two services on one machine need two names.
func (s *Server) cookieName(secure bool) string {
	name := cookieName
	if s.opt.Shown != nil {
		name = cookieNameShown
	}
	if secure {
		name = cookiePrefixTLS + name
	}
	return name
}

// secure tells whether the browser speaks TLS: with this service, or with a proxy that
// says so. Who says so wrongly harms his own page alone.
func secure(r *http.Request) bool {
	return r.TLS != nil || r.Header.Get("X-Forwarded-Proto") == "https"
}

// proxied tells whether a request was passed on, as far as it shows. Proxies say for
// whom they speak; one that adds nothing is told, as long as it speaks HTTP/1.0 as some
// do unless told otherwise: no browser of this century does.
func proxied(r *http.Request) bool {
	if !r.ProtoAtLeast(1, 1) {
		return true
	}
	for name := range r.Header {
		switch name {
		case "Forwarded", "Via", "X-Real-Ip", "X-Client-Ip", "True-Client-Ip":
			return true
		}
		if strings.HasPrefix(name, "X-Forwarded-") {
			return true
		}
	}
	return false
}

// fromHere tells whether a request comes from this machine: over loopback, with nobody
// known to forward, or from an address of the machine's own with the machine's key. Such
// an address alone proves nothing: forwarders and translations use it for everybody.
func (s *Server) fromHere(r *http.Request) bool {
	from, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil || proxied(r) {
		return false
	}
	loopback := from.Addr().Unmap().IsLoopback()
	if loopback && !s.opt.Forwarded {
		return true
	}
	token, ok := bearer(r)
	return ok && s.opt.LocalKey != "" && subtle.ConstantTimeCompare([]byte(token), []byte(s.opt.LocalKey)) == 1 &&
		(loopback || ownAddress(r, from.Addr()))
}

// ownAddress tells whether a request comes from the address that it went to.
func ownAddress(r *http.Request, from netip.Addr) bool {
	local, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if !ok {
		return false
	}
	own, err := netip.ParseAddrPort(local.String())
	return err == nil && own.Addr().Unmap() == from.Unmap()
}

// bearer is the token in a program's header (RFC 6750, section 2.1).
func bearer(r *http.Request) (string, bool) {
	return strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
}

// tokenOf is the token that a request shows: a browser's cookie, or a program's
// header.
func (s *Server) tokenOf(r *http.Request) string {
	if token, ok := bearer(r); ok {
		return token
	}
	if c, err := r.Cookie(s.cookieName(secure(r))); err == nil {
		return c.Value
	}
	return ""
}

// visitor is who sent a request: this machine, a paired device, or a stranger.
type visitor struct {
	here   bool
	device string // the hash of its token
	right  Right
}

func (s *Server) visitorOf(r *http.Request) visitor {
	if s.fromHere(r) {
		return visitor{here: true, right: RightOperate}
	}
	if token := s.tokenOf(r); token != "" {
		if d, ok := s.pairing.device(hashOf(token)); ok {
			return visitor{device: d.Hash, right: d.Right}
		}
	}
	return visitor{}
}

// rightOf is what whoever sent a request may do.
func (s *Server) rightOf(r *http.Request) Right { return s.visitorOf(r).right }

// checkView refuses strangers.
func (s *Server) checkView(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if s.rightOf(c.Request()) == RightNone {
			return errNotPaired
		}
		return next(c)
	}
}

// checkOperate refuses who may only look on.
func (s *Server) checkOperate(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		switch s.rightOf(c.Request()) {
		case RightOperate:
			return next(c)
		case RightView:
			return &problem{status: http.StatusForbidden, code: "view_only", message: "this device may look on but not operate; 'polard serve --pair' on the machine that runs the service gives a link for more"}
		}
		return errNotPaired
	}
}

// checkHere refuses what is for this machine alone.
func (s *Server) checkHere(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if !s.fromHere(c.Request()) {
			return &problem{status: http.StatusForbidden, code: "only_here", message: "this is done on the machine that runs the service"}
		}
		return next(c)
	}
}

var errNotPaired = &problem{status: http.StatusUnauthorized, code: "not_paired", message: "this device is not paired: open the link or the picture of squares that 'polard serve --pair', or 'polard overview --pair' for all piers, shows on the machine that runs the service"}
