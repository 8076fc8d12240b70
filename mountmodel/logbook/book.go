package logbook

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/observed"

	_ "modernc.org/sqlite"
)

// FileName is the logbook's file in the folder of the program's state.
const FileName = "logbook.sqlite"

// Book is an open logbook. Its methods may be called by many goroutines.
type Book struct {
	db   *sql.DB
	file string // its path; empty for a database server
	// Pier, where many share a logbook, narrows notes and sessions to those whose
	// folder is named after it ("PIER:FOLDER"); empty gives all.
	Pier string
	// SetAside is where a damaged file was moved to when the book was opened;
	// empty when there was none.
	SetAside string
}

// busyWait is how long a write waits for another process's: those are single
// transactions of some kilobytes, and a history being exported does not block.
const busyWait = 3 * time.Second

// Open opens the logbook at a place. That is a PostgreSQL connection string
// ([IsPostgres]), or else the path of a file, which is made with its folder where
// there is none. A file that is damaged is set aside under another name and a
// new one is begun. Errors are [Trouble].
func Open(ctx context.Context, path string) (*Book, error) {
	if IsPostgres(path) {
		return openPostgres(ctx, path)
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, troubleFrom(err)
	}
	keepPrivate(path)
	b, err := openSQLite(ctx, path)
	if err == nil {
		return b, nil
	}
	trouble := troubleFrom(err)
	if trouble.Code != TroubleDamaged {
		return nil, trouble
	}
	aside := path + ".damaged"
	for n := 2; exists(aside); n++ {
		aside = fmt.Sprintf("%s.damaged-%d", path, n)
	}
	// The write-ahead log belongs to the file and goes with it.
	for _, suffix := range []string{"", "-wal", "-shm"} {
		if err := os.Rename(path+suffix, aside+suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			return nil, troubleFrom(err)
		}
	}
	keepPrivate(path)
	if b, err = openSQLite(ctx, path); err != nil {
		return nil, troubleFrom(err)
	}
	b.SetAside = aside
	return b, nil
}

// OpenToRead opens a logbook that is there, perhaps while a service writes it,
// without looking through all of it. Errors are [Trouble] or fs.ErrNotExist.
func OpenToRead(ctx context.Context, path string) (*Book, error) {
	if IsPostgres(path) {
		return openPostgres(ctx, path)
	}
	if _, err := os.Stat(path); err != nil {
		return nil, err
	}
	db, absolute, err := connect(path)
	if err != nil {
		return nil, troubleFrom(err)
	}
	if err := migrate(ctx, db, sqliteDialect); err != nil {
		db.Close()
		return nil, troubleFrom(err)
	}
	return &Book{db: db, file: absolute}, nil
}

// keepPrivate sees to it that nobody but its owner reads the file, whoever may look into its
// folder: the database gives its further files the same rights. What cannot be done shows
// when it is opened.
func keepPrivate(path string) {
	if f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600); err == nil {
		f.Close()
	}
	for _, suffix := range []string{"", "-wal", "-shm"} {
		if info, err := os.Stat(path + suffix); err == nil && info.Mode().Perm()&0o077 != 0 {
			_ = os.Chmod(path+suffix, info.Mode().Perm()&^0o077)
		}
	}
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// openSQLite opens and checks the file.
func openSQLite(ctx context.Context, path string) (*Book, error) {
	db, absolute, err := connect(path)
	if err != nil {
		return nil, err
	}
	if err = check(ctx, db); err == nil {
		err = migrate(ctx, db, sqliteDialect)
	}
	if err != nil {
		db.Close()
		return nil, err
	}
	return &Book{db: db, file: absolute}, nil
}

// connect opens the file. The write-ahead log lets histories be
// read while a session is written; a commit is on the disk before it counts as
// kept, since mounts stand where power fails.
func connect(path string) (db *sql.DB, absolute string, err error) {
	if absolute, err = filepath.Abs(path); err != nil {
		return nil, "", err
	}
	address := url.URL{Scheme: "file", Path: filepath.ToSlash(absolute), RawQuery: url.Values{
		"_pragma": {fmt.Sprintf("busy_timeout(%d)", busyWait.Milliseconds()), "journal_mode(WAL)", "synchronous(FULL)"},
		"_txlock": {"immediate"},
	}.Encode()}
	if db, err = sql.Open("sqlite", address.String()); err != nil {
		return nil, "", err
	}
	db.SetMaxOpenConns(4) // one writes; few read
	return db, absolute, nil
}

// check has the database look over its own pages.
func check(ctx context.Context, db *sql.DB) error {
	var verdict string
	if err := db.QueryRowContext(ctx, `PRAGMA quick_check(1)`).Scan(&verdict); err != nil {
		return err
	}
	if verdict != "ok" {
		return &Trouble{Code: TroubleDamaged, Message: "its file is damaged: " + verdict}
	}
	return nil
}

// Close lets go of the file.
func (b *Book) Close() error { return b.db.Close() }

// Check reads the whole file and tells what is wrong with it, or nil.
func (b *Book) Check(ctx context.Context) error {
	if b.file == "" { // a server looks after its own pages
		if err := b.db.PingContext(ctx); err != nil {
			return postgresTrouble(err)
		}
		return nil
	}
	var verdict string
	if err := b.db.QueryRowContext(ctx, `PRAGMA integrity_check`).Scan(&verdict); err != nil {
		return troubleFrom(err)
	}
	if verdict != "ok" {
		return &Trouble{Code: TroubleDamaged, Message: "its file is damaged: " + verdict}
	}
	return nil
}

// Times that are kept lie between these: nanoseconds in 64 bits reach a little further.
var (
	earliest = time.Date(1850, time.January, 1, 0, 0, 0, 0, time.UTC)
	latest   = time.Date(2200, time.January, 2, 0, 0, 0, 0, time.UTC) // the end of an exposure of the last day
)

// nanos is the stored form of a time: nanoseconds since 1970 UTC, 0 for none.
func nanos(t time.Time) int64 {
	if t.Before(earliest) || t.After(latest) {
		return 0
	}
	return t.UnixNano()
}

func fromNanos(n int64) time.Time {
	if n == 0 {
		return time.Time{}
	}
	return time.Unix(0, n).UTC()
}

func number(x float64) sql.NullFloat64 {
	return sql.NullFloat64{Float64: x, Valid: !math.IsNaN(x) && !math.IsInf(x, 0)}
}

func fromNumber(n sql.NullFloat64) float64 {
	if !n.Valid {
		return math.NaN()
	}
	return n.Float64
}

func truth(yes bool) int64 {
	if yes {
		return 1
	}
	return 0
}

// Begin makes a row for a new session, written by a writer, and gives its
// number.
func (b *Book) Begin(ctx context.Context, s Session, writer string) (int64, error) {
	called, err := json.Marshal(s.Called)
	if err != nil {
		return 0, err
	}
	var id int64
	err = b.db.QueryRowContext(ctx, `INSERT INTO sessions (keeper, program, source, folder, begun_ns, since_ns, heard_ns, called, placed, entries, older)
		VALUES ($1, $2, $3, $4, $5, $6, $5, $7, $8, 0, $9) RETURNING id`,
		writer, b.text(s.Program), s.Source, b.folder(s.Folder), nanos(s.Begun), nanos(s.Since), string(called), truth(s.Placed), packStamps(s.Older)).Scan(&id)
	if err != nil {
		return 0, troubleFrom(err)
	}
	return id, nil
}

// TakeOver makes a writer the one that writes a session from now on.
func (b *Book) TakeOver(ctx context.Context, id int64, writer string) error {
	_, err := b.db.ExecContext(ctx, `UPDATE sessions SET keeper = $1 WHERE id = $2`, writer, id)
	if err != nil {
		return troubleFrom(err)
	}
	return nil
}

// Append writes entries, all or none. They follow those that are there; one
// that is there already, from an attempt whose end was not heard of, stays.
func (b *Book) Append(ctx context.Context, id int64, writer string, entries []Entry) error {
	// A file that was deleted would go on taking entries, for nobody.
	if _, err := os.Stat(b.file); b.file != "" && errors.Is(err, os.ErrNotExist) {
		return &Trouble{Code: TroubleGone, Message: "its file was taken away", Err: err}
	}
	tx, err := b.db.BeginTx(ctx, nil)
	if err != nil {
		return troubleFrom(err)
	}
	defer tx.Rollback()
	last := entries[len(entries)-1]
	r, err := tx.ExecContext(ctx, `UPDATE sessions SET heard_ns = $1, entries = $2 WHERE id = $3 AND keeper = $4`, nanos(last.At), last.Seq, id, writer)
	if err != nil {
		return troubleFrom(err)
	}
	if n, err := r.RowsAffected(); err != nil {
		return troubleFrom(err)
	} else if n == 0 {
		return b.lost(ctx, tx, id)
	}
	for _, e := range entries {
		if e.Frame != nil {
			f := *e.Frame
			f.Sighting.Name, f.Path, f.Sighting.Refused = b.text(f.Sighting.Name), b.text(f.Path), b.text(f.Sighting.Refused)
			e.Frame = &f
		}
		if err := b.appendOne(ctx, tx, id, e); err != nil {
			if known, ok := errors.AsType[*EntryError](err); ok {
				return known
			}
			if ofEntry(err) {
				return &EntryError{e.Seq, err}
			}
			return troubleFrom(err)
		}
	}
	if err := tx.Commit(); err != nil {
		return troubleFrom(err)
	}
	return nil
}

// lost says why a session is no longer ours to write.
func (b *Book) lost(ctx context.Context, tx *sql.Tx, id int64) error {
	var one int
	err := tx.QueryRowContext(ctx, `SELECT 1 FROM sessions WHERE id = $1`, id).Scan(&one)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return &Trouble{Code: TroubleGone, Message: "the session is no longer in it"}
	case err != nil:
		return troubleFrom(err)
	}
	return &Trouble{Code: TroubleTakenOver, Message: "another polard watches the same folder and keeps the session"}
}

func (b *Book) appendOne(ctx context.Context, tx *sql.Tx, id int64, e Entry) error {
	kind, body, err := e.packed()
	if err != nil {
		return &EntryError{e.Seq, err}
	}
	kind, body = b.text(kind), b.text(body)
	if _, err := tx.ExecContext(ctx, `INSERT INTO entries (session, seq, at_ns, kind, body) VALUES ($1, $2, $3, $4, $5) ON CONFLICT DO NOTHING`,
		id, e.Seq, nanos(e.At), kind, body); err != nil {
		return err
	}
	if f := e.Frame; f != nil {
		mid := sql.NullInt64{Int64: nanos(f.Sighting.Mid), Valid: !f.Sighting.Mid.IsZero()}
		if _, err := tx.ExecContext(ctx, `INSERT INTO frames (session, seq, name, path, size, modified_ns, sum, complete_ns, mid_ns, took_ns, exposure_ns,
			width_px, height_px, detected, matched, rms_arcsec, ra_deg, dec_deg, field_w_deg, field_h_deg, code, refused, clock_suspect, pairs, pixel_um, scale_arcsec_px)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21, $22, $23, $24, $25, $26) ON CONFLICT DO NOTHING`,
			id, e.Seq, f.Sighting.Name, f.Path, f.Size, nanos(f.Modified), strconv.FormatUint(f.Sum, 16), nanos(f.Complete), mid, int64(f.Took), int64(f.Exposure),
			f.Width, f.Height, f.Detected, f.Matched, number(f.RMSArcsec), number(f.RADeg), number(f.DecDeg), number(f.FieldDeg[0]), number(f.FieldDeg[1]),
			f.Code, f.Sighting.Refused, truth(f.ClockSuspect), packPairs(f.Sighting.Pairs), number(f.PixelUm), number(f.ScaleArcsec)); err != nil {
			return err
		}
	}
	if r := e.Result; r != nil {
		values := []any{id, e.Seq, string(r.Phase), r.Pole.String(), truth(r.Within), truth(r.Doubt)}
		for _, x := range r.numbers() {
			values = append(values, number(*x))
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO results (session, seq, phase, pole, within, doubt, `+resultNumbers+`)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19) ON CONFLICT DO NOTHING`, values...); err != nil {
			return err
		}
	}
	return nil
}

// resultNumbers are the columns of [Result.numbers].
const resultNumbers = `alt_deg, az_deg, offset_alt_arcmin, offset_az_arcmin, offset_total_arcmin, sigma_alt_arcsec, sigma_az_arcsec, correlation,
	tolerance_arcmin, turn_deg, chi2_dof, lock_total_arcmin, lock_sigma_arcsec`

func (r *Result) numbers() [13]*float64 {
	return [...]*float64{
		&r.AltDeg, &r.AzDeg, &r.OffsetAltArcmin, &r.OffsetAzArcmin, &r.OffsetTotalArcmin, &r.SigmaAltArcsec, &r.SigmaAzArcsec, &r.Correlation,
		&r.ToleranceArcmin, &r.TurnDeg, &r.Chi2Dof, &r.LockTotalArcmin, &r.LockSigmaArcsec,
	}
}

// Kinds of entries.
const (
	kindConfig   = "config"
	kindUnplaced = "unplaced" // a configuration whose place is not known yet
	kindFrame    = "frame"
	kindEvent    = "event"
	kindStroke   = "stroke"
	kindChoice   = "choice" // whether a frame counts
	kindPlan     = "plan"
	kindLens     = "lens"
	kindNote     = "note:" // and the key
)

// packed gives an entry's kind and body.
func (e Entry) packed() (kind, body string, err error) {
	asJSON := func(kind string, v any) (string, string, error) {
		b, err := json.Marshal(v)
		return kind, string(b), err
	}
	switch {
	case e.Config != nil && e.Unplaced:
		return asJSON(kindUnplaced, e.Config)
	case e.Config != nil:
		return asJSON(kindConfig, e.Config)
	case e.Frame != nil:
		sighting := e.Frame.Sighting
		sighting.Pairs = nil // these are with the frame, as bytes
		return asJSON(kindFrame, sighting)
	case e.Event != "":
		return kindEvent, string(e.Event), nil
	case e.Stroke != nil:
		return asJSON(kindStroke, e.Stroke)
	case e.Choice != nil:
		return asJSON(kindChoice, e.Choice)
	case e.Plan != nil:
		return asJSON(kindPlan, e.Plan)
	case e.Lens != nil:
		return asJSON(kindLens, e.Lens)
	case e.Note != nil:
		return kindNote + e.Note.Key, e.Note.Value, nil
	}
	return "", "", errors.New("an entry of the logbook says nothing")
}

// unpack is the reverse; of a frame it gives the sighting without its stars. A
// kind of a later version is refused, as what follows may rest on it.
func (e *Entry) unpack(kind, body string) error {
	switch kind {
	case kindConfig, kindUnplaced:
		e.Unplaced = kind == kindUnplaced
		e.Config = new(mountmodel.Config)
		return json.Unmarshal([]byte(body), e.Config)
	case kindFrame:
		e.Frame = new(Frame)
		return json.Unmarshal([]byte(body), &e.Frame.Sighting)
	case kindEvent:
		e.Event = mountmodel.Event(body)
		return nil
	case kindStroke:
		e.Stroke = new(adjust.Stroke)
		return json.Unmarshal([]byte(body), e.Stroke)
	case kindChoice:
		e.Choice = new(mountmodel.FrameChoice)
		return json.Unmarshal([]byte(body), e.Choice)
	case kindPlan:
		e.Plan = new(Planned)
		return json.Unmarshal([]byte(body), e.Plan)
	case kindLens:
		e.Lens = new(Lens)
		return json.Unmarshal([]byte(body), e.Lens)
	}
	if key, ok := strings.CutPrefix(kind, kindNote); ok {
		e.Note = &Note{key, body}
		return nil
	}
	return fmt.Errorf("an entry of kind %q is unknown", kind)
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

// Last is the newest session of a folder that was heard of since a time; nil
// when there is none.
func (b *Book) Last(ctx context.Context, folder string, since time.Time) (*Session, error) {
	row := b.db.QueryRowContext(ctx, `SELECT `+sessionColumns+` FROM sessions WHERE folder = $1 AND heard_ns >= $2 ORDER BY id DESC LIMIT 1`, b.folder(folder), nanos(since))
	s, err := scanSession(row)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil, nil
	case err != nil:
		return nil, troubleFrom(err)
	}
	var older []byte
	if err := b.db.QueryRowContext(ctx, `SELECT older FROM sessions WHERE id = $1`, s.ID).Scan(&older); err != nil {
		return nil, troubleFrom(err)
	}
	s.Older = unpackStamps(older)
	return &s, nil
}

// Session is the one with a number; nil when there is none.
func (b *Book) Session(ctx context.Context, id int64) (*Session, error) {
	s, err := scanSession(b.db.QueryRowContext(ctx, `SELECT `+sessionColumns+` FROM sessions WHERE id = $1`, id))
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

// Sessions are those that were heard of since a time, newest first; limit 0
// means all.
func (b *Book) Sessions(ctx context.Context, since time.Time, limit int) ([]Session, error) {
	if limit <= 0 {
		limit = math.MaxInt32
	}
	rows, err := b.db.QueryContext(ctx, `SELECT `+sessionColumns+` FROM sessions WHERE heard_ns >= $1
		AND substr(folder, 1, length($2)) = $2 ORDER BY id DESC LIMIT $3`, nanos(since), b.mine(), limit)
	if err != nil {
		return nil, troubleFrom(err)
	}
	defer rows.Close()
	var sessions []Session
	for rows.Next() {
		s, err := scanSession(rows)
		if err != nil {
			return nil, troubleFrom(err)
		}
		sessions = append(sessions, s)
	}
	if err := rows.Err(); err != nil {
		return nil, troubleFrom(err)
	}
	return sessions, nil
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

// Told visits the entries of a session that are not frames, in order.
func (b *Book) Told(ctx context.Context, id int64, visit func(Entry) error) error {
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
	rows, err := b.db.QueryContext(ctx, `SELECT seq, mid_ns FROM frames WHERE session = $1 AND seq >= $2 AND code = '' AND mid_ns IS NOT NULL ORDER BY seq`, id, from)
	if err != nil {
		return nil, troubleFrom(err)
	}
	defer rows.Close()
	var out []Moment
	for rows.Next() {
		var m Moment
		var mid int64
		if err := rows.Scan(&m.Seq, &mid); err != nil {
			return nil, troubleFrom(err)
		}
		m.Mid = fromNanos(mid)
		out = append(out, m)
	}
	if err := rows.Err(); err != nil {
		return nil, troubleFrom(err)
	}
	return out, nil
}

// entries visits those to which a further condition applies.
func (b *Book) entries(ctx context.Context, id int64, withPairs bool, condition string, visit func(Entry) error) error {
	pairs := "f.pairs"
	if !withPairs {
		pairs = "NULL"
	}
	rows, err := b.db.QueryContext(ctx, `SELECT e.seq, e.at_ns, e.kind, e.body,
		f.path, f.size, f.modified_ns, f.sum, f.complete_ns, f.took_ns, f.exposure_ns, f.width_px, f.height_px, f.detected, f.matched,
		f.rms_arcsec, f.ra_deg, f.dec_deg, f.field_w_deg, f.field_h_deg, f.pixel_um, f.scale_arcsec_px, f.code, f.clock_suspect, `+pairs+`,
		r.phase, r.pole, r.within, r.doubt, `+resultNumbers+`
		FROM entries e LEFT JOIN frames f ON f.session = e.session AND f.seq = e.seq
		LEFT JOIN results r ON r.session = e.session AND r.seq = e.seq
		WHERE e.session = $1`+condition+` ORDER BY e.seq`, id)
	if err != nil {
		return troubleFrom(err)
	}
	defer rows.Close()
	for rows.Next() {
		e, err := scanEntry(rows)
		if err != nil {
			return troubleFrom(err)
		}
		if err := visit(e); err != nil {
			return err
		}
	}
	if err := rows.Err(); err != nil {
		return troubleFrom(err)
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
	rows, err := b.db.QueryContext(ctx, `SELECT e.kind, e.body FROM entries e JOIN sessions s ON s.id = e.session
		WHERE e.kind >= $1 AND e.kind < $2 AND substr(s.folder, 1, length($3)) = $3 ORDER BY e.session, e.seq`, kindNote, "note;", b.mine()) // ; follows :
	if err != nil {
		return nil, troubleFrom(err)
	}
	defer rows.Close()
	notes := make(map[string]string)
	for rows.Next() {
		var kind, body string
		if err := rows.Scan(&kind, &body); err != nil {
			return nil, troubleFrom(err)
		}
		notes[strings.TrimPrefix(kind, kindNote)] = body
	}
	if err := rows.Err(); err != nil {
		return nil, troubleFrom(err)
	}
	return notes, nil
}

// Outcome is what became of a session.
type Outcome struct {
	Session Session
	Config  *mountmodel.Config // the last; nil when the place was never known
	Notes   map[string]string  // of this session
	// First is the measurement before any bolt was turned, Last how it stood at the
	// end; nil when it never got there.
	First, Last *Result
}

// Outcome tells what became of a session.
func (b *Book) Outcome(ctx context.Context, s Session) (Outcome, error) {
	o := Outcome{Session: s, Notes: make(map[string]string)}
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
	rows, err := b.db.QueryContext(ctx, `SELECT f.path, f.size, f.modified_ns, f.sum FROM frames f JOIN sessions s ON s.id = f.session
		WHERE s.folder = $1 AND f.modified_ns >= $2 OR f.session = $3 ORDER BY f.session, f.seq`, b.folder(folder), nanos(since), session)
	if err != nil {
		return troubleFrom(err)
	}
	defer rows.Close()
	for rows.Next() {
		var f File
		var modified int64
		var sum string
		if err := rows.Scan(&f.Path, &f.Size, &modified, &sum); err != nil {
			return troubleFrom(err)
		}
		if f.Sum, err = strconv.ParseUint(sum, 16, 64); err != nil {
			return troubleFrom(err)
		}
		f.Modified = fromNanos(modified)
		visit(f)
	}
	if err := rows.Err(); err != nil {
		return troubleFrom(err)
	}
	return nil
}
