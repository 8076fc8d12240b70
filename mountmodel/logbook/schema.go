package logbook

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
)

// dialect is where two databases speak SQL differently. All else is written so
// that both understand it: parameters $1, $2, first used in this order, times as nanoseconds since 1970
// UTC in BIGINT, truth values as 0 and 1.
type dialect struct {
	id, blob string // types of a row's own number and of bytes
	// word is the type of a text that is compared byte by byte.
	word string
	// tables counts the tables that the database holds already.
	tables string
	// lock keeps others from making tables meanwhile; empty where a transaction does.
	lock string
}

var sqliteDialect = dialect{
	id: "INTEGER PRIMARY KEY AUTOINCREMENT", blob: "BLOB", word: "TEXT",
	tables: `SELECT COUNT(*) FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'`,
}

func (d dialect) expand(statement string) string {
	return strings.NewReplacer("{id}", d.id, "{blob}", d.blob, "kind TEXT", "kind "+d.word).Replace(statement)
}

// steps lead from an empty database to the present tables. A step is never
// changed once it was released; what is new is a further step.
var steps = []string{
	`CREATE TABLE sessions (
		id {id},
		keeper TEXT NOT NULL,     -- the process that writes into it now
		program TEXT NOT NULL,
		source TEXT NOT NULL,
		folder TEXT NOT NULL,
		begun_ns BIGINT NOT NULL,
		since_ns BIGINT NOT NULL,
		heard_ns BIGINT NOT NULL,
		called TEXT NOT NULL,     -- JSON of the configuration
		placed BIGINT NOT NULL,
		entries BIGINT NOT NULL
	);
	CREATE TABLE entries (
		session BIGINT NOT NULL,
		seq BIGINT NOT NULL,
		at_ns BIGINT NOT NULL,
		kind TEXT NOT NULL,       -- config, unplaced, frame, event, stroke, choice, plan, lens, note:KEY
		body TEXT NOT NULL,       -- JSON or plain words, by kind
		PRIMARY KEY (session, seq)
	);
	CREATE TABLE frames (
		session BIGINT NOT NULL,
		seq BIGINT NOT NULL,      -- of its entry
		name TEXT NOT NULL,
		path TEXT NOT NULL,
		size BIGINT NOT NULL,
		modified_ns BIGINT NOT NULL,
		sum TEXT NOT NULL,        -- hexadecimal
		complete_ns BIGINT NOT NULL,
		mid_ns BIGINT,            -- mid-exposure, absent when unknown
		took_ns BIGINT NOT NULL,
		exposure_ns BIGINT NOT NULL,
		width_px BIGINT NOT NULL,
		height_px BIGINT NOT NULL,
		detected BIGINT NOT NULL,
		matched BIGINT NOT NULL,
		rms_arcsec DOUBLE PRECISION,
		ra_deg DOUBLE PRECISION,
		dec_deg DOUBLE PRECISION,
		field_w_deg DOUBLE PRECISION,
		field_h_deg DOUBLE PRECISION,
		code TEXT NOT NULL,       -- kind of the reason, when it could not be used
		refused TEXT NOT NULL,    -- the reason
		clock_suspect BIGINT NOT NULL,
		pairs {blob} NOT NULL,
		PRIMARY KEY (session, seq)
	);
	CREATE TABLE results (
		session BIGINT NOT NULL,
		seq BIGINT NOT NULL,      -- of the entry that brought it
		phase TEXT NOT NULL,
		pole TEXT NOT NULL,
		within BIGINT NOT NULL,
		doubt BIGINT NOT NULL,
		alt_deg DOUBLE PRECISION,
		az_deg DOUBLE PRECISION,
		offset_alt_arcmin DOUBLE PRECISION,
		offset_az_arcmin DOUBLE PRECISION,
		offset_total_arcmin DOUBLE PRECISION,
		sigma_alt_arcsec DOUBLE PRECISION,
		sigma_az_arcsec DOUBLE PRECISION,
		correlation DOUBLE PRECISION,
		tolerance_arcmin DOUBLE PRECISION,
		turn_deg DOUBLE PRECISION,
		chi2_dof DOUBLE PRECISION,
		lock_total_arcmin DOUBLE PRECISION,
		lock_sigma_arcsec DOUBLE PRECISION,
		PRIMARY KEY (session, seq)
	)`,
	`CREATE INDEX sessions_by_folder ON sessions (folder, heard_ns)`,
	`ALTER TABLE frames ADD COLUMN pixel_um DOUBLE PRECISION;
	ALTER TABLE frames ADD COLUMN scale_arcsec_px DOUBLE PRECISION`,
	`CREATE INDEX entries_by_kind ON entries (kind, session, seq)`,
	`ALTER TABLE sessions ADD COLUMN older {blob}`,
}

// migrate brings the tables to the present version, all steps or none.
func migrate(ctx context.Context, db *sql.DB, d dialect) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if d.lock != "" {
		if _, err := tx.ExecContext(ctx, d.lock); err != nil {
			return err
		}
	}
	version, err := versionOf(ctx, tx, d)
	if err != nil {
		return err
	}
	if version > len(steps) {
		return &Trouble{Code: TroubleNewer, Message: fmt.Sprintf("it was written by a newer polard (format %d; this one knows %d): update polard, or name another folder with --state", version, len(steps))}
	}
	if version == len(steps) {
		return nil
	}
	for _, step := range steps[version:] {
		for statement := range strings.SplitSeq(step, ";") {
			if _, err := tx.ExecContext(ctx, d.expand(statement)); err != nil {
				return err
			}
		}
	}
	if _, err := tx.ExecContext(ctx, `UPDATE logbook_format SET version = $1`, len(steps)); err != nil {
		return err
	}
	return tx.Commit()
}

// versionOf tells how many steps were made; the first call makes the table
// that says so.
func versionOf(ctx context.Context, tx *sql.Tx, d dialect) (int, error) {
	var tables int
	if err := tx.QueryRowContext(ctx, d.tables).Scan(&tables); err != nil {
		return 0, err
	}
	if tables == 0 {
		for _, statement := range []string{
			`CREATE TABLE logbook_format (version BIGINT NOT NULL)`,
			`INSERT INTO logbook_format (version) VALUES (0)`,
		} {
			if _, err := tx.ExecContext(ctx, statement); err != nil {
				return 0, err
			}
		}
		return 0, nil
	}
	var version int
	if err := tx.QueryRowContext(ctx, `SELECT version FROM logbook_format`).Scan(&version); err != nil {
		if strings.Contains(err.Error(), "logbook_format") {
			return 0, &Trouble{Code: TroubleForeign, Message: "it is a database of something else: name another folder with --state"}
		}
		return 0, err
	}
	return version, nil
}
