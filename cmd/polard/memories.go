package main

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

// memories are what the page knows again, by the logbook: they are read once and
// kept up to date in memory, so that no page waits for a disk. They are the
// page's web.Notes and web.Nights.
type memories struct {
	keeping *keeping
	now     func() time.Time

	mu    sync.Mutex
	notes map[string]string
	marks web.Marks // of this night
}

// marksKey is that of the marks among the notes of a session.
const marksKey = "marks"

func newMemories(k *keeping) *memories {
	return &memories{keeping: k, now: time.Now, notes: make(map[string]string)}
}

// load takes what earlier sessions noted.
func (m *memories) load(notes map[string]string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for key, value := range notes {
		if key != marksKey {
			m.notes[key] = value
		}
	}
}

// again takes a note of the session that is gone on with.
func (m *memories) again(n *logbook.Note) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if n.Key == marksKey {
		m.marks = marksOf(n.Value)
	}
}

// Note is the value under a key, nil when there is none.
func (m *memories) Note(_ context.Context, key string) ([]byte, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.notes[key] == "" {
		return nil, nil
	}
	return []byte(m.notes[key]), nil
}

// SetNote replaces the value under a key.
func (m *memories) SetNote(ctx context.Context, key string, value []byte) error {
	m.mu.Lock()
	m.notes[key] = string(value)
	m.mu.Unlock()
	m.keep(ctx, key, string(value))
	return nil
}

func (m *memories) keep(ctx context.Context, key, value string) {
	seq := m.keeping.append(logbook.Entry{At: m.now().UTC(), Note: &logbook.Note{Key: key, Value: value}})
	m.keeping.await(ctx, seq)
}

// Marks is what was noted this night.
func (m *memories) Marks(context.Context) (web.Marks, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.marks, nil
}

// SetMarks notes it, in place of what was noted before.
func (m *memories) SetMarks(ctx context.Context, marks web.Marks) error {
	value, err := json.Marshal(marks)
	if err != nil {
		return err
	}
	m.mu.Lock()
	m.marks = marks
	m.mu.Unlock()
	m.keep(ctx, marksKey, string(value))
	return nil
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

// Earlier lists earlier sessions at about a place, newest first. A logbook that
// cannot be read now has none.
func (m *memories) Earlier(ctx context.Context, at sky.Site, most int) ([]web.Night, error) {
	if m.keeping.keeper == nil {
		return nil, nil
	}
	book, err := logbook.OpenToRead(ctx, m.keeping.path)
	if err != nil {
		return nil, nil
	}
	book.Pier = m.keeping.pier
	defer book.Close()
	sessions, err := book.Sessions(ctx, time.Time{}, nightsLookedAt)
	if err != nil {
		return nil, nil
	}
	here := m.keeping.keeper.SessionID()
	var nights []web.Night
	for _, s := range sessions {
		if s.ID == here || len(nights) >= most {
			continue
		}
		o, err := book.Outcome(ctx, s)
		if err != nil {
			return nights, nil
		}
		if o.Config == nil || apart(o.Config.Site, at) > samePlace {
			continue
		}
		n := web.Night{Began: s.Begun, Site: o.Config.Site, Marks: marksOf(o.Notes[marksKey]), First: keptOffset(o.First), Result: keptOffset(o.Last)}
		if r := o.Last; r != nil {
			n.Confirmed = r.Phase == mountmodel.Done
			if r.LockTotalArcmin == r.LockTotalArcmin { // NaN: none
				n.Lock = &mountmodel.LockShift{
					Total: sky.Angle(r.LockTotalArcmin) * sky.Arcminute, Uncertainty: sky.Angle(r.LockSigmaArcsec) * sky.Arcsecond,
				}
			}
		}
		nights = append(nights, n)
	}
	return nights, nil
}

func keptOffset(r *logbook.Result) *axis.Offset {
	if r == nil {
		return nil
	}
	return &axis.Offset{
		Alt: sky.Angle(r.OffsetAltArcmin) * sky.Arcminute, Az: sky.Angle(r.OffsetAzArcmin) * sky.Arcminute, Total: sky.Angle(r.OffsetTotalArcmin) * sky.Arcminute,
	}
}
