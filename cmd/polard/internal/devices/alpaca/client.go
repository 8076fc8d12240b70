package alpaca

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"
)

// DefaultPort is what servers commonly listen on (common practice; the protocol names none).
const DefaultPort = "11111"

// Times of requests.
const (
	// answerTimeout is how long an answer may take: some drivers ask their hardware first.
	answerTimeout = 3 * time.Second
	// pictureTimeout is how long a picture may travel.
	pictureTimeout = 60 * time.Second
	// connectTimeout: connecting to hardware looks through its ports.
	connectTimeout = 20 * time.Second
	// pollTime is how often a device is asked whether something is done.
	pollTime = 100 * time.Millisecond
	// idleLife: most servers keep a connection longer, few shorter (common practice).
	idleLife = 30 * time.Second
)

// Bounds of what an answer may hold.
const (
	maxAnswerBytes = 1 << 20
	maxErrorWords  = 300
)

// Error numbers (API Reference, section 3.2).
const (
	errNotImplemented    = 0x400
	errNotConnected      = 0x407
	errActionNotProvided = 0x40C
)

// Options of a client.
type Options struct {
	// Addrs are HOST:PORT of servers.
	Addrs []string
	// Discover looks for further servers on the local network.
	Discover bool
	// Log takes what was found, without addresses. nil: nobody.
	Log *slog.Logger

	discoverAt []string // in place of broadcasts, for tests
}

// Client asks Alpaca servers. Nothing lasts between requests but what the devices are called.
type Client struct {
	opt         Options
	http        *http.Client
	id          uint32 // ClientID
	transaction atomic.Uint32

	mu    sync.Mutex
	known map[string]place // by kind and name
}

// place is where a device is asked.
type place struct {
	base string // http://HOST:PORT
	kind string // "camera" or "telescope"
	num  int
}

// New prepares a client.
func New(opt Options) *Client {
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	// Devices are on the local network, and no proxy has a business there.
	transport := &http.Transport{
		DialContext:     (&net.Dialer{Timeout: answerTimeout, KeepAlive: 5 * time.Second}).DialContext,
		MaxConnsPerHost: 8, MaxIdleConnsPerHost: 4, IdleConnTimeout: idleLife,
	}
	return &Client{
		opt: opt, id: rand.Uint32N(1 << 16), known: make(map[string]place),
		// A redirection could lead anywhere.
		http: &http.Client{Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }},
	}
}

// Run waits until ctx ends: there is no connection to keep.
func (c *Client) Run(ctx context.Context) error {
	<-ctx.Done()
	c.http.CloseIdleConnections()
	return nil
}

// answer is what every request is answered with.
type answer struct {
	Value        json.RawMessage `json:"Value"`
	ErrorNumber  int             `json:"ErrorNumber"`
	ErrorMessage string          `json:"ErrorMessage"`
}

// refusal is an error that a device reports by number, or by a status of HTTP that says that it
// does not know what it was asked (API Reference, section 2.5).
type refusal struct {
	number, status int
	text           string
}

func (r *refusal) Error() string {
	if r.status != 0 {
		return fmt.Sprintf("it answers %d: %s", r.status, r.text)
	}
	return fmt.Sprintf("%s (0x%X)", r.text, r.number)
}
func (r *refusal) Unwrap() error { return devices.ErrDevice }

// Saying is what the device reports, in its own words.
func (r *refusal) Saying() sky.Saying {
	return sky.Say("device_problem", devices.ErrDevice.Error()+": %s", r.Error())
}

// refused makes a refusal of an error's number. Some servers pass on the numbers of the older
// interface, 0x80040400 and on, of which the last three digits are ours (section 2.8.1).
func refused(number int, text string) *refusal {
	if number < 0 || number > 0xFFFF {
		number &= 0xFFF
	}
	return &refusal{number: number, text: short(text)}
}

// missing tells whether a device lacks what it was asked.
func missing(err error) bool {
	var r *refusal
	return errors.As(err, &r) && (r.status != 0 || r.number == errNotImplemented || r.number == errActionNotProvided)
}

// unknown are the statuses with which a device says that it does not know a method.
var unknown = []int{http.StatusBadRequest, http.StatusNotFound, http.StatusMethodNotAllowed, http.StatusNotImplemented}

func (c *Client) query() url.Values {
	return url.Values{
		"ClientID":            {strconv.FormatUint(uint64(c.id), 10)},
		"ClientTransactionID": {strconv.FormatUint(uint64(c.transaction.Add(1)), 10)},
	}
}

// get reads a property into value.
func (c *Client) get(ctx context.Context, p place, property string, value any) error {
	mark := "?"
	if strings.Contains(property, "?") { // it has parameters of its own
		mark = "&"
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, p.url(property)+mark+c.query().Encode(), nil)
	if err != nil {
		return err
	}
	return c.ask(r, answerTimeout, value)
}

// put sets a property or calls a method.
func (c *Client) put(ctx context.Context, p place, method string, within time.Duration, form url.Values) error {
	q := c.query()
	for key, v := range form {
		q[key] = v
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPut, p.url(method), strings.NewReader(q.Encode()))
	if err != nil {
		return err
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	// All that is put can be put twice. A server may close an idle connection just as it is used; the
	// request, a stop perhaps, is then sent again over a new one. The empty value is not sent.
	r.Header["Idempotency-Key"] = nil
	return c.ask(r, within, nil)
}

func (p place) url(what string) string {
	return fmt.Sprintf("%s/api/v1/%s/%d/%s", p.base, p.kind, p.num, what)
}

// ask sends a request and reads the answer into value, which may be nil.
func (c *Client) ask(r *http.Request, within time.Duration, value any) error {
	ctx, cancel := context.WithTimeout(r.Context(), within)
	defer cancel()
	resp, err := c.http.Do(r.WithContext(ctx))
	if err != nil {
		return unreached(r.Context(), err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(io.LimitReader(resp.Body, maxAnswerBytes))
	if err != nil {
		return unreached(r.Context(), err)
	}
	return decode(resp, body, value)
}

func decode(resp *http.Response, body []byte, value any) error {
	switch {
	case slices.Contains(unknown, resp.StatusCode):
		return &refusal{status: resp.StatusCode, text: short(string(body))}
	case resp.StatusCode != http.StatusOK:
		return sky.Refuse(devices.ErrDevice, "odd_answer", "it answers %d: %s", resp.StatusCode, short(string(body)))
	}
	var a answer
	if err := json.Unmarshal(plain(body), &a); err != nil {
		return sky.Refuse(devices.ErrDevice, "odd_answer", "its answer cannot be read: %s", short(string(body)))
	}
	if a.ErrorNumber != 0 {
		return refused(a.ErrorNumber, a.ErrorMessage)
	}
	if value == nil {
		return nil
	}
	if len(a.Value) == 0 || string(a.Value) == "null" {
		return sky.Refuse(devices.ErrDevice, "odd_answer", "its answer has no value")
	}
	if whole, ok := value.(*int); ok { // some write whole numbers as 3.0
		var x float64
		if err := json.Unmarshal(a.Value, &x); err == nil && math.Abs(x) <= math.MaxInt32 {
			*whole = int(math.Round(x))
			return nil
		}
	}
	if err := json.Unmarshal(a.Value, value); err != nil {
		return sky.Refuse(devices.ErrDevice, "odd_answer", "its answer has a value of another kind: %s", short(string(a.Value)))
	}
	return nil
}

// plain takes off what some servers put around JSON: a mark of byte order (RFC 8259, section 8.1,
// lets a reader ignore it) and the zeros at the end of a C string.
func plain(body []byte) []byte {
	return bytes.Trim(bytes.TrimPrefix(body, []byte("\ufeff")), "\x00")
}

func short(s string) string {
	s = strings.Join(strings.Fields(s), " ")
	if len(s) > maxErrorWords {
		s = strings.ToValidUTF8(s[:maxErrorWords], "") + "…"
	}
	return s
}

// unreached says what happened on the way to a server, and not to whom.
func unreached(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if errors.Is(err, context.DeadlineExceeded) {
		return devices.ErrTimeout
	}
	if plain, known := devices.WithoutAddress(err); known {
		return fmt.Errorf("%w: %w", devices.ErrLost, plain)
	}
	return fmt.Errorf("%w: the server closed it", devices.ErrLost)
}

// configured is an entry of a server's list of devices (Management API v1).
type configured struct {
	DeviceName, DeviceType string
	DeviceNumber           int
}

// Devices lists cameras and mounts of all servers.
func (c *Client) Devices(ctx context.Context, within time.Duration) ([]devices.Found, error) {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	addrs, err := c.servers(ctx)
	if err != nil {
		return nil, err
	}
	var out []devices.Found
	known := make(map[string]place)
	var errs []error
	answered := 0
	for _, addr := range addrs {
		list, err := c.configured(ctx, base(addr))
		if err != nil {
			errs = append(errs, err)
			continue
		}
		answered++
		for _, d := range list {
			kind, use := kinds[strings.ToLower(d.DeviceType)]
			if !use {
				continue
			}
			p := place{base(addr), strings.ToLower(d.DeviceType), d.DeviceNumber}
			name := short(d.DeviceName)
			for n := 2; known[string(kind)+name] != (place{}); n++ {
				name = fmt.Sprintf("%s (%d)", short(d.DeviceName), n)
			}
			known[string(kind)+name] = p
			connected := false
			_ = c.get(ctx, p, "connected", &connected) // what does not tell counts as not connected
			out = append(out, devices.Found{Kind: kind, Name: name, Driver: "Alpaca", Connected: connected})
		}
	}
	if answered == 0 {
		return nil, errors.Join(errs...)
	}
	c.mu.Lock()
	c.known = known
	c.mu.Unlock()
	return out, nil
}

// kinds of device by their type in lower case.
var kinds = map[string]devices.Kind{"camera": devices.KindCamera, "telescope": devices.KindMount}

// servers are the HOST:PORT of those named and of those discovered.
func (c *Client) servers(ctx context.Context) ([]string, error) {
	addrs := slices.Clone(c.opt.Addrs)
	if c.opt.Discover {
		found, err := c.discover(ctx)
		if err != nil {
			return nil, err
		}
		c.opt.Log.Info("looked for Alpaca servers on the local network", "found", len(found))
		addrs = append(addrs, found...)
	}
	if len(addrs) == 0 {
		return nil, sky.Refuse(devices.ErrMissing, "no_alpaca", "no Alpaca server answers on the local network; name its address with --alpaca, or look at its firewall (UDP port %d)", discoveryPort)
	}
	slices.Sort(addrs)
	return slices.Compact(addrs), nil
}

// base is the beginning of a server's URLs. The zone of a link's IPv6 address is written with its
// percent sign escaped (RFC 6874).
func base(addr string) string { return "http://" + strings.Replace(addr, "%", "%25", 1) }

func (c *Client) configured(ctx context.Context, base string) ([]configured, error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, base+"/management/v1/configureddevices?"+c.query().Encode(), nil)
	if err != nil {
		return nil, err
	}
	var list []configured
	err = c.ask(r, answerTimeout, &list)
	return list, err
}

// find gives the place of a device, and asks for the list of devices where it was not seen yet.
func (c *Client) find(ctx context.Context, kind devices.Kind, name string) (place, error) {
	look := func() (place, bool) {
		c.mu.Lock()
		defer c.mu.Unlock()
		p, ok := c.known[string(kind)+name]
		return p, ok
	}
	if p, ok := look(); ok {
		return p, nil
	}
	if _, err := c.Devices(ctx, connectTimeout); err != nil {
		return place{}, err
	}
	if p, ok := look(); ok {
		return p, nil
	}
	return place{}, sky.Refuse(devices.ErrMissing, "no_kind_called", "there is no %s called “%s”", kind, name)
}

// open finds a device and has its server connect to the hardware.
func (c *Client) open(ctx context.Context, kind devices.Kind, name string) (place, error) {
	p, err := c.find(ctx, kind, name)
	if err != nil {
		return p, err
	}
	connected := false
	if err := c.get(ctx, p, "connected", &connected); err != nil || connected {
		return p, err
	}
	if err := c.put(ctx, p, "connected", connectTimeout, url.Values{"Connected": {"true"}}); err != nil {
		return p, fmt.Errorf("%s cannot be connected to its hardware: %w", name, err)
	}
	// Some answer at once and connect meanwhile.
	for limit := time.Now().Add(connectTimeout); !connected && time.Now().Before(limit); {
		if err := c.get(ctx, p, "connected", &connected); err != nil || connected {
			return p, err
		}
		if err := devices.Pause(ctx, pollTime); err != nil {
			return p, err
		}
	}
	return p, sky.Refuse(devices.ErrTimeout, "not_connecting", "%s does not connect to its hardware: is it switched on?", name)
}
