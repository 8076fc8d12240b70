package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"sync/atomic"
	"time"

	"polard/mountmodel/sky"
	"polard/web"
	"polard/web/alarm"
	"polard/web/metrics"

	"github.com/spf13/cobra"
)

// outletFlags are the options of what tells of the service while nobody looks at
// its page.
type outletFlags struct {
	moved    float64
	unsolved int
}

func (f *outletFlags) add(c *cobra.Command) {
	c.Flags().Float64Var(&f.moved, "alarm-moved", alarm.DefaultMoved.Arcminutes(), "raise an alarm when the watched axis has moved by this much (`ARCMIN`); 0 raises none")
	c.Flags().IntVar(&f.unsolved, "alarm-unsolved", alarm.DefaultUnsolved, "raise an alarm when `N` frames in a row were not solved; 0 raises none")
}

func (f *outletFlags) options() (alarm.Options, error) {
	if !(f.moved >= 0 && f.moved <= 60*90) {
		return alarm.Options{}, wrongCall("--alarm-moved %g: give arcminutes, above 0, or 0 for no alarm", f.moved)
	}
	if f.unsolved < 0 {
		return alarm.Options{}, wrongCall("--alarm-unsolved %d: give a number of frames, or 0 for no alarm", f.unsolved)
	}
	return alarm.Options{Moved: sky.Angle(f.moved) * sky.Arcminute, Unsolved: f.unsolved}, nil
}

// outlets take every state on its way to the page: they judge whether there is
// cause for alarm, and count. All is called on the desk's goroutine.
type outlets struct {
	judge   *alarm.Judge
	metrics *metrics.Set
	log     *slog.Logger
	now     func() time.Time
	told    map[string]bool // alarms that were logged
}

func newOutlets(opt alarm.Options, log *slog.Logger) *outlets {
	return &outlets{
		judge: alarm.NewJudge(opt), metrics: metrics.New(programName()), log: log, now: time.Now, told: make(map[string]bool),
	}
}

// pass puts the alarms into a state, and tells of it.
func (o *outlets) pass(state *web.State) {
	state.Alarms = o.judge.See(*state, o.now())
	standing := make(map[string]bool)
	for _, a := range state.Alarms {
		standing[a.Code] = true
		if !o.told[a.Code] {
			o.log.Error("alarm", "code", a.Code, "why", a.Message)
		}
		state.Warnings = append(state.Warnings, web.Notice{Code: "alarm_" + a.Code, Message: a.Message})
	}
	for code := range o.told {
		if !standing[code] {
			o.log.Info("alarm over", "code", code)
		}
	}
	o.told = standing
	o.metrics.Observe(*state)
}

// folderTrouble is why the folder cannot be read, as the watcher last said.
type folderTrouble struct{ err atomic.Pointer[error] }

func (f *folderTrouble) set(err error) {
	if err == nil {
		f.err.Store(nil)
		return
	}
	f.err.Store(&err)
}

// healthy tells whether the desk still answers.
func (s *service) healthy(ctx context.Context) error {
	if err := s.desk.ask(ctx, func() error { return nil }); err != nil {
		return errors.New("the session does not answer: restart the service, and report this with its log")
	}
	return nil
}

// able tells whether a frame that came into the folder now would lead to numbers.
func (s *service) able(folder string) func(context.Context) error {
	return func(ctx context.Context) error {
		if p := s.trouble.err.Load(); p != nil {
			return fmt.Errorf("the folder cannot be read: %w", *p)
		}
		if err := readable(folder); err != nil {
			return fmt.Errorf("the folder cannot be read: %w", err)
		}
		var placed bool
		if err := s.desk.ask(ctx, func() error { placed = s.desk.placed; return nil }); err != nil {
			return errors.New("the session does not answer")
		}
		if !placed {
			return errors.New("nobody said yet where the mount stands: --lat and --lon, the page, or the frames' headers")
		}
		return nil
	}
}

func readable(folder string) error {
	f, err := os.Open(folder)
	if err != nil {
		return err
	}
	defer f.Close()
	if _, err := f.Readdirnames(1); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	return nil
}
