package mqtt

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"io"
	"net"
	"runtime"
	"strings"
	"sync"
	"testing"

	"pgregory.net/rapid"
)

type heard struct {
	mu       sync.Mutex
	states   map[string]Pier
	nonsense []string
}

func (h *heard) HeardStatus(string, Status) {}
func (h *heard) HeardState(pier string, p Pier) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.states[pier] = p
}
func (h *heard) LogUnreadable(topic string, err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.nonsense = append(h.nonsense, topic+": "+err.Error())
}
func (h *heard) Connected(bool) {}

// A client of a real broker tells, to be kept for whoever comes, messages of megabytes in a
// pier's name: they cost no memory, are confirmed to the broker, are told, and the pier's own
// message comes through behind them.
func TestLongMessages(t *testing.T) {
	b := startBroker(t)
	e := b.hear(t)
	const each, size = 12, 8 << 20
	long := strings.Repeat("x", size)
	for i := range each {
		e.client.Publish("polard/big-"+string(rune('a'+i))+"/state", 1, true, long).Wait()
	}
	e.client.Unsubscribe("polard/#").Wait()
	h := &heard{states: make(map[string]Pier)}
	ctx, end := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	go func() {
		ended <- Listen(ctx, Options{Broker: b.plain, User: testUser, Password: testPassword, Prefix: "polard"}, h)
	}()
	eventually(t, "all to be told", func() bool {
		h.mu.Lock()
		defer h.mu.Unlock()
		return len(h.nonsense) >= each
	})
	runtime.ReadMemStats(&after)
	if took := after.TotalAlloc - before.TotalAlloc; took > each*size/8 {
		t.Errorf("%d MB were reserved for %d messages of %d MB", took>>20, each, size>>20)
	}
	e.client.Publish("polard/pier-7/state", 1, true, `{"phase":"watching"}`).Wait()
	e.client.Publish("polard/"+strings.Repeat("y", 300)+"/state", 1, false, `{"phase":"watching"}`).Wait()
	eventually(t, "the pier", func() bool {
		h.mu.Lock()
		defer h.mu.Unlock()
		return h.states["pier-7"].Phase == "watching" && len(h.nonsense) == each+1
	})
	end()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

// Packets up to the bound pass as they are, however they are cut; longer messages keep their
// topic and number; anything else ends the connection.
func TestBoundedConn(t *testing.T) {
	packet := func(first byte, body []byte) []byte {
		return append(binary.AppendUvarint([]byte{first}, uint64(len(body))), body...)
	}
	message := func(qos byte, topic string, payload int) []byte {
		body := append(binary.BigEndian.AppendUint16(nil, uint16(len(topic))), topic...)
		if qos > 0 {
			body = append(body, 7, 9)
		}
		return packet(messagePacket<<4|qos<<1|1, append(body, make([]byte, payload)...))
	}
	rapid.Check(t, func(t *rapid.T) {
		var in, want []byte
		long := 0
		for range rapid.IntRange(0, 6).Draw(t, "packets") {
			qos := byte(rapid.IntRange(0, 2).Draw(t, "qos"))
			topic := strings.Repeat("t", rapid.IntRange(0, 300).Draw(t, "topic"))
			if rapid.Bool().Draw(t, "long") {
				in = append(in, message(qos, topic, mostMessage+rapid.IntRange(0, 1000).Draw(t, "size"))...)
				want = append(want, message(qos, topic, 0)...)
				long++
			} else {
				p := message(qos, topic, rapid.IntRange(0, 2000).Draw(t, "size"))
				in, want = append(in, p...), append(want, p...)
			}
		}
		told := 0
		c := &boundedConn{in: bufio.NewReader(bytes.NewReader(in)), tooLong: func(string, int) { told++ }}
		got, err := io.ReadAll(readerOf(c, rapid.IntRange(1, 5000).Draw(t, "piece")))
		if err != nil || !bytes.Equal(got, want) || told != long {
			t.Fatalf("%d bytes (%v), want %d; %d of %d told", len(got), err, len(want), told, long)
		}
	})
	for name, in := range map[string][]byte{
		"five bytes of length":             {messagePacket << 4, 0xff, 0xff, 0xff, 0xff, 1},
		"long, and no message":             packet(0x90, make([]byte, mostMessage+1)),
		"a topic longer than the message":  append([]byte{messagePacket<<4 | 2, 0x81, 0x80, 0x04, 0xff, 0xff}, make([]byte, 65_535)...),
		"cut off in the length":            {messagePacket << 4, 0xff},
		"cut off in a long message":        message(1, "t", mostMessage)[:mostMessage],
		"cut off in a long message's name": message(1, strings.Repeat("t", 300), mostMessage)[:100],
	} {
		c := &boundedConn{Conn: (net.Conn)(nil), in: bufio.NewReader(bytes.NewReader(in)), tooLong: func(string, int) {}}
		if b, err := io.ReadAll(c); err == nil && len(b) == 0 {
			t.Errorf("%s: taken", name)
		} else if err == nil {
			t.Errorf("%s: %d bytes and no error", name, len(b))
		}
	}
}

// readerOf reads in pieces.
func readerOf(r io.Reader, piece int) io.Reader { return &pieces{r, piece} }

type pieces struct {
	r     io.Reader
	piece int
}

func (p *pieces) Read(b []byte) (int, error) { return p.r.Read(b[:min(len(b), p.piece)]) }
