package web

import (
	"bytes"
	"flag"
	"math/rand/v2"
	"net"
	"net/http"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

var crowd = flag.Bool("crowd", false, "TestCrowd with 300 clients for half a minute, held to its figure; 'make crowd' does")

// A crowd of websocket clients: some that read, some that never do, some that
// come and go. The readers get every last state; those who do not read, and
// those who leave, cost nobody anything and leave nothing behind. How long a
// state takes from being known to being received is logged, and with -crowd
// held to 100 ms at the 99th percentile.
func TestCrowd(t *testing.T) {
	readers, silent, restless, states, every := 20, 15, 5, 10, 50*time.Millisecond
	if *crowd {
		readers, silent, restless, states, every = 150, 100, 50, 150, 200*time.Millisecond
	}
	r := serve(t, Options{})
	state := fullState()
	before := runtime.NumGoroutine()
	url := "ws" + strings.TrimPrefix(r.url, "http") + "api/v1/live"

	known := make([]time.Time, states+1) // by ToleranceArcmin, which counts the states
	var mu sync.Mutex
	var waits []time.Duration
	var group, ready sync.WaitGroup
	last := make(chan int, readers)
	ready.Add(readers + silent)
	var conns []*websocket.Conn
	for range readers {
		group.Go(func() {
			conn, _, err := websocket.DefaultDialer.Dial(url, nil)
			ready.Done()
			if err != nil {
				t.Error(err)
				return
			}
			defer conn.Close()
			newest := 0
			for newest < states {
				_ = conn.SetReadDeadline(time.Now().Add(time.Minute))
				_, b, err := conn.ReadMessage()
				at := time.Now()
				if err != nil {
					t.Error(err)
					break
				}
				// Reading the number alone: a page's own work is not measured here.
				_, rest, found := bytes.Cut(b, []byte(`"tolerance_arcmin":`))
				if !found {
					continue // a beat
				}
				digits, _, _ := bytes.Cut(rest, []byte(","))
				k, err := strconv.Atoi(string(digits))
				if err != nil {
					continue // the state from before
				}
				mu.Lock()
				if k > newest && k <= states { // not the one that lay there before
					newest = k
					waits = append(waits, at.Sub(known[k]))
				}
				mu.Unlock()
			}
			last <- newest
		})
	}
	// Those who never read have small buffers, so that the service meets a full
	// one soon.
	small := websocket.Dialer{NetDial: func(network, addr string) (net.Conn, error) {
		c, err := net.Dial(network, addr)
		if tcp, ok := c.(*net.TCPConn); ok {
			_ = tcp.SetReadBuffer(4 << 10)
		}
		return c, err
	}}
	for range silent {
		conn, _, err := small.Dial(url, nil)
		ready.Done()
		if err != nil {
			t.Fatal(err)
		}
		conns = append(conns, conn)
	}
	stop := make(chan struct{})
	var comings sync.WaitGroup
	var visits atomic.Int64
	for i := range restless {
		comings.Go(func() {
			random := rand.New(rand.NewPCG(5, uint64(i)))
			for {
				select {
				case <-stop:
					return
				default:
				}
				conn, answer, err := websocket.DefaultDialer.Dial(url, nil)
				if err != nil {
					if answer == nil || answer.StatusCode != http.StatusServiceUnavailable {
						t.Error(err)
						return
					}
					continue
				}
				visits.Add(1)
				time.Sleep(time.Duration(random.IntN(400)) * time.Millisecond)
				conn.Close() // without a word
			}
		})
	}
	ready.Wait()
	var most runtime.MemStats
	for k := 1; k <= states; k++ {
		state.ToleranceArcmin = Number(k)
		mu.Lock()
		known[k] = time.Now()
		mu.Unlock()
		if err := r.Publish(state); err != nil {
			t.Fatal(err)
		}
		time.Sleep(every)
		var m runtime.MemStats
		if runtime.ReadMemStats(&m); m.HeapInuse > most.HeapInuse {
			most = m
		}
	}
	for range readers {
		if newest := <-last; newest != states {
			t.Errorf("a reader's newest state is %d of %d", newest, states)
		}
	}
	group.Wait()
	close(stop)
	comings.Wait()
	for _, c := range conns {
		c.Close()
	}
	slices.Sort(waits)
	at := func(part float64) time.Duration {
		return waits[int(part*float64(len(waits)-1))].Round(10 * time.Microsecond)
	}
	t.Logf("%d readers, %d silent, %d restless with %d visits: %d states received, median %v, 99 %% within %v, worst %v; heap at most %d MB, clients and service",
		readers, silent, restless, visits.Load(), len(waits), at(0.5), at(0.99), at(1), most.HeapInuse>>20)
	if *crowd && at(0.99) > 100*time.Millisecond {
		t.Errorf("99 %% within %v, want 100 ms", at(0.99))
	}
	// Nothing is left behind: no client, no goroutine.
	for end := time.Now().Add(30 * time.Second); r.hub.size() > 0 && time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
	}
	if n := r.hub.size(); n != 0 {
		t.Errorf("%d clients are still counted", n)
	}
	for end := time.Now().Add(30 * time.Second); runtime.NumGoroutine() > before+5 && time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
	}
	if n := runtime.NumGoroutine(); n > before+5 {
		t.Errorf("%d goroutines, %d before", n, before)
	}
	// The mailboxes hold one state at most: far below what all unread states
	// would be.
	const bound = 256 << 20
	if most.HeapInuse > bound {
		t.Errorf("heap of %d MB", most.HeapInuse>>20)
	}
}
