package web

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// raw sends bytes to the service as they are and gives the status of the answer;
// 0 when it closed the connection without one.
func raw(t *testing.T, r *running, request string) (status int, header http.Header) {
	t.Helper()
	conn, err := net.Dial("tcp", strings.Trim(strings.TrimPrefix(r.url, "http:"), "/"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	_ = conn.SetDeadline(time.Now().Add(20 * time.Second))
	if _, err := io.WriteString(conn, request); err != nil {
		return 0, nil
	}
	answer, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		return 0, nil
	}
	answer.Body.Close()
	return answer.StatusCode, answer.Header
}

// What no browser sends, byte for byte on a real socket: headers that inject
// others, paths out of the assets, bodies and headers beyond the bounds, lengths
// that lie, a host that is not ours.
func TestAttacksOnTheSocket(t *testing.T) {
	rec := &recorder{}
	r := serve(t, Options{Operator: rec})
	host := strings.Trim(strings.TrimPrefix(r.url, "http:"), "/")
	ok := "Host: " + host + "\r\n"
	for name, c := range map[string]struct {
		request string
		want    int
	}{
		"an honest one":          {"GET /healthz HTTP/1.1\r\n" + ok + "\r\n", 200},
		"another host":           {"GET / HTTP/1.1\r\nHost: evil.example\r\n\r\n", 421},
		"two hosts":              {"GET / HTTP/1.1\r\n" + ok + "Host: evil.example\r\n\r\n", 400},
		"no host":                {"GET / HTTP/1.1\r\n\r\n", 400},
		"a line in the host":     {"GET / HTTP/1.1\r\nHost: " + host + "\rX: 1\r\n\r\n", 400},
		"a header in the path":   {"GET /%0d%0aSet-Cookie:%20a=b HTTP/1.1\r\n" + ok + "\r\n", 404},
		"a bare line in a name":  {"GET / HTTP/1.1\r\n" + ok + "X\nSet-Cookie: a=b\r\n\r\n", 400},
		"a folded header":        {"GET /healthz HTTP/1.1\r\n" + ok + "X: a\r\n b\r\n\r\n", 200}, // obsolete, harmless: RFC 9112, section 5.2
		"out of the assets":      {"GET /assets/" + r.Server.assets.version + "/../../../../etc/passwd HTTP/1.1\r\n" + ok + "\r\n", 404},
		"out, encoded":           {"GET /assets/" + r.Server.assets.version + "/%2e%2e/%2e%2e/etc/passwd HTTP/1.1\r\n" + ok + "\r\n", 404},
		"out, twice encoded":     {"GET /assets/" + r.Server.assets.version + "/%252e%252e/etc/passwd HTTP/1.1\r\n" + ok + "\r\n", 404},
		"out, by backslash":      {"GET /assets/" + r.Server.assets.version + `/..\..\etc\passwd HTTP/1.1` + "\r\n" + ok + "\r\n", 404},
		"a zero in the path":     {"GET /assets/" + r.Server.assets.version + "/js/main.js%00.png HTTP/1.1\r\n" + ok + "\r\n", 404},
		"the whole address":      {"GET http://evil.example/ HTTP/1.1\r\n" + ok + "\r\n", 421},
		"a file's name as frame": {"GET /api/v1/preview.jpg?frame=../../etc/passwd HTTP/1.1\r\n" + ok + "\r\n", 404},
		"headers of 64 kB":       {"GET / HTTP/1.1\r\n" + ok + "X: " + strings.Repeat("x", 64<<10) + "\r\n\r\n", 431},
		"a path of 64 kB":        {"GET /" + strings.Repeat("x", 64<<10) + " HTTP/1.1\r\n" + ok + "\r\n", 431},
		"two lengths":            {"POST /api/v1/event HTTP/1.1\r\n" + ok + "Content-Type: application/json\r\nContent-Length: 18\r\nContent-Length: 5\r\n\r\n" + `{"event":"locked"}`, 400},
		"a length and chunks":    {"POST /api/v1/event HTTP/1.1\r\n" + ok + "Content-Type: application/json\r\nContent-Length: 4\r\nTransfer-Encoding: chunked, x\r\n\r\n0\r\n\r\n", 501},
		"a negative length":      {"POST /api/v1/event HTTP/1.1\r\n" + ok + "Content-Type: application/json\r\nContent-Length: -1\r\n\r\n", 400},
		"a body of a gigabyte":   {"POST /api/v1/event HTTP/1.1\r\n" + ok + "Content-Type: application/json\r\nContent-Length: 1073741824\r\n\r\n" + `{"event":"` + strings.Repeat("x", 8<<10), 413},
		"not HTTP":               {"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n", 400},
		"a websocket from evil":  {"GET /api/v1/live HTTP/1.1\r\n" + ok + "Origin: http://evil.example\r\nConnection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n", 403},
		"a websocket, rebound":   {"GET /api/v1/live HTTP/1.1\r\nHost: evil.example\r\nOrigin: http://evil.example\r\nConnection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n", 421},
		"a form of another site": {"POST /api/v1/event HTTP/1.1\r\n" + ok + "Origin: http://evil.example\r\nContent-Type: text/plain\r\nContent-Length: 18\r\n\r\n" + `{"event":"locked"}`, 403},
	} {
		status, header := raw(t, r, c.request)
		if status != c.want {
			t.Errorf("%s: %d, want %d", name, status, c.want)
		}
		if header.Get("Set-Cookie") != "" {
			t.Errorf("%s: a cookie was set: %v", name, header)
		}
	}
	if told := rec.told(); len(told) != 0 {
		t.Errorf("carried out: %v", told)
	}
}

// Connections on which nobody says anything, or says it letter by letter, are
// closed (ReadHeaderTimeout) and meanwhile keep nobody out.
func TestSlowSenders(t *testing.T) {
	if testing.Short() {
		t.Skip("waits for the service to lose its patience")
	}
	r := serve(t, Options{})
	addr := strings.Trim(strings.TrimPrefix(r.url, "http:"), "/")
	begin := time.Now()
	var slow []net.Conn
	for i := range 60 {
		c, err := net.Dial("tcp", addr)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if i%2 == 0 {
			fmt.Fprintf(c, "GET / HTTP/1.1\r\nHost: %s\r\nX-", addr)
		}
		slow = append(slow, c)
	}
	if status, _ := raw(t, r, "GET /healthz HTTP/1.1\r\nHost: "+addr+"\r\n\r\n"); status != 200 {
		t.Errorf("meanwhile an honest request gets %d", status)
	}
	for _, c := range slow {
		_ = c.SetReadDeadline(begin.Add(30 * time.Second))
		if _, err := io.Copy(io.Discard, c); err != nil {
			t.Fatalf("after %v a connection is still open: %v", time.Since(begin), err)
		}
	}
}

// farListener gives the connections from 127.0.0.K, K above 1, a far address of their own.
type farListener struct{ net.Listener }

type farConn struct {
	net.Conn
	from net.Addr
}

func (c farConn) RemoteAddr() net.Addr { return c.from }

func (l farListener) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	from := netip.MustParseAddrPort(c.RemoteAddr().String())
	if k := from.Addr().As4()[3]; k > 1 {
		return farConn{c, net.TCPAddrFromAddrPort(netip.AddrPortFrom(netip.AddrFrom4([4]byte{192, 0, 2, k}), from.Port()))}, nil
	}
	return c, nil
}

// far makes a server take the addresses of this machine beside 127.0.0.1 for far ones.
func far(s *Server) {
	s.listen = func(ctx context.Context, addr string) (net.Listener, error) {
		l, err := new(net.ListenConfig).Listen(ctx, "tcp", addr)
		return farListener{l}, err
	}
}

// dialFrom connects from 127.0.0.K.
func dialFrom(t *testing.T, r *running, k byte) net.Conn {
	t.Helper()
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, k)}}
	c, err := d.Dial("tcp", r.host())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func (r *running) host() string { return strings.Trim(strings.TrimPrefix(r.url, "http:"), "/") }

// Twenty-four addresses that send half a header on as many connections as they get, and
// open them anew as fast as they are closed, keep out neither this machine, nor a paired
// device, nor a stranger with a link.
func TestManyAddresses(t *testing.T) {
	r := serve(t, Options{Addr: "0.0.0.0:0", AllowNetwork: true}, far)
	r.url = strings.Replace(r.url, "[::]", "127.0.0.1", 1)
	cookie := paired(t, r.Server, RightView)
	ctx, end := context.WithCancel(t.Context())
	var attack sync.WaitGroup
	var opened atomic.Int64
	for k := byte(2); k < 26; k++ {
		attack.Go(func() {
			d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, k)}}
			var held []net.Conn
			for ctx.Err() == nil {
				if c, err := d.DialContext(ctx, "tcp", r.host()); err == nil {
					fmt.Fprintf(c, "GET / HTTP/1.1\r\nHost: %s\r\nX-", r.host())
					held = append(held, c)
					opened.Add(1)
				}
				if len(held) > 2*connsPerAddress {
					held[0].Close()
					held = held[1:]
					time.Sleep(time.Millisecond)
				}
			}
			for _, c := range held {
				c.Close()
			}
		})
	}
	defer attack.Wait()
	defer end()
	for opened.Load() < 24*2*connsPerAddress {
		time.Sleep(time.Millisecond)
	}
	request := "GET /api/v1/state HTTP/1.1\r\nHost: " + r.host() + "\r\nConnection: close\r\n"
	for name, c := range map[string]struct {
		from    byte
		request string
		want    int
		again   bool // at the attacker's own address 32 newer connections push one out: the page tries again, and gets through
	}{
		"this machine":                        {1, request + "\r\n", 200, false},
		"a paired device":                     {200, request + "Cookie: " + cookie + "\r\n\r\n", 200, false},
		"a stranger":                          {201, request + "\r\n", 401, false},
		"a paired device beside the attacker": {7, request + "Cookie: " + cookie + "\r\n\r\n", 200, true},
	} {
		for range 8 {
			end := time.Now().Add(20 * time.Second)
			status, err := statusFrom(t, r, c.from, c.request, end)
			for c.again && err != nil && time.Now().Before(end) {
				status, err = statusFrom(t, r, c.from, c.request, end)
			}
			if status != c.want {
				t.Errorf("%s: %d (%v), want %d, beside %d attacking connections", name, status, err, c.want, opened.Load())
				break
			}
		}
	}
}

// statusFrom sends a request from 127.0.0.K over a connection of its own.
func statusFrom(t *testing.T, r *running, k byte, request string, end time.Time) (int, error) {
	t.Helper()
	conn := dialFrom(t, r, k)
	defer conn.Close()
	_ = conn.SetDeadline(end)
	if _, err := io.WriteString(conn, request); err != nil {
		return 0, err
	}
	answer, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		return 0, err
	}
	return answer.StatusCode, nil
}

// counted makes a listener with connections that claim to come from anywhere.
type counted struct {
	*boundedListener
	conns chan net.Conn
}

func (c counted) Accept() (net.Conn, error) {
	conn, open := <-c.conns
	if !open {
		return nil, net.ErrClosed
	}
	return conn, nil
}

func newCounted(clients int, forwarded bool) counted {
	c := counted{conns: make(chan net.Conn, 1)}
	c.boundedListener = boundConns(c, clients, forwarded)
	return c
}

func (c counted) offer(t *testing.T, from string) (conn *boundedConn, socket *fakeConn) {
	t.Helper()
	socket = &fakeConn{from: from}
	if in, ok := netip.ParseAddrPort(from); ok == nil && in.Addr().IsLoopback() && !c.forwarded && c.open[hereShare]+c.open[pairedShare] >= c.clients+hereConns {
		conn := &boundedConn{Conn: socket, in: c.boundedListener, share: hereShare}
		if _, entered := c.enter(conn); entered {
			t.Fatal("more than all")
		}
		return nil, socket
	}
	c.conns <- socket
	got, err := c.boundedListener.Accept()
	if err != nil {
		t.Fatal(err)
	}
	return got.(*boundedConn), socket
}

type fakeConn struct {
	net.Conn
	from   string
	closed bool
}

func (c *fakeConn) RemoteAddr() net.Addr {
	return net.TCPAddrFromAddrPort(netip.MustParseAddrPort(c.from))
}
func (c *fakeConn) Close() error { c.closed = true; return nil }

// One address of the network cannot take all connections, nor can strangers together take
// more than theirs; the newest pushes out the one on which nothing has happened for longest, of
// the address that has most; the paired and this machine have shares of their own.
func TestConnectionsAreBounded(t *testing.T) {
	l := newCounted(10, false)
	var conns []*boundedConn
	var sockets []*fakeConn
	for i := range connsPerAddress + 3 {
		if i == connsPerAddress {
			conns[0].serve(visitor{}) // asks for something now
			conns[2].serve(visitor{}) // asked for something, and was answered
			conns[2].served()
		}
		c, s := l.offer(t, fmt.Sprintf("[2001:db8::%d]:9", i+1)) // one subscriber
		conns, sockets = append(conns, c), append(sockets, s)
	}
	for i, s := range sockets {
		if s.closed != (i == 1 || i == 3 || i == 4) {
			t.Errorf("connection %d of one address: closed %t", i, s.closed)
		}
	}
	_ = conns[1].Close() // closed already: harmless
	_, honest := l.offer(t, "192.168.7.8:9")
	for i := range 4 * strangersConns {
		c, _ := l.offer(t, fmt.Sprintf("10.0.0.%d:9", i%24))
		if i%2 == 0 {
			c.serve(visitor{}) // of a request whose body never comes
		}
	}
	if honest.closed || l.open[strangerShare] != strangersConns {
		t.Errorf("one of an address of its own: closed %t; %d strangers", honest.closed, l.open[strangerShare])
	}
	// Beside many whose bodies never come, at an address of theirs even, a newcomer has the time to ask.
	for i := range 4 * strangersConns {
		c, _ := l.offer(t, fmt.Sprintf("10.0.0.%d:9", i%24))
		c.serve(visitor{})
	}
	_, beside := l.offer(t, "10.0.0.7:9")
	for i := range strangersConns / 2 {
		c, _ := l.offer(t, fmt.Sprintf("10.0.0.%d:9", i%24))
		c.serve(visitor{})
	}
	if beside.closed {
		t.Error("a newcomer beside requests that never end was closed")
	}
	phone, _ := l.offer(t, "192.168.7.9:9")
	if !phone.serve(visitor{device: "a"}) || l.open[pairedShare] != 1 || l.open[strangerShare] != strangersConns-1 {
		t.Errorf("a paired device's: %v", l.open)
	}
	for range 100 {
		l.offer(t, "127.0.0.1:9")
	}
	if want := 10 + hereConns - 1; l.open[hereShare] != want {
		t.Errorf("%d of this machine, want %d", l.open[hereShare], want)
	}
	// A device that has too many loses an idle one, or gets no more.
	d := newCounted(100, false)
	var own []*boundedConn
	for range connsPerAddress {
		c, _ := d.offer(t, "192.168.7.9:9")
		if !c.serve(visitor{device: "a"}) {
			t.Fatal("no room")
		}
		own = append(own, c)
	}
	more, _ := d.offer(t, "192.168.7.9:9")
	if more.serve(visitor{device: "a"}) {
		t.Error("room for more than one device may have")
	}
	if other, _ := d.offer(t, "192.168.7.7:9"); !other.serve(visitor{device: "b"}) {
		t.Error("no room for another device")
	}
	own[5].served()
	if !more.serve(visitor{device: "a"}) || !own[5].Conn.(*fakeConn).closed || d.open[pairedShare] != connsPerAddress+1 {
		t.Errorf("an idle one makes no room: %v", d.open)
	}
	// Behind a forwarder all come from one address: it tells nothing.
	f := newCounted(10, true)
	for range strangersConns {
		f.offer(t, "127.0.0.1:9")
	}
	if f.open[strangerShare] != strangersConns || f.open[hereShare] != 0 {
		t.Errorf("forwarded: %v", f.open)
	}
}

// Addresses without end cost a bounded memory, and devices stay apart from them.
func TestRatesAreBounded(t *testing.T) {
	r, now := newRates(), time.Now()
	refused := 0
	for i := range 3 * mostAddresses {
		for range 2 {
			if !r.allow(requester{address: netip.AddrFrom4([4]byte{10, byte(i >> 16), byte(i >> 8), byte(i)})}, now) {
				refused++
			}
		}
	}
	if len(r.limiters) > mostAddresses+1 || refused < mostAddresses {
		t.Errorf("%d limiters, %d refused", len(r.limiters), refused)
	}
	if !r.allow(requester{device: "a"}, now) {
		t.Error("a paired device is refused for what strangers do")
	}
	// After a while the full ones are forgotten.
	if !r.allow(requester{address: netip.MustParseAddr("10.200.0.1")}, now.Add(time.Minute)) || len(r.limiters) > 2 {
		t.Errorf("%d limiters after a minute", len(r.limiters))
	}
}
