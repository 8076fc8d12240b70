package main

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"polard/web"

	"github.com/gorilla/websocket"
)

// listener is a page's websocket: every state that reaches it and when.
type listener struct {
	states chan received // closed when the service closes the connection
}

type received struct {
	state web.State
	at    time.Time
}

// listen opens a websocket to the service as a page does.
func listen(t testing.TB, url string) *listener {
	t.Helper()
	conn, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(url, "http")+"api/v1/live", nil)
	if err != nil {
		t.Fatal(err)
	}
	l := &listener{states: make(chan received, 1000)}
	go func() {
		defer close(l.states)
		defer conn.Close()
		for {
			_, b, err := conn.ReadMessage()
			at := time.Now()
			if err != nil {
				return
			}
			var m struct {
				Type  string    `json:"type"`
				State web.State `json:"state"`
			}
			if json.Unmarshal(b, &m) == nil && m.Type == "state" {
				l.states <- received{m.State, at}
			}
		}
	}()
	return l
}
