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
	"reflect"
	"runtime"
	"time"

	"polard/fits"
	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/web"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"
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

// nightLasts is how long after its last entry a session is still gone on with:
// a service that starts later starts another night.
const nightLasts = 12 * time.Hour

// keeping is the logbook's part in a service. The zero value keeps nothing.
type keeping struct {
	keeper *logbook.Keeper
	pier   string          // on a server that many share
	nights []logbook.Night // that were watched before, oldest first
	path   string          // of the logbook
	// session is the one to go on with, nil when a new one begins; open gives
	// the logbook that holds it.
	session *logbook.Session
	begin   logbook.Session // as a new one begins
	open    func(context.Context) (*logbook.Book, error)
	notes   map[string]string       // of all sessions
	files   map[string]logbook.File // that sessions of the folder dealt with
	log     *slog.Logger
}

// startKeeping opens the logbook, looks for the session to go on with, and
// prepares the keeper. A logbook that cannot be used holds up nothing: the keeper
// tries again, and the page says so. begin describes the session if a new one
// begins.
func startKeeping(ctx context.Context, f stateFlags, begin logbook.Session, log *slog.Logger, changed func()) (*keeping, error) {
	if f.none {
		return &keeping{log: log}, nil
	}
	path, err := f.path()
	if err != nil {
		return nil, err
	}
	pier := ""
	if f.server != "" { // a file is of one machine
		pier = f.pier
		begin.Folder = pier + ":" + begin.Folder
	}
	shown := f.shown()
	k := &keeping{log: log, path: path, pier: pier, begin: begin, files: make(map[string]logbook.File)}
	k.open = func(ctx context.Context) (*logbook.Book, error) {
		book, err := logbook.Open(ctx, path)
		if err == nil {
			book.Pier = k.pier
		}
		if err == nil && book.SetAside != "" {
			log.Error("the logbook was damaged; it was set aside and a new one begun", "kept_as", book.SetAside)
		}
		return book, err
	}
	var told logbook.TroubleCode // the last that was logged
	hear := func() {
		t := k.keeper.Trouble()
		switch {
		case t == nil && told != "":
			log.Info("the logbook is kept again", "file", shown)
			told = ""
		case t != nil && t.Code != told:
			log.Error("the session is not being kept in the logbook; trying again", "file", shown, "why", t.Message, "error", t.Err)
			told = t.Code
		}
		changed()
	}
	if err := k.find(ctx, f.fresh, begin); err != nil {
		log.Error("the logbook cannot be read; a new session begins", "file", shown, "error", err)
		k.session = nil
	}
	session := begin
	if k.session != nil {
		session = *k.session
	}
	k.keeper = logbook.NewKeeper(func(ctx context.Context) (logbook.Store, error) { return k.open(ctx) }, session, hear)
	return k, nil
}

// newSession describes a session that begins at a time, with the frames written
// up to since before it.
func newSession(at time.Time, source, folder string, cfg mountmodel.Config, placed bool, since time.Duration) logbook.Session {
	if absolute, err := filepath.Abs(folder); err == nil {
		folder = absolute
	}
	now := at.UTC()
	return logbook.Session{Program: programName(), Source: source, Folder: folder, Begun: now, Since: now.Add(-since), Called: cfg, Placed: placed}
}

// start has the keeper write until stop is called, which waits for the last
// entries. It does nothing without a logbook.
func (k *keeping) start(ctx context.Context) (stop func()) {
	if k.keeper == nil {
		return func() {}
	}
	ctx, end := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		if err := k.keeper.Run(ctx); err != nil {
			k.log.Error("the last of the session was not kept", "error", err)
		}
	}()
	return func() { end(); <-done }
}

// find looks for the session to go on with and for the files dealt with.
func (k *keeping) find(ctx context.Context, fresh bool, begin logbook.Session) error {
	book, err := k.open(ctx)
	if err != nil {
		return err
	}
	defer book.Close()
	if k.notes, err = book.Notes(ctx); err != nil {
		return err
	}
	if k.nights, err = book.Nights(ctx, begin.Folder, begin.Begun.Add(-historyKept)); err != nil {
		return err
	}
	last, err := book.Last(ctx, begin.Folder, begin.Begun.Add(-nightLasts))
	if err != nil {
		return err
	}
	since := begin.Since
	if last != nil && !fresh {
		k.session = last
		since = last.Since
	}
	return book.Files(ctx, begin.Folder, since, func(f logbook.File) { k.files[f.Path] = f })
}

// since is the time before which files count as older than the session.
func (k *keeping) since(begin time.Time) time.Time {
	if k.session != nil {
		return k.session.Since
	}
	return begin
}

// known tells a file that was dealt with before the service started.
func (k *keeping) known(path string, size int64, modified time.Time) bool {
	f, known := k.files[path]
	return known && f.Size == size && f.Modified.Equal(modified)
}

// taken are the sums of the frames dealt with before the service started.
func (k *keeping) taken() map[uint64]string {
	taken := make(map[uint64]string)
	for path, f := range k.files {
		if f.Sum != 0 {
			taken[f.Sum] = path
		}
	}
	return taken
}

// replay gives the entries of the session to go on with, one after the other, but
// for frames that the session no longer rests on, of which it gives the count.
// While entries are taken in, those that follow are read and their sightings
// prepared, on all cores: that is most of the work.
func (k *keeping) replay(ctx context.Context, visit func(logbook.Entry) error) (outlived int64, err error) {
	if k.session == nil {
		return 0, nil
	}
	book, err := k.open(ctx)
	if err != nil {
		return 0, err
	}
	defer book.Close()
	outlived, from, to, err := k.outlived(ctx, book)
	if err != nil {
		return 0, err
	}
	group, ctx := errgroup.WithContext(ctx)
	entries := make(chan chan logbook.Entry, 4*runtime.GOMAXPROCS(0)) // in their order
	group.Go(func() error {
		defer close(entries)
		config := k.session.Called
		return book.EntriesBut(ctx, k.session.ID, from, to, func(e logbook.Entry) error {
			if e.Config != nil {
				config = *e.Config
			}
			ready := make(chan logbook.Entry, 1)
			select {
			case entries <- ready:
			case <-ctx.Done():
				return ctx.Err()
			}
			go func() {
				prepare(&e, config)
				ready <- e
			}()
			return nil
		})
	})
	group.Go(func() error {
		for ready := range entries {
			if err := visit(<-ready); err != nil {
				return err
			}
		}
		return nil
	})
	return outlived, group.Wait()
}

// outlived counts the frames that the session no longer rests on, and tells
// between which entries they lie: one that watches night after night would take
// longer to start with each of them. The results of those nights are in the
// logbook; see withHistory.
func (k *keeping) outlived(ctx context.Context, book *logbook.Book) (count, from, to int64, err error) {
	config, placed := k.session.Called, k.session.Placed
	var last logbook.Entry // event
	if err := book.Told(ctx, k.session.ID, func(e logbook.Entry) error {
		switch {
		case e.Event != "":
			last = e
		case e.Config != nil && !e.Unplaced:
			config, placed = *e.Config, true
		}
		return nil
	}); err != nil || last.Event != mountmodel.WatchOnly || !placed {
		return 0, 0, 0, err
	}
	moments, err := book.Moments(ctx, k.session.ID, last.Seq)
	if err != nil || len(moments) == 0 {
		return 0, 0, 0, err
	}
	mids := make([]time.Time, len(moments))
	for i, m := range moments {
		mids[i] = m.Mid
	}
	n := mountmodel.Outlived(config, mids)
	return int64(n), moments[0].Seq, moments[n].Seq, nil
}

// prepare works out of a frame's sighting what rests on the configuration alone.
func prepare(e *logbook.Entry, config mountmodel.Config) {
	// A mistake of ours shows again where the session takes the sighting, and is
	// told there.
	defer func() { _ = recover() }()
	if e.Frame != nil {
		e.Frame.Sighting = e.Frame.Sighting.Prepared(config)
	}
}

// append keeps an entry and gives its number, 0 without a logbook.
func (k *keeping) append(e logbook.Entry) int64 {
	if k.keeper == nil {
		return 0
	}
	return k.keeper.Append(e)
}

// keptWithin is how long the answer to a command waits for the disk: what was
// answered is then there after the power failed, and a hanging disk is not
// waited for.
const keptWithin = 400 * time.Millisecond

// await waits until an entry is on the disk, but not long.
func (k *keeping) await(ctx context.Context, seq int64) {
	if k.keeper == nil || seq == 0 {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, keptWithin)
	defer cancel()
	k.keeper.Kept(ctx, seq)
}

// notices are what the page says of the logbook.
func (k *keeping) notices() []web.Notice {
	if k.keeper == nil {
		return nil
	}
	t := k.keeper.Trouble()
	if t == nil {
		return nil
	}
	if t.Code == logbook.TroubleTakenOver {
		return []web.Notice{{Code: "not_kept", Message: "Another polard watches the same folder and keeps this session in the logbook. The alignment goes on here, but what is done here is not kept: use the other's page, or stop both and start one."}}
	}
	return []web.Notice{{Code: "not_kept", Message: fmt.Sprintf(
		"This session is not being kept in the logbook: %s. The alignment goes on, and what is missing is written as soon as that is possible.", t.Message)}}
}

// frameEntry is what the logbook keeps of a file.
func frameEntry(o outcome, a fits.Arrival, took time.Duration) *logbook.Frame {
	f := &logbook.Frame{
		Sighting: o.sighting, Path: a.Path, Size: a.Size, Modified: a.Modified, Sum: a.Sum, Complete: a.Complete, Took: took, Detected: o.detected,
	}
	if o.frame != nil {
		f.Exposure, f.Width, f.Height, f.PixelUm = o.frame.Exposure, o.frame.Width, o.frame.Height, o.frame.PixelUm
		f.ClockSuspect = !o.frame.Mid.IsZero() && clockSuspect(o.frame, a.Complete) && clockSuspect(o.frame, a.Modified)
	}
	if o.problem != nil {
		f.Code = o.problem.code
	}
	if o.solution != nil {
		s := o.solved()
		f.Matched, f.RMSArcsec, f.RADeg, f.DecDeg, f.FieldDeg = s.Matched, s.RMSArcsec, s.RADeg, s.DecDeg, s.FieldDeg
		f.ScaleArcsec = o.solution.Scale.Arcseconds()
	}
	return f
}

// latestFrom describes the last frame read, from what the logbook keeps of it.
func latestFrom(f *logbook.Frame, number int64) *web.Latest {
	l := &web.Latest{
		ID: number, File: f.Sighting.Name, ReadMs: f.Complete.UnixMilli(), TookMs: web.Number(float64(f.Took.Microseconds()) / 1000),
		Detected: f.Detected, WidthPx: f.Width, HeightPx: f.Height, ClockSuspect: f.ClockSuspect,
	}
	if !f.Sighting.Mid.IsZero() {
		l.Mid = f.Sighting.Mid.UTC().Format("2006-01-02T15:04:05.000Z")
	}
	if f.Code != "" {
		l.Problem = &web.Notice{Code: f.Code, Message: f.Sighting.Refused}
		return l
	}
	l.Solved, l.Matched, l.RMSArcsec = true, f.Matched, web.Number(f.RMSArcsec)
	l.RADeg, l.DecDeg = web.Number(f.RADeg), web.Number(f.DecDeg)
	l.FieldWDeg, l.FieldHDeg = web.Number(f.FieldDeg[0]), web.Number(f.FieldDeg[1])
	return l
}

// keepBy has the desk keep its session, and know again what was noted.
func (d *desk) keepBy(k *keeping) {
	d.keeping, d.memories = k, newMemories(k)
	d.memories.load(k.notes)
}

// resume brings the desk to where the kept session stood, by the way that its
// entries took then. The command line changes the session when it is another
// than the one that began it.
func (d *desk) resume(ctx context.Context) error {
	past := d.keeping.session
	if past == nil {
		return nil
	}
	called, placed := d.config, d.placed
	d.config, d.placed = past.Called, false
	begin := time.Now()
	first := true
	var last *logbook.Frame
	outlived, err := d.keeping.replay(ctx, func(e logbook.Entry) error {
		if first && past.Placed && e.Config == nil && e.Event != mountmodel.WatchOnly {
			// A session that began in the middle of a night: see logbook.Keeper.
			if err := d.begin(past.Begun, past.Called); err != nil {
				return err
			}
		}
		first = false
		d.again(e)
		if e.Frame != nil && e.Frame.Code != codePassedOver {
			last = e.Frame
		}
		return ctx.Err()
	})
	if err != nil && ctx.Err() == nil {
		// What can no longer be read stays in the logbook; the night goes on.
		d.log.Error("the session in the logbook cannot be read to its end; a new one begins", "error", err)
		d.keeping.keeper.Renew(d.keeping.begin)
		d.config, d.placed, d.session, d.early, d.frames, d.around.Latest = called, placed, nil, nil, 0, nil
		d.planner, d.watchOnly = planner{}, false
		return nil
	}
	if err != nil {
		return nil // the service stops
	}
	if d.frames += outlived; d.around.Latest != nil {
		d.around.Latest.ID = d.frames
	}
	if last != nil && d.session != nil {
		d.around.Latest.Sight = sightOf(last, d.session.View())
	}
	d.log.Info("going on with the session", "began", past.Begun.Local().Format("15:04"), "frames", d.frames, "took", time.Since(begin).Round(time.Millisecond))
	return d.recall(called, placed, past)
}

// again applies an entry once more. What was refused then was not kept, so a
// refusal now is a fault of ours, told and passed over.
func (d *desk) again(e logbook.Entry) {
	broke := true
	err := d.contain("going on with the session", func() error { err := d.apply(e); broke = false; return err })
	if broke {
		d.mend()
	}
	if err != nil {
		d.log.Error("an entry of the logbook could not be followed: our fault, please report it", "entry", e.Seq, "error", err)
	}
	if e.Frame != nil && e.Frame.Code != codePassedOver {
		d.frames++
		d.around.Latest = latestFrom(e.Frame, d.frames)
		d.planner.see(e.Frame)
	}
}

// recall lays a command line that has changed over the session gone on with.
// What it says as it said before leaves what was set on the page.
func (d *desk) recall(called mountmodel.Config, placed bool, past *logbook.Session) error {
	config := d.config
	if placed != past.Placed || !reflect.DeepEqual(called, past.Called) {
		if placed {
			config = called
		}
		config.Tolerance, config.MeasureFrames, config.Pole, config.Guiding = called.Tolerance, called.MeasureFrames, called.Pole, called.Guiding
	}
	begins := placed && d.session == nil // stopped before the place was kept
	if begins {
		config = called
	}
	if !begins && reflect.DeepEqual(config, d.config) {
		return nil
	}
	_, err := d.do(logbook.Entry{Config: &config, Unplaced: !placed && d.session == nil})
	return err
}

// do applies an entry now, and keeps it if that went well; it gives its number
// in the logbook.
func (d *desk) do(e logbook.Entry) (int64, error) {
	e.At = d.stamp()
	if err := d.apply(e); err != nil {
		return 0, err
	}
	if d.session != nil {
		e.Result = logbook.ResultFromView(d.session.View())
	}
	return d.keeping.append(e), nil
}

// stamp is the present as the logbook keeps it: without the monotonic clock, in
// UTC.
func (d *desk) stamp() time.Time { return time.Unix(0, d.now().UnixNano()).UTC() }

// apply does to the session what an entry says.
func (d *desk) apply(e logbook.Entry) error {
	switch {
	case e.Config != nil && e.Unplaced:
		d.config = *e.Config
		return nil
	case e.Config != nil:
		return d.configure(e.At, *e.Config)
	case e.Frame != nil && e.Frame.Code == codePassedOver:
		return nil
	case e.Frame != nil:
		d.sight(e.At, e.Frame.Sighting)
		return nil
	case e.Note != nil:
		d.memories.again(e.Note)
		return nil
	case e.Plan != nil:
		d.planner.order = &web.PlanOrder{Plan: e.Plan.Plan, LimitPx: e.Plan.LimitPx}
		return nil
	case d.session == nil && e.Event == mountmodel.WatchOnly:
		d.watchOnly = true
		return nil
	case d.session == nil:
		return errNoPlace
	case e.Event != "":
		return d.session.Do(e.At, e.Event)
	case e.Stroke != nil:
		return d.session.Turned(e.At, e.Stroke.Bolt, e.Stroke.Turns)
	}
	return errors.New("this entry says nothing")
}

// configure begins the session, or works it out anew.
func (d *desk) configure(at time.Time, config mountmodel.Config) error {
	if d.session == nil {
		return d.begin(at, config)
	}
	if err := d.session.Reconfigure(config); err != nil {
		return err
	}
	d.config = config
	return nil
}

// sight gives a sighting to the session, or has it wait for one.
func (d *desk) sight(at time.Time, s mountmodel.Sighting) {
	if d.session != nil {
		d.session.Take(at, s)
	} else if d.early = append(d.early, s); len(d.early) > mostEarly {
		d.early = d.early[1:]
	}
}
