package logbook

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"os"
	"strconv"
)

// Begin makes a row for a new session, written by a writer, and gives its
// number. Those of the folder that nobody keeps and that came to nothing go.
func (b *Book) Begin(ctx context.Context, s Session, writer string) (int64, error) {
	called, err := json.Marshal(s.Called)
	if err != nil {
		return 0, err
	}
	unused, err := b.Unused(ctx, s.Folder)
	if err != nil {
		return 0, err
	}
	tx, err := b.db.BeginTx(ctx, nil)
	if err != nil {
		return 0, troubleFrom(err)
	}
	defer tx.Rollback()
	for _, u := range unused {
		if _, err := tx.ExecContext(ctx, `DELETE FROM sessions WHERE id = $1 AND entries = 0`, u.ID); err != nil {
			return 0, troubleFrom(err)
		}
	}
	var id int64
	err = tx.QueryRowContext(ctx, `INSERT INTO sessions (keeper, program, source, folder, begun_ns, since_ns, heard_ns, called, placed, entries, older)
		VALUES ($1, $2, $3, $4, $5, $6, $5, $7, $8, 0, $9) RETURNING id`,
		writer, b.text(s.Program), s.Source, b.folder(s.Folder), nanos(s.Begun), nanos(s.Since), string(called), truth(s.Placed), packStamps(s.Older)).Scan(&id)
	if err != nil {
		return 0, troubleFrom(err)
	}
	if err := tx.Commit(); err != nil {
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
