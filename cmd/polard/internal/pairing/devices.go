package pairing

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"polard/web"
)

// DeviceFile keeps the paired devices in the folder of the program's state.
type DeviceFile string

// Files in that folder. A device that may operate a pier is another matter than one
// that looks on all.
const (
	DevicesName   = "devices.json"
	OnlookersName = "onlookers.json"
)

// Load reads the file; where there is none the list is nil.
func (f DeviceFile) Load() ([]web.Device, error) {
	b, err := os.ReadFile(string(f))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	devices := []web.Device{}
	if err := json.Unmarshal(b, &devices); err != nil {
		err = fmt.Errorf("%s is damaged (%w); it was set aside", string(f), err)
		return nil, errors.Join(err, os.Rename(string(f), string(f)+".damaged"))
	}
	return devices, nil
}

// Update replaces the file as a whole, so that it is never half written. Only its
// owner may read it. A lock on a file beside it keeps other services from doing so at
// the same time: the file itself is another one after each change.
func (f DeviceFile) Update(change func([]web.Device) []web.Device) error {
	if err := os.MkdirAll(filepath.Dir(string(f)), 0o700); err != nil {
		return err
	}
	lock, err := os.OpenFile(string(f)+".lock", os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	defer lock.Close() // which gives the lock back
	// File systems without locks are those of one machine's stick or card.
	if err := lockFile(lock); err != nil && !errors.Is(err, errors.ErrUnsupported) {
		return fmt.Errorf("%s cannot be locked: %w", lock.Name(), err)
	}
	kept, err := f.Load()
	if err != nil {
		return err
	}
	b, err := json.MarshalIndent(change(kept), "", " ")
	if err != nil {
		return err
	}
	part := string(f) + ".part"
	if err := os.WriteFile(part, b, 0o600); err != nil {
		return err
	}
	return os.Rename(part, string(f))
}
