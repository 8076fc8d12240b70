package service

import (
	"fmt"
	"log/slog"
	"runtime/debug"

	"polard/mountmodel"
	"polard/web"
)

// contain runs a part of the work and makes an error of a panic in it: a mistake of ours costs what it happened in, and
// the service goes on. What is the file, or the part, that the log names.
func contain(log *slog.Logger, what string, do func() error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			log.Error("a mistake of ours: please report it with the file", "in", what, "panic", r, "stack", string(debug.Stack()))
			err = fmt.Errorf("something failed inside polard (%v): this is our fault, please report it with the file", r)
		}
	}()
	return do()
}

// rebuild works the session out anew from the frames that it holds, after it broke on one that it had not taken in yet. When
// even that fails a new one begins.
func (a *Alignment) rebuild(log *slog.Logger) {
	if a.Session != nil {
		a.rebuildBy(log, func() error { return a.Session.Reconfigure(a.Config) })
	}
}

func (a *Alignment) rebuildBy(log *slog.Logger, do func() error) {
	a.view = nil
	if contain(log, "rebuilding the session", do) == nil {
		return
	}
	if session, err := mountmodel.NewSession(a.Config); err == nil {
		session.Probe(a.probe)
		a.Session, a.dropped = session, true
	}
}

// notices are what the page says of the alignment itself.
func (a *Alignment) notices() []web.Notice {
	if !a.dropped {
		return nil
	}
	return []web.Notice{{Code: "session_dropped", Message: "What was measured is lost to a mistake of ours: measure again. Please report it with the log of the service; the frames are still in their folder."}}
}
