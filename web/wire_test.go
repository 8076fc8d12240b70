package web

import (
	"io"
	"net"
	"sync"
	"testing"
)

// wire stands between a browser and the service, as a wireless network does, and can
// be cut.
type wire struct {
	addr string

	mu    sync.Mutex
	dead  bool
	conns []net.Conn
}

// newWire passes connections on to addr until the test ends.
func newWire(t *testing.T, addr string) *wire {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w := &wire{addr: l.Addr().String()}
	t.Cleanup(func() { l.Close(); w.cut() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go w.join(c, addr)
		}
	}()
	return w
}

func (w *wire) join(c net.Conn, addr string) {
	far, err := net.Dial("tcp", addr)
	if err != nil || !w.keep(c, far) {
		c.Close()
		return
	}
	go func() { _, _ = io.Copy(far, c); far.Close() }()
	_, _ = io.Copy(c, far)
	c.Close()
}

func (w *wire) keep(conns ...net.Conn) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.dead {
		return false
	}
	w.conns = append(w.conns, conns...)
	return true
}

// cut drops every connection and refuses new ones.
func (w *wire) cut() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.dead = true
	for _, c := range w.conns {
		c.Close()
	}
	w.conns = nil
}

func (w *wire) mend() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.dead = false
}
