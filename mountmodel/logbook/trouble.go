package logbook

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"

	"github.com/jackc/pgx/v5/pgconn"
	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"
)

// TroubleCode names what keeps the logbook from being written, for programs.
type TroubleCode string

// What can be wrong with a logbook.
const (
	TroubleFull      TroubleCode = "disk_full"
	TroubleReadOnly  TroubleCode = "read_only"
	TroubleLocked    TroubleCode = "locked"
	TroubleDamaged   TroubleCode = "damaged"
	TroubleNewer     TroubleCode = "newer"
	TroubleForeign   TroubleCode = "foreign"
	TroubleTakenOver TroubleCode = "taken_over"
	TroubleGone      TroubleCode = "gone"
	TroubleDisk      TroubleCode = "disk"
)

// Trouble says why a logbook cannot be opened, read or written. Message goes
// on a sentence that named the logbook: "it was ...", "the disk is full".
type Trouble struct {
	Code    TroubleCode
	Message string
	Err     error // what the system said; may be nil
}

func (t *Trouble) Error() string { return "logbook: " + t.Message }

func (t *Trouble) Unwrap() error { return t.Err }

// EntryError says that an entry cannot be written, whatever the state of the disk: what it
// holds has no stored form. The others are not to wait for it.
type EntryError struct {
	Seq int64
	Err error
}

func (e *EntryError) Error() string {
	return fmt.Sprintf("logbook: entry %d cannot be written: %v", e.Seq, e.Err)
}

func (e *EntryError) Unwrap() error { return e.Err }

// ofEntry tells whether a database refuses what was to be written rather than to write.
func ofEntry(err error) bool {
	if s, ok := errors.AsType[*sqlite.Error](err); ok {
		switch s.Code() & 0xff {
		case lib.SQLITE_TOOBIG, lib.SQLITE_CONSTRAINT, lib.SQLITE_MISMATCH, lib.SQLITE_RANGE:
			return true
		}
	}
	if said, ok := errors.AsType[*pgconn.PgError](err); ok && len(said.Code) == 5 {
		switch said.Code[:2] { // data exception, integrity, program limits (PostgreSQL 15, appendix A)
		case "22", "23", "54":
			return true
		}
	}
	return false
}

// troubleFrom puts an error of the database or of the file system into words.
func troubleFrom(err error) *Trouble {
	if known, ok := errors.AsType[*Trouble](err); ok {
		return known
	}
	trouble := func(code TroubleCode, message string) *Trouble { return &Trouble{code, message, err} }
	full := trouble(TroubleFull, "the disk is full")
	readOnly := trouble(TroubleReadOnly, "its place cannot be written to")
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return full
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS), os.IsPermission(err):
		return readOnly
	case errors.Is(err, context.DeadlineExceeded):
		return trouble(TroubleDisk, "its disk does not answer")
	}
	if s, ok := errors.AsType[*sqlite.Error](err); ok {
		switch s.Code() & 0xff { // the rest of an extended code is detail
		case lib.SQLITE_FULL:
			return full
		case lib.SQLITE_READONLY, lib.SQLITE_CANTOPEN, lib.SQLITE_PERM:
			return readOnly
		case lib.SQLITE_BUSY, lib.SQLITE_LOCKED:
			return trouble(TroubleLocked, "another program holds it")
		case lib.SQLITE_CORRUPT, lib.SQLITE_NOTADB:
			return trouble(TroubleDamaged, "its file is damaged")
		}
	}
	return trouble(TroubleDisk, fmt.Sprintf("it answers: %v", err))
}
