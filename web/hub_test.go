package web

import (
	"fmt"
	"sync"
	"testing"
	"time"
)

func mustSubscribe(t *testing.T, h *hub) *mailbox {
	t.Helper()
	m, ok := h.subscribe()
	if !ok {
		t.Fatal("hub refused a client")
	}
	return m
}

func TestHubNewestReplacesUnread(t *testing.T) {
	h := newHub(10)
	m := mustSubscribe(t, h)
	for i := range 5 {
		h.publish(fmt.Appendf(nil, "%d", i+1))
	}
	if s := <-m.c; s.seq != 5 || string(s.state) != "5" {
		t.Errorf("got %d %q, want the newest, 5", s.seq, s.state)
	}
	select {
	case s := <-m.c:
		t.Errorf("a second, older one lay there too: %d", s.seq)
	default:
	}
}

func TestHubNewClientGetsFullStateFirst(t *testing.T) {
	h := newHub(10)
	early := mustSubscribe(t, h)
	select {
	case <-early.c:
		t.Error("something in the mailbox before anything was published")
	default:
	}
	h.publish([]byte("a"))
	late := mustSubscribe(t, h)
	for _, m := range []*mailbox{early, late} {
		if s := <-m.c; s.seq != 1 || string(s.state) != "a" {
			t.Errorf("got %d %q", s.seq, s.state)
		}
	}
}

// Publishing goes on at full speed while nobody reads.
func TestHubSlowClientNeverBlocks(t *testing.T) {
	h := newHub(100)
	for range 100 {
		mustSubscribe(t, h)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for range 1000 {
			h.publish([]byte("x"))
		}
	}()
	select {
	case <-done:
	case <-time.After(20 * time.Second):
		t.Fatal("publishing waits for clients that do not read")
	}
	if s := h.newest(); s.seq != 1000 {
		t.Errorf("sequence %d after 1000 states", s.seq)
	}
}

func TestHubLimit(t *testing.T) {
	h := newHub(2)
	a := mustSubscribe(t, h)
	mustSubscribe(t, h)
	if _, ok := h.subscribe(); ok {
		t.Error("a third client got in")
	}
	h.unsubscribe(a)
	h.unsubscribe(a)
	if _, ok := h.subscribe(); !ok {
		t.Error("no room after one left")
	}
}

func TestHubCloseUnblocksAndIsFinal(t *testing.T) {
	h := newHub(10)
	m := mustSubscribe(t, h)
	ended := make(chan struct{})
	go func() {
		for range m.c {
		}
		close(ended)
	}()
	h.close()
	h.close() // twice is harmless
	select {
	case <-ended:
	case <-time.After(10 * time.Second):
		t.Fatal("closing did not unblock the reader")
	}
	h.publish([]byte("late")) // discarded
	if h.newest() != nil {
		t.Error("a state was taken in after close")
	}
	if _, ok := h.subscribe(); ok {
		t.Error("a client got in after close")
	}
	h.unsubscribe(m) // after close is harmless
}

// Everybody at once, for the race detector; each reader sees sequence
// numbers only grow and ends on the last.
func TestHubConcurrent(t *testing.T) {
	const states, readers = 500, 20
	h := newHub(2 * readers)
	var wg sync.WaitGroup
	for range readers {
		m := mustSubscribe(t, h)
		wg.Go(func() {
			var last uint64
			for s := range m.c {
				if s.seq <= last {
					t.Errorf("sequence went from %d to %d", last, s.seq)
				}
				last = s.seq
				if last == states {
					return
				}
			}
			t.Errorf("never saw the last state, only %d", last)
		})
	}
	for range readers { // come and go
		wg.Go(func() {
			for range 50 {
				if m, ok := h.subscribe(); ok {
					h.unsubscribe(m)
				}
			}
		})
	}
	for range states {
		h.publish([]byte("x"))
	}
	wg.Wait()
	h.close()
	if n := h.size(); n != 0 {
		t.Errorf("%d clients left", n)
	}
}

func BenchmarkPublish300Clients(b *testing.B) {
	h := newHub(300)
	for range 300 {
		h.subscribe()
	}
	state := make([]byte, 8<<10)
	for b.Loop() {
		h.publish(state)
	}
}

// size is the number of clients.
func (h *hub) size() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.clients)
}
