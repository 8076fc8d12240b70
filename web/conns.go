package web

import (
	"context"
	"crypto/tls"
	"net"
	"net/netip"
	"slices"
	"sync"
	"time"
)

// Shares of the open connections, beside those of websockets (mostClients), which
// the paired and this machine have between them.
const (
	// strangersConns are for who is not known yet: each newcomer begins here. It costs a
	// request of some milliseconds to become known. When there are so many, the one on which
	// nothing has happened for longest makes room for the next who comes: half a header, half
	// a body and silence are the same.
	strangersConns = 128
	// hereConns are for this machine, whatever the others take.
	hereConns = 64
	// connsPerAddress bounds the open connections of the strangers at one address of the
	// network, and of one paired device: a browser keeps six and a websocket.
	connsPerAddress = 32
	// hearing is what a newcomer has to be heard in before he makes room: a flood of others
	// waits, lest it be let in faster than the goroutines that read requests get their turn.
	// 128 newcomers in it are 6,400 a second.
	hearing = 20 * time.Millisecond
)

// share is whose part of the connections one counts to.
type share int

const (
	strangerShare share = iota
	pairedShare
	hereShare
)

// boundedListener bounds the open connections in shares. Who sends nothing must not keep
// others out.
type boundedListener struct {
	net.Listener
	clients int
	// forwarded: an address tells nothing, not even that of loopback.
	forwarded bool

	mu    sync.Mutex
	open  [hereShare + 1]int
	ends  bool           // nobody comes in any more
	conns []*boundedConn // by the last request that began or ended, or else by when they came: the oldest first
}

func boundConns(l net.Listener, clients int, forwarded bool) *boundedListener {
	return &boundedListener{Listener: l, clients: clients, forwarded: forwarded}
}

// Accept gives the next connection that is within the bounds.
func (l *boundedListener) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		from, err := netip.ParseAddrPort(c.RemoteAddr().String())
		if err != nil {
			c.Close()
			continue
		}
		conn := &boundedConn{Conn: c, in: l, address: subscriber(from.Addr()), came: time.Now()}
		if conn.address.IsLoopback() && !l.forwarded {
			conn.share = hereShare
		}
		loser, ok := l.enter(conn)
		if loser != nil {
			_ = loser.Conn.Close()
		}
		if ok {
			return conn, nil
		}
		c.Close()
	}
}

// enter counts a connection in. For a stranger another one may have to go: the oldest one
// of his own address when that has too many, or else of the address that has most.
func (l *boundedListener) enter(c *boundedConn) (loser *boundedConn, ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.ends {
		return nil, false
	}
	if c.share == hereShare {
		if ok = l.open[hereShare]+l.open[pairedShare] < l.clients+hereConns; ok {
			l.add(c)
		}
		return nil, ok
	}
	for {
		var crowd bool
		if loser, crowd = l.makesRoom(c.address); loser == nil {
			break
		}
		// One address alone makes nobody wait.
		if young := hearing - time.Since(loser.came); crowd && young > 0 {
			l.mu.Unlock()
			time.Sleep(young)
			l.mu.Lock()
			continue
		}
		l.drop(loser)
		break
	}
	l.add(c)
	return loser, true
}

// dismiss closes the connections over which nothing was asked yet, and lets nobody in any more: a browser keeps some for
// later, and a server that ends would wait for the first request on each.
func (l *boundedListener) dismiss() {
	l.mu.Lock()
	l.ends = true
	var silent []*boundedConn
	for _, c := range l.conns {
		if !c.asked {
			silent = append(silent, c)
		}
	}
	l.mu.Unlock()
	for _, c := range silent {
		_ = c.Close()
	}
}

// makesRoom is the connection that has to go for one more stranger at an address, nil when
// there is room, and whether that is for the crowd of all strangers.
func (l *boundedListener) makesRoom(address netip.Addr) (loser *boundedConn, crowd bool) {
	of := make(map[netip.Addr]int)
	for _, o := range l.conns {
		if o.share == strangerShare {
			of[o.address]++
		}
	}
	switch {
	case !l.forwarded && of[address] >= connsPerAddress:
		return l.oldest(func(o *boundedConn) bool { return o.share == strangerShare && o.address == address }), false
	case l.open[strangerShare] >= strangersConns:
		most := 0
		for _, n := range of {
			most = max(most, n)
		}
		return l.oldest(func(o *boundedConn) bool { return o.share == strangerShare && of[o.address] == most }), true
	}
	return nil, false
}

// oldest is the oldest connection of a kind, nil when there is none.
func (l *boundedListener) oldest(kind func(*boundedConn) bool) *boundedConn {
	if i := slices.IndexFunc(l.conns, kind); i >= 0 {
		return l.conns[i]
	}
	return nil
}

// happened makes a connection the newest.
func (l *boundedListener) happened(c *boundedConn) {
	if i := slices.Index(l.conns, c); i >= 0 {
		l.conns = append(slices.Delete(l.conns, i, i+1), c)
	}
}

func (l *boundedListener) add(c *boundedConn) {
	l.conns = append(l.conns, c)
	l.open[c.share]++
}

func (l *boundedListener) drop(c *boundedConn) {
	if i := slices.Index(l.conns, c); i >= 0 {
		l.conns = slices.Delete(l.conns, i, i+1)
		l.open[c.share]--
	}
}

// boundedConn is a connection that is counted. All but its address is guarded by the
// listener's mutex.
type boundedConn struct {
	net.Conn
	in      *boundedListener
	address netip.Addr
	came    time.Time

	share   share
	device  string // of pairedShare
	asked   bool   // a request has come over it
	serving int    // requests that are being answered
}

// serve counts the connection to the share of who sent a request over it, and tells
// whether there was room.
func (c *boundedConn) serve(who visitor) bool {
	l := c.in
	l.mu.Lock()
	defer l.mu.Unlock()
	c.asked = true
	to := strangerShare
	switch {
	case who.here:
		to = hereShare
	case who.device != "":
		to = pairedShare
	case c.share == hereShare: // a proxy on this machine brings a stranger
		to = hereShare
	}
	if to == pairedShare && (c.share != to || c.device != who.device) && !l.roomFor(who.device) {
		return false
	}
	c.serving++
	l.happened(c)
	if to != c.share {
		l.open[c.share]--
		l.open[to]++
		c.share = to
	}
	c.device = who.device
	return true
}

// roomFor tells whether a paired device may have one more connection, an idle one of its
// own making room.
func (l *boundedListener) roomFor(device string) bool {
	n := 0
	for _, o := range l.conns {
		if o.share == pairedShare && o.device == device {
			n++
		}
	}
	if n < connsPerAddress && l.open[pairedShare] < l.clients {
		return true
	}
	loser := l.oldest(func(o *boundedConn) bool { return o.share == pairedShare && o.device == device && o.serving == 0 })
	if loser == nil {
		return false
	}
	l.drop(loser)
	_ = loser.Conn.Close()
	return true
}

func (c *boundedConn) served() {
	c.in.mu.Lock()
	defer c.in.mu.Unlock()
	c.serving--
	c.in.happened(c)
}

// Close closes the connection and makes room for another.
func (c *boundedConn) Close() error {
	c.in.mu.Lock()
	c.in.drop(c)
	c.in.mu.Unlock()
	return c.Conn.Close()
}

// connKey is under which a request's context holds its connection.
type connKey struct{}

func withConn(ctx context.Context, c net.Conn) context.Context {
	if t, ok := c.(*tls.Conn); ok {
		c = t.NetConn()
	}
	if b, ok := c.(*boundedConn); ok {
		return context.WithValue(ctx, connKey{}, b)
	}
	return ctx
}
