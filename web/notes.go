package web

import (
	"context"
	"encoding/json"
	"net/http"
	"slices"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/axis"
	"polard/mountmodel/sky"

	"github.com/labstack/echo/v4"
)

// Notes keep what the page is to know again another night: JSON values under
// a few fixed keys (noteKeys), each at most [MaxNoteBytes] long. Calls come
// from many goroutines.
type Notes interface {
	// Note is the value under a key, nil when there is none.
	Note(ctx context.Context, key string) ([]byte, error)
	// SetNote replaces the value under a key; nil or empty takes it away.
	SetNote(ctx context.Context, key string, value []byte) error
}

// The keys of the notes. What a value holds is the page's business.
const (
	NotePlace    = "place"    // the place last set, with its air and pole
	NoteSteps    = "steps"    // which steps of the set-up are done or skipped, and when
	NoteBalance  = "balance"  // masses and lengths of the rig
	NoteEyepiece = "eyepiece" // what the person looks through
	NotePlan     = "plan"     // the planned exposures
	NoteMount    = "mount"    // which kind it is: german, fork or tracker
)

// noteKeys lists the keys.
func noteKeys() []string {
	return []string{NotePlace, NoteSteps, NoteBalance, NoteEyepiece, NotePlan, NoteMount}
}

// MaxNoteBytes bounds a note: what a command takes (maxCommandBytes), less its
// wrapping. The longest real one, a rig with ten parts, has about 1 kB.
const MaxNoteBytes = 3 << 10

// Nights tells of earlier nights, so that the next set-up is shorter. Calls
// come from many goroutines.
type Nights interface {
	// Earlier lists nights before this one at about this place, newest first,
	// at most so many. What "about" means is for the logbook to say.
	Earlier(ctx context.Context, at sky.Site, most int) ([]Night, error)
	// Marks is what was noted this night, zero before anything was.
	Marks(ctx context.Context) (Marks, error)
	// SetMarks notes it, in place of what was noted this night before.
	SetMarks(ctx context.Context, m Marks) error
}

// Marks are what the person read and left in place, to put the mount down the
// same way again.
type Marks struct {
	Scale   *sky.Angle // what the latitude scale read
	Bearing *sky.Angle // what the compass read, magnetic
	Words   string     // marks on the ground and whatever else; at most MaxMarkWords bytes
}

// MaxMarkWords bounds the words of the marks.
const MaxMarkWords = 500

// Night is what is kept of an earlier night.
type Night struct {
	Began time.Time
	Site  sky.Site
	Marks Marks
	// First is how far off the axis was when it was first measured, before any
	// bolt was turned; nil when it never was.
	First *axis.Offset
	// Result is where the axis pointed at the end, and Confirmed whether a second
	// measurement behind the locked bolts said so; nil when it never got there.
	Result    *axis.Offset
	Confirmed bool
	// Lock is what locking the bolts did; nil when that was not measured.
	Lock *mountmodel.LockShift
}

// The wire form of notes and nights.
type (
	noteRequest struct {
		Key   string          `json:"key"`
		Value json.RawMessage `json:"value"` // null takes the note away
	}
	marksBody struct {
		ScaleDeg   *float64 `json:"scale_deg,omitempty"`
		BearingDeg *float64 `json:"bearing_deg,omitempty"`
		Words      string   `json:"words,omitempty"`
	}
	nightBody struct {
		BeganUTC  string     `json:"began_utc"`
		Site      Site       `json:"site"`
		Marks     marksBody  `json:"marks"`
		First     *Offset    `json:"first,omitempty"`
		Result    *Offset    `json:"result,omitempty"`
		Confirmed bool       `json:"confirmed"`
		Lock      *LockShift `json:"lock,omitempty"`
	}
	memoriesBody struct {
		Notes  map[string]json.RawMessage `json:"notes"`
		Marks  marksBody                  `json:"marks"`
		Nights []nightBody                `json:"nights"`
	}
)

// nightsShown is how many earlier nights the page shows: a habit shows itself in a
// handful.
const nightsShown = 5

// getMemories sends all that is remembered: a few kilobytes.
func (s *Server) getMemories(c echo.Context) error {
	ctx := c.Request().Context()
	out := memoriesBody{Notes: map[string]json.RawMessage{}, Nights: []nightBody{}}
	for _, key := range noteKeys() {
		value, err := s.opt.Notes.Note(ctx, key)
		if err != nil {
			return err
		}
		if json.Valid(value) {
			out.Notes[key] = value
		}
	}
	marks, err := s.opt.Nights.Marks(ctx)
	if err != nil {
		return err
	}
	out.Marks = marksWire(marks)
	if site, _, _, ok := s.placed(); ok {
		nights, err := s.opt.Nights.Earlier(ctx, site, nightsShown)
		if err != nil {
			return err
		}
		for _, n := range nights {
			out.Nights = append(out.Nights, nightWire(n))
		}
	}
	return c.JSON(http.StatusOK, out)
}

func marksWire(m Marks) marksBody {
	degrees := func(a *sky.Angle) *float64 {
		if a == nil {
			return nil
		}
		return new(a.Degrees())
	}
	return marksBody{degrees(m.Scale), degrees(m.Bearing), m.Words}
}

func nightWire(n Night) nightBody {
	offset := func(o *axis.Offset) *Offset {
		if o == nil {
			return nil
		}
		return new(offsetWire(*o))
	}
	return nightBody{
		BeganUTC: UTC(n.Began), Site: siteWire(n.Site, sky.StandardAir(n.Site.ElevationM)), Marks: marksWire(n.Marks),
		First: offset(n.First), Result: offset(n.Result), Confirmed: n.Confirmed, Lock: lockWire(n.Lock),
	}
}

func (s *Server) setNote(ctx context.Context, r noteRequest) error {
	if !slices.Contains(noteKeys(), r.Key) || len(r.Value) > MaxNoteBytes {
		return badRequest("a note is a JSON value of at most 3 kB under one of the page's own keys")
	}
	if string(r.Value) == "null" {
		r.Value = nil
	}
	if err := s.opt.Notes.SetNote(ctx, r.Key, r.Value); err != nil {
		return err
	}
	return s.remembered()
}

// notePlace keeps a place that was taken, as it was sent.
func (s *Server) notePlace(ctx context.Context, r siteRequest) error {
	value, err := json.Marshal(r)
	if err != nil {
		return err
	}
	return s.setNote(ctx, noteRequest{Key: NotePlace, Value: value})
}

func (s *Server) setMarks(ctx context.Context, r marksBody) error {
	angle := func(deg *float64, most float64) (*sky.Angle, bool) {
		if deg == nil {
			return nil, true
		}
		return new(sky.Angle(*deg) * sky.Degree), *deg >= 0 && *deg <= most
	}
	scale, okScale := angle(r.ScaleDeg, 90)
	bearing, okBearing := angle(r.BearingDeg, 360)
	switch {
	case !okScale:
		return badRequest("the latitude scale reads 0 to 90 degrees")
	case !okBearing:
		return badRequest("a bearing is 0 to 360 degrees")
	case len(r.Words) > MaxMarkWords:
		return badRequest("that is too long: a line or two will do")
	}
	if err := s.opt.Nights.SetMarks(ctx, Marks{Scale: scale, Bearing: bearing, Words: r.Words}); err != nil {
		return err
	}
	return s.remembered()
}

// remembered tells every page that there is something new to know again.
func (s *Server) remembered() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.memories++
	if s.state == nil {
		return nil
	}
	return s.publishLocked()
}
