package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"
	"sync/atomic"
	"time"

	"polard/mountmodel/sky"
	"polard/web"
	"polard/web/alarm"
	"polard/web/metrics"
	"polard/web/mqtt"

	"github.com/spf13/cobra"
)

// brokerFlags say which MQTT broker to speak to.
type brokerFlags struct {
	broker, user, passwordFile, ca, prefix string
}

func (f *brokerFlags) add(c *cobra.Command, what string) {
	c.Flags().StringVar(&f.broker, "mqtt", "", what+": mqtt://HOST:1883, or mqtts://HOST:8883 for TLS (`URL`)")
	c.Flags().StringVar(&f.user, "mqtt-user", "", "`NAME` under which the broker knows this one")
	c.Flags().StringVar(&f.passwordFile, "mqtt-password-file", "", "`FILE` whose first line is the password for the broker")
	c.Flags().StringVar(&f.ca, "mqtt-ca", "", "`FILE` of certificates (PEM) to trust beside the system's")
	c.Flags().StringVar(&f.prefix, "mqtt-prefix", "polard", "`TOPIC` below which the piers tell")
}

// options are those of the broker's client.
func (f *brokerFlags) options(log *slog.Logger) (mqtt.Options, error) {
	o := mqtt.Options{Broker: f.broker, User: f.user, CAFile: f.ca, Prefix: f.prefix, Program: programName(), Logger: log}
	if f.passwordFile != "" {
		text, err := os.ReadFile(f.passwordFile)
		if err != nil {
			return o, wrongCall("--mqtt-password-file: %w", err)
		}
		first, _, _ := strings.Cut(string(text), "\n")
		if o.Password = strings.TrimRight(first, "\r"); o.Password == "" {
			return o, wrongCall("--mqtt-password-file %s: its first line is empty", f.passwordFile)
		}
	}
	if err := o.Check(); err != nil {
		return o, wrongCall("--mqtt: %w", err)
	}
	return o, nil
}

// outletFlags are the options of what tells of the service while nobody looks at
// its page.
type outletFlags struct {
	moved    float64
	unsolved int
	broker   brokerFlags
	pier     string
}

func (f *outletFlags) add(c *cobra.Command) {
	c.Flags().Float64Var(&f.moved, "alarm-moved", alarm.DefaultMoved.Arcminutes(), "raise an alarm when the watched axis has moved by this much (`ARCMIN`); 0 raises none")
	c.Flags().IntVar(&f.unsolved, "alarm-unsolved", alarm.DefaultUnsolved, "raise an alarm when `N` frames in a row were not solved; 0 raises none")
	f.broker.add(c, "tell this MQTT broker how the axis stands")
	c.Flags().StringVar(&f.pier, "pier", "", "`NAME` of this pier at the broker and in a shared logbook (default: the machine's name)")
}

// name is that of the pier: the one given, or the machine's.
func (f *outletFlags) name() (string, error) {
	if f.pier != "" {
		return f.pier, nil
	}
	host, err := os.Hostname()
	if err != nil {
		return "", wrongCall("this machine has no name (%w): give --pier", err)
	}
	return host, nil
}

// outlets makes what the options ask for.
func (f *outletFlags) outlets(log *slog.Logger) (*outlets, error) {
	if !(f.moved >= 0 && f.moved <= 60*90) {
		return nil, wrongCall("--alarm-moved %g: give arcminutes, above 0, or 0 for no alarm", f.moved)
	}
	if f.unsolved < 0 {
		return nil, wrongCall("--alarm-unsolved %d: give a number of frames, or 0 for no alarm", f.unsolved)
	}
	o := newOutlets(alarm.Options{Moved: sky.Angle(f.moved) * sky.Arcminute, Unsolved: f.unsolved}, log)
	if f.broker.broker == "" {
		return o, nil
	}
	opt, err := f.broker.options(log)
	if err != nil {
		return nil, err
	}
	if opt.Pier, err = f.name(); err != nil {
		return nil, err
	}
	if o.publisher, err = mqtt.NewPublisher(opt); err != nil {
		return nil, wrongCall("--pier: %w", err)
	}
	return o, nil
}

// outlets take every state on its way to the page: they judge whether there is
// cause for alarm, count, and tell a broker. All but Run is called on the desk's
// goroutine.
type outlets struct {
	judge     *alarm.Judge
	metrics   *metrics.Set
	publisher *mqtt.Publisher // nil without a broker
	log       *slog.Logger
	now       func() time.Time
	told      map[string]bool // alarms that were logged
}

func newOutlets(opt alarm.Options, log *slog.Logger) *outlets {
	return &outlets{
		judge: alarm.NewJudge(opt), metrics: metrics.New(programName()), log: log, now: time.Now, told: make(map[string]bool),
	}
}

// Run keeps the connection to the broker, if there is one, until ctx ends.
func (o *outlets) Run(ctx context.Context) error {
	if o.publisher == nil {
		return nil
	}
	return o.publisher.Run(ctx)
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
	if o.publisher != nil {
		o.publisher.Publish(*state)
	}
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

// healthy tells whether the desk still answers. While it goes on with a long
// session it does not yet, and to start it anew would only make that longer.
func (s *service) healthy(ctx context.Context) error {
	if !s.desk.stands.Load() {
		return nil
	}
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
		var lost error
		if err := s.desk.ask(ctx, func() error { placed, lost = s.desk.placed, s.desk.keeping.trouble(); return nil }); err != nil {
			if !s.desk.stands.Load() {
				return errors.New("it still goes through what the logbook holds of the session: wait a moment")
			}
			return errors.New("the session does not answer")
		}
		if lost != nil {
			return lost
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

// trouble is why the logbook is not kept; nil when it is, or when none is wanted.
func (k *keeping) trouble() error {
	if k == nil || k.keeper == nil {
		return nil
	}
	if t := k.keeper.Trouble(); t != nil {
		return t
	}
	return nil
}
