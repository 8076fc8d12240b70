package logbook

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
)

// IsPostgres tells whether the place of a logbook is a PostgreSQL connection string
// rather than a file.
func IsPostgres(place string) bool {
	return strings.HasPrefix(place, "postgres://") || strings.HasPrefix(place, "postgresql://")
}

var postgresDialect = dialect{
	id: "BIGSERIAL PRIMARY KEY", blob: "BYTEA", word: `TEXT COLLATE "C"`,
	tables: `SELECT COUNT(*) FROM information_schema.tables WHERE table_schema = current_schema()`,
	// Many piers may open a new database at once: one of them makes the tables. The
	// number is of no meaning.
	lock: `SELECT pg_advisory_xact_lock(7304190)`,
}

// CheckPostgres says what is wrong with a connection string, or nil. What it does
// not name comes from the environment and from ~/.pgpass, as for PostgreSQL's own
// clients.
func CheckPostgres(place string) error {
	if _, err := pgx.ParseConfig(place); err != nil {
		var parse *pgconn.ParseConfigError
		if errors.As(err, &parse) { // its own words hold the string, with the password masked
			return fmt.Errorf("the connection string cannot be used: %w; it has the form postgres://USER@HOST:5432/DATABASE", err)
		}
		return err
	}
	return nil
}

// openPostgres opens a logbook that many piers share, each its own sessions.
func openPostgres(ctx context.Context, place string) (*Book, error) {
	config, err := pgx.ParseConfig(place)
	if err != nil {
		return nil, &Trouble{Code: TroubleForeign, Message: "its connection string cannot be used", Err: err}
	}
	config.ConnectTimeout = busyWait
	db := stdlib.OpenDB(*config)
	db.SetMaxOpenConns(4) // as for a file: one writes; few read
	if err := migrate(ctx, db, postgresDialect); err != nil {
		db.Close()
		return nil, postgresTrouble(err)
	}
	return &Book{db: db}, nil
}

// postgresTrouble puts what is wrong with a server into words.
func postgresTrouble(err error) *Trouble {
	var connect *pgconn.ConnectError
	var said *pgconn.PgError
	switch {
	case errors.As(err, &said) && strings.HasPrefix(said.Code, "28"): // invalid authorization (PostgreSQL 15, appendix A)
		return &Trouble{TroubleReadOnly, "its database refuses the user or the password", err}
	case errors.As(err, &said) && (said.Code == "42501" || said.Code == "25006"):
		return &Trouble{TroubleReadOnly, "the user may not write into its database", err}
	case errors.As(err, &said) && said.Code == "3D000":
		return &Trouble{TroubleGone, "there is no such database", err}
	case errors.As(err, &said) && said.Code == "53100":
		return &Trouble{TroubleFull, "the disk of its database is full", err}
	case errors.As(err, &connect):
		return &Trouble{TroubleDisk, "its database cannot be reached", err}
	}
	return troubleFrom(err)
}

// text is a text as the book takes it.
func (b *Book) text(t string) string {
	if b.file != "" {
		return t
	}
	return storable(t)
}

// folder is the name of a folder, or of a pier in front of it, as the book takes it: two
// names stay two.
func (b *Book) folder(name string) string {
	if b.file != "" || storable(name) == name {
		return name
	}
	var out strings.Builder
	for len(name) > 0 {
		r, size := utf8.DecodeRuneInString(name)
		if r == utf8.RuneError && size == 1 || r == 0 {
			fmt.Fprintf(&out, `\x%02x`, name[0])
		} else {
			out.WriteString(name[:size])
		}
		name = name[size:]
	}
	return out.String()
}

// storable makes of a text one that a server takes: names of files need not be
// UTF-8, and no text holds a zero byte.
func storable(text string) string {
	return strings.ReplaceAll(strings.ToValidUTF8(text, "\ufffd"), "\x00", "\ufffd")
}
