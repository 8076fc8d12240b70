package indi

import (
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strings"
	"sync"
	"time"

	"polard/cmd/polard/internal/devices"
)

// DefaultPort is that of INDI servers (IANA: indi, 7624/tcp).
const DefaultPort = "7624"

// Times of a connection.
const (
	// dialTimeout: a server on a local network answers within milliseconds; a sleeping one
	// within seconds.
	dialTimeout = 5 * time.Second
	// writeTimeout: a server that takes nothing for this long has stopped reading, and a stop that
	// waits for it must go by a new connection.
	writeTimeout = 150 * time.Millisecond
	// Pauses between attempts to connect again: the first at once, for a stop may be waiting.
	firstPause   = 20 * time.Millisecond
	longestPause = 2 * time.Second
	// quiet is how long nothing new may come before the list of devices counts as complete.
	quiet = 700 * time.Millisecond
)

// Options of a client.
type Options struct {
	// Addr is HOST:PORT of the server.
	Addr string
	// Log takes connections gained and lost, without the address. nil: nobody.
	Log *slog.Logger
	// Dial stands in for the network in tests; nil: the network.
	Dial func(ctx context.Context, addr string) (net.Conn, error)
}

// Client keeps the connection to a server and the newest of each property.
type Client struct {
	opt Options

	mu      sync.Mutex
	conn    net.Conn // nil while there is none
	epoch   int      // grows with each connection
	tree    tree
	changed chan struct{} // closed and replaced whenever something changes
	newest  time.Time     // of the last definition
	trouble error         // why there is no connection
	blobs   map[blobKey]blob
	moving  map[string]bool // mounts that are to be stopped when a connection comes back

	write sync.Mutex // held while a message is being sent
}

type blobKey struct{ device, property string }

// blob is the newest picture of a property.
type blob struct {
	element
	number int // counts the pictures of this property
}

// New prepares a client; Run does the work.
func New(opt Options) *Client {
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	if opt.Dial == nil {
		opt.Dial = func(ctx context.Context, addr string) (net.Conn, error) {
			return (&net.Dialer{Timeout: dialTimeout, KeepAliveConfig: net.KeepAliveConfig{
				Enable: true, Idle: 3 * time.Second, Interval: time.Second, Count: 3,
			}}).DialContext(ctx, "tcp", addr)
		}
	}
	return &Client{opt: opt, changed: make(chan struct{}), blobs: make(map[blobKey]blob), moving: make(map[string]bool)}
}

// Run keeps the connection until ctx ends, and then closes it.
func (c *Client) Run(ctx context.Context) error {
	pause := firstPause
	for ctx.Err() == nil {
		began := time.Now()
		err := c.connected(ctx)
		if ctx.Err() != nil {
			break
		}
		if time.Since(began) > longestPause {
			pause = firstPause
		}
		c.lose(err)
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
		pause = min(2*pause, longestPause)
	}
	c.mu.Lock()
	c.conn, c.tree, c.trouble = nil, nil, devices.ErrLost
	c.wakeLocked()
	c.mu.Unlock()
	return nil
}

// connected connects and reads until that fails.
func (c *Client) connected(ctx context.Context) error {
	conn, err := c.opt.Dial(ctx, c.opt.Addr)
	if err != nil {
		return withoutAddress(err)
	}
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	defer conn.Close()
	c.mu.Lock()
	c.conn, c.tree, c.trouble, c.newest = conn, make(tree), nil, time.Now()
	c.epoch++
	clear(c.blobs)
	var stop []string
	for name := range c.moving {
		stop = append(stop, name)
	}
	c.wakeLocked()
	c.mu.Unlock()
	// A server shows all its devices only to a client that asks for them before it names one
	// (indiserver 1.9.9).
	if err := c.send(`<getProperties version="1.7"/>` + "\n"); err != nil {
		return err
	}
	// What was moving when the connection broke is stopped before anything is waited for. The
	// server passes it on without having defined the property to us.
	for _, name := range stop {
		if err := c.abortMotion(name); err != nil {
			return err
		}
		c.mu.Lock()
		delete(c.moving, name)
		c.mu.Unlock()
		c.opt.Log.Warn("the connection is back: the mount was told to stop", "mount", name)
	}
	c.opt.Log.Info("connected to the INDI server")
	in := newReader(conn)
	for {
		m, err := in.next()
		if err != nil {
			return withoutAddress(err)
		}
		if err := c.take(m); err != nil {
			return err
		}
	}
}

// withoutAddress says what happened to a connection, and not to whom.
func withoutAddress(err error) error {
	var syntax *xml.SyntaxError
	if errors.As(err, &syntax) && syntax.Msg != "unexpected EOF" { // which is a connection that ended within a message
		return fmt.Errorf("what it sends is not INDI: %s", syntax.Msg)
	}
	plain, known := devices.WithoutAddress(err)
	if !known && syntax != nil {
		return errors.New("the server closed it")
	}
	return plain
}

// lose takes note that there is no connection.
func (c *Client) lose(why error) {
	c.mu.Lock()
	had := c.conn != nil
	if c.conn != nil {
		c.conn.Close()
	}
	c.conn, c.tree = nil, nil
	if c.trouble == nil || had {
		c.trouble = why
	}
	c.wakeLocked()
	c.mu.Unlock()
	if had {
		c.opt.Log.Warn("the connection to the INDI server was lost; trying again", "why", why)
	}
}

func (c *Client) wakeLocked() {
	close(c.changed)
	c.changed = make(chan struct{})
}

func (c *Client) take(m message) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.tree.take(m, time.Now()); err != nil {
		return err
	}
	if strings.HasPrefix(m.tag, "def") {
		c.newest = time.Now()
	}
	if m.tag == "setBLOBVector" {
		for _, e := range m.elements {
			key := blobKey{m.device, m.name}
			c.blobs[key] = blob{e, c.blobs[key].number + 1}
		}
	}
	c.wakeLocked()
	return nil
}

// send writes a message, or fails within writeTimeout and drops the connection.
func (c *Client) send(text string) error {
	c.mu.Lock()
	conn := c.conn
	c.mu.Unlock()
	if conn == nil {
		return devices.ErrLost
	}
	c.write.Lock()
	defer c.write.Unlock()
	err := conn.SetWriteDeadline(time.Now().Add(writeTimeout))
	if err == nil {
		_, err = io.WriteString(conn, text)
	}
	if err != nil {
		conn.Close() // reading ends as well, and Run connects again
		return fmt.Errorf("%w: %w", devices.ErrLost, withoutAddress(err))
	}
	return nil
}

// value is a member to be set.
type value struct{ name, text string }

// set asks for new values of a property of a kind: "Text", "Number" or "Switch".
func (c *Client) set(kind, device, property string, values ...value) error {
	var b strings.Builder
	fmt.Fprintf(&b, `<new%sVector device="%s" name="%s">`, kind, escape(device), escape(property))
	for _, v := range values {
		fmt.Fprintf(&b, `<one%s name="%s">%s</one%s>`, kind, escape(v.name), escape(v.text), kind)
	}
	fmt.Fprintf(&b, "</new%sVector>\n", kind)
	return c.send(b.String())
}

// await waits until done is satisfied; done runs with the client locked. It ends with ErrLost
// when there is no connection, and with ErrTimeout after the time given.
func (c *Client) await(ctx context.Context, within time.Duration, done func() (bool, error)) error {
	limit := time.NewTimer(within)
	defer limit.Stop()
	for {
		c.mu.Lock()
		if c.conn == nil {
			why := c.trouble
			c.mu.Unlock()
			if why == nil || errors.Is(why, devices.ErrLost) {
				return devices.ErrLost
			}
			return fmt.Errorf("%w: %w", devices.ErrLost, why)
		}
		ok, err := done()
		changed := c.changed
		c.mu.Unlock()
		if ok || err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-limit.C:
			return devices.ErrTimeout
		case <-changed:
		}
	}
}

// Connected waits until there is a connection; it fails with the reason when there is none within
// the time.
func (c *Client) Connected(ctx context.Context, within time.Duration) error {
	limit := time.NewTimer(within)
	defer limit.Stop()
	for {
		c.mu.Lock()
		up, why, changed := c.conn != nil, c.trouble, c.changed
		c.mu.Unlock()
		if up {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-limit.C:
			if why == nil {
				why = devices.ErrTimeout
			}
			return fmt.Errorf("no connection to the INDI server: %w", why)
		case <-changed:
		}
	}
}

// Bits of DRIVER_INTERFACE (indidevapi and basedevice.h of libindi-dev 1.9.9).
const (
	interfaceTelescope = 1 << 0
	interfaceCCD       = 1 << 1
)

// Devices lists cameras and mounts, once the server has defined all its devices.
func (c *Client) Devices(ctx context.Context, within time.Duration) ([]devices.Found, error) {
	if err := c.Connected(ctx, within); err != nil {
		return nil, err
	}
	// A driver may take a while to start; a server without any is waited for in vain.
	err := c.await(ctx, answerTimeout, func() (bool, error) { return len(c.tree) > 0, nil })
	if err == nil || errors.Is(err, devices.ErrTimeout) {
		err = c.settled(ctx, quiet)
	}
	if err != nil {
		return nil, err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.conn == nil {
		return nil, devices.ErrLost
	}
	return c.tree.found(), nil
}

// settled waits until nothing new was defined for a time, or gives up on a server that never comes to an end.
func (c *Client) settled(ctx context.Context, span time.Duration) error {
	for end := time.Now().Add(answerTimeout); time.Now().Before(end); {
		c.mu.Lock()
		rest := span - time.Since(c.newest)
		c.mu.Unlock()
		if rest <= 0 {
			return nil
		}
		if err := devices.Pause(ctx, rest); err != nil {
			return err
		}
	}
	return nil
}

// escape makes a name fit to stand in an attribute.
func escape(s string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(s)) // a builder takes everything
	return b.String()
}
