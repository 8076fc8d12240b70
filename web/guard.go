package web

import (
	"errors"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"

	"github.com/labstack/echo/v4"
)

// headers puts the same guard rails on every answer: nothing is guessed from
// content, nothing is framed, nothing is loaded from elsewhere, no script or
// style stands in the page itself, and no other site may load what is here.
func (s *Server) headers(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		guardHeaders(c.Response().Header(), c.Request(), s.opt.Hosts)
		return next(c)
	}
}

func guardHeaders(h http.Header, r *http.Request, hosts []string) {
	policy := "default-src 'none'; frame-ancestors 'none'"
	if ownHost(r.Host, hosts) {
		policy = contentPolicy(r.Host, secure(r))
	}
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), microphone=(), payment=(), usb=(), geolocation=(self)")
	h.Set("Cache-Control", "no-store") // the assets, under their hashed address, say otherwise
}

// contentPolicy lets a page load its own scripts, styles, fonts and pictures
// and talk to the service it came from; the websocket's address is spelt out
// because not every browser reads 'self' that far. The host is one of our
// own, so it is a plain host and port.
func contentPolicy(host string, secure bool) string {
	socket := "ws"
	if secure {
		socket = "wss"
	}
	return "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; img-src 'self'; manifest-src 'self'; worker-src 'self'; " +
		"connect-src 'self' " + socket + "://" + host + "; frame-ancestors 'none'; base-uri 'none'; form-action 'none'; " +
		"require-trusted-types-for 'script'"
}

// checkHost refuses a Host header that names anything but this service. A
// web site can point its own name at this machine (DNS rebinding) but cannot
// make the browser send another name, and an address in digits is nobody's
// name.
func (s *Server) checkHost(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if !s.ownHost(c.Request().Host) {
			return &problem{status: http.StatusMisdirectedRequest, code: "wrong_host", message: "this address is not one of the service's own; open it by localhost or by its number, or add the name with the option for host names"}
		}
		return next(c)
	}
}

func (s *Server) ownHost(hostport string) bool { return ownHost(hostport, s.opt.Hosts) }

func ownHost(hostport string, hosts []string) bool {
	u, err := url.Parse("http://" + hostport)
	if err != nil || u.Host != hostport || u.User != nil {
		return false
	}
	name := strings.ToLower(u.Hostname())
	if name == "localhost" {
		return true
	}
	if a, err := netip.ParseAddr(name); err == nil {
		return a.Zone() == ""
	}
	for _, h := range hosts {
		if strings.EqualFold(h, name) {
			return true
		}
	}
	return false
}

var crossOrigin = http.NewCrossOriginProtection()

// sameOrigin tells whether a request may come from our own page, or from no page at
// all. Other sites may not even read, so every request is looked at like one that
// changes something. The scheme of an origin is not held against ours: a proxy may
// speak TLS for us.
func sameOrigin(r *http.Request) bool {
	changing := *r
	changing.Method = http.MethodPost
	if crossOrigin.Check(&changing) != nil {
		return false
	}
	// What says that it comes from our page says so by its origin too.
	origins := r.Header.Values("Origin")
	if len(origins) == 0 {
		return true
	}
	u, err := url.Parse(origins[0])
	return err == nil && len(origins) == 1 && u.Host == r.Host
}

// checkOrigin refuses what another site's page sends.
func checkOrigin(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if !sameOrigin(c.Request()) {
			return &problem{status: http.StatusForbidden, code: "wrong_origin", message: "only the service's own page may do this"}
		}
		return next(c)
	}
}

// checkAddr refuses to listen where strangers can reach the service, unless
// that was asked for.
func checkAddr(addr string, allowNetwork bool) error {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return errors.New(`the address to listen on has the form HOST:PORT, such as 127.0.0.1:8467; "` + addr + `" has not`)
	}
	if allowNetwork || host == "localhost" {
		return nil
	}
	if a, err := netip.ParseAddr(host); err == nil && a.IsLoopback() {
		return nil
	}
	return errors.New(`"` + addr + `" can be reached from the network; ` +
		"listen on 127.0.0.1, or allow the network: other devices can then be paired, and the others see nothing")
}

// CheckAddr refuses to listen where strangers can reach the service, unless
// that was asked for.
func CheckAddr(addr string, allowNetwork bool) error { return checkAddr(addr, allowNetwork) }
