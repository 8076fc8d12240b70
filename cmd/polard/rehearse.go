package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"polard/cmd/polard/internal/journal"
	"polard/cmd/polard/internal/pairing"
	"polard/cmd/polard/internal/pipeline"
	"polard/cmd/polard/internal/service"
	"polard/fits/watch"
	"polard/mountmodel"
	"polard/mountmodel/rehearsal"
	"polard/web"

	"github.com/spf13/cobra"
)

// rehearsedFrames is how many frames of a rehearsal stay on disk, the newest:
// 3.8 MB each.
const rehearsedFrames = 20

// rehearseFlags are the options of 'polard rehearse'.
type rehearseFlags struct {
	page        pageFlags
	state       stateFlags
	south, worn bool
	seed        uint64
	folder      string
	faults      []string
}

func newRehearse() *cobra.Command {
	var f rehearseFlags
	c := &cobra.Command{
		Use:   "rehearse",
		Short: "practise the whole alignment on a simulated rig",
		Long: `rehearse simulates a mount with a misaligned axis and a camera on it, at an observatory of
our own invention, under tonight's sky. It writes frames into a folder, and the very same
service as 'polard serve' reads them. On the page the axis and the two bolts of the rig can be
turned, so that the procedure can be practised at a desk.

So can what goes wrong, with the page or with --fault: what lasts is there from the start,
what happens once happens when a bolt is turned for the second time (flip: the RA axis).
Sizes are common practice; where there is a range, --seed decides.
` + faultList() + `
Stop it with Ctrl-C.`,
		Example: "  polard rehearse\n  polard rehearse --south --worn\n  polard rehearse --fault bump",
		Args:    noArguments,
		RunE:    f.run,
	}
	f.page.add(c)
	c.Flags().StringVar(&f.state.folder, "state", "", "keep a logbook of the rehearsal in this `FOLDER`; without it none is kept")
	c.Flags().BoolVar(&f.south, "south", false, "a rig in the southern hemisphere, with a mirrored image")
	c.Flags().BoolVar(&f.worn, "worn", false, "a rig with a tilted base, play in the bolts and bolts that disturb each other")
	c.Flags().StringSliceVar(&f.faults, "fault", nil, "`NAME` of something that goes wrong, or several: "+strings.Join(rehearsal.FaultNames(), ", "))
	c.Flags().Uint64Var(&f.seed, "seed", 1, "`NUMBER` that decides the noise")
	c.Flags().StringVar(&f.folder, "folder", "", fmt.Sprintf("write the frames into this `FOLDER`, where the newest %d stay, instead of a temporary one", rehearsedFrames))
	return c
}

func (f *rehearseFlags) run(c *cobra.Command, _ []string) error {
	for _, name := range f.faults {
		if !slices.Contains(rehearsal.FaultNames(), name) {
			return wrongCall("--fault %q: give one or more of %s", name, strings.Join(rehearsal.FaultNames(), ", "))
		}
	}
	config := rehearsal.Quillmere(time.Now())
	if f.south {
		config = rehearsal.Karrabine(time.Now())
	}
	if f.worn {
		config = rehearsal.Worn(config)
	}
	config.Seed = f.seed
	r := rehearsed{
		config: config, page: &f.page, state: f.state, station: rehearsal.StationOptions{Folder: f.folder, Faults: f.faults},
		log: loggerOf(c),
		ready: func(server *web.Server, url string) {
			fmt.Fprintf(c.OutOrStdout(), "rehearsing with the %s at %s\nopen %s in a browser and follow what it says; Ctrl-C ends it\n", config.Name, config.Place, pairing.Openable(url))
			f.page.opened(c.Context(), server, url, c.OutOrStdout(), loggerOf(c))
			pairing.Invite(f.page.reach(), server, url, web.RightOperate, "polard serve --pair", c.OutOrStdout(), loggerOf(c))
		},
	}
	if f.folder == "" {
		made, err := os.MkdirTemp("", "polard-rehearsal-")
		if err != nil {
			return fmt.Errorf("no folder for the rehearsed frames: %w; name one with --folder", err)
		}
		defer os.RemoveAll(made)
		r.station.Folder = made
	} else if err := checkFolder(f.folder); err != nil {
		return err
	}
	s, _, err := r.service(c.Context())
	if err != nil {
		return err
	}
	return s.Run(c.Context())
}

// rehearsed is a rehearsal to be set up.
type rehearsed struct {
	config  rehearsal.Config
	page    *pageFlags
	state   stateFlags               // without a folder no logbook is kept
	station rehearsal.StationOptions // Folder is required; Now and Changed are set here
	log     *slog.Logger
	ready   func(server *web.Server, url string)
}

// service joins the simulated rig to the service that real frames have.
func (r rehearsed) service(ctx context.Context) (*service.Service, *rehearsal.Rig, error) {
	cfg := mountmodel.Config{Site: r.config.Site, Air: r.config.Air, AnyHour: true}
	if err := r.page.apply(&cfg); err != nil {
		return nil, nil, err
	}
	p, err := pipeline.New()
	if err != nil {
		return nil, nil, err
	}
	cat, err := pipeline.Catalogue()
	if err != nil {
		return nil, nil, err
	}
	rig, err := rehearsal.NewRig(cat, r.config)
	if err != nil {
		return nil, nil, err
	}
	r.state.none, r.state.fresh = r.state.folder == "", true
	folder := r.station.Folder
	kept, err := r.state.open(ctx, journal.NewSession(time.Now(), programName(), "rehearsal", folder, cfg, true, 0), r.log)
	if err != nil {
		return nil, nil, err
	}
	page, err := r.page.options(r.state, pairing.DevicesName, r.log)
	if err != nil {
		return nil, nil, err
	}
	var s *service.Service
	r.station.Now, r.station.Changed = time.Now, func() { s.Refresh() }
	station, err := rehearsal.NewStation(rig, r.station)
	if err != nil {
		return nil, nil, err
	}
	s = service.New(service.Options{
		Program: programName(), Pipeline: p, Config: cfg, Placed: true, Journal: kept, Station: station, Page: page, Ready: r.ready, Log: r.log,
		Folder: watch.Options{Folder: folder, SkipExisting: true}, Arrived: deleteOldest(rehearsedFrames, r.log),
	})
	return s, rig, nil
}

// deleteOldest removes the oldest of the files that were dealt with, so that at most so many stay.
func deleteOldest(most int, log *slog.Logger) func(path string) {
	var kept []string
	return func(path string) {
		if kept = append(kept, path); len(kept) > most {
			if err := os.Remove(kept[0]); err != nil {
				log.Warn("an old rehearsed frame stays", "file", filepath.Base(kept[0]), "error", err)
			}
			kept = kept[1:]
		}
	}
}

// faultList tells of the faults that can be practised, one a line.
func faultList() string {
	var b strings.Builder
	for _, f := range rehearsal.Faults() {
		fmt.Fprintf(&b, "  %-12s %s (%s)\n", f.Name, f.Text, f.Sizes)
	}
	return b.String()
}
