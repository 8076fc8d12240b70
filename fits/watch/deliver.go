package watch

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"polard/fits"
)

// A file is dealt with in jobs, which run beside the loop, one at a time, and in what follows each of them, which runs in
// the loop and may touch what is known of the files. A nil job ends it.
type (
	job  func() then
	then func() job
)

// mostReusedPixels is how many pixels a frame may have for its memory to wait for the next one. Larger ones decide what memory a computer
// needs.
const mostReusedPixels = 32 << 20

// next takes a file out of those that are whole.
func (w *Watcher) next(ctx context.Context, deliver func(Arrival) bool) job {
	f, ahead := w.pick()
	w.current = f
	type content struct {
		data []byte
		err  error
		then stated // the file, after it was read
		sum  uint64
	}
	path, room, seen, still := f.path, w.bytes, f.seen, f.still
	w.bytes = nil // who reads may go on with it when the folder does not answer
	a := Arrival{Path: path, Size: f.seen.size, Modified: f.seen.modified, Complete: f.changed, Ahead: ahead}
	return func() then {
		done, refused := w.options.Attempt(ctx, a)
		if refused != nil {
			return func() job {
				a.Err = fmt.Errorf("%s: %w", filepath.Base(path), refused)
				return w.refuse(f, a, deliver)
			}
		}
		defer done()
		c, err := ask(ctx, w.access, func(step func()) content {
			var c content
			sum := newSum()
			c.data, c.err = fits.ReadBytes(path, room, func(part []byte) {
				step()
				sum.add(part)
			})
			if c.sum = sum.value(); c.err != nil {
				c.sum = 0 // of a part
			}
			time.Sleep(time.Until(still))
			c.then.info, c.then.err = os.Stat(path)
			return c
		})
		return func() job {
			if err != nil {
				w.again(f, err)
				return nil
			}
			w.bytes = c.data
			if errors.Is(c.err, fs.ErrNotExist) {
				w.forget(path)
				return nil
			}
			switch {
			case w.pending[path] != nil || slices.Contains(w.ready, f): // it changed while it was being read, and is read again
				return nil
			case c.then.err == nil && seen != stampOf(c.then.info): // so it did, and the event is still to come
				w.changed(path, c.then.info, false)
				return nil
			}
			a.Sum, a.Err = c.sum, c.err
			return w.judge(ctx, f, a, c.data, deliver)
		}
	}
}

// again has a file wait that could not be read because the folder does not answer, or the service stops.
func (w *Watcher) again(f *watched, err error) {
	if w.files[f.path] == f {
		w.pending[f.path] = f
		w.stalled(err)
	}
}

// pick takes the file that comes next out of those that are whole, and tells how many of earlier exposure it comes before.
func (w *Watcher) pick() (f *watched, ahead int) {
	at, order := len(w.ready)-1, OldestFirst
	if len(w.ready) > 1 {
		order = w.options.Order()
	}
	if order != OldestFirst {
		next := func(f *watched) bool { return !f.superseded && !(f.tried && order == NewestFirst) }
		if i := slices.IndexFunc(w.ready, next); i >= 0 {
			at = i
			for at+1 < len(w.ready) && w.ready[at+1].order.Equal(w.ready[i].order) { // of copies, the one that comes first
				at++
			}
		}
	}
	f = w.ready[at]
	w.ready = slices.Delete(w.ready, at, at+1)
	for _, o := range w.ready {
		if o.order.Before(f.order) {
			if o.superseded = o.superseded || order == NewestOnly; !o.superseded {
				ahead++
			}
		}
	}
	return f, ahead
}

// judge decides by a file's content whether it is to be decoded.
func (w *Watcher) judge(ctx context.Context, f *watched, a Arrival, data []byte, deliver func(Arrival) bool) job {
	f.unopened = a.Err != nil && !errors.Is(a.Err, fits.ErrUnsupported)
	if a.Err != nil {
		return w.refuse(f, a, deliver)
	}
	before, taken := w.taken[a.Sum]
	moved := false
	if taken && before != f.path {
		_, err := w.access.stat(ctx, before)
		if unanswered(ctx, err) {
			w.again(f, err)
			return nil
		}
		moved = err != nil
	}
	switch {
	case taken && before == f.path:
		return nil // touched, or written again as it was
	case moved:
		w.taken[a.Sum] = f.path // moved
		return nil
	case !taken:
		before = w.refused[a.Sum] // the same bytes under another name are refused again
	}
	switch {
	case before != "" && before != f.path:
		a.Err = fmt.Errorf("%s: %w: the same bytes as %s", filepath.Base(f.path), ErrRepeated, filepath.Base(before))
		return w.refuse(f, a, deliver)
	case f.superseded:
		w.taken[a.Sum] = f.path
		a.Err = fmt.Errorf("%s: %w", filepath.Base(f.path), ErrSuperseded)
		return deliverOnce(a, deliver)
	}
	pix := w.pix
	w.bytes, w.pix = nil, nil
	return func() then { return w.attempt(ctx, f, a, data, pix, deliver) }
}

// attempt decodes a file and hands the frame over, beside the loop.
func (w *Watcher) attempt(ctx context.Context, f *watched, a Arrival, data []byte, pix []float32, deliver func(Arrival) bool) then {
	done, err := w.options.Attempt(ctx, a)
	if err != nil {
		a.Err = fmt.Errorf("%s: %w", filepath.Base(f.path), err)
		return func() job { return w.refuse(f, a, deliver) }
	}
	defer done()
	a.Frame, a.Err = w.decodeUntil(ctx, filepath.Base(f.path), data, pix)
	switch {
	case ctx.Err() != nil:
		return func() job {
			w.ready = append(w.ready, f) // the next Run begins with it
			return nil
		}
	case a.Err != nil:
		return func() job { return w.refuse(f, a, deliver) }
	}
	large := len(a.Frame.Pix) > mostReusedPixels
	if large {
		data = nil // others need the memory now
	}
	again := deliver(a)
	return func() job {
		if w.bytes = data; !again && !large {
			w.pix = a.Frame.Pix
		}
		w.delivered(f, a, again)
		return nil
	}
}

// delivered is for a frame that was handed over, perhaps to be asked for once more.
func (w *Watcher) delivered(f *watched, a Arrival, again bool) {
	f.refusal = ""
	if f.tried = again && a.Ahead > 0; f.tried {
		w.ready = append(w.ready, f)
		w.sort()
	} else {
		w.taken[a.Sum] = f.path
	}
}

// refuse delivers why a file gives no frame, once, or waits for the rest of it.
func (w *Watcher) refuse(f *watched, a Arrival, deliver func(Arrival) bool) job {
	switch {
	case errors.Is(a.Err, fits.ErrIncomplete) && !f.late && w.wait(f):
		return nil
	case f.refusal == a.Err.Error():
		return nil // said before
	}
	if f.refusal = a.Err.Error(); a.Sum != 0 && (errors.Is(a.Err, fits.ErrMalformed) || errors.Is(a.Err, fits.ErrUnsupported)) {
		w.refused[a.Sum] = f.path
	}
	return deliverOnce(a, deliver)
}

// deliverOnce delivers what is not to come again.
func deliverOnce(a Arrival, deliver func(Arrival) bool) job {
	return func() then {
		deliver(a)
		return func() job { return nil }
	}
}

// decodeUntil decodes a frame, but does not wait for it when ctx ends: a file made to be slow must not hold up the end of the
// program.
func (w *Watcher) decodeUntil(ctx context.Context, name string, data []byte, pix []float32) (*fits.Frame, error) {
	type answer struct {
		frame *fits.Frame
		err   error
	}
	answers := make(chan answer, 1)
	go func() {
		frame, err := w.decode(name, data, pix)
		answers <- answer{frame, err}
	}()
	select {
	case a := <-answers:
		return a.frame, a.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}
