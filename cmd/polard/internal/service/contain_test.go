package service

import (
	"context"
	"path/filepath"
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
	"polard/mountmodel/sky"
	"polard/solve"
	"polard/web"
)

// Wherever a mistake of ours breaks the work on a frame, it costs that frame: the
// log names the file, the page says whose fault it is, and the next frame is
// read as if nothing had been.
func TestPanicCostsOneFrame(t *testing.T) {
	harness.NotUnderRace(t)
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	site := sky.Site{Latitude: sky.Angle(set.Site.Lat) * sky.Degree, Longitude: sky.Angle(set.Site.Lon) * sky.Degree, ElevationM: set.Site.Elev}
	cfg := mountmodel.Config{Site: site, Air: sky.StandardAir(site.ElevationM), Tolerance: mountmodel.DefaultTolerance}
	for name, hurt := range map[string]func(d *Controller) (heal func()){
		"stars": func(d *Controller) func() {
			search := d.pipeline.Search
			d.pipeline.Search = func(context.Context, solve.Image, solve.Hint) (*solve.Solution, error) { panic("a mistake") }
			return func() { d.pipeline.Search = search }
		},
		"sighting": func(d *Controller) func() {
			search := d.pipeline.Search
			d.pipeline.Search = func(context.Context, solve.Image, solve.Hint) (*solve.Solution, error) { return nil, nil } // which cannot be
			return func() { d.pipeline.Search = search }
		},
		"session": func(d *Controller) func() {
			d.alignment.Session = new(mountmodel.Session) // one that was never begun breaks on its first frame
			return func() {}
		},
	} {
		t.Run(name, func(t *testing.T) {
			p, err := pipeline.New()
			if err != nil {
				t.Fatal(err)
			}
			var log harness.Output
			d := newController(p, journal.None(harness.Logger(&log)), harness.Logger(&log), cfg, true)
			var state web.State
			d.publish = func(s web.State) { state = s }
			pictures := 0
			d.preview = func(web.Preview) error { pictures++; panic("a mistake") }
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			go d.Run(ctx)
			arrive := func(k int) web.Latest {
				frame, err := fits.ReadFile(set.Paths()[k])
				d.Arrive(ctx, watch.Arrival{Path: set.Paths()[k], Frame: frame, Err: err})
				var l web.Latest
				if err := d.ask(ctx, func() error { l = *state.Latest; return nil }); err != nil {
					t.Fatal(err)
				}
				return l
			}
			var heal func()
			if err := d.ask(ctx, func() error { heal = hurt(d); return nil }); err != nil {
				t.Fatal(err)
			}
			l := arrive(0)
			if l.Problem == nil || l.Problem.Code != "internal" || !strings.Contains(l.Problem.Message, "our fault") {
				t.Errorf("the page is told %+v", l.Problem)
			}
			file := filepath.Base(set.Paths()[0])
			if !strings.Contains(log.String(), file) {
				t.Errorf("the log does not name %s: %s", file, log.String())
			}
			heal()
			if l := arrive(1); !l.Solved {
				t.Errorf("the next frame: %+v", l.Problem)
			}
			if state.Phase != string(mountmodel.Measuring) || len(state.Frames) != 2 || pictures != 2 {
				t.Errorf("phase %s, %d frames, %d pictures", state.Phase, len(state.Frames), pictures)
			}
		})
	}
}

// A session that cannot be mended is begun anew, and the page says what that means until somebody goes on.
func TestDroppedSessionIsTold(t *testing.T) {
	cfg := mountmodel.Config{Air: sky.StandardAir(0), Tolerance: mountmodel.DefaultTolerance}
	c := bareController(&harness.Output{}, cfg, true)
	var state web.State
	c.publish = func(s web.State) { state = s }
	if err := c.open(t.Context()); err != nil {
		t.Fatal(err)
	}
	broken := c.alignment.Session
	c.alignment.rebuildBy(c.log, func() error { panic("a mistake") })
	c.show()
	if c.alignment.Session == broken || len(state.Warnings) != 1 || state.Warnings[0].Code != "session_dropped" {
		t.Errorf("the page is told %+v", state.Warnings)
	}
	if err := c.alignment.Apply(logbook.Entry{At: time.Now(), Event: mountmodel.StartOver}); err != nil {
		t.Fatal(err)
	}
	if c.show(); len(state.Warnings) != 0 {
		t.Errorf("after starting over: %+v", state.Warnings)
	}
}
