package pairing

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"polard/web"
)

// Files in the folder of the program's state. A device that may operate a pier is another
// matter than one that looks on all.
const (
	DevicesName   = "devices.json"
	OnlookersName = "onlookers.json"
)

// DeviceFile keeps the paired devices in the folder of the program's state.
type DeviceFile string

// Load reads the file; where there is none the list is of nil devices.
func (f DeviceFile) Load() (web.DeviceList, error) {
	b, err := os.ReadFile(string(f))
	if errors.Is(err, fs.ErrNotExist) {
		return web.DeviceList{}, nil
	}
	if err != nil {
		return web.DeviceList{}, err
	}
	list := web.DeviceList{}
	if err := json.Unmarshal(b, &list); err != nil {
		err = fmt.Errorf("%s is damaged (%w); it was set aside", string(f), err)
		return web.DeviceList{}, errors.Join(err, os.Rename(string(f), string(f)+".damaged"))
	}
	if list.Devices == nil {
		list.Devices = []web.Device{}
	}
	return list, nil
}

// lockWithin is how long others may hold the lock on the list: each does so for some
// milliseconds, on a card that frames are being written to for a second or two, and no turn
// is kept among those that wait. Who pairs a device waits that long before an error is shown.
const lockWithin = 10 * time.Second

// Update replaces the file as a whole, so that it is never half written, and returns when
// it is on the disk. Only its owner may read it. A lock on a file beside it keeps other
// services from doing so at the same time: the file itself is another one after each change.
func (f DeviceFile) Update(change func(web.DeviceList) web.DeviceList) error {
	if err := os.MkdirAll(filepath.Dir(string(f)), 0o700); err != nil {
		return err
	}
	lock, err := os.OpenFile(string(f)+".lock", os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	defer lock.Close() // which gives the lock back
	// File systems without locks are those of one machine's stick or card.
	if err := lockFile(lock, lockWithin); err != nil && !errors.Is(err, errors.ErrUnsupported) {
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
	return replaceFile(string(f), b, os.Rename)
}

// replaceFile writes a file that only its owner may read, under another name first, and
// has it and its name on the disk before it returns. place gives it its name.
func replaceFile(path string, content []byte, place func(from, to string) error) error {
	part, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".part*") // 0600
	if err != nil {
		return err
	}
	defer os.Remove(part.Name())
	_, err = part.Write(content)
	err = errors.Join(err, part.Sync(), part.Close())
	if err != nil {
		return err
	}
	if err := place(part.Name(), path); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(path))
}

// lockFile waits until no other process holds the file, which is this one's until it
// is closed.
func lockFile(f *os.File, within time.Duration) error {
	for end := time.Now().Add(within); ; time.Sleep(5 * time.Millisecond) {
		err := tryLock(f)
		if err == nil || !errors.Is(err, errLocked) {
			return err
		}
		if time.Now().After(end) {
			return fmt.Errorf("another program has held it for %v", within)
		}
	}
}
