package logbook

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"math"
	"strconv"
	"strings"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/observed"
)

// rowsOf are the rows that a question finds, each read by scan. An error, which is a [Trouble], is the last that it yields.
func rowsOf[T any](ctx context.Context, b *Book, scan func(*sql.Rows) (T, error), question string, values ...any) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		var none T
		rows, err := b.db.QueryContext(ctx, question, values...)
		if err != nil {
			yield(none, troubleFrom(err))
			return
		}
		defer rows.Close()
		for rows.Next() {
			row, err := scan(rows)
			if err != nil {
				yield(none, troubleFrom(err))
				return
			}
			if !yield(row, nil) {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(none, troubleFrom(err))
		}
	}
}

// all collects rows.
func all[T any](rows iter.Seq2[T, error]) ([]T, error) {
	var out []T
	for row, err := range rows {
		if err != nil {
			return nil, err
		}
		out = append(out, row)
	}
	return out, nil
}

const sessionColumns = `id, program, source, folder, begun_ns, since_ns, heard_ns, called, placed, entries`

func scanSession(row interface{ Scan(...any) error }) (Session, error) {
	var s Session
	var begun, since, heard, placed int64
	var called string
	if err := row.Scan(&s.ID, &s.Program, &s.Source, &s.Folder, &begun, &since, &heard, &called, &placed, &s.Count); err != nil {
		return Session{}, err
	}
	if err := json.Unmarshal([]byte(called), &s.Called); err != nil {
		return Session{}, err
	}
	s.Begun, s.Since, s.Heard, s.Placed = fromNanos(begun), fromNanos(since), fromNanos(heard), placed != 0
	return s, nil
}

// Last is the newest session of a folder that has entries and was heard of since a
// time; nil when there is none.
func (b *Book) Last(ctx context.Context, folder string, since time.Time) (*Session, error) {
	s, err := b.session(ctx, `folder = $1 AND heard_ns >= $2 AND entries > 0 ORDER BY id DESC LIMIT 1`, b.folder(folder), nanos(since))
	if s == nil || err != nil {
		return nil, err
	}
	if s.Older, err = b.older(ctx, s.ID); err != nil {
		return nil, err
	}
	return s, nil
}

// older are the files that the folder held when a session began.
func (b *Book) older(ctx context.Context, id int64) ([]Stamp, error) {
	var older []byte
	if err := b.db.QueryRowContext(ctx, `SELECT older FROM sessions WHERE id = $1`, id).Scan(&older); err != nil {
		return nil, troubleFrom(err)
	}
	return unpackStamps(older), nil
}

// Unused are the sessions of a folder that were begun and came to nothing: without an
// entry, and nobody keeps them any more.
func (b *Book) Unused(ctx context.Context, folder string) ([]Session, error) {
	empty, err := all(rowsOf(ctx, b, func(row *sql.Rows) (Session, error) { return scanSession(row) }, `SELECT `+sessionColumns+` FROM sessions
		WHERE folder = $1 AND entries = 0`, b.folder(folder)))
	if err != nil {
		return nil, err
	}
	var unused []Session
	for _, s := range empty {
		orphaned, err := b.Orphaned(ctx, s.ID)
		if err != nil {
			return nil, err
		}
		if !orphaned {
			continue
		}
		if s.Older, err = b.older(ctx, s.ID); err != nil {
			return nil, err
		}
		unused = append(unused, s)
	}
	return unused, nil
}

// Session is the one with a number; nil when there is none.
func (b *Book) Session(ctx context.Context, id int64) (*Session, error) {
	return b.session(ctx, `id = $1`, id)
}

// session is the one that a condition holds of; nil when there is none.
func (b *Book) session(ctx context.Context, condition string, values ...any) (*Session, error) {
	s, err := scanSession(b.db.QueryRowContext(ctx, `SELECT `+sessionColumns+` FROM sessions WHERE `+condition, values...))
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil, nil
	case err != nil:
		return nil, troubleFrom(err)
	}
	return &s, nil
}

// mine is how the folders of this pier's sessions begin.
func (b *Book) mine() string {
	if b.Pier == "" {
		return ""
	}
	return b.folder(b.Pier + ":")
}

// Sessions are those with entries that were heard of since a time, newest first;
// limit 0 means all.
func (b *Book) Sessions(ctx context.Context, since time.Time, limit int) ([]Session, error) {
	if limit <= 0 {
		limit = math.MaxInt32
	}
	return all(rowsOf(ctx, b, func(row *sql.Rows) (Session, error) { return scanSession(row) }, `SELECT `+sessionColumns+` FROM sessions WHERE heard_ns >= $1 AND entries > 0
		AND substr(folder, 1, length($2)) = $2 ORDER BY id DESC LIMIT $3`, nanos(since), b.mine(), limit))
}

// Entries visits the entries of a session in order. withPairs tells whether
// the matched stars are wanted. An error of visit ends it and is returned.
func (b *Book) Entries(ctx context.Context, id int64, withPairs bool, visit func(Entry) error) error {
	return b.entries(ctx, id, withPairs, "", visit)
}

// EntriesBut is [Book.Entries], with the matched stars, but leaves out the frames
// numbered from one entry to before another that could be used.
func (b *Book) EntriesBut(ctx context.Context, id, from, to int64, visit func(Entry) error) error {
	return b.entries(ctx, id, true, fmt.Sprintf(" AND NOT (f.seq IS NOT NULL AND f.code = '' AND e.seq >= %d AND e.seq < %d)", from, to), visit)
}

// ExceptFrames visits the entries of a session that are not frames, in order.
func (b *Book) ExceptFrames(ctx context.Context, id int64, visit func(Entry) error) error {
	return b.entries(ctx, id, false, ` AND e.kind <> 'frame'`, visit)
}

// Moment is when a frame was exposed, and the entry it came with.
type Moment struct {
	Seq int64
	Mid time.Time // middle of the exposure
}

// Moments are those of the frames of a session that could be used, from an entry
// on, in their order.
func (b *Book) Moments(ctx context.Context, id, from int64) ([]Moment, error) {
	return all(rowsOf(ctx, b, func(row *sql.Rows) (m Moment, err error) {
		var mid int64
		err = row.Scan(&m.Seq, &mid)
		m.Mid = fromNanos(mid)
		return m, err
	}, `SELECT seq, mid_ns FROM frames WHERE session = $1 AND seq >= $2 AND code = '' AND mid_ns IS NOT NULL ORDER BY seq`, id, from))
}

// entries visits those to which a further condition applies.
func (b *Book) entries(ctx context.Context, id int64, withPairs bool, condition string, visit func(Entry) error) error {
	pairs := "f.pairs"
	if !withPairs {
		pairs = "NULL"
	}
	for e, err := range rowsOf(ctx, b, scanEntry, `SELECT e.seq, e.at_ns, e.kind, e.body,
		f.path, f.size, f.modified_ns, f.sum, f.complete_ns, f.took_ns, f.exposure_ns, f.width_px, f.height_px, f.detected, f.matched,
		f.rms_arcsec, f.ra_deg, f.dec_deg, f.field_w_deg, f.field_h_deg, f.pixel_um, f.scale_arcsec_px, f.code, f.clock_suspect, `+pairs+`,
		r.phase, r.pole, r.within, r.doubt, `+resultNumbers+`
		FROM entries e LEFT JOIN frames f ON f.session = e.session AND f.seq = e.seq
		LEFT JOIN results r ON r.session = e.session AND r.seq = e.seq
		WHERE e.session = $1`+condition+` ORDER BY e.seq`, id) {
		if err != nil {
			return err
		}
		if err := visit(e); err != nil {
			return err
		}
	}
	return nil
}

func scanEntry(rows *sql.Rows) (Entry, error) {
	var e Entry
	var at int64
	var kind, body string
	var path, sum, code, phase, pole sql.NullString
	var size, modified, complete, took, exposure, width, height, detected, matched, suspect, within, doubt sql.NullInt64
	var seen [7]sql.NullFloat64
	var found [13]sql.NullFloat64
	var pairs []byte
	into := []any{
		&e.Seq, &at, &kind, &body,
		&path, &size, &modified, &sum, &complete, &took, &exposure, &width, &height, &detected, &matched,
		&seen[0], &seen[1], &seen[2], &seen[3], &seen[4], &seen[5], &seen[6], &code, &suspect, &pairs,
		&phase, &pole, &within, &doubt,
	}
	for i := range found {
		into = append(into, &found[i])
	}
	if err := rows.Scan(into...); err != nil {
		return Entry{}, err
	}
	e.At = fromNanos(at)
	if err := e.unpack(kind, body); err != nil {
		return Entry{}, err
	}
	if e.Frame != nil {
		if !path.Valid {
			return Entry{}, &Trouble{Code: TroubleDamaged, Message: "a frame is missing in it"}
		}
		stars, err := unpackPairs(pairs)
		if err != nil {
			return Entry{}, &Trouble{Code: TroubleDamaged, Message: err.Error()}
		}
		s, err := strconv.ParseUint(sum.String, 16, 64)
		if err != nil {
			return Entry{}, err
		}
		sighting := e.Frame.Sighting
		sighting.Pairs = stars
		*e.Frame = Frame{
			Sighting: sighting,
			Path:     path.String, Size: size.Int64, Modified: fromNanos(modified.Int64), Sum: s, Complete: fromNanos(complete.Int64),
			Took: time.Duration(took.Int64), Exposure: time.Duration(exposure.Int64), Width: int(width.Int64), Height: int(height.Int64),
			Detected: int(detected.Int64), Matched: int(matched.Int64), RMSArcsec: fromNumber(seen[0]), RADeg: fromNumber(seen[1]), DecDeg: fromNumber(seen[2]),
			FieldDeg: [2]float64{fromNumber(seen[3]), fromNumber(seen[4])}, PixelUm: seen[5].Float64, ScaleArcsec: seen[6].Float64, Code: code.String, ClockSuspect: suspect.Int64 != 0,
		}
	}
	if phase.Valid {
		kind, err := observed.ParsePoleKind(pole.String)
		if err != nil {
			return Entry{}, err
		}
		e.Result = &Result{Phase: mountmodel.Phase(phase.String), Pole: kind, Within: within.Int64 != 0, Doubt: doubt.Int64 != 0}
		for i, p := range e.Result.numbers() {
			*p = fromNumber(found[i])
		}
	}
	return e, nil
}

// Notes are the newest of each key, over all sessions.
func (b *Book) Notes(ctx context.Context) (map[string]string, error) {
	notes := make(map[string]string)
	for n, err := range rowsOf(ctx, b, func(row *sql.Rows) (n Note, err error) {
		err = row.Scan(&n.Key, &n.Value)
		n.Key = strings.TrimPrefix(n.Key, kindNote)
		return n, err
	}, `SELECT e.kind, e.body FROM entries e JOIN sessions s ON s.id = e.session
		WHERE e.kind >= $1 AND e.kind < $2 AND substr(s.folder, 1, length($3)) = $3 ORDER BY e.session, e.seq`, kindNote, "note;", b.mine()) { // ; follows :
		if err != nil {
			return nil, err
		}
		notes[n.Key] = n.Value
	}
	return notes, nil
}

// Outcome is what became of a session.
type Outcome struct {
	Config *mountmodel.Config // the last; nil when the place was never known
	Notes  map[string]string  // of this session
	// First is the measurement before any bolt was turned, Last how it stood at the
	// end; nil when it never got there.
	First, Last *Result
}

// Outcome tells what became of a session.
func (b *Book) Outcome(ctx context.Context, s Session) (Outcome, error) {
	o := Outcome{Notes: make(map[string]string)}
	err := b.entries(ctx, s.ID, false, ` AND (e.kind <> 'frame' OR r.seq = (SELECT MAX(seq) FROM results WHERE session = e.session)
		OR r.seq = (SELECT MAX(seq) FROM results WHERE session = e.session AND phase = 'measuring')
		OR r.seq = (SELECT MIN(seq) FROM results WHERE session = e.session AND phase <> 'measuring'))`, func(e Entry) error {
		switch {
		case e.Config != nil && !e.Unplaced:
			o.Config = e.Config
		case e.Note != nil:
			o.Notes[e.Note.Key] = e.Note.Value
		}
		if e.Result != nil {
			if o.First == nil || o.First.Phase == mountmodel.Measuring {
				o.First = e.Result
			}
			o.Last = e.Result
		}
		return nil
	})
	return o, err
}

// File is what is known of a file that a session dealt with.
type File struct {
	Path     string
	Size     int64
	Modified time.Time
	Sum      uint64 // 0 when the file could not be read
}

// Files visits the files that sessions of a folder dealt with and that were
// modified since a time, and all of one session, whatever the times of its files say: 0
// for none.
func (b *Book) Files(ctx context.Context, folder string, since time.Time, session int64, visit func(File)) error {
	for f, err := range rowsOf(ctx, b, func(row *sql.Rows) (f File, err error) {
		var modified int64
		var sum string
		if err = row.Scan(&f.Path, &f.Size, &modified, &sum); err == nil {
			f.Sum, err = strconv.ParseUint(sum, 16, 64)
		}
		f.Modified = fromNanos(modified)
		return f, err
	}, `SELECT f.path, f.size, f.modified_ns, f.sum FROM frames f JOIN sessions s ON s.id = f.session
		WHERE s.folder = $1 AND f.modified_ns >= $2 OR f.session = $3 ORDER BY f.session, f.seq`, b.folder(folder), nanos(since), session) {
		if err != nil {
			return err
		}
		visit(f)
	}
	return nil
}
