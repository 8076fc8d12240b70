package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"time"

	"polard/cmd/polard/internal/journal"
	"polard/mountmodel/logbook"

	"github.com/spf13/cobra"
)

// stateFlags say where the program keeps what it is to know again.
type stateFlags struct {
	folder string
	server string // a PostgreSQL connection string; empty for a file
	pier   string // whose sessions, on a server that many share; empty: all
	none   bool
	fresh  bool
}

func (f *stateFlags) add(c *cobra.Command) {
	f.addFolder(c)
	f.addServer(c)
	c.Flags().BoolVar(&f.none, "no-log", false, "keep no logbook")
	c.Flags().BoolVar(&f.fresh, "new-session", false, "begin a new session instead of going on with the last one of this folder")
}

func (f *stateFlags) addFolder(c *cobra.Command) {
	c.Flags().StringVar(&f.folder, "state", "", "keep the logbook and the paired devices in this `FOLDER` (default: the user's folder for program state)")
}

// addServer is for commands that use the logbook alone.
func (f *stateFlags) addServer(c *cobra.Command) {
	c.Flags().StringVar(&f.server, "logbook", "", "keep the logbook in this PostgreSQL database, which many piers may share, instead of a file (`URL`: postgres://USER@HOST:5432/DATABASE)")
}

// shown is the place of the logbook without a password in it.
func (f *stateFlags) shown() string {
	if u, err := url.Parse(f.server); f.server != "" && err == nil {
		return u.Redacted()
	}
	path, _ := f.path()
	return path
}

// path is the logbook's file, or the connection string of its server.
func (f *stateFlags) path() (string, error) {
	if f.server != "" {
		if !logbook.IsPostgres(f.server) {
			return "", wrongCall("--logbook: give postgres://USER@HOST:5432/DATABASE, or a folder with --state")
		}
		if err := logbook.CheckPostgres(f.server); err != nil {
			return "", wrongCall("--logbook: %w", err)
		}
		return f.server, nil
	}
	folder, err := f.place()
	return filepath.Join(folder, logbook.FileName), err
}

// place is the folder of the program's state.
func (f *stateFlags) place() (string, error) {
	return stateFolder(f.folder, runtime.GOOS, os.Getenv, os.UserHomeDir)
}

// open looks for the session to go on with in the logbook of the call; begin describes a new one.
func (f *stateFlags) open(ctx context.Context, begin logbook.Session, log *slog.Logger) (*journal.Journal, error) {
	if f.none {
		return journal.None(log), nil
	}
	path, err := f.path()
	if err != nil {
		return nil, callError{err}
	}
	o := journal.Options{Path: path, Shown: f.shown(), Fresh: f.fresh, Log: log}
	if f.server != "" { // a file is of one machine
		o.Pier = f.pier
	}
	// Whoever opens a file on a disk that hangs, hangs: nothing is known of the session until it answers.
	opened := make(chan *journal.Journal, 1)
	go func() { opened <- journal.Open(ctx, o, begin) }()
	for told := false; ; told = true {
		select {
		case j := <-opened:
			return j, nil
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(openedWithin):
			if !told {
				log.Error("the logbook does not answer: is its disk or network away? Waiting for it; --state names another folder, --no-log does without", "file", o.Shown)
			}
		}
	}
}

// openedWithin is how long a logbook may take before that is told; a long season's takes a second on a card.
const openedWithin = 5 * time.Second

// notes is the folder of the program's state; empty when nothing is to be kept.
func (f *stateFlags) notes() string {
	folder, err := f.place()
	if f.none || err != nil {
		return ""
	}
	return folder
}

// openToRead opens the logbook of the call, for commands that only look.
func (f *stateFlags) openToRead(ctx context.Context) (*logbook.Book, error) {
	path, err := f.path()
	if err != nil {
		return nil, callError{err}
	}
	book, err := logbook.OpenToRead(ctx, path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("there is no logbook at %s yet: 'polard serve' begins one, and --state names another place", f.shown())
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.shown(), err)
	}
	return book, nil
}

// stateFolder is where the program's state lies: where the call says, where a
// service manager says (systemd.exec(5), StateDirectory=), or where the user's
// programs keep theirs (XDG Base Directory Specification 0.8; on Windows the
// local application data).
func stateFolder(called, system string, env func(string) string, home func() (string, error)) (string, error) {
	if called != "" {
		return called, nil
	}
	if list := filepath.SplitList(env("STATE_DIRECTORY")); len(list) > 0 && list[0] != "" {
		return list[0], nil
	}
	if system == "windows" {
		if data := env("LOCALAPPDATA"); data != "" {
			return filepath.Join(data, "polard"), nil
		}
	}
	if state := env("XDG_STATE_HOME"); filepath.IsAbs(state) {
		return filepath.Join(state, "polard"), nil
	}
	at, err := home()
	if err != nil {
		return "", fmt.Errorf("there is no home folder to keep the logbook in (%w): name a folder with --state, or do without by --no-log", err)
	}
	return filepath.Join(at, ".local", "state", "polard"), nil
}
