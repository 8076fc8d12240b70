package service

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/journal"
	"polard/cmd/polard/internal/pipeline"
	"polard/fits"
	"polard/fits/watch"
	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
	"polard/web"
)

// A service that watches night after night starts again from the newest frames
// and their nights alone; what the page shows is the same, and the nights before
// come from the logbook.
func TestGoesOnWithTheLastNights(t *testing.T) {
	n := harness.NewNight(t, 3)
	n.At = time.Date(2026, 10, 3, 19, 0, 0, 0, time.UTC)
	n.Rig.SetTracking(true, n.At)
	n.Expose()
	p, err := pipeline.New()
	if err != nil {
		t.Fatal(err)
	}
	o := p.ReadFile(t.Context(), filepath.Join(n.Folder, n.Names[0]))
	if o.Solution == nil {
		t.Fatal(o.Problem)
	}
	state := t.TempDir()
	b := harness.Book(t, state)
	site := n.Rig.Config().Site
	cfg := mountmodel.Config{Site: site, Air: sky.StandardAir(site.ElevationM), Tolerance: mountmodel.DefaultTolerance}
	begun := o.Sighting.Mid
	session := logbook.Session{Source: "folder", Folder: n.Folder, Begun: begun, Since: begun.Add(-time.Hour), Called: cfg, Placed: true}
	id, err := b.Begin(t.Context(), session, "test")
	if err != nil {
		t.Fatal(err)
	}
	whole := bareController(&harness.Output{}, cfg, true)
	var entries []logbook.Entry
	add := func(e logbook.Entry) {
		e.Seq = int64(len(entries) + 1)
		if err := whole.alignment.Apply(e); err != nil {
			t.Fatal(err)
		}
		entries = append(entries, e)
	}
	add(logbook.Entry{At: begun, Event: mountmodel.WatchOnly})
	add(logbook.Entry{At: begun, Config: &cfg})
	const nights, frames = 4, 200
	for night := range nights {
		for k := range frames {
			// The mount tracks: the camera sees the same stars at the same places.
			s := o.Sighting
			s.Name = fmt.Sprintf("night %d frame %03d.fits", night, k)
			s.Mid = s.Mid.Add(time.Duration(night)*24*time.Hour + time.Duration(k)*time.Minute)
			add(logbook.Entry{At: s.Mid, Frame: &logbook.Frame{Sighting: s, Path: s.Name, Modified: begun, Matched: len(s.Pairs), Sum: uint64(len(entries))}})
			if k == 100 {
				refused := mountmodel.Sighting{Name: s.Name + " clouds", Mid: s.Mid, Refused: "clouds"}
				add(logbook.Entry{At: s.Mid, Frame: &logbook.Frame{Sighting: refused, Path: refused.Name, Modified: begun, Code: "few_stars"}})
			}
		}
		entries[len(entries)-1].Result = logbook.ResultFromView(whole.alignment.Session.View())
	}
	if err := b.Append(t.Context(), id, "test", entries); err != nil {
		t.Fatal(err)
	}
	log := &harness.Output{}
	d := bareController(log, cfg, true)
	restarted := session
	restarted.Begun = entries[len(entries)-1].At.Add(time.Hour)
	j := journal.Open(t.Context(), journal.Options{Path: filepath.Join(state, logbook.FileName), Log: d.log}, restarted)
	taken := 0
	if outlived, err := j.Replay(t.Context(), func(logbook.Entry) error { taken++; return nil }); err != nil || outlived != 2*frames || taken != len(entries)-2*frames {
		t.Errorf("%d frames left out and %d entries of %d taken in, %v", outlived, taken, len(entries), err)
	}
	d = newController(nil, j, d.log, cfg, true)
	if err := d.open(t.Context()); err != nil {
		t.Fatal(err)
	}
	want, got := whole.alignment.Session.View(), d.alignment.Session.View()
	if len(want.Watch.Before) != nights-1 || len(got.Watch.Before) != 1 || len(got.Frames) != len(want.Frames) || got.Watch.Frames != want.Watch.Frames || got.Now.Axis != want.Now.Axis {
		t.Errorf("%d nights, %d frames, %+v; all entries give %d, %d, %+v; log: %s", len(got.Watch.Before), got.Watch.Frames, got.Now, len(want.Watch.Before), want.Watch.Frames, want.Now, log)
	}
	if d.alignment.frames != nights*(frames+1) || d.alignment.latest.ID != d.alignment.frames {
		t.Errorf("%d frames counted, the last has number %d", d.alignment.frames, d.alignment.latest.ID)
	}
	var shown web.State
	d.publish = func(s web.State) { shown = s }
	d.show()
	if shown.Watch == nil || len(shown.Watch.Nights) != nights-1 {
		t.Errorf("nights shown: %+v", shown.Watch)
	}
}

// A mistake of ours in an entry of the logbook must not keep the service from
// starting, again and again.
func TestPanicWhileGoingOn(t *testing.T) {
	log := &harness.Output{}
	d := bareController(log, mountmodel.Config{}, false)
	d.alignment.noted = func(*logbook.Note) { panic("a mistake") }
	replay(&d.alignment, logbook.Entry{Note: &logbook.Note{Key: "tripod", Value: "{}"}}, d.log)
	if !strings.Contains(log.String(), "a mistake of ours") {
		t.Errorf("the log does not tell: %s", log)
	}
}

// bareController controls an alignment without frames and a journal.
func bareController(log *harness.Output, config mountmodel.Config, placed bool) *Controller {
	return newController(nil, journal.None(harness.Logger(log)), harness.Logger(log), config, placed)
}

// A service that is started again takes directions through the lens that the session began with: a frame gives the same
// sighting, to the last bit, as without the stop.
func TestLensIsResumed(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	site := sky.Site{Latitude: sky.Angle(set.Site.Lat) * sky.Degree, Longitude: sky.Angle(set.Site.Lon) * sky.Degree, ElevationM: set.Site.Elev}
	cfg := mountmodel.Config{Site: site, Air: sky.StandardAir(site.ElevationM), Tolerance: mountmodel.DefaultTolerance, MeasureFrames: set.Measure}
	state, folder := t.TempDir(), t.TempDir()
	var last [2][]observed.Pair // of the second frame: in one run, and after a stop
	for i, stops := range []bool{false, true} {
		begin := journal.NewSession(time.Now(), "test", "folder", filepath.Join(folder, fmt.Sprint(stops)), cfg, true, time.Hour)
		for run := range 2 {
			log := harness.Logger(&harness.Output{})
			j := journal.Open(t.Context(), journal.Options{Path: filepath.Join(state, logbook.FileName), Log: log}, begin)
			p, err := pipeline.New()
			if err != nil {
				t.Fatal(err)
			}
			c := newController(p, j, log, cfg, true)
			ctx, cancel := context.WithCancel(t.Context())
			writing := start(context.WithoutCancel(ctx), j.Run)
			ended := make(chan error)
			go func() { ended <- c.Run(ctx) }()
			frames := set.Paths()[run : run+1]
			if !stops {
				frames = set.Paths()[:2]
			}
			for _, path := range frames {
				frame, err := fits.ReadFile(path)
				c.Arrive(ctx, watch.Arrival{Path: path, Frame: frame, Err: err, Complete: time.Now()})
			}
			cancel()
			if err := <-ended; err != nil {
				t.Fatal(err)
			}
			if !stop([]*part{writing}, harness.Patience) {
				t.Fatal("the journal is not written to its end")
			}
			if !stops {
				break
			}
		}
		b := harness.Book(t, state)
		s, err := b.Last(t.Context(), filepath.Join(folder, fmt.Sprint(stops)), time.Time{})
		if err != nil || s == nil {
			t.Fatal(s, err)
		}
		lenses := 0
		if err := b.Entries(t.Context(), s.ID, true, func(e logbook.Entry) error {
			if e.Lens != nil {
				lenses++
			}
			if e.Frame != nil {
				last[i] = e.Frame.Sighting.Pairs
			}
			return nil
		}); err != nil || lenses != 1 {
			t.Errorf("stops %v: %d lenses are kept (%v)", stops, lenses, err)
		}
	}
	if len(last[0]) == 0 || !slices.Equal(last[0], last[1]) {
		t.Errorf("%d stars in one run, %d after a stop, or in other directions", len(last[0]), len(last[1]))
	}
}

// A file that another service on the folder kept while this one started is in the session that it goes on with, and is not
// taken once more.
func TestKeptWhileItStarted(t *testing.T) {
	site := sky.Site{Latitude: 46 * sky.Degree, Longitude: 13 * sky.Degree}
	cfg := mountmodel.Config{Site: site, Air: sky.StandardAir(0), Tolerance: mountmodel.DefaultTolerance}
	state, folder := t.TempDir(), t.TempDir()
	log := harness.Logger(&harness.Output{})
	open := func() *journal.Journal {
		begin := journal.NewSession(time.Now(), "test", "folder", folder, cfg, true, time.Hour)
		return journal.Open(t.Context(), journal.Options{Path: filepath.Join(state, logbook.FileName), Log: log}, begin)
	}
	take := func(j *journal.Journal, files ...uint64) {
		c := newController(nil, j, log, cfg, true)
		ctx, cancel := context.WithCancel(t.Context())
		writing, ended := start(context.WithoutCancel(ctx), j.Run), make(chan error)
		go func() { ended <- c.Run(ctx) }()
		for _, sum := range files {
			c.Arrive(ctx, watch.Arrival{Path: fmt.Sprintf("f%d.fits", sum), Sum: sum, Err: fits.ErrMalformed, Complete: time.Now()})
			harness.Eventually(t, "the disk", func() (bool, string) {
				return j.Await(ctx, j.Append(logbook.Entry{At: time.Now(), Note: &logbook.Note{Key: "k", Value: "{}"}})) == nil, ""
			})
		}
		cancel()
		if err := <-ended; err != nil {
			t.Fatal(err)
		}
		if !stop([]*part{writing}, harness.Patience) {
			t.Fatal("the journal is not written to its end")
		}
	}
	take(open(), 1)
	starts := open()
	take(open(), 2)
	take(starts, 3, 2, 4)
	var kept []uint64
	b := harness.Book(t, state)
	s, err := b.Last(t.Context(), folder, time.Time{})
	if err != nil || s == nil {
		t.Fatal(s, err)
	}
	if err := b.Entries(t.Context(), s.ID, false, func(e logbook.Entry) error {
		if e.Frame != nil {
			kept = append(kept, e.Frame.Sum)
		}
		return nil
	}); err != nil || !slices.Equal(kept, []uint64{1, 2, 3, 4}) {
		t.Errorf("kept %v (%v)", kept, err)
	}
}
