package journal

import (
	"context"
	"encoding/json"
	"sync"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/axis"
	"polard/mountmodel/logbook"
	"polard/mountmodel/sky"
	"polard/web"
)

// Notes are what the page knows again, by the logbook: they are read once and kept up to date in memory, so that no page
// waits for a disk. They are the page's web.Notes and web.Nights.
type Notes struct {
	journal *Journal
	now     func() time.Time

	mu    sync.Mutex
	notes map[string]string
	marks web.Marks // of this night

	looking chan struct{} // holds one while somebody looks into the logbook
}

// marksKey is that of the marks among the notes of a session.
const marksKey = "marks"

// NewNotes gives what earlier sessions of a journal noted.
func NewNotes(j *Journal) *Notes {
	n := &Notes{journal: j, now: time.Now, notes: make(map[string]string), looking: make(chan struct{}, 1)}
	for key, value := range j.notes {
		if key != marksKey {
			n.notes[key] = value
		}
	}
	return n
}

// Replay takes a note of the session that is gone on with.
func (n *Notes) Replay(note *logbook.Note) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if note.Key == marksKey {
		n.marks = marksOf(note.Value)
	}
}

// Note is the value under a key, nil when there is none.
func (n *Notes) Note(_ context.Context, key string) ([]byte, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.notes[key] == "" {
		return nil, nil
	}
	return []byte(n.notes[key]), nil
}

// SetNote replaces the value under a key.
func (n *Notes) SetNote(ctx context.Context, key string, value []byte) error {
	return n.set(ctx, key, string(value), func() { n.notes[key] = string(value) })
}

// Marks is what was noted this night.
func (n *Notes) Marks(context.Context) (web.Marks, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.marks, nil
}

// SetMarks notes it, in place of what was noted before.
func (n *Notes) SetMarks(ctx context.Context, marks web.Marks) error {
	value, err := json.Marshal(marks)
	if err != nil {
		return err
	}
	return n.set(ctx, marksKey, string(value), func() { n.marks = marks })
}

// set changes what is in memory and appends it to the journal under one lock, so that of two values for a key the same
// one is the last in both.
func (n *Notes) set(ctx context.Context, key, value string, change func()) error {
	n.mu.Lock()
	change()
	seq := n.journal.Append(logbook.Entry{At: n.now().UTC(), Note: &logbook.Note{Key: key, Value: value}})
	n.mu.Unlock()
	return n.journal.Await(ctx, seq)
}

// marksOf reads marks as SetMarks kept them; what cannot be read is none.
func marksOf(value string) (m web.Marks) {
	if json.Unmarshal([]byte(value), &m) != nil {
		return web.Marks{}
	}
	return m
}

// samePlace is how far apart two sites may be to count as one: a typed place is
// rounded to a hundredth of a degree, and a field is that large.
const samePlace = 0.02 * sky.Degree

// nightsLookedAt bounds the sessions that are looked through for earlier nights.
const nightsLookedAt = 200

// nightsWithin is how long a page waits for the nights before, with which comes what it says of tonight. A disk that was asleep
// is there again in some seconds.
const nightsWithin = 5 * time.Second

// Earlier lists earlier sessions at about a place, newest first. A logbook that
// cannot be read now has none. One that hangs holds up whoever looks into it, of whom there is one at a time.
func (n *Notes) Earlier(ctx context.Context, at sky.Site, most int) ([]web.Night, error) {
	if n.journal.writer == nil {
		return nil, nil
	}
	ctx, cancel := context.WithTimeout(ctx, nightsWithin)
	select {
	case n.looking <- struct{}{}:
	case <-ctx.Done():
		cancel()
		return nil, nil
	}
	found := make(chan []web.Night, 1)
	go func() {
		defer func() { cancel(); <-n.looking }()
		found <- n.earlier(ctx, at, most)
	}()
	select {
	case nights := <-found:
		return nights, nil
	case <-ctx.Done():
		return nil, nil
	}
}

// earlier looks into the logbook.
func (n *Notes) earlier(ctx context.Context, at sky.Site, most int) (nights []web.Night) {
	book, err := logbook.OpenToRead(ctx, n.journal.options.Path)
	if err != nil {
		return nil
	}
	book.Pier = n.journal.options.Pier
	defer book.Close()
	sessions, err := book.Sessions(ctx, time.Time{}, nightsLookedAt)
	if err != nil {
		return nil
	}
	here := n.journal.writer.SessionID()
	for _, s := range sessions {
		if s.ID == here || len(nights) >= most {
			continue
		}
		o, err := book.Outcome(ctx, s)
		if err != nil {
			return nights
		}
		if o.Config == nil || o.Config.Site.AngleTo(at) > samePlace {
			continue
		}
		night := web.Night{Began: s.Begun, Site: o.Config.Site, Marks: marksOf(o.Notes[marksKey]), First: keptOffset(o.First), Result: keptOffset(o.Last)}
		if r := o.Last; r != nil {
			night.Confirmed = r.Phase == mountmodel.Done
			if r.LockTotalArcmin == r.LockTotalArcmin { // NaN: none
				night.Lock = &mountmodel.LockShift{
					Total: sky.Angle(r.LockTotalArcmin) * sky.Arcminute, Uncertainty: sky.Angle(r.LockSigmaArcsec) * sky.Arcsecond,
				}
			}
		}
		nights = append(nights, night)
	}
	return nights
}

func keptOffset(r *logbook.Result) *axis.Offset {
	if r == nil {
		return nil
	}
	return &axis.Offset{
		Alt: sky.Angle(r.OffsetAltArcmin) * sky.Arcminute, Az: sky.Angle(r.OffsetAzArcmin) * sky.Arcminute, Total: sky.Angle(r.OffsetTotalArcmin) * sky.Arcminute,
	}
}
