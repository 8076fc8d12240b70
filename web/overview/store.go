// Package overview shows all piers that tell a broker of themselves on one page: store.go keeps what was heard of each,
// server.go answers the page.
package overview

import (
	"context"
	"log/slog"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"polard/web"
	"polard/web/mqtt"

	"golang.org/x/time/rate"
	"gonum.org/v1/gonum/stat"
)

// Row is one pier on the page.
type Row struct {
	Pier        string           `json:"pier"`
	Seq         uint64           `json:"seq"` // of its last change
	Online      bool             `json:"online"`
	Program     string           `json:"program,omitempty"`
	HeardMs     int64            `json:"heard_ms"` // Unix time in ms by this machine's clock of the last state
	LastFrameMs int64            `json:"last_frame_ms,omitempty"`
	LastSolved  bool             `json:"last_solved"`
	Phase       string           `json:"phase"`
	Do          string           `json:"do"`
	Tolerance   web.Number       `json:"tolerance_arcmin"`
	Within      bool             `json:"within"`
	Doubt       bool             `json:"doubt"`
	Offset      *web.Offset      `json:"offset,omitempty"`
	Uncertainty *web.Uncertainty `json:"uncertainty,omitempty"`
	// Trend is the change of the total offset over the nights listed, fitted as a
	// straight line, and Nights are their totals, oldest first.
	TrendArcminWeek web.Number   `json:"trend_arcmin_week"`
	Nights          []web.Number `json:"nights_arcmin"`
	Alarms          []web.Alarm  `json:"alarms,omitempty"`
}

// Store keeps the newest of every pier. It is a [mqtt.Listener]; its methods may be
// called from many goroutines.
type Store struct {
	log *slog.Logger
	now func() time.Time

	mu         sync.Mutex
	seq        uint64
	forgot     uint64 // seq at which a pier was last forgotten
	rows       map[string]*pier
	connected  bool
	changed    chan struct{} // closed at the next change
	unreadable rate.Sometimes
}

// pier is a row and what is known beside it.
type pier struct {
	Row
	heard   time.Time
	allowed *rate.Limiter // of its messages
}

// Bounds on what a broker, which any of its clients may have tell anything, can make this
// machine keep and do.
const (
	// mostPiers is twenty times the largest array of mounts that we know of. With more, the
	// one not heard of for longest makes room.
	mostPiers = 2000
	// messagesPerSecond and messageBurst are of one pier: it tells of each frame. More are
	// passed over.
	messagesPerSecond = 20
	messageBurst      = 200
	// Parts of a row, in bytes and numbers: a sentence is shorter, a month tells a trend,
	// and there are two kinds of alarm.
	mostWord, mostSentence, mostNights, mostAlarms = 64, 400, 31, 8
	// forgetAfter is how long after its last word a pier that does not run is shown.
	forgetAfter = 30 * 24 * time.Hour
	// drawEvery is how long a page waits for more once something changed.
	drawEvery = 100 * time.Millisecond
)

// NewStore starts empty.
func NewStore(log *slog.Logger) *Store {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &Store{log: log, now: time.Now, rows: make(map[string]*pier), changed: make(chan struct{}), unreadable: rate.Sometimes{First: 10, Interval: time.Minute}}
}

// change runs f on a pier's row and wakes those who wait.
func (s *Store) change(name string, f func(*Row)) {
	now := s.now()
	s.mu.Lock()
	defer s.mu.Unlock()
	p, known := s.rows[name]
	if !known {
		s.forget(now)
		p = &pier{allowed: rate.NewLimiter(messagesPerSecond, messageBurst)}
		p.Row = Row{Pier: name, TrendArcminWeek: web.Number(math.NaN()), Nights: []web.Number{}}
		s.rows[name] = p
	}
	if !p.allowed.AllowN(now, 1) {
		return
	}
	p.heard = now
	f(&p.Row)
	s.seq++
	p.Seq = s.seq
	s.wake()
}

// forget makes room for one more pier: it drops those that are long gone, and else the
// one that was not heard of for longest.
func (s *Store) forget(now time.Time) {
	before := len(s.rows)
	var oldest string
	for name, p := range s.rows {
		if !p.Online && now.Sub(p.heard) > forgetAfter {
			delete(s.rows, name)
		} else if o := s.rows[oldest]; o == nil || p.heard.Before(o.heard) {
			oldest = name
		}
	}
	if len(s.rows) >= mostPiers {
		delete(s.rows, oldest)
	}
	if len(s.rows) < before {
		s.seq++
		s.forgot = s.seq
	}
}

func (s *Store) wake() {
	close(s.changed)
	s.changed = make(chan struct{})
}

// HeardStatus takes in whether a pier's program runs.
func (s *Store) HeardStatus(pier string, st mqtt.Status) {
	s.change(pier, func(r *Row) { r.Online, r.Program = st.Online, short(st.Program, mostWord) })
}

// HeardState takes in how a pier's axis stands.
func (s *Store) HeardState(pier string, p mqtt.Pier) {
	now := s.now().UnixMilli()
	p.Nights = p.Nights[max(0, len(p.Nights)-mostNights):]
	p.Alarms = p.Alarms[:min(len(p.Alarms), mostAlarms)]
	s.change(pier, func(r *Row) {
		r.HeardMs, r.LastFrameMs, r.LastSolved = now, p.LastFrameMs, p.LastSolved
		r.Phase, r.Do, r.Tolerance, r.Within, r.Doubt = short(p.Phase, mostWord), short(p.Do, mostSentence), p.ToleranceArcmin, p.Within, p.Doubt
		r.Offset, r.Uncertainty, r.Alarms = p.Offset, p.Uncertainty, nil
		for _, a := range p.Alarms {
			r.Alarms = append(r.Alarms, web.Alarm{Code: short(a.Code, mostWord), Message: short(a.Message, mostSentence), SinceUTC: short(a.SinceUTC, mostWord)})
		}
		r.TrendArcminWeek = web.Number(trend(p.Nights))
		r.Nights = []web.Number{}
		for _, n := range p.Nights {
			r.Nights = append(r.Nights, n.Offset.TotalArcmin)
		}
	})
}

// short is a text of at most so many bytes, in a place of its own: one that is cut from a
// message would keep all of it.
func short(text string, most int) string {
	return strings.Clone(strings.ToValidUTF8(text[:min(len(text), most)], ""))
}

// LogUnreadable notes a message that cannot be read, now and then.
func (s *Store) LogUnreadable(topic string, err error) {
	s.unreadable.Do(func() {
		s.log.Warn("a message cannot be read", "topic", short(topic, mostSentence), "error", short(err.Error(), mostSentence))
	})
}

// Connected takes in whether the broker is heard.
func (s *Store) Connected(yes bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.connected = yes
	s.seq++
	s.wake()
}

// fewestNights make a trend: two always lie on a line.
const fewestNights = 3

// trend is the slope of a straight line through the total offsets by least squares,
// in arcminutes a week; NaN for too few nights.
func trend(nights []web.WatchedNight) float64 {
	var weeks, totals []float64
	var first time.Time
	for _, night := range nights {
		at, err := time.Parse(time.RFC3339, night.UntilUTC)
		total := float64(night.Offset.TotalArcmin)
		if err != nil || math.IsNaN(total) {
			continue
		}
		if len(weeks) == 0 {
			first = at
		}
		weeks, totals = append(weeks, at.Sub(first).Hours()/(7*24)), append(totals, total)
	}
	if len(weeks) < fewestNights {
		return math.NaN()
	}
	_, slope := stat.LinearRegression(weeks, totals, nil, false)
	return slope // NaN where all are of one moment
}

// Page is what is sent to the page: the rows that changed since a sequence number.
type Page struct {
	Seq       uint64 `json:"seq"`
	SentMs    int64  `json:"sent_ms"`
	Connected bool   `json:"connected"` // the broker is heard
	All       bool   `json:"all"`       // the rows are all there are: others are gone
	Rows      []Row  `json:"rows"`
}

// Since gives what changed after a sequence number. When nothing did it waits, until
// ctx ends.
func (s *Store) Since(ctx context.Context, seq uint64) Page {
	for waited := false; ; waited = true {
		page, changed := s.since(seq)
		if page.Seq != seq || seq == 0 || ctx.Err() != nil {
			if !waited {
				return page
			}
			// Many changes make one page.
			select {
			case <-time.After(drawEvery):
			case <-ctx.Done():
			}
			page, _ = s.since(seq)
			return page
		}
		select {
		case <-changed:
		case <-ctx.Done():
		}
	}
}

// since gives what changed after a sequence number, and what is closed at the next change.
func (s *Store) since(seq uint64) (Page, <-chan struct{}) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if seq > s.seq { // of an earlier run of this program
		seq = 0
	}
	page := Page{Seq: s.seq, SentMs: s.now().UnixMilli(), Connected: s.connected, All: seq == 0 || seq < s.forgot, Rows: []Row{}}
	for _, p := range s.rows {
		if page.All || p.Seq > seq {
			page.Rows = append(page.Rows, p.Row)
		}
	}
	slices.SortFunc(page.Rows, func(a, b Row) int { return strings.Compare(a.Pier, b.Pier) })
	return page, s.changed
}
