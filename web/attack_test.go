package web

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"strings"
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

// fakeListener hands out connections that claim to come from anywhere.
type fakeListener struct {
	net.Listener
	conns chan net.Conn
}

func (l fakeListener) Accept() (net.Conn, error) {
	c, open := <-l.conns
	if !open {
		return nil, net.ErrClosed
	}
	return c, nil
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

// One address of the network cannot take all connections, nor can all together
// take more than there are; who leaves makes room.
func TestConnectionsAreBounded(t *testing.T) {
	conns := make(chan net.Conn, 100)
	l := boundConns(fakeListener{conns: conns}, 20, 5)
	offer := func(from string) *fakeConn {
		c := &fakeConn{from: from}
		conns <- c
		return c
	}
	var stranger []*fakeConn
	for i := range 8 {
		stranger = append(stranger, offer(fmt.Sprintf("[2001:db8::%d]:9", i+1))) // one subscriber
	}
	offer("192.168.7.8:9")
	var open []net.Conn
	for range 6 {
		c, err := l.Accept()
		if err != nil {
			t.Fatal(err)
		}
		open = append(open, c)
	}
	for i, c := range stranger {
		if c.closed != (i >= 5) {
			t.Errorf("connection %d of one address: closed %t", i, c.closed)
		}
	}
	if err := open[0].Close(); err != nil {
		t.Fatal(err)
	}
	_ = open[0].Close() // twice is harmless
	back := offer("[2001:db8::77]:9")
	c, err := l.Accept()
	if err != nil || back.closed {
		t.Errorf("there is room again, but: %v, closed %t", err, back.closed)
	}
	_ = c
	for range 30 {
		offer("127.0.0.1:9")
	}
	close(conns)
	count := 6
	for {
		if _, err := l.Accept(); err != nil {
			break
		}
		count++
	}
	if count != 20 {
		t.Errorf("%d connections are open, want 20", count)
	}
}

// Addresses without end cost a bounded memory.
func TestRatesAreBounded(t *testing.T) {
	r, now := newRates(), time.Now()
	refused := 0
	for i := range 3 * mostAddresses {
		for range 2 {
			if !r.take(netip.AddrFrom4([4]byte{10, byte(i >> 16), byte(i >> 8), byte(i)}), now) {
				refused++
			}
		}
	}
	if len(r.buckets) > mostAddresses+1 || refused < mostAddresses {
		t.Errorf("%d buckets, %d refused", len(r.buckets), refused)
	}
	// After a while the full ones are forgotten.
	if !r.take(netip.MustParseAddr("10.200.0.1"), now.Add(time.Minute)) || len(r.buckets) > 2 {
		t.Errorf("%d buckets after a minute", len(r.buckets))
	}
}
