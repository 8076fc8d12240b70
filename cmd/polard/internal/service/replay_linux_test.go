package service

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/journal"
	"polard/cmd/polard/internal/pipeline"
	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/mountmodel/sky"
)

// BenchmarkGoingOn measures what it takes to stand again behind a session of
// 20,000 frames of which most were taken while the bolts could be turned, as in
// TestSoak, and behind one of 100 watched nights of 200 frames each. The
// processor time is that of all cores together; the part "in-turn" can only be
// done frame after frame:
//
//	go test -run xxx -bench GoingOn -benchtime 1x ./cmd/polard/internal/service
func BenchmarkGoingOn(b *testing.B) {
	const frames = 20000
	b.Run("adjusting", func(b *testing.B) {
		n, base := trackedNight(b)
		entries := []logbook.Entry{{At: base[0].Mid, Config: &mountmodel.Config{}}}
		for i := range frames {
			s := base[min(i, len(base)-1)]
			if i >= len(base) {
				s.Mid = s.Mid.Add(time.Duration(i-len(base)+1) * 5 * time.Second)
			}
			entries = append(entries, frameOf(s, i))
		}
		goOn(b, n, entries, mountmodel.Adjusting)
	})
	b.Run("watching", func(b *testing.B) {
		n, base := trackedNight(b)
		entries := []logbook.Entry{{At: base[0].Mid, Event: mountmodel.WatchOnly}, {At: base[0].Mid, Config: &mountmodel.Config{}}}
		const aNight = 200
		for i := range frames {
			s := base[len(base)-1]
			s.Mid = s.Mid.Add(time.Duration(i/aNight)*24*time.Hour + time.Duration(i%aNight)*2*time.Minute)
			entries = append(entries, frameOf(s, i))
		}
		goOn(b, n, entries, mountmodel.Watching)
	})
}

// trackedNight gives a rig and what was seen at three turns of its axis. Later
// moments of the last, with the same stars at the same places, are those of a
// mount that tracks.
func trackedNight(b *testing.B) (*harness.Night, []mountmodel.Sighting) {
	b.Helper()
	n := harness.NewNight(b, 3)
	n.At = time.Date(2026, 10, 3, 19, 0, 0, 0, time.UTC)
	p, err := pipeline.New()
	if err != nil {
		b.Fatal(err)
	}
	var base []mountmodel.Sighting
	for i := range 3 {
		n.Expose()
		o := p.ReadFile(b.Context(), filepath.Join(n.Folder, n.Names[i]))
		if o.Solution == nil {
			b.Fatal(o.Problem)
		}
		base = append(base, o.Sighting)
	}
	return n, base
}

func frameOf(s mountmodel.Sighting, i int) logbook.Entry {
	s.Name = fmt.Sprintf("frame %05d.fits", i)
	return logbook.Entry{At: s.Mid, Frame: &logbook.Frame{Sighting: s, Path: s.Name, Modified: s.Mid, Matched: len(s.Pairs), Sum: uint64(i + 1)}}
}

// goOn keeps entries in a logbook and measures how a service goes on with them.
func goOn(b *testing.B, n *harness.Night, entries []logbook.Entry, phase mountmodel.Phase) {
	b.Helper()
	state := b.TempDir()
	kept := harness.Book(b, state)
	site := n.Rig.Config().Site
	cfg := mountmodel.Config{Site: site, Air: sky.StandardAir(site.ElevationM), Tolerance: mountmodel.DefaultTolerance, MeasureFrames: 3}
	begun := entries[0].At
	session := logbook.Session{Source: "folder", Folder: n.Folder, Begun: begun, Since: begun.Add(-time.Hour), Called: cfg, Placed: true}
	id, err := kept.Begin(b.Context(), session, "test")
	if err != nil {
		b.Fatal(err)
	}
	frames := int64(0)
	for i := range entries {
		entries[i].Seq = int64(i + 1)
		if entries[i].Config != nil {
			entries[i].Config = &cfg
		}
		if entries[i].Frame != nil {
			frames++
		}
	}
	if err := kept.Append(b.Context(), id, "test", entries); err != nil {
		b.Fatal(err)
	}
	session.Begun = entries[len(entries)-1].At.Add(time.Minute)
	var processor, inTurn float64
	for b.Loop() {
		before := harness.ProcessorMs(b)
		d := bareController(&harness.Output{}, cfg, true)
		j := journal.Open(b.Context(), journal.Options{Path: filepath.Join(state, logbook.FileName), Log: d.log}, session)
		d = newController(nil, j, d.log, cfg, true)
		if err := d.open(b.Context()); err != nil {
			b.Fatal(err)
		}
		if v := d.alignment.Session.View(); v.Phase != phase || d.alignment.frames != frames || v.Now == nil {
			b.Fatalf("phase %s, %d frames of %d", v.Phase, d.alignment.frames, frames)
		}
		processor += harness.ProcessorMs(b) - before

		// The same again, with nothing but the prepared entries taken in.
		var prepared []logbook.Entry
		if _, err := j.Replay(b.Context(), func(e logbook.Entry) error { prepared = append(prepared, e); return nil }); err != nil {
			b.Fatal(err)
		}
		d = bareController(&harness.Output{}, cfg, true)
		before = harness.ProcessorMs(b)
		for _, e := range prepared {
			replay(&d.alignment, e, d.log)
		}
		inTurn += harness.ProcessorMs(b) - before
	}
	b.ReportMetric(processor/1000/float64(b.N), "processor-s")
	b.ReportMetric(inTurn/1000/float64(b.N), "in-turn-s")
}
