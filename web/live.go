package web

import (
	"context"
	"net/http"
	"strconv"
	"time"

	"github.com/gorilla/websocket"
	"github.com/labstack/echo/v4"
)

// Times of a websocket.
const (
	// beatEvery is how often a client hears from us when nothing changes: the
	// page takes three missed beats for a lost connection.
	beatEvery = 4 * time.Second
	// pongWait is how long a client may be silent. A phone that went to sleep
	// is let go after it and comes back by itself.
	pongWait = 60 * time.Second
	// writeWait bounds a write to a client whose network is gone.
	writeWait = 5 * time.Second
	// maxFromClient bounds what a client may send: pages send nothing.
	maxFromClient = 512
	// goodbyeWithin bounds what a client is still sent when the service stops.
	goodbyeWithin = stopWithin / 2
)

// envelope wraps the bytes of a state for one client at one moment. SentMs
// is what makes ages right on a phone whose clock is wrong; a state that lay
// around is never sent with an old one.
func (s *Server) envelope(kind string, snap *snapshot, operate bool) []byte {
	b := make([]byte, 0, 160+len(snap.stateBytes()))
	b = append(b, `{"type":"`...)
	b = append(b, kind...)
	b = append(b, `","seq":`...)
	b = strconv.AppendUint(b, snap.number(), 10)
	b = append(b, `,"sent_ms":`...)
	b = strconv.AppendInt(b, s.now().UnixMilli(), 10)
	b = append(b, `,"page":"`...)
	b = append(b, s.assets.version...)
	b = append(b, `","operate":`...)
	b = strconv.AppendBool(b, operate)
	if kind == "state" {
		b = append(b, `,"state":`...)
		b = append(b, snap.stateBytes()...)
	}
	return append(b, '}')
}

func (s *snapshot) stateBytes() []byte {
	if s == nil {
		return []byte("null")
	}
	return s.state
}

func (s *snapshot) number() uint64 {
	if s == nil {
		return 0
	}
	return s.seq
}

func (s *Server) getState(c echo.Context) error {
	return c.JSONBlob(http.StatusOK, s.envelope("state", s.hub.newest(), s.rightOf(c.Request()) == RightOperate))
}

func (s *Server) getLive(c echo.Context) error {
	if !s.enter() {
		return &problem{status: http.StatusServiceUnavailable, code: "stopping", message: "the service is stopping"}
	}
	defer s.live.Done()
	box, ok := s.hub.subscribe()
	if !ok {
		return &problem{status: http.StatusServiceUnavailable, code: "full", message: "too many pages are open, or the service is stopping"}
	}
	defer s.hub.unsubscribe(box)
	up := websocket.Upgrader{
		HandshakeTimeout: writeWait,
		CheckOrigin:      sameOrigin,
		Error:            func(http.ResponseWriter, *http.Request, int, error) {}, // answered by the error handler
	}
	conn, err := up.Upgrade(c.Response(), c.Request(), nil)
	if err != nil {
		return &problem{status: http.StatusBadRequest, code: "no_websocket", message: "this address speaks websocket: " + err.Error()}
	}
	s.serveLive(c.Request().Context(), conn, box, func() Right { return s.rightOf(c.Request()) })
	return nil
}

// enter counts a websocket in, unless the service is already waiting for the last
// of them to leave.
func (s *Server) enter() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.stopping {
		return false
	}
	s.live.Add(1)
	return true
}

// leave waits until every websocket is gone; none enters any more.
func (s *Server) leave() {
	s.mu.Lock()
	s.stopping = true
	s.mu.Unlock()
	s.live.Wait()
}

// serveLive writes until the client goes, the hub closes or the service
// stops. The reader only listens for pongs and the close.
func (s *Server) serveLive(ctx context.Context, conn *websocket.Conn, box *mailbox, right func() Right) {
	defer conn.Close()
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		conn.SetReadLimit(maxFromClient)
		_ = conn.SetReadDeadline(time.Now().Add(pongWait))
		conn.SetPongHandler(func(string) error { return conn.SetReadDeadline(time.Now().Add(pongWait)) })
		for {
			if _, _, err := conn.NextReader(); err != nil {
				return
			}
		}
	}()
	defer func() { conn.Close(); <-gone }()
	defer context.AfterFunc(ctx, func() { closeLate(conn, gone) })()

	beat := time.NewTicker(s.beat)
	defer beat.Stop()
	var last *snapshot
	operate := right() == RightOperate
	for {
		var err error
		revoked := s.pairing.revoked()
		if right() == RightNone { // taken since the last look
			closeWith(conn, websocket.ClosePolicyViolation, "this device is no longer paired")
			return
		}
		select {
		case <-revoked:
			continue
		case snap, open := <-box.c:
			if !open {
				goodbye(conn)
				return
			}
			last = snap
			err = s.writeState(conn, snap, operate)
		case <-beat.C:
			err = write(conn, s.envelope("beat", last, operate))
			if err == nil {
				err = conn.WriteControl(websocket.PingMessage, nil, time.Now().Add(writeWait))
			}
		case <-gone:
			return
		case <-ctx.Done():
			goodbye(conn)
			return
		}
		if err != nil {
			return
		}
	}
}

// closeLate ends a connection when the service stops and it does not go by itself: a client whose network is gone never takes
// what is being written.
func closeLate(conn *websocket.Conn, gone <-chan struct{}) {
	select {
	case <-gone:
	case <-time.After(goodbyeWithin):
		conn.Close()
	}
}

// sharedFor is how long a message made for one client serves others: by so much
// the age of a frame may be stated wrong.
const sharedFor = 20 * time.Millisecond

// writeState sends a state. Most clients are sent it in the same moment: they
// share one message.
func (s *Server) writeState(conn *websocket.Conn, snap *snapshot, operate bool) error {
	k := 0
	if operate {
		k = 1
	}
	snap.mu.Lock()
	made := snap.made[k]
	if now := s.now(); made.message == nil || now.Sub(made.at).Abs() > sharedFor {
		message, err := websocket.NewPreparedMessage(websocket.TextMessage, s.envelope("state", snap, operate))
		if err != nil {
			snap.mu.Unlock()
			return err
		}
		made = prepared{now, message}
		snap.made[k] = made
	}
	snap.mu.Unlock()
	_ = conn.SetWriteDeadline(time.Now().Add(writeWait))
	return conn.WritePreparedMessage(made.message)
}

func write(conn *websocket.Conn, b []byte) error {
	_ = conn.SetWriteDeadline(time.Now().Add(writeWait))
	return conn.WriteMessage(websocket.TextMessage, b)
}

// goodbye tells the client that the service stops, so that the page can say
// so instead of waiting.
func goodbye(conn *websocket.Conn) { closeWith(conn, websocket.CloseGoingAway, "the service stops") }

func closeWith(conn *websocket.Conn, code int, why string) {
	_ = conn.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(code, why), time.Now().Add(goodbyeWithin))
}
