package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
	"time"

	"polard/fits"
	"polard/mountmodel"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
	"polard/web"
	"polard/web/alarm"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"
)

// defaultAddr is where the page is served unless told otherwise: this machine
// only.
const defaultAddr = "127.0.0.1:8467"

// reachFlags say where a page is served and who reaches it.
type reachFlags struct {
	addr    string
	network bool
	hosts   []string
	tls     tlsFlags
}

func (f *reachFlags) add(c *cobra.Command, addr string) {
	c.Flags().StringVar(&f.addr, "addr", addr, "where the page is served (`HOST:PORT`; port 0 takes a free one)")
	c.Flags().BoolVar(&f.network, "allow-network", false, "let --addr be reached from other machines; devices there see nothing until they are paired (see --pair)")
	c.Flags().StringSliceVar(&f.hosts, "host", nil, "further `NAME` under which this machine is opened")
	f.tls.add(c)
}

// check refuses an address that others reach without --allow-network.
func (f *reachFlags) check() error {
	if err := web.CheckAddr(f.addr, f.network); err != nil {
		return wrongCall("--addr: %w (--allow-network allows it)", err)
	}
	return nil
}

// pageFlags are the options of the page and of the alignment itself.
type pageFlags struct {
	reachFlags
	tolerance float64
	measure   int
}

func (f *pageFlags) add(c *cobra.Command) {
	f.reachFlags.add(c, defaultAddr)
	c.Flags().Float64Var(&f.tolerance, "tolerance", mountmodel.DefaultTolerance.Arcminutes(), "distance from the pole that is near enough, in `ARCMIN`")
	c.Flags().IntVar(&f.measure, "measure", 0, "take exactly `N` frames for the measurement; 0 leaves it to the session")
}

// apply puts the options into the configuration. The place in it may stand in
// for one that is not known yet.
func (f *pageFlags) apply(cfg *mountmodel.Config) error {
	_, port, err := net.SplitHostPort(f.addr)
	if err == nil {
		_, err = strconv.ParseUint(port, 10, 16)
	}
	if err != nil {
		return wrongCall("--addr %q: give HOST:PORT, such as %s; port 0 takes a free one", f.addr, defaultAddr)
	}
	if !(f.tolerance > 0) {
		return wrongCall("--tolerance %g: give a distance in arcminutes, above 0", f.tolerance)
	}
	cfg.Tolerance, cfg.MeasureFrames = sky.Angle(f.tolerance)*sky.Arcminute, f.measure
	if err := cfg.Check(); err != nil {
		return callError{err}
	}
	return nil
}

func newServe() *cobra.Command {
	var site siteFlags
	var hints hintFlags
	var page pageFlags
	var frames framesFlags
	var watch watchFlags
	var outlet outletFlags
	var state stateFlags
	var manage managing
	var since time.Duration
	var poll bool
	c := &cobra.Command{
		Use:   "serve FOLDER",
		Short: "watch a camera's folder and serve the page that leads through the alignment",
		Long: `serve watches the folder into which the camera program writes its frames and serves
a page that says what to do: turn the axis, then which bolt, which way, how far.

The place comes from --lat and --lon, from the frames' headers, or from the page.

With --watch there is no procedure: the frames are ordinary exposures, taken for their own
sake while the mount tracks, all night and night after night, and the page tells what they
say of the axis.

Phones and other machines see nothing until they are paired: with --addr 0.0.0.0:8467
--allow-network the service shows a link and a picture of squares that pair one device;
'polard serve --pair' with the same --addr shows another while it runs, --pair=view one
that may only look on; --devices lists who is paired, and --revoke takes the right back.

Stop it with Ctrl-C.`,
		Example: `  polard serve /data/tonight --lat 46.32 --lon 13.07 --elevation 640
  polard serve /data/tonight --addr 0.0.0.0:8467 --allow-network
  polard serve --pair --addr 0.0.0.0:8467`,
		Args: mostOneFolder, Annotations: map[string]string{configured: "yes"},
		RunE: func(c *cobra.Command, args []string) error {
			called := time.Now() // frames that come while the catalogue is being opened are new
			if manage.wanted() {
				return manage.run(c.Context(), page.reachFlags, c.OutOrStdout())
			}
			folder, err := frames.folder(c, args)
			if err != nil {
				return err
			}
			cfg, placed, err := startConfig(c, &site)
			if err != nil {
				return err
			}
			if err := page.apply(&cfg); err != nil {
				return err
			}
			if err := watch.apply(&cfg); err != nil {
				return err
			}
			if since < 0 {
				return wrongCall("--since %v: give a time such as 30m, or 0 to take new frames only", since)
			}
			p, err := newPipeline()
			if err != nil {
				return err
			}
			p.prompt = true
			if err := hints.apply(c, p); err != nil {
				return err
			}
			log := loggerOf(c)
			outlets, err := outlet.outlets(log)
			if err != nil {
				return err
			}
			d := newDesk(p, log, cfg, placed)
			if state.pier, err = outlet.name(); err != nil {
				return err
			}
			begin := newSession(called, "folder", folder, cfg, placed, since)
			kept, err := startKeeping(c.Context(), state, begin, log, d.refresh)
			if err != nil {
				return callError{err}
			}
			d.keepBy(kept)
			old := olderThan(folder, d.keeping.since(begin.Since))
			d.header = func(s sky.Site) (sky.Site, sky.Air) { return site.over(c, s) }
			d.around = web.Around{Program: programName(), Source: web.Source{Kind: "folder", Folder: folder}}
			d.watchCalled = watch.watch
			service := service{desk: d, page: page, state: state, out: c.OutOrStdout(), log: log, outlets: outlets, ready: func(url string) {
				fmt.Fprintf(c.OutOrStdout(), "polard watches %s; open %s\n", folder, url)
			}}
			service.watcher = fits.NewWatcher(fits.Options{
				Folder: folder, PollOnly: poll,
				Skip: func(path string, size int64, modified time.Time) bool {
					o, isOld := old[path]
					return isOld && o.size == size && o.modified.Equal(modified) || d.keeping.known(path, size, modified)
				},
				Taken:  d.keeping.taken(),
				Newest: d.newestOnly,
				Report: func(err error) {
					service.trouble.set(err)
					if err != nil {
						log.Error("the folder cannot be read; trying again", "folder", folder, "error", err)
					} else {
						log.Info("the folder can be read again", "folder", folder)
					}
				},
			})
			return service.run(c.Context())
		},
	}
	site.add(c)
	hints.add(c)
	page.add(c)
	frames.add(c)
	outlet.add(c)
	watch.add(c, "no procedure: take every frame as an ordinary exposure of a tracking mount, and watch the axis")
	state.add(c)
	manage.add(c, web.RightOperate)
	c.Flags().DurationVar(&since, "since", 2*time.Hour, "of the frames that are there already, take those written within this time (`DURATION`, such as 30m)")
	c.Flags().BoolVar(&poll, "poll", false, "look into the folder now and then instead of waiting for the system's events")
	return c
}

// framesFlags say where the camera writes its frames, where that stands in the
// configuration rather than in the call.
type framesFlags struct{ named string }

func (f *framesFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&f.named, "frames", "", "the camera's `FOLDER`, when it is not named as argument")
}

func mostOneFolder(c *cobra.Command, args []string) error {
	if len(args) > 1 {
		return wrongCall("name the one folder into which the camera writes its frames: '%s FOLDER'", c.CommandPath())
	}
	return nil
}

// folder is the one that the call or the configuration names.
func (f *framesFlags) folder(c *cobra.Command, args []string) (string, error) {
	folder := f.named
	if len(args) == 1 {
		folder = args[0]
	}
	if folder == "" {
		return "", wrongCall("name the one folder into which the camera writes its frames: '%s FOLDER'", c.CommandPath())
	}
	return folder, checkFolder(folder)
}

// checkFolder says what is wrong with a folder named in the call, or nil.
func checkFolder(folder string) error {
	info, err := os.Stat(folder)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return wrongCall("there is no folder %s: make it first, or name another", folder)
	case err != nil:
		return wrongCall("folder: %w", err)
	case !info.IsDir():
		return wrongCall("%s is a file: name the folder it lies in", folder)
	}
	return nil
}

// startConfig is the configuration from the options; placed tells whether they
// name the place.
func startConfig(c *cobra.Command, site *siteFlags) (cfg mountmodel.Config, placed bool, err error) {
	placed = c.Flags().Changed("lat") || c.Flags().Changed("lon")
	if placed {
		cfg, err = site.config(c, nil)
		return cfg, placed, err
	}
	// The rest of the options is checked against a place that stands in until
	// the frames or the page name one.
	cfg, err = site.config(c, &sky.Site{})
	return cfg, placed, err
}

// stamp tells whether a file is still the one it was.
type stamp struct {
	size     int64
	modified time.Time
}

// olderThan lists the files below a folder that were last written before a
// time. It looks where the watcher looks, so it follows symbolic links.
func olderThan(folder string, limit time.Time) map[string]stamp {
	old := make(map[string]stamp)
	visited := make(map[string]bool) // against loops of links
	var look func(folder string)
	look = func(folder string) {
		real, err := filepath.EvalSymlinks(folder)
		if err != nil || visited[real] {
			return
		}
		visited[real] = true
		entries, err := os.ReadDir(folder)
		if err != nil {
			return // the watcher will tell
		}
		for _, entry := range entries {
			path := filepath.Join(folder, entry.Name())
			info, err := os.Stat(path)
			switch {
			case err != nil: // gone meanwhile, or a link to nowhere
			case info.IsDir():
				look(path)
			case info.ModTime().Before(limit):
				old[path] = stamp{info.Size(), info.ModTime()}
			}
		}
	}
	look(folder)
	return old
}

// service is everything that runs behind a page.
type service struct {
	desk    *desk
	watcher *fits.Watcher
	page    pageFlags
	state   stateFlags
	out     io.Writer          // where links that pair are shown; nil: nowhere
	station *rehearsal.Station // nil outside a rehearsal
	arrived func(path string)  // called after a file was dealt with; nil for nothing
	log     *slog.Logger
	ready   func(url string)
	outlets *outlets      // nil: those of the defaults
	trouble folderTrouble // of the watched folder
}

// run starts all parts and stops them together, within two seconds of the end
// of ctx.
func (s *service) run(ctx context.Context) error {
	if s.outlets == nil {
		s.outlets = newOutlets(alarm.Options{Moved: alarm.DefaultMoved, Unsolved: alarm.DefaultUnsolved}, s.log)
	}
	certificate, err := s.page.tls.load()
	if err != nil {
		return err
	}
	options := web.Options{
		Certificate: certificate,
		Addr:        s.page.addr, AllowNetwork: s.page.network, Hosts: s.page.hosts,
		Operator: s.desk, Notes: s.desk.memories, Nights: s.desk.memories, Logger: s.log,
		Healthy: s.healthy, Able: s.able(s.desk.around.Source.Folder), Metrics: s.outlets.metrics.Handler(),
	}
	if s.station != nil {
		options.Rig = s.station
	}
	if folder, err := s.state.place(); err == nil {
		options.Devices = deviceFile(filepath.Join(folder, devicesName))
	}
	var server *web.Server
	options.Ready = func(url string) {
		s.ready(openable(url))
		s.page.invite(server, url, web.RightOperate, "polard serve --pair", s.out, s.log)
	}
	if err := s.page.check(); err != nil {
		return err
	}
	if server, err = web.New(options); err != nil {
		return err
	}
	s.desk.publish = func(state web.State) {
		s.outlets.pass(&state)
		if err := server.Publish(state); err != nil {
			s.log.Error("the page cannot be brought up to date", "error", err)
		}
	}
	s.desk.preview = server.PublishPreview
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return server.Run(ctx) })
	group.Go(func() error { return s.desk.Run(ctx) })
	group.Go(func() error { return s.outlets.Run(ctx) })
	group.Go(func() error {
		return s.watcher.Run(ctx, func(a fits.Arrival) {
			s.desk.Arrive(ctx, a)
			if s.arrived != nil {
				s.arrived(a.Path)
			}
		})
	})
	if s.station != nil {
		group.Go(func() error { return s.station.Run(ctx) })
	}
	// The logbook is written to the end of the others, who still have things to
	// keep.
	written := s.desk.keeping.start(context.WithoutCancel(ctx))
	err = group.Wait()
	written()
	if errors.Is(err, syscall.EADDRINUSE) {
		return fmt.Errorf("%s is in use, perhaps by another polard: choose another with --addr, or 127.0.0.1:0 for any free one", s.page.addr)
	}
	return err
}
