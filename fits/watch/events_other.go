//go:build !linux

package watch

import "github.com/fsnotify/fsnotify"

// listen asks the operating system for events. They do not tell when a writer has closed a file.
func listen() (notices, error) {
	w, err := fsnotify.NewWatcher()
	if err != nil {
		return notices{}, err
	}
	events := make(chan event)
	ended := make(chan struct{})
	go func() {
		defer close(events)
		for e := range w.Events {
			select {
			case events <- event{path: e.Name, created: e.Has(fsnotify.Create), rights: e.Op == fsnotify.Chmod}:
			case <-ended:
				return
			}
		}
	}()
	return notices{events: events, errors: w.Errors, watch: w.Add, close: func() { close(ended); go w.Close() }}, nil
}
