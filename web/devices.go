package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"
)

// Device is a browser or program that was paired. Its token is known to it
// alone: what is kept is a SHA-256, which is enough for 256 random bits.
type Device struct {
	ID     int64     `json:"id"`
	Name   string    `json:"name"` // what its browser calls itself
	Right  Right     `json:"right"`
	Hash   string    `json:"hash"` // hexadecimal
	Paired time.Time `json:"paired"`
}

// DeviceList is what is kept of the paired devices.
type DeviceList struct {
	// Last is the highest number that was ever given: no other device gets the number
	// of one whose right was taken.
	Last int64 `json:"last"`
	// Devices is nil where no list is kept.
	Devices []Device `json:"devices"`
}

// UnmarshalJSON reads a list too that was kept before numbers were: the devices alone.
func (l *DeviceList) UnmarshalJSON(b []byte) error {
	if b = bytes.TrimSpace(b); len(b) > 0 && b[0] == '[' {
		*l = DeviceList{}
		return json.Unmarshal(b, &l.Devices)
	}
	type plain DeviceList
	return json.Unmarshal(b, (*plain)(l))
}

// highest is the highest number ever given, as far as the list tells.
func (l DeviceList) highest() int64 {
	n := l.Last
	for _, d := range l.Devices {
		n = max(n, d.ID)
	}
	return n
}

// Devices keeps the paired devices over restarts. Services on one machine may share
// a list.
type Devices interface {
	// Load gives the list, of nil devices where none is kept.
	Load() (DeviceList, error)
	// Update replaces the list by what change makes of it. Meanwhile nobody else
	// updates it. When it returns nil the list is on the disk.
	Update(change func(DeviceList) DeviceList) error
}

// keepWithin is how long an answer waits for the disk: less than the commands that ask.
const keepWithin = 4 * time.Second

var errKeepSlow = errors.New("the disk does not answer; it is tried again")

// save lays what this service changed over the list that is kept, which another
// service may have changed too. A failure leaves the change in force as long as the
// service runs, and it is tried again. It is called without p.mu, for a disk may hang.
func (p *pairing) save() error {
	if p.keep == nil {
		p.settle(nil, nil)
		return nil
	}
	done := make(chan error, 1)
	go func() { done <- p.write() }()
	select {
	case err := <-done:
		if err != nil {
			err = fmt.Errorf("the paired devices could not be kept: %w", err)
		}
		return err
	case <-time.After(keepWithin):
		return fmt.Errorf("the paired devices could not be kept: %w", errKeepSlow)
	}
}

// write writes the list, one call after the other.
func (p *pairing) write() error {
	p.saving <- struct{}{}
	defer func() { <-p.saving }()
	var unsaved []Device
	var gone []string
	err := p.keep.Update(func(kept DeviceList) DeviceList {
		p.mu.Lock()
		defer p.mu.Unlock()
		if kept.Devices == nil { // none yet, or no longer
			kept = p.held
		}
		list := p.merged(kept)
		p.held = list
		unsaved = slices.Clone(p.unsaved)
		for hash := range p.gone {
			gone = append(gone, hash)
		}
		list.Devices = slices.Clone(list.Devices)
		return list
	})
	if err == nil {
		p.settle(unsaved, gone)
	}
	return err
}

// settle forgets changes that are kept: the devices that came, and the hashes of those
// that went; nil where nothing is kept at all.
func (p *pairing) settle(unsaved []Device, gone []string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.changes++
	if p.keep == nil {
		p.unsaved = nil
		clear(p.gone)
		return
	}
	p.unsaved = slices.DeleteFunc(p.unsaved, func(d Device) bool {
		return slices.ContainsFunc(unsaved, func(k Device) bool { return k.Hash == d.Hash })
	})
	for _, hash := range gone {
		delete(p.gone, hash)
	}
}

// pending tells whether something is still to be kept.
func (p *pairing) pending() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.unsaved)+len(p.gone) > 0
}

// merged is a list with what this service changed and could not keep yet. A number
// that another service gave away too is given anew.
func (p *pairing) merged(kept DeviceList) DeviceList {
	last := kept.highest()
	list := DeviceList{Devices: slices.DeleteFunc(slices.Clone(kept.Devices), func(d Device) bool { return p.gone[d.Hash] })}
	for _, d := range p.unsaved {
		if p.gone[d.Hash] || slices.ContainsFunc(list.Devices, func(o Device) bool { return o.Hash == d.Hash }) {
			continue
		}
		d.ID = max(d.ID, last+1)
		last = d.ID
		list.Devices = append(list.Devices, d)
	}
	list.Last = max(last, p.held.Last)
	return list
}

// refresh takes over what another service changed in the list. Where none is kept,
// or it cannot be read, the devices stay as they are. One call at a time waits for the
// disk; others return at once.
func (p *pairing) refresh() error {
	if p.keep == nil || !p.loading.TryLock() {
		return nil
	}
	defer p.loading.Unlock()
	p.mu.Lock()
	before := p.changes
	p.mu.Unlock()
	kept, err := p.keep.Load() // which may take long
	if err != nil || kept.Devices == nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.changes != before { // what was read is older than the change
		return nil
	}
	list := p.merged(kept)
	if slices.ContainsFunc(p.held.Devices, func(d Device) bool { return !slices.Contains(list.Devices, d) }) {
		p.tellRevoked()
	}
	p.held = list
	return nil
}

// refreshWithin refreshes, but waits for the disk no longer than a time.
func (p *pairing) refreshWithin(wait time.Duration) error {
	done := make(chan error, 1)
	go func() { done <- p.refresh() }()
	select {
	case err := <-done:
		return err
	case <-time.After(wait):
		return errKeepSlow
	}
}
