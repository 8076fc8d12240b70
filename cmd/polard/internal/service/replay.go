package service

import (
	"context"
	"log/slog"
	"reflect"
	"time"

	"polard/cmd/polard/internal/journal"
	"polard/mountmodel"
	"polard/mountmodel/logbook"
)

// resume gives the alignment as the session in the journal left it, by the way that its entries took then, and the entry,
// if any, that lays a command line over it which has changed since. called is the alignment as the command line alone says.
func resume(ctx context.Context, j *journal.Journal, called Alignment, log *slog.Logger) (Alignment, *logbook.Entry) {
	if j.Session() == nil {
		return called, nil
	}
	a, entry, err := replayAll(ctx, j, called, true, log)
	if err != nil && ctx.Err() == nil {
		// Something in it breaks what the page shows: once more, slowly, so that it is found and left out.
		a, entry, _ = replayAll(ctx, j, called, false, log)
	}
	return a, entry
}

// replayAll goes through the entries of the journal; deferred leaves what the page shows to the end, and is an error when
// that breaks.
func replayAll(ctx context.Context, j *journal.Journal, called Alignment, deferred bool, log *slog.Logger) (Alignment, *logbook.Entry, error) {
	past := j.Session()
	a := Alignment{Config: past.Called, noted: called.noted, probe: called.probe, replaying: deferred}
	begin := time.Now()
	first := true
	var last *logbook.Frame
	expired, err := j.Replay(ctx, func(e logbook.Entry) error {
		if first && past.Placed && e.Config == nil && e.Event != mountmodel.WatchOnly {
			// A session that began in the middle of a night: see logbook.Writer.
			if err := a.begin(past.Begun, past.Called); err != nil {
				return err
			}
		}
		first = false
		replay(&a, e, log)
		if e.Frame != nil && e.Frame.Code != CodePassedOver {
			last = e.Frame
		}
		return ctx.Err()
	})
	if ctx.Err() != nil {
		return called, nil, ctx.Err() // the service stops
	}
	if err != nil {
		// What can no longer be read stays in the logbook; the night goes on.
		log.Error("the session in the logbook cannot be read to its end; a new one begins", "error", err)
		j.Renew()
		return called, nil, nil
	}
	if a.frames += expired; a.latest != nil {
		a.latest.ID = a.frames
	}
	a.replaying = false
	if a.Session != nil {
		if err := contain(log, "going on with the session", func() error { a.Session.Replay(false); return nil }); err != nil {
			return called, nil, err
		}
		if last != nil {
			a.latest.Sight = sightOf(last, a.View())
		}
	}
	log.Info("going on with the session", "began", past.Begun.Local().Format("15:04"), "frames", a.frames, "took", time.Since(begin).Round(time.Millisecond))
	return a, changedCall(a, called, past), nil
}

// replay applies an entry once more. What was refused then was not kept, so a refusal now is a fault of ours, logged and
// passed over.
func replay(a *Alignment, e logbook.Entry, log *slog.Logger) {
	broke := true
	err := contain(log, "going on with the session", func() error { err := a.Apply(e); broke = false; return err })
	if broke {
		a.rebuild(log)
	}
	if err != nil {
		log.Error("an entry of the logbook could not be followed: our fault, please report it", "entry", e.Seq, "error", err)
	}
	if e.Frame != nil && e.Frame.Code != CodePassedOver {
		a.count(e.Frame)
	}
}

// changedCall is the entry that lays a command line that has changed over the session gone on with; nil when there is nothing
// to change. What it says as it said before leaves what was set on the page.
func changedCall(a, called Alignment, past *logbook.Session) *logbook.Entry {
	config := a.Config
	if called.Placed != past.Placed || !reflect.DeepEqual(called.Config, past.Called) {
		if called.Placed {
			config = called.Config
		}
		c := called.Config
		config.Tolerance, config.MeasureFrames, config.Pole, config.Guiding = c.Tolerance, c.MeasureFrames, c.Pole, c.Guiding
	}
	begins := called.Placed && a.Session == nil // stopped before the place was kept
	if begins {
		config = called.Config
	}
	if !begins && reflect.DeepEqual(config, a.Config) {
		return nil
	}
	return &logbook.Entry{Config: &config, Unplaced: !called.Placed && a.Session == nil}
}
