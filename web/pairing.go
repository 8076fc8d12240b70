package web

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base32"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/labstack/echo/v4"
)

// Right is what a browser or program may do.
type Right string

// The rights; each holds those before it.
const (
	RightNone    Right = ""
	RightView    Right = "view"
	RightOperate Right = "operate"
)

// ParseRight reads a right that can be given.
func ParseRight(word string) (Right, error) {
	switch r := Right(word); r {
	case RightView, RightOperate:
		return r, nil
	}
	return RightNone, fmt.Errorf("right %q is unknown: give %q to look on, or %q", word, RightView, RightOperate)
}

// Device is a browser or program that was paired. Its token is known to it
// alone: what is kept is a SHA-256, which is enough for 256 random bits.
type Device struct {
	ID     int64     `json:"id"`
	Name   string    `json:"name"` // what its browser calls itself
	Right  Right     `json:"right"`
	Hash   string    `json:"hash"` // hexadecimal
	Paired time.Time `json:"paired"`
}

// Devices keeps the paired devices over restarts. Services on one machine may share
// a list.
type Devices interface {
	// Load gives the list, nil where none is kept.
	Load() ([]Device, error)
	// Update replaces the list by what change makes of it, which is nil where none
	// is kept. Meanwhile nobody else updates it.
	Update(change func([]Device) []Device) error
}

// Bounds of pairing.
const (
	// inviteLasts is how long a link can be used: time to walk to the mount with
	// the phone.
	inviteLasts = 10 * time.Minute
	// mostInvites are open at a time; an older one is void.
	mostInvites = 8
	// codeBytes of random make a code: 50 bits, ten letters to type where no
	// camera reads the picture.
	codeBits = 50
	// mostWrong codes in a row void every open link: with them a guess hits one of
	// mostInvites codes with a chance of 1e-13.
	mostWrong = 20
	// mostDevices bounds the list.
	mostDevices = 100
	// tokenLasts is how long a browser keeps its cookie.
	tokenLasts = 180 * 24 * time.Hour
	// mostName bounds the name of a device, in bytes.
	mostName = 120
)

// Names of the cookie. The prefix under TLS has browsers refuse it from anybody but this
// very host over TLS (RFC 6265bis, section 4.1.3.2).
const (
	cookieName      = "polard_device"
	cookieNameShown = "polard_onlooker" // of Options.Shown
	cookiePrefixTLS = "__Host-"
)

// cookieName is that of the service's cookie. Browsers take no account of ports
// (RFC 6265, section 8.5), so two services on one machine need two names.
func (s *Server) cookieName(secure bool) string {
	name := cookieName
	if s.opt.Shown != nil {
		name = cookieNameShown
	}
	if secure {
		name = cookiePrefixTLS + name
	}
	return name
}

// codeLetters leave out those that are taken for another (Crockford's base 32).
var codeLetters = base32.NewEncoding("0123456789abcdefghjkmnpqrstvwxyz").WithPadding(base32.NoPadding)

// pairing knows the paired devices and the open links.
type pairing struct {
	keep Devices
	now  func() time.Time

	mu      sync.Mutex
	devices []Device
	unkept  []Device        // those of them that are not in keep yet
	gone    map[string]bool // hashes of those whose going is not in keep yet
	changes int             // of devices by this service
	invites []invite        // oldest first
	wrong   int             // codes since the last right one
	changed chan struct{}
}

// invite is one open link.
type invite struct {
	hash  [sha256.Size]byte
	right Right
	ends  time.Time
}

func newPairing(keep Devices, now func() time.Time) (*pairing, error) {
	p := &pairing{keep: keep, now: now, gone: make(map[string]bool), changed: make(chan struct{})}
	if keep == nil {
		return p, nil
	}
	var err error
	p.devices, err = keep.Load()
	return p, err
}

// invite makes a code that pairs one device, once.
func (p *pairing) invite(right Right) string {
	b := make([]byte, (codeBits+7)/8)
	_, _ = rand.Read(b) // never fails
	code := codeLetters.EncodeToString(b)[:codeBits/5]
	p.mu.Lock()
	defer p.mu.Unlock()
	p.invites = append(p.invites, invite{sha256.Sum256([]byte(code)), right, p.now().Add(inviteLasts)})
	p.invites = p.invites[max(0, len(p.invites)-mostInvites):]
	return code
}

// Errors of pairing, as the page shows them.
var (
	errWrongCode = &problem{http.StatusForbidden, "wrong_code",
		"this link was used already, is too old, or is wrong: ask for a new one ('polard serve --pair', or 'polard overview --pair' for all piers, on the machine that runs the service)"}
	errManyDevices = &problem{http.StatusConflict, "many_devices",
		fmt.Sprintf("%d devices are paired: take the right from some ('polard serve --revoke ID')", mostDevices)}
)

// pair turns a code into a token for a new device.
func (p *pairing) pair(code, name string) (token string, d Device, err error) {
	// What people type: capitals, blanks, hyphens.
	code = strings.NewReplacer(" ", "", "-", "").Replace(strings.ToLower(code))
	hash := sha256.Sum256([]byte(code))
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.now()
	p.invites = slices.DeleteFunc(p.invites, func(i invite) bool { return now.After(i.ends) })
	at := slices.IndexFunc(p.invites, func(i invite) bool { return i.hash == hash })
	if at < 0 {
		if p.wrong++; p.wrong >= mostWrong {
			p.invites, p.wrong = nil, 0
		}
		return "", Device{}, errWrongCode
	}
	if len(p.devices) >= mostDevices {
		return "", Device{}, errManyDevices
	}
	right := p.invites[at].right
	p.invites, p.wrong = slices.Delete(p.invites, at, at+1), 0
	b := make([]byte, sha256.Size)
	_, _ = rand.Read(b) // never fails
	token = base64.RawURLEncoding.EncodeToString(b)
	d = Device{Name: printable(name, mostName), Right: right, Hash: hashOf(token), Paired: now.UTC().Truncate(time.Second)}
	p.unkept = append(p.unkept, d)
	err = p.save()
	return token, p.devices[slices.IndexFunc(p.devices, func(o Device) bool { return o.Hash == d.Hash })], err
}

// save lays what this service changed over the list that is kept, which another
// service may have changed too. A failure leaves the change in force as long as the
// service runs, and the next one takes it along.
func (p *pairing) save() error {
	p.changes++
	var list []Device
	change := func(kept []Device) []Device {
		if kept == nil { // none yet, or no longer
			kept = p.devices
		}
		list = p.merged(kept)
		return slices.Clone(list)
	}
	if p.keep != nil {
		if err := p.keep.Update(change); err != nil {
			p.devices = p.merged(p.devices)
			return fmt.Errorf("the paired devices could not be kept: %w", err)
		}
	} else {
		change(p.devices)
	}
	p.devices, p.unkept = list, nil
	clear(p.gone)
	return nil
}

// merged is a list with what this service changed and could not keep yet. A number
// that another service gave away too is given anew.
func (p *pairing) merged(kept []Device) []Device {
	list := slices.DeleteFunc(slices.Clone(kept), func(d Device) bool { return p.gone[d.Hash] })
	for _, d := range p.unkept {
		free := int64(1)
		known := p.gone[d.Hash]
		for _, other := range list {
			free = max(free, other.ID+1)
			known = known || other.Hash == d.Hash
		}
		if !known {
			if d.ID = max(d.ID, 1); slices.ContainsFunc(list, func(o Device) bool { return o.ID == d.ID }) {
				d.ID = free
			}
			list = append(list, d)
		}
	}
	return list
}

// refresh takes over what another service changed in the list. Where none is kept,
// or it cannot be read, the devices stay as they are.
func (p *pairing) refresh() error {
	if p.keep == nil {
		return nil
	}
	p.mu.Lock()
	before := p.changes
	p.mu.Unlock()
	kept, err := p.keep.Load() // which may take long
	if err != nil || kept == nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.changes != before { // what was read is older than the change
		return nil
	}
	list := p.merged(kept)
	if slices.ContainsFunc(p.devices, func(d Device) bool { return !slices.Contains(list, d) }) {
		p.tellRevoked()
	}
	p.devices = list
	return nil
}

// refreshEvery is how soon a service knows what another on the same list did.
const refreshEvery = time.Second

// follow refreshes until ctx ends.
func (p *pairing) follow(ctx context.Context, log *slog.Logger) {
	if p.keep == nil {
		return
	}
	tick := time.NewTicker(refreshEvery)
	defer tick.Stop()
	said := false
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		err := p.refresh()
		if err != nil && !said {
			log.Error("the list of paired devices cannot be read: it stays as it was", "error", err)
		}
		said = err != nil
	}
}

// tellRevoked has open websockets look again.
func (p *pairing) tellRevoked() {
	close(p.changed)
	p.changed = make(chan struct{})
}

// revoke takes the right from a device, or from all with 0, and gives how many
// those were.
func (p *pairing) revoke(id int64) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	n := 0
	for _, d := range p.devices {
		if id == 0 || d.ID == id {
			p.gone[d.Hash] = true
			n++
		}
	}
	if n == 0 {
		return 0, nil
	}
	p.tellRevoked()
	return n, p.save()
}

func (p *pairing) list() []Device {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.devices)
}

// right is that of the device with a token. The time that the search takes
// tells only about the hash, from which no token follows.
func (p *pairing) right(token string) Right {
	if token == "" {
		return RightNone
	}
	hash := hashOf(token)
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, d := range p.devices {
		if d.Hash == hash {
			return d.Right
		}
	}
	return RightNone
}

// revoked is closed when a right was taken from some device.
func (p *pairing) revoked() <-chan struct{} {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.changed
}

func hashOf(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}

// printable makes text of the network fit to be shown and logged.
func printable(s string, most int) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return -1
		}
		return r
	}, s)
	return s[:min(len(s), most)]
}

// fromHere tells whether a request comes from this machine: over loopback, or
// from an address of its own. A proxy's request does not: whom it speaks for is
// not known.
func fromHere(r *http.Request) bool {
	for _, h := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-Ip", "Via"} {
		if r.Header.Get(h) != "" {
			return false
		}
	}
	from, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return false
	}
	if from.Addr().Unmap().IsLoopback() {
		return true
	}
	local, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if !ok {
		return false
	}
	own, err := netip.ParseAddrPort(local.String())
	return err == nil && own.Addr().Unmap() == from.Addr().Unmap()
}

// tokenOf is the token that a request shows: a browser's cookie, or a program's
// header (RFC 6750, section 2.1).
func (s *Server) tokenOf(r *http.Request) string {
	if token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer "); ok {
		return token
	}
	if c, err := r.Cookie(s.cookieName(r.TLS != nil)); err == nil {
		return c.Value
	}
	return ""
}

// rightOf is what whoever sent a request may do.
func (s *Server) rightOf(r *http.Request) Right {
	if fromHere(r) {
		return RightOperate
	}
	return s.pairing.right(s.tokenOf(r))
}

// checkView refuses strangers.
func (s *Server) checkView(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if s.rightOf(c.Request()) == RightNone {
			return errNotPaired
		}
		return next(c)
	}
}

// checkOperate refuses who may only look on.
func (s *Server) checkOperate(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		switch s.rightOf(c.Request()) {
		case RightOperate:
			return next(c)
		case RightView:
			return &problem{http.StatusForbidden, "view_only", "this device may look on but not operate; 'polard serve --pair' on the machine that runs the service gives a link for more"}
		}
		return errNotPaired
	}
}

// checkHere refuses what is for this machine alone.
func checkHere(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if !fromHere(c.Request()) {
			return &problem{http.StatusForbidden, "only_here", "this is done on the machine that runs the service"}
		}
		return next(c)
	}
}

var errNotPaired = &problem{http.StatusUnauthorized, "not_paired",
	"this device is not paired: open the link or the picture of squares that 'polard serve --pair', or 'polard overview --pair' for all piers, shows on the machine that runs the service"}

// Wire form of pairing.
type (
	pairRequest struct {
		Code string `json:"code"`
	}
	inviteRequest struct {
		Right Right `json:"right"`
	}
	inviteBody struct {
		Code   string `json:"code"`
		EndsMs int64  `json:"ends_ms"`
	}
	revokeRequest struct {
		ID *int64 `json:"id"` // 0: all
	}
	deviceBody struct {
		ID     int64  `json:"id"`
		Name   string `json:"name"`
		Right  Right  `json:"right"`
		Paired string `json:"paired_utc"`
	}
	devicesBody struct {
		Devices []deviceBody `json:"devices"`
	}
)

func (s *Server) pairingRoutes(e *echo.Group) {
	e.POST("/pair", s.postPair)
	here := e.Group("", checkHere)
	here.POST("/invite", s.postInvite)
	here.GET("/devices", s.getDevices)
	here.POST("/revoke", command(s, func(_ context.Context, r revokeRequest) error {
		if r.ID == nil {
			return badRequest(`say which device by "id"; 0 means all`)
		}
		n, err := s.pairing.revoke(*r.ID)
		if n == 0 && err == nil {
			return &problem{http.StatusNotFound, "not_found", "there is no such device"}
		}
		return err
	}))
}

// postPair gives a device its cookie for a code.
func (s *Server) postPair(c echo.Context) error {
	r, err := readBody[pairRequest](c)
	if err != nil {
		return err
	}
	token, d, err := s.pairing.pair(r.Code, cmp.Or(c.Request().UserAgent(), "a device without a name"))
	if _, refused := errors.AsType[*problem](err); refused {
		s.opt.Logger.Warn("a code for pairing was refused", "from", c.Request().RemoteAddr)
		return err
	}
	if err != nil {
		s.opt.Logger.Error("paired until the service stops", "error", err)
	}
	s.opt.Logger.Info("a device was paired", "id", d.ID, "right", d.Right, "from", c.Request().RemoteAddr)
	cookie := &http.Cookie{
		Name: s.cookieName(c.Request().TLS != nil), Value: token, Path: "/", MaxAge: int(tokenLasts.Seconds()),
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: c.Request().TLS != nil,
	}
	c.SetCookie(cookie)
	return c.NoContent(http.StatusNoContent)
}

func (s *Server) postInvite(c echo.Context) error {
	r, err := readBody[inviteRequest](c)
	if err != nil {
		return err
	}
	right, err := ParseRight(string(r.Right))
	if err != nil {
		return badRequest(err.Error())
	}
	code := s.pairing.invite(right)
	return c.JSON(http.StatusOK, inviteBody{code, s.now().Add(inviteLasts).UnixMilli()})
}

func (s *Server) getDevices(c echo.Context) error {
	if err := s.pairing.refresh(); err != nil {
		s.opt.Logger.Error("the list of paired devices cannot be read: it stays as it was", "error", err)
	}
	out := devicesBody{Devices: []deviceBody{}}
	for _, d := range s.pairing.list() {
		out.Devices = append(out.Devices, deviceBody{d.ID, d.Name, d.Right, utc(d.Paired)})
	}
	return c.JSON(http.StatusOK, out)
}

// Invite makes a code for a one-time link, to be shown on this machine.
func (s *Server) Invite(right Right) string { return s.pairing.invite(right) }

// PairPath is the page that pairs; the code stands behind a # in the link, where
// no log and no preview of links sees it.
const PairPath = "/pair"
