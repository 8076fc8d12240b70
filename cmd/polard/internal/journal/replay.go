package journal

import (
	"context"
	"runtime"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/logbook"

	"golang.org/x/sync/errgroup"
)

// Replay gives the entries of the session to go on with, one after the other, but for frames that the session no longer
// rests on, of which it gives the count. While entries are taken in, those that follow are read and their sightings
// prepared, on all cores: that is most of the work.
func (j *Journal) Replay(ctx context.Context, visit func(logbook.Entry) error) (expired int64, err error) {
	if j.session == nil {
		return 0, nil
	}
	book, err := j.open(ctx)
	if err != nil {
		return 0, err
	}
	defer book.Close()
	expired, from, to, err := expiredFrames(ctx, book, j.session)
	if err != nil {
		return 0, err
	}
	group, ctx := errgroup.WithContext(ctx)
	entries := make(chan chan logbook.Entry, 4*runtime.GOMAXPROCS(0)) // in their order
	group.Go(func() error {
		defer close(entries)
		config := j.session.Called
		return book.EntriesBut(ctx, j.session.ID, from, to, func(e logbook.Entry) error {
			if e.Config != nil {
				config = *e.Config
			}
			ready := make(chan logbook.Entry, 1)
			select {
			case entries <- ready:
			case <-ctx.Done():
				return ctx.Err()
			}
			// The configuration goes as a value: the next entry may replace it.
			go func(config mountmodel.Config) { ready <- prepared(e, config) }(config)
			return nil
		})
	})
	group.Go(func() error {
		for ready := range entries {
			e := <-ready
			if e.Frame != nil && e.Frame.Sum != 0 {
				j.replayed[e.Frame.Sum] = true
			}
			if err := visit(e); err != nil {
				return err
			}
		}
		return nil
	})
	return expired, group.Wait()
}

// Replayed tells, once Replay has returned, whether the content of a file was among what it gave: another service on the folder
// may have kept it since this journal was opened.
func (j *Journal) Replayed(sum uint64) bool { return j.replayed[sum] }

// expiredFrames counts the frames that a session no longer rests on, and tells between which entries they lie: one that
// watches night after night would take longer to start with each of them. The results of those nights are in
// [Journal.Nights].
func expiredFrames(ctx context.Context, book *logbook.Book, s *logbook.Session) (count, from, to int64, err error) {
	config, placed := s.Called, s.Placed
	var last logbook.Entry // event
	if err := book.ExceptFrames(ctx, s.ID, func(e logbook.Entry) error {
		switch {
		case e.Event != "":
			last = e
		case e.Config != nil && !e.Unplaced:
			config, placed = *e.Config, true
		}
		return nil
	}); err != nil || last.Event != mountmodel.WatchOnly || !placed {
		return 0, 0, 0, err
	}
	moments, err := book.Moments(ctx, s.ID, last.Seq)
	if err != nil || len(moments) == 0 {
		return 0, 0, 0, err
	}
	mids := make([]time.Time, len(moments))
	for i, m := range moments {
		mids[i] = m.Mid
	}
	n := mountmodel.Expired(config, mids)
	return int64(n), moments[0].Seq, moments[n].Seq, nil
}

// prepared works out of a frame's sighting what rests on the configuration alone.
func prepared(e logbook.Entry, config mountmodel.Config) (out logbook.Entry) {
	out = e
	// A mistake of ours shows again where the session takes the sighting, and is reported there.
	defer func() { _ = recover() }()
	if e.Frame != nil {
		e.Frame.Sighting = e.Frame.Sighting.Reduced(config)
	}
	return out
}
