package watch

import (
	"encoding/binary"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"

	"golang.org/x/sys/unix"
)

// inotified are the events asked for, inotify(7). IN_CLOSE_WRITE and IN_MOVED_TO say that a file is done with.
const inotified = unix.IN_CLOSE_WRITE | unix.IN_MOVED_TO | unix.IN_CREATE | unix.IN_MODIFY | unix.IN_ATTRIB | unix.IN_MOVED_FROM | unix.IN_DELETE | unix.IN_ONLYDIR

var errOverflow = errors.New("the kernel's queue of events was full")

// inotify reads the kernel's events on a goroutine of its own.
type inotify struct {
	file   *os.File
	events chan event
	errors chan error
	ended  chan struct{}

	mu      sync.Mutex
	folders map[int32]string // by watch descriptor
}

// listen asks the kernel for events.
func listen() (notices, error) {
	fd, err := unix.InotifyInit1(unix.IN_CLOEXEC | unix.IN_NONBLOCK)
	if err != nil {
		return notices{}, os.NewSyscallError("inotify_init1", err)
	}
	n := &inotify{
		file: os.NewFile(uintptr(fd), "inotify"), events: make(chan event), errors: make(chan error), ended: make(chan struct{}),
		folders: make(map[int32]string),
	}
	go n.read()
	// Who closes the file waits for calls with it: one that asks for the events of a folder that hangs never comes back.
	closing := sync.OnceFunc(func() { close(n.ended); go n.file.Close() })
	return notices{events: n.events, errors: n.errors, watch: n.watch, close: closing}, nil
}

// watch asks for the events of a folder. One that is watched already goes on under the path given.
func (n *inotify) watch(folder string) error {
	raw, err := n.file.SyscallConn()
	if err != nil {
		return err
	}
	n.mu.Lock() // the first event may come before the descriptor is known
	defer n.mu.Unlock()
	var wd int
	var watchErr error
	if err := raw.Control(func(fd uintptr) { wd, watchErr = unix.InotifyAddWatch(int(fd), folder, inotified) }); err != nil {
		return err
	}
	if watchErr != nil {
		return &os.PathError{Op: "inotify_add_watch", Path: folder, Err: watchErr}
	}
	n.folders[int32(wd)] = folder
	return nil
}

// read passes events on until the file is closed.
func (n *inotify) read() {
	defer close(n.events)
	buffer := make([]byte, 1<<16)
	for {
		length, err := n.file.Read(buffer)
		if err != nil {
			return
		}
		for at := 0; at+unix.SizeofInotifyEvent <= length; {
			wd := int32(binary.NativeEndian.Uint32(buffer[at:]))
			mask := binary.NativeEndian.Uint32(buffer[at+4:])
			name := buffer[at+unix.SizeofInotifyEvent:][:binary.NativeEndian.Uint32(buffer[at+12:])]
			at += unix.SizeofInotifyEvent + len(name)
			if !n.pass(wd, mask, strings.TrimRight(string(name), "\x00")) {
				return
			}
		}
	}
}

// pass passes one event on, and tells whether anybody listens.
func (n *inotify) pass(wd int32, mask uint32, name string) bool {
	n.mu.Lock()
	folder, known := n.folders[wd]
	if mask&unix.IN_IGNORED != 0 { // the folder is gone
		delete(n.folders, wd)
	}
	n.mu.Unlock()
	switch {
	case mask&unix.IN_Q_OVERFLOW != 0:
		select {
		case n.errors <- errOverflow:
			return true
		case <-n.ended:
			return false
		}
	case !known || name == "":
		return true
	}
	e := event{
		path: filepath.Join(folder, name), created: mask&(unix.IN_CREATE|unix.IN_MOVED_TO) != 0,
		closed: mask&(unix.IN_CLOSE_WRITE|unix.IN_MOVED_TO) != 0, rights: mask&unix.IN_ATTRIB != 0,
	}
	select {
	case n.events <- e:
		return true
	case <-n.ended:
		return false
	}
}
