// Package overview shows all piers that tell a broker of themselves on one page.
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
	// Trend is the change of the total offset over the nights told, fitted as a
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

	mu        sync.Mutex
	seq       uint64
	rows      map[string]*Row
	connected bool
	changed   chan struct{} // closed at the next change
	nonsense  int
}

// mostPiers bounds what a broker can make this machine keep.
const mostPiers = 10_000

// NewStore starts empty.
func NewStore(log *slog.Logger) *Store {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &Store{log: log, now: time.Now, rows: make(map[string]*Row), changed: make(chan struct{})}
}

// change runs f on a pier's row and wakes those who wait.
func (s *Store) change(pier string, f func(*Row)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	row, known := s.rows[pier]
	if !known {
		if len(s.rows) >= mostPiers {
			return
		}
		row = &Row{Pier: pier, TrendArcminWeek: web.Number(math.NaN()), Nights: []web.Number{}}
		s.rows[pier] = row
	}
	f(row)
	s.seq++
	row.Seq = s.seq
	s.wake()
}

func (s *Store) wake() {
	close(s.changed)
	s.changed = make(chan struct{})
}

// HeardStatus takes in whether a pier's program runs.
func (s *Store) HeardStatus(pier string, st mqtt.Status) {
	s.change(pier, func(r *Row) { r.Online, r.Program = st.Online, st.Program })
}

// HeardState takes in how a pier's axis stands.
func (s *Store) HeardState(pier string, p mqtt.Pier) {
	now := s.now().UnixMilli()
	s.change(pier, func(r *Row) {
		r.HeardMs, r.LastFrameMs, r.LastSolved = now, p.LastFrameMs, p.LastSolved
		r.Phase, r.Do, r.Tolerance, r.Within, r.Doubt = p.Phase, p.Do, p.ToleranceArcmin, p.Within, p.Doubt
		r.Offset, r.Uncertainty, r.Alarms = p.Offset, p.Uncertainty, p.Alarms
		r.TrendArcminWeek = web.Number(trend(p.Nights))
		r.Nights = []web.Number{}
		for _, n := range p.Nights {
			r.Nights = append(r.Nights, n.Offset.TotalArcmin)
		}
	})
}

// HeardNonsense is logged.
func (s *Store) HeardNonsense(topic string, err error) {
	s.log.Warn("a message cannot be read", "topic", topic, "error", err)
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
	var n, st, sx, stt, stx float64
	var first time.Time
	for _, night := range nights {
		at, err := time.Parse(time.RFC3339, night.UntilUTC)
		x := float64(night.Offset.TotalArcmin)
		if err != nil || math.IsNaN(x) {
			continue
		}
		if n == 0 {
			first = at
		}
		t := at.Sub(first).Hours() / (7 * 24)
		n, st, sx, stt, stx = n+1, st+t, sx+x, stt+t*t, stx+t*x
	}
	det := n*stt - st*st
	if n < fewestNights || det <= 0 {
		return math.NaN()
	}
	return (n*stx - st*sx) / det
}

// Page is what the page is told: the rows that changed since a sequence number.
type Page struct {
	Seq       uint64 `json:"seq"`
	SentMs    int64  `json:"sent_ms"`
	Connected bool   `json:"connected"` // the broker is heard
	Rows      []Row  `json:"rows"`
}

// Since gives what changed after a sequence number. When nothing did it waits, until
// ctx ends.
func (s *Store) Since(ctx context.Context, seq uint64) Page {
	for {
		s.mu.Lock()
		page := Page{Seq: s.seq, SentMs: s.now().UnixMilli(), Connected: s.connected, Rows: []Row{}}
		changed := s.changed
		if seq > s.seq { // of an earlier run of this program
			seq = 0
		}
		if s.seq > seq || seq == 0 {
			for _, r := range s.rows {
				if r.Seq > seq {
					page.Rows = append(page.Rows, *r)
				}
			}
			s.mu.Unlock()
			slices.SortFunc(page.Rows, func(a, b Row) int { return strings.Compare(a.Pier, b.Pier) })
			return page
		}
		s.mu.Unlock()
		select {
		case <-changed:
		case <-ctx.Done():
			return page
		}
	}
}
