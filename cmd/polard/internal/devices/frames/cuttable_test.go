package frames_test

import (
	"io"
	"net"
	"sync"
	"testing"
)

// line is what lies between a client and a server: it can be cut and held.
type line struct {
	Addr string // where the client connects

	mu    sync.Mutex
	conns map[net.Conn]bool
	held  bool
	left  int // bytes from the server until all is cut; 0: it is not
	freed *sync.Cond
}

// newLine lies before a server until the test ends.
func newLine(t testing.TB, server string) *line {
	t.Helper()
	return newLineAt(t, "127.0.0.1:0", server)
}

// newLineAt is a line at an address of the client's side; where this machine has none such, the test is skipped.
func newLineAt(t testing.TB, addr, server string) *line {
	t.Helper()
	ln, err := net.Listen("tcp", addr)
	if err != nil {
		t.Skipf("this machine has no %s: %v", addr, err)
	}
	l := &line{Addr: ln.Addr().String(), conns: make(map[net.Conn]bool)}
	l.freed = sync.NewCond(&l.mu)
	t.Cleanup(func() { ln.Close(); l.Hold(false); l.Cut() })
	go func() {
		for {
			client, err := ln.Accept()
			if err != nil {
				return
			}
			behind, err := net.Dial("tcp", server)
			if err != nil {
				client.Close()
				continue
			}
			l.mu.Lock()
			l.conns[client], l.conns[behind] = true, true
			l.mu.Unlock()
			go l.pass(client, behind, false)
			go l.pass(behind, client, true)
		}
	}()
	return l
}

func (l *line) pass(from, to net.Conn, counted bool) {
	defer from.Close()
	defer to.Close()
	buffer := make([]byte, 32<<10)
	for {
		n, err := from.Read(buffer)
		l.mu.Lock()
		for l.held {
			l.freed.Wait()
		}
		cut := false
		if counted && l.left > 0 {
			if l.left -= n; l.left <= 0 {
				l.left, cut = 0, true
			}
		}
		l.mu.Unlock()
		if cut {
			l.Cut()
			return
		}
		if n > 0 {
			if _, err := to.Write(buffer[:n]); err != nil {
				return
			}
		}
		if err == io.EOF || err != nil {
			return
		}
	}
}

// Cut breaks all connections; new ones can be made.
func (l *line) Cut() {
	l.mu.Lock()
	defer l.mu.Unlock()
	for c := range l.conns {
		c.Close()
	}
	clear(l.conns)
}

// CutAfter cuts all connections when the server has sent so many bytes more.
func (l *line) CutAfter(bytes int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.left = bytes
}

// Hold keeps all bytes back without breaking anything, or lets them go.
func (l *line) Hold(on bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.held = on
	l.freed.Broadcast()
}
