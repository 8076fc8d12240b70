package web

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"testing"
	"testing/synctest"
	"time"
)

// pipes is a listener whose connections are pipes, on which time stands still while anybody does something.
type pipes struct {
	next chan net.Conn
	ends context.Context
	end  context.CancelFunc
}

func (l *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-l.next:
		return local{c}, nil
	case <-l.ends.Done():
		return nil, net.ErrClosed
	}
}

func (l *pipes) Close() error   { l.end(); return nil }
func (l *pipes) Addr() net.Addr { return loopback }

// dial is a new connection, as the client has it.
func (l *pipes) dial() net.Conn {
	client, server := net.Pipe()
	l.next <- server
	return client
}

var loopback = &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 7315}

// local is a connection from this machine.
type local struct{ net.Conn }

func (local) LocalAddr() net.Addr  { return loopback }
func (local) RemoteAddr() net.Addr { return loopback }

// slowNotes answer late, whoever has stopped waiting.
type slowNotes struct{ Notes }

const lateAnswer = 3 * time.Second

func (slowNotes) Note(context.Context, string) ([]byte, error) {
	time.Sleep(lateAnswer)
	return nil, errors.New("away")
}

// The service stops at once, whoever holds connections: with nothing asked over them, with half a request, with all answered. A
// client that takes nothing any more is waited for half a second, and an answer that does not come no longer than a second.
func TestStopWaitsForNobody(t *testing.T) {
	const request = "%s HTTP/1.1\r\nHost: 127.0.0.1:7315\r\n\r\n"
	asks := func(t *testing.T, c net.Conn, what string) *http.Response {
		t.Helper()
		if _, err := fmt.Fprintf(c, request, what); err != nil {
			t.Fatal(err)
		}
		r, err := http.ReadResponse(bufio.NewReader(c), nil)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	for _, c := range []struct {
		name  string
		holds func(t *testing.T, l *pipes, s *Server)
		most  time.Duration
	}{
		{"nobody", func(*testing.T, *pipes, *Server) {}, 0},
		{"nothing asked", func(_ *testing.T, l *pipes, _ *Server) { l.dial() }, 0},
		{"half a request", func(_ *testing.T, l *pipes, _ *Server) { fmt.Fprint(l.dial(), "GET / HT") }, 0},
		{"answered", func(t *testing.T, l *pipes, _ *Server) {
			r := asks(t, l.dial(), "GET /healthz")
			if _, err := io.Copy(io.Discard, r.Body); err != nil || r.StatusCode != http.StatusOK {
				t.Fatal(r.Status, err)
			}
		}, 0},
		{"takes nothing any more", func(t *testing.T, l *pipes, s *Server) {
			asks(t, l.dial(), "GET /api/v1/live HTTP/1.1\r\nConnection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nX:")
			if err := s.Publish(State{}); err != nil {
				t.Fatal(err)
			}
		}, goodbyeWithin},
		{"not answered", func(_ *testing.T, l *pipes, _ *Server) { fmt.Fprintf(l.dial(), request, "GET /api/v1/memories") }, stopWithin},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s, _ := newTestServer(t, Options{})
				s.opt.Notes = slowNotes{s.opt.Notes}
				l := &pipes{next: make(chan net.Conn)}
				l.ends, l.end = context.WithCancel(t.Context())
				s.listen = func(context.Context, string) (net.Listener, error) { return l, nil }
				ctx, end := context.WithCancel(t.Context())
				ended := make(chan error, 1)
				go func() { ended <- s.Run(ctx) }()
				c.holds(t, l, s)
				synctest.Wait()
				end()
				begun := time.Now()
				if err := <-ended; err != nil {
					t.Error(err)
				}
				// The standard library looks every so often whether a connection has become idle, at most every half second.
				if took := time.Since(begun); took > c.most+10*time.Millisecond {
					t.Errorf("it took %v, want %v at most", took, c.most)
				}
				time.Sleep(lateAnswer) // it comes to its end
			})
		})
	}
}
