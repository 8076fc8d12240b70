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
	"slices"
	"strconv"
	"time"

	"polard/cmd/polard/internal/announce"
	"polard/cmd/polard/internal/devices/operate"
	"polard/cmd/polard/internal/journal"
	"polard/cmd/polard/internal/pairing"
	"polard/cmd/polard/internal/pipeline"
	"polard/cmd/polard/internal/service"
	"polard/fits/watch"
	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/mountmodel/sky"
	"polard/web"

	"github.com/spf13/cobra"
)

// defaultAddr is where the page is served unless told otherwise: this machine
// only.
const defaultAddr = "127.0.0.1:8467"

// probe is called before every numeric part of a session; nil but in a process that a test has started, see
// mountmodel.Session.Probe.
var probe func(part string)

// reachFlags say where a page is served and who reaches it.
type reachFlags struct {
	addr      string
	network   bool
	forwarded bool
	hosts     []string
	tls       tlsFlags
	unnamed   bool

	fingerprint string // of the certificate of our own; empty with another
}

func (f *reachFlags) add(c *cobra.Command, addr string) {
	c.Flags().StringVar(&f.addr, "addr", addr, "where the page is served (`HOST:PORT`; port 0 takes a free one)")
	c.Flags().BoolVar(&f.network, "allow-network", false, "let --addr be reached from other machines; devices there see nothing until they are paired (see --pair)")
	c.Flags().BoolVar(&f.forwarded, "forwarded", false, "somebody passes connections on to --addr, such as a container's published port, a tunnel, or a proxy that adds no header: browsers on this machine have to be paired too")
	c.Flags().StringSliceVar(&f.hosts, "host", nil, "further `NAME` under which this machine is opened")
	c.Flags().BoolVar(&f.unnamed, "no-name", false, "do not make the page known on the local network as polard.local")
	f.tls.add(c)
}

// check refuses an address that others reach without --allow-network.
func (f *reachFlags) check() error {
	if err := web.CheckAddr(f.addr, f.network); err != nil {
		return wrongCall("--addr: %w (--allow-network allows it)", err)
	}
	return nil
}

// reach is where the page is served, for those who are invited.
func (f *reachFlags) reach() pairing.Reach {
	return pairing.Reach{Addr: f.addr, Hosts: f.hosts, Fingerprint: f.fingerprint}
}

// opened tells where the page is found, once it can be: on the page itself, to who started it, and in the log. The name on
// the local network follows when one could be had; without it the page is opened by its number.
func (f *reachFlags) opened(ctx context.Context, server *web.Server, url string, out io.Writer, log *slog.Logger) {
	if pairing.LoopbackOnly(f.addr) {
		return
	}
	scheme, port := pairing.SchemeAndPort(url)
	links := f.reach().Links(scheme, port)
	server.SetAddresses(links)
	log.Info("the page is open to paired devices", "addresses", links)
	number, err := strconv.Atoi(port)
	if f.unnamed || err != nil {
		return
	}
	go func() {
		a, err := announce.Start(announce.Page{Port: number, Scheme: scheme})
		if err != nil {
			log.Info("the page has no name on the local network; open it by its number", "why", err)
			return
		}
		defer a.Close()
		named := scheme + "://" + net.JoinHostPort(a.Name, port) + "/"
		server.SetAddresses(append([]string{named}, links...))
		log.Info("the page has a name on the local network", "address", named)
		fmt.Fprintf(out, "on the local network it is %s\n", named)
		<-ctx.Done()
	}()
}

// options are those of the server; the paired devices are kept in a list in the folder of the program's state.
func (f *reachFlags) options(state stateFlags, list string, log *slog.Logger) (web.Options, error) {
	o := web.Options{Addr: f.addr, AllowNetwork: f.network, Forwarded: f.forwarded, Hosts: f.hosts}
	if err := f.check(); err != nil {
		return o, err
	}
	// Container managers say so: systemd.io/CONTAINER_INTERFACE.
	if kind := os.Getenv("container"); kind != "" && !f.forwarded && !pairing.LoopbackOnly(f.addr) {
		log.Info("this is a container, whose port others may forward: browsers on this machine have to be paired too", "kind", kind)
		o.Forwarded = true
	}
	if err := f.serving(&o, state); err != nil {
		return o, err
	}
	if !f.unnamed {
		o.Hosts = slices.Concat(f.hosts, announce.Names)
	}
	folder, err := state.place()
	if err != nil { // the logbook tells
		return o, nil
	}
	o.Devices = pairing.DeviceFile(filepath.Join(folder, list))
	if o.LocalKey, err = pairing.LocalKey(folder); err != nil && !pairing.LoopbackOnly(f.addr) {
		log.Warn("'--pair' may be refused: it shows who it is by a key in the folder of state", "error", err)
	}
	return o, nil
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

// serveFlags are the options of 'polard serve'.
type serveFlags struct {
	site      siteFlags
	hints     hintFlags
	page      pageFlags
	frames    framesFlags
	ordinary  ordinaryFlags
	notify    notifierFlags
	state     stateFlags
	manage    managing
	equipment equipmentFlags
	since     time.Duration
	poll      bool
}

func newServe() *cobra.Command {
	var f serveFlags
	c := &cobra.Command{
		Use:   "serve FOLDER",
		Short: "watch a camera's folder and serve the page that leads through the alignment",
		Long: `serve watches the folder into which the camera program writes its frames and serves
a page that says what to do: turn the axis, then which bolt, which way, how far.

The place comes from --lat and --lon, from the frames' headers, or from the page.

With --watch there is no procedure: the frames are ordinary exposures, taken for their own
sake while the mount tracks, all night and night after night, and the page tells what they
say of the axis.

With --indi, --alpaca or --discover the page offers to measure hands off: it says what would
be moved, how far and which way, and at a press exposes and turns the mount itself (see
'polard measure --help' for the limits). The pictures go into the folder as well.

Phones and other machines see nothing until they are paired: with --addr 0.0.0.0:8467
--allow-network the service shows a link and a picture of squares that pair one device;
'polard serve --pair' with the same --addr shows another while it runs, --pair=view one
that may only look on; --devices lists who is paired, and --revoke takes the right back.

Stop it with Ctrl-C.`,
		Example: `  polard serve /data/tonight --lat 46.32 --lon 13.07 --elevation 640
  polard serve /data/tonight --addr 0.0.0.0:8467 --allow-network
  polard serve --pair --addr 0.0.0.0:8467`,
		Args: mostOneFolder, Annotations: map[string]string{configured: "yes"},
		RunE: f.run,
	}
	f.site.add(c)
	f.hints.add(c)
	f.page.add(c)
	f.frames.add(c)
	f.notify.add(c)
	f.ordinary.add(c, "no procedure: take every frame as an ordinary exposure of a tracking mount, and watch the axis")
	f.state.add(c)
	f.manage.add(c, web.RightOperate)
	f.equipment.add(c)
	c.Flags().DurationVar(&f.since, "since", 2*time.Hour, "of the frames that are there already, take those written within this time (`DURATION`, such as 30m)")
	c.Flags().BoolVar(&f.poll, "poll", false, "look into the folder now and then instead of waiting for the system's events")
	return c
}

// config is the session's configuration; placed tells whether the options name the place.
func (f *serveFlags) config(c *cobra.Command) (cfg mountmodel.Config, placed bool, err error) {
	if f.since < 0 {
		return cfg, false, wrongCall("--since %v: give a time such as 30m, or 0 to take new frames only", f.since)
	}
	if cfg, placed, err = startConfig(c, &f.site); err != nil {
		return cfg, placed, err
	}
	if err := f.page.apply(&cfg); err != nil {
		return cfg, placed, err
	}
	return cfg, placed, f.ordinary.apply(&cfg)
}

func (f *serveFlags) run(c *cobra.Command, args []string) error {
	called := time.Now() // frames that come while the catalogue is being opened are new
	if f.manage.wanted() {
		return f.manage.run(c.Context(), f.page.reachFlags, f.state, c.OutOrStdout())
	}
	folder, err := f.frames.folder(c, args)
	if err != nil {
		return err
	}
	cfg, placed, err := f.config(c)
	if err != nil {
		return err
	}
	p, err := pipeline.New()
	if err != nil {
		return err
	}
	if err := f.hints.apply(c, p); err != nil {
		return err
	}
	log := loggerOf(c)
	notifiers, err := f.notify.notifiers(log)
	if err != nil {
		return err
	}
	if f.state.pier, err = f.notify.name(); err != nil {
		return err
	}
	begin := journal.NewSession(called, programName(), "folder", folder, cfg, placed, f.since)
	begin.Older = olderThan(folder, begin.Since)
	kept, err := f.state.open(c.Context(), begin, log)
	if err != nil {
		return err
	}
	served, err := f.page.options(f.state, pairing.DevicesName, log)
	if err != nil {
		return err
	}
	if f.ordinary.watch && f.equipment.schedule() != operate.NoSchedule {
		return wrongCall("--watch excludes --nightly and --after-change: ordinary exposures have no procedure")
	}
	operated, err := f.equipment.operation(c, folder, f.state, log)
	if err != nil {
		return err
	}
	return service.New(service.Options{
		Equipment: operated,
		Program:   programName(), Pipeline: p, Config: cfg, Placed: placed, WatchOnly: f.ordinary.watch, Journal: kept, State: f.state.notes(), Notifiers: notifiers, Log: log,
		Header: func(s sky.Site) (sky.Site, sky.Air) { return f.site.over(c, s) },
		Folder: watch.Options{Folder: folder, PollOnly: f.poll, Skip: kept.Older()},
		Page:   served,
		Probe:  probe,
		Ready: func(server *web.Server, url string) {
			fmt.Fprintf(c.OutOrStdout(), "polard watches %s; open %s\n", folder, pairing.Openable(url))
			f.page.opened(c.Context(), server, url, c.OutOrStdout(), log)
			pairing.Invite(f.page.reach(), server, url, web.RightOperate, "polard serve --pair", c.OutOrStdout(), log)
		},
	}).Run(c.Context())
}

// olderThan are the files in a folder that were last written before a time; nil when it does not answer.
func olderThan(folder string, limit time.Time) []logbook.Stamp {
	files, err := watch.WrittenBefore(folder, limit)
	if err != nil {
		return nil
	}
	older := make([]logbook.Stamp, 0, len(files))
	for _, s := range files {
		older = append(older, logbook.Stamp(s))
	}
	return older
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

// given is the folder that the call or the configuration names; "" when neither does.
func (f *framesFlags) given(args []string) string {
	if len(args) == 1 {
		return args[0]
	}
	return f.named
}

// folder is the one given, which has to be there.
func (f *framesFlags) folder(c *cobra.Command, args []string) (string, error) {
	folder := f.given(args)
	if folder == "" {
		return "", wrongCall("name the one folder into which the camera writes its frames: '%s FOLDER'", c.CommandPath())
	}
	return folder, checkFolder(folder)
}

// checkFolder says what is wrong with a folder named in the call, or nil.
func checkFolder(folder string) error {
	info, err := watch.Stat(folder)
	switch {
	case errors.Is(err, watch.ErrStalled):
		return nil // the service starts, and the page says so
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
		cfg, err = site.config(c, nil, nil)
		return cfg, placed, err
	}
	// The rest of the options is checked against a place that stands in until
	// the frames or the page name one.
	cfg, err = site.config(c, &sky.Site{}, nil)
	return cfg, placed, err
}
