package web

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base32"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"
)

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

// codeLetters leave out those that are taken for another (Crockford's base 32).
var codeLetters = base32.NewEncoding("0123456789abcdefghjkmnpqrstvwxyz").WithPadding(base32.NoPadding)

// pairing knows the paired devices and the open links.
type pairing struct {
	keep Devices
	now  func() time.Time

	saving  chan struct{} // holds one while keep is written
	loading sync.Mutex    // of who reads keep

	mu      sync.Mutex      // never held while keep is asked
	held    DeviceList      // as it is in force
	unsaved []Device        // those of it that are not in keep yet
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
	p := &pairing{keep: keep, now: now, gone: make(map[string]bool), saving: make(chan struct{}, 1), changed: make(chan struct{})}
	if keep == nil {
		return p, nil
	}
	var err error
	p.held, err = keep.Load()
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
	errWrongCode   = &problem{status: http.StatusForbidden, code: "wrong_code", message: "this link was used already, is too old, or is wrong: ask for a new one ('polard serve --pair', or 'polard overview --pair' for all piers, on the machine that runs the service)"}
	errManyDevices = &problem{status: http.StatusConflict, code: "many_devices", message: fmt.Sprintf("%d devices are paired: take the right from some ('polard serve --revoke ID')", mostDevices)}
)

// pair turns a code into a token for a new device.
func (p *pairing) pair(code, name string) (token string, d Device, err error) {
	// What people type: capitals, blanks, hyphens.
	code = strings.NewReplacer(" ", "", "-", "").Replace(strings.ToLower(code))
	hash := sha256.Sum256([]byte(code))
	if token, d, err = p.admit(hash, name); err != nil {
		return "", Device{}, err
	}
	err = p.save()
	if kept, ok := p.device(d.Hash); ok { // its number may be another now
		d = kept
	}
	return token, d, err
}

// admit lets a device in for an open link, and makes its token.
func (p *pairing) admit(code [sha256.Size]byte, name string) (token string, d Device, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.now()
	p.invites = slices.DeleteFunc(p.invites, func(i invite) bool { return now.After(i.ends) })
	at := slices.IndexFunc(p.invites, func(i invite) bool { return i.hash == code })
	if at < 0 {
		if p.wrong++; p.wrong >= mostWrong {
			p.invites, p.wrong = nil, 0
		}
		return "", Device{}, errWrongCode
	}
	if len(p.held.Devices) >= mostDevices {
		return "", Device{}, errManyDevices
	}
	right := p.invites[at].right
	p.invites, p.wrong = slices.Delete(p.invites, at, at+1), 0
	b := make([]byte, sha256.Size)
	_, _ = rand.Read(b) // never fails
	token = base64.RawURLEncoding.EncodeToString(b)
	d = Device{ID: p.held.highest() + 1, Name: printable(name, mostName), Right: right, Hash: hashOf(token), Paired: now.UTC().Truncate(time.Second)}
	p.unsaved = append(p.unsaved, d)
	p.changes++
	p.held = p.merged(p.held)
	return token, d, nil
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
		if p.pending() && len(p.saving) == 0 { // what could not be kept, and nobody is at it
			_ = p.save()
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

// revoke takes the right from a device, or from all with 0 together with the links that
// are open, and gives how many devices those were.
func (p *pairing) revoke(id int64) (int, error) {
	p.mu.Lock()
	n := 0
	for _, d := range p.held.Devices {
		if id == 0 || d.ID == id {
			p.gone[d.Hash] = true
			n++
		}
	}
	if id == 0 {
		p.invites = nil
	}
	if n > 0 {
		p.changes++
		p.held = p.merged(p.held)
		p.tellRevoked()
	}
	p.mu.Unlock()
	if n == 0 {
		return 0, nil
	}
	return n, p.save()
}

func (p *pairing) list() []Device {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.held.Devices)
}

// device is the one with a hash. The time that the search takes tells only about the
// hash, from which no token follows.
func (p *pairing) device(hash string) (Device, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if at := slices.IndexFunc(p.held.Devices, func(d Device) bool { return d.Hash == hash }); at >= 0 {
		return p.held.Devices[at], true
	}
	return Device{}, false
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
