package journal

import (
	"context"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/web"
)

const (
	// nightLasts is how long after its last entry a session is still gone on with: a service that starts later starts
	// another night.
	nightLasts = 12 * time.Hour
	// writtenWithin is how long the answer to a command waits for the disk, as cards pause for seconds when busy: what was
	// answered as done is there after the power failed. Of what is not on the disk by then the answer says so.
	writtenWithin = 2 * time.Second
)

// Options say where a journal is written.
type Options struct {
	Path  string // of the logbook's file, or the connection string of its server
	Shown string // the same for people, without a password
	Pier  string // whose sessions, on a server that many share; empty for a file
	Fresh bool   // begin a new session instead of going on with the last one
	Log   *slog.Logger
}

// Journal is the logbook's part in a service. One without a writer, from [None], keeps nothing.
type Journal struct {
	// Changed, if set before Run, hears on any goroutine that Notices are others now.
	Changed func()
	// Nights were watched before, oldest first.
	Nights []logbook.Night

	options Options
	writer  *logbook.Writer
	session *logbook.Session // to go on with, nil when a new one begins
	begin   logbook.Session  // as a new one begins
	notes   map[string]string
	files   map[string]logbook.File // that sessions of the folder dealt with
	sums    map[uint64]string       // of all contents of these, with the path they last had

	replayed map[uint64]bool // sums of the frames that Replay gave
}

// None is a journal that keeps nothing.
func None(log *slog.Logger) *Journal { return &Journal{options: Options{Log: log}} }

// Open looks for the session to go on with, and prepares to write. A logbook that cannot be used holds up nothing:
// writing is tried again, and the page says so. begin describes the session if a new one begins.
func Open(ctx context.Context, o Options, begin logbook.Session) *Journal {
	if o.Pier != "" {
		begin.Folder = o.Pier + ":" + begin.Folder
	}
	j := &Journal{options: o, begin: begin, files: make(map[string]logbook.File), sums: make(map[uint64]string), replayed: make(map[uint64]bool)}
	unreadable := j.find(ctx)
	if unreadable != nil {
		o.Log.Error("the logbook cannot be read; a new session begins", "file", o.Shown, "error", unreadable)
		j.session = nil
	}
	session := j.begin
	if j.session != nil {
		session = *j.session
	}
	var logged logbook.TroubleCode // the last that was logged
	j.writer = logbook.NewWriter(func(ctx context.Context) (logbook.Store, error) { return j.open(ctx) }, session, func() {
		t := j.writer.Trouble()
		switch {
		case t == nil && logged != "":
			o.Log.Info("the logbook is kept again", "file", o.Shown)
			logged = ""
		case t != nil && t.Code != logged:
			o.Log.Error("the session is not being kept in the logbook; trying again", "file", o.Shown, "why", t.Message, "error", t.Err)
			logged = t.Code
		}
		if j.Changed != nil {
			j.Changed()
		}
	})
	j.writer.Lost = func(e logbook.Entry, err error) {
		what := "a command"
		if e.Frame != nil {
			what = e.Frame.Path
		}
		o.Log.Error("it cannot be kept in the logbook, and will be missing after a restart", "what", what, "error", err)
	}
	if j.session == nil && unreadable == nil {
		soon, cancel := context.WithTimeout(ctx, writtenWithin)
		defer cancel()
		j.writer.Begin(soon) // a disk that takes longer holds up no start: Run tries again
	}
	return j
}

func (j *Journal) open(ctx context.Context) (*logbook.Book, error) {
	book, err := logbook.Open(ctx, j.options.Path)
	if err != nil {
		return nil, err
	}
	book.Pier = j.options.Pier
	if book.SetAside != "" {
		j.options.Log.Error("the logbook was damaged; it was set aside and a new one begun", "kept_as", book.SetAside)
	}
	return book, nil
}

// find looks for the session to go on with and for the files dealt with.
func (j *Journal) find(ctx context.Context) error {
	book, err := j.open(ctx)
	if err != nil {
		return err
	}
	defer book.Close()
	if j.notes, err = book.Notes(ctx); err != nil {
		return err
	}
	if j.Nights, err = book.Nights(ctx, j.begin.Folder, j.begin.Begun.Add(-logbook.Season)); err != nil {
		return err
	}
	var session int64
	last, err := book.Last(ctx, j.begin.Folder, j.begin.Begun.Add(-nightLasts))
	if err != nil {
		return err
	}
	since := j.begin.Since
	if last != nil && !j.options.Fresh {
		j.session = last
		since, session = last.Since, last.ID
	} else if err := j.newSince(ctx, book); err != nil {
		return err
	}
	return book.Files(ctx, j.begin.Folder, since, session, func(f logbook.File) {
		j.files[f.Path] = f
		if f.Sum != 0 {
			j.sums[f.Sum] = f.Path
		}
	})
}

// newSince has a frame that came to a service which was killed before it kept any count as new, whatever its time says.
func (j *Journal) newSince(ctx context.Context, book *logbook.Book) error {
	unused, err := book.Unused(ctx, j.begin.Folder)
	if err != nil {
		return err
	}
	for _, s := range unused {
		if s.Older == nil || s.Begun.Before(j.begin.Begun.Add(-nightLasts)) {
			continue
		}
		then := stampsOf(s.Older)
		j.begin.Older = slices.DeleteFunc(slices.Clone(j.begin.Older), func(o logbook.Stamp) bool { return !then[stamp{o.Size, o.Modified.UnixNano()}] })
	}
	return nil
}

// NewSession describes a session that begins at a time, with the frames written up to since before it.
func NewSession(at time.Time, program, source, folder string, cfg mountmodel.Config, placed bool, since time.Duration) logbook.Session {
	if absolute, err := filepath.Abs(folder); err == nil {
		folder = absolute
	}
	now := at.UTC()
	return logbook.Session{Program: program, Source: source, Folder: folder, Begun: now, Since: now.Add(-since), Called: cfg, Placed: placed}
}

// Session is the one to go on with, nil when a new one begins.
func (j *Journal) Session() *logbook.Session { return j.session }

// Renew begins a new session in place of the one to go on with, to which nothing was appended yet.
func (j *Journal) Renew() {
	clear(j.replayed)
	j.writer.Renew(j.begin)
}

// Run writes until ctx ends, and then what is left, within the time that a service has to stop.
func (j *Journal) Run(ctx context.Context) {
	if j.writer == nil {
		return
	}
	if err := j.writer.Run(ctx); err != nil {
		j.options.Log.Error("the last of the session was not kept", "error", err)
	}
}

// Older tells the files that the folder held when the session began, under whatever name: they do not belong to it. Of a
// session of an earlier version of this program, which kept no list, they are those written before it.
func (j *Journal) Older() func(path string, size int64, modified time.Time) bool {
	s := j.begin
	if j.session != nil {
		s = *j.session
	}
	if s.Older == nil {
		return func(_ string, _ int64, modified time.Time) bool { return modified.Before(s.Since) }
	}
	older := stampsOf(s.Older)
	return func(_ string, size int64, modified time.Time) bool { return older[stamp{size, modified.UnixNano()}] }
}

// stamp tells a file by its size and its time, in nanoseconds since 1970.
type stamp struct{ size, modified int64 }

func stampsOf(files []logbook.Stamp) map[stamp]bool {
	set := make(map[stamp]bool, len(files))
	for _, f := range files {
		set[stamp{f.Size, f.Modified.UnixNano()}] = true
	}
	return set
}

// Known tells a file that was dealt with before the service started.
func (j *Journal) Known(path string, size int64, modified time.Time) bool {
	f, known := j.files[path]
	return known && f.Size == size && f.Modified.Equal(modified)
}

// Taken are the sums of the frames dealt with before the service started, with their paths.
func (j *Journal) Taken() map[uint64]string { return j.sums }

// Append keeps an entry and gives its number, 0 without a logbook.
func (j *Journal) Append(e logbook.Entry) int64 {
	if j.writer == nil {
		return 0
	}
	return j.writer.Append(e)
}

// Await waits until an entry is on the disk, but not long. Its error is a [web.ErrNotLogged].
func (j *Journal) Await(ctx context.Context, seq int64) error {
	if j.writer == nil || seq == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, writtenWithin)
	defer cancel()
	if j.writer.Written(ctx, seq) {
		return nil
	}
	if t := j.writer.Trouble(); t != nil {
		return fmt.Errorf("%w: %s", web.ErrNotLogged, t.Message)
	}
	return fmt.Errorf("%w: its disk has not taken it yet", web.ErrNotLogged)
}

// Trouble is why the logbook is not kept; nil when it is, or when none is wanted.
func (j *Journal) Trouble() error {
	if j.writer == nil {
		return nil
	}
	if t := j.writer.Trouble(); t != nil {
		return t
	}
	return nil
}

// Notices are what the page says of the logbook.
func (j *Journal) Notices() []web.Notice {
	if j.writer == nil {
		return nil
	}
	t := j.writer.Trouble()
	if t == nil {
		return nil
	}
	message := fmt.Sprintf("This session is not being kept in the logbook: %s. The alignment goes on, and what is missing is written as soon as that is possible.", t.Message)
	if t.Code == logbook.TroubleTakenOver {
		message = "Another polard watches the same folder and keeps this session in the logbook. The alignment goes on here, but what is done here is not kept: use the other's page, or stop both and start one."
	}
	return []web.Notice{{Code: "not_kept", Message: message}}
}
