package logbook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"time"

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
	if err = check(ctx, db, `PRAGMA quick_check(1)`); err == nil {
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

// check has the database look over its own pages, by a pragma that says ok.
func check(ctx context.Context, db *sql.DB, pragma string) error {
	var verdict string
	if err := db.QueryRowContext(ctx, pragma).Scan(&verdict); err != nil {
		return err
	}
	if verdict != "ok" {
		return &Trouble{Code: TroubleDamaged, Message: "its file is damaged: " + verdict}
	}
	return nil
}

// Close lets go of the file.
func (b *Book) Close() error { return b.db.Close() }
