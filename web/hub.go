package web

import (
	"sync"
	"time"

	"github.com/gorilla/websocket"
)

// snapshot is one published state, ready to be sent: the same bytes go to
// every client.
type snapshot struct {
	seq   uint64
	state []byte // JSON of State

	mu   sync.Mutex
	made [2]prepared // for clients that look on, and for those that operate
}

// prepared is a message that was made for one client and serves the others.
type prepared struct {
	at      time.Time
	message *websocket.PreparedMessage
}

// hub hands the newest snapshot to every client. A client that does not read
// costs one unread snapshot and never makes anybody wait: publishing replaces
// what lies unread in its mailbox.
type hub struct {
	mu      sync.Mutex
	latest  *snapshot
	clients map[*mailbox]struct{}
	limit   int
	closed  bool
}

// mailbox holds at most one snapshot, the newest. Only the hub puts
// something in, always under its mutex, so that taking out the old one and
// putting in the new one cannot block.
type mailbox struct {
	c chan *snapshot
}

func newHub(limit int) *hub {
	return &hub{clients: make(map[*mailbox]struct{}), limit: limit}
}

// publish gives state the next sequence number and puts it into every
// mailbox. After close it does nothing.
func (h *hub) publish(state []byte) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return
	}
	next := &snapshot{seq: 1, state: state}
	if h.latest != nil {
		next.seq = h.latest.seq + 1
	}
	h.latest = next
	for m := range h.clients {
		m.replace(next)
	}
}

// subscribe opens a mailbox; the newest state, if there is one, already lies
// in it. It says no when the house is full or closed.
func (h *hub) subscribe() (*mailbox, bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed || len(h.clients) >= h.limit {
		return nil, false
	}
	m := &mailbox{c: make(chan *snapshot, 1)}
	if h.latest != nil {
		m.c <- h.latest
	}
	h.clients[m] = struct{}{}
	return m, true
}

// unsubscribe forgets the mailbox. Twice is harmless.
func (h *hub) unsubscribe(m *mailbox) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.clients, m)
}

// newest is the last published snapshot, or nil.
func (h *hub) newest() *snapshot {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.latest
}

// close closes every mailbox, which ends every reader, and refuses new ones.
// Twice is harmless.
func (h *hub) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return
	}
	h.closed = true
	for m := range h.clients {
		close(m.c)
	}
	clear(h.clients)
}

func (m *mailbox) replace(s *snapshot) {
	select {
	case <-m.c:
	default:
	}
	m.c <- s
}
