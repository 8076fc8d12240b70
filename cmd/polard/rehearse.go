package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"polard/fits"
	"polard/mountmodel"
	"polard/mountmodel/rehearsal"
	"polard/web"

	"github.com/spf13/cobra"
)

// rehearsedFrames is how many frames of a rehearsal stay on disk, the newest:
// 3.8 MB each.
const rehearsedFrames = 20

func newRehearse() *cobra.Command {
	var page pageFlags
	var state stateFlags
	var south, worn bool
	var seed uint64
	var folder string
	var faults []string
	c := &cobra.Command{
		Use:   "rehearse",
		Short: "practise the whole alignment on a simulated rig",
		Long: `rehearse simulates a mount with a misaligned axis and a camera on it, at an observatory of
our own invention, under tonight's sky. It writes frames into a folder, and the very same
service as 'polard serve' reads them. On the page the axis and the two bolts of the rig can be
turned, so that the procedure can be practised at a desk.

So can what goes wrong, with the page or with --fault: what lasts is there from the start,
what happens once happens when a bolt is turned for the second time.
` + faultList() + `
Stop it with Ctrl-C.`,
		Example: "  polard rehearse\n  polard rehearse --south --worn\n  polard rehearse --fault bump",
		Args:    noArguments,
		RunE: func(c *cobra.Command, _ []string) error {
			for _, name := range faults {
				if !slices.Contains(rehearsal.FaultNames(), name) {
					return wrongCall("--fault %q: give one or more of %s", name, strings.Join(rehearsal.FaultNames(), ", "))
				}
			}
			config := rehearsal.Quillmere(time.Now())
			if south {
				config = rehearsal.Karrabine(time.Now())
			}
			if worn {
				config = rehearsal.Worn(config)
			}
			config.Seed = seed
			r := rehearsed{
				config: config, page: page, state: state, station: rehearsal.StationOptions{Folder: folder, Faults: faults},
				log: loggerOf(c), out: c.OutOrStdout(),
				ready: func(url string) {
					fmt.Fprintf(c.OutOrStdout(), "rehearsing with the %s at %s\nopen %s in a browser and follow what it says; Ctrl-C ends it\n", config.Name, config.Place, url)
				},
			}
			if folder == "" {
				made, err := os.MkdirTemp("", "polard-rehearsal-")
				if err != nil {
					return fmt.Errorf("no folder for the rehearsed frames: %w; name one with --folder", err)
				}
				defer os.RemoveAll(made)
				r.station.Folder = made
			} else if err := checkFolder(folder); err != nil {
				return err
			}
			s, _, err := r.service(c.Context())
			if err != nil {
				return err
			}
			return s.run(c.Context())
		},
	}
	page.add(c)
	c.Flags().StringVar(&state.folder, "state", "", "keep a logbook of the rehearsal in this `FOLDER`; without it none is kept")
	c.Flags().BoolVar(&south, "south", false, "a rig in the southern hemisphere, with a mirrored image")
	c.Flags().BoolVar(&worn, "worn", false, "a rig with a tilted base, play in the bolts and bolts that disturb each other")
	c.Flags().StringSliceVar(&faults, "fault", nil, "`NAME` of something that goes wrong, or several: "+strings.Join(rehearsal.FaultNames(), ", "))
	c.Flags().Uint64Var(&seed, "seed", 1, "`NUMBER` that decides the noise")
	c.Flags().StringVar(&folder, "folder", "", fmt.Sprintf("write the frames into this `FOLDER`, where the newest %d stay, instead of a temporary one", rehearsedFrames))
	return c
}

// rehearsed is a rehearsal to be set up.
type rehearsed struct {
	config  rehearsal.Config
	page    pageFlags
	state   stateFlags               // without a folder no logbook is kept
	station rehearsal.StationOptions // Folder is required; Now and Changed are set here
	out     io.Writer                // where links that pair are shown; nil: nowhere
	log     *slog.Logger
	ready   func(url string)
}

// service joins the simulated rig to the service that real frames have.
func (r rehearsed) service(ctx context.Context) (*service, *rehearsal.Rig, error) {
	cfg := mountmodel.Config{Site: r.config.Site, Air: r.config.Air}
	if err := r.page.apply(&cfg); err != nil {
		return nil, nil, err
	}
	p, err := newPipeline()
	if err != nil {
		return nil, nil, err
	}
	p.prompt = true
	cat, err := openCatalogue()
	if err != nil {
		return nil, nil, err
	}
	rig, err := rehearsal.NewRig(cat, r.config)
	if err != nil {
		return nil, nil, err
	}
	d := newDesk(p, r.log, cfg, true)
	r.state.none, r.state.fresh = r.state.folder == "", true
	keeps, err := startKeeping(ctx, r.state, newSession(time.Now(), "rehearsal", r.station.Folder, cfg, true, 0), r.log, d.refresh)
	if err != nil {
		return nil, nil, callError{err}
	}
	d.keepBy(keeps)
	d.around = web.Around{Program: programName(), Source: web.Source{Kind: "rehearsal", Folder: r.station.Folder}}
	r.station.Now, r.station.Changed = time.Now, d.refresh
	station, err := rehearsal.NewStation(rig, r.station)
	if err != nil {
		return nil, nil, err
	}
	d.told = func(event mountmodel.Event) error {
		if event == mountmodel.Locked { // who says so has turned the locking screws
			return station.Lock()
		}
		return nil
	}
	var trouble error // the last that was told
	d.rig = func() *web.RigState {
		state := station.State()
		if state.Trouble != nil && trouble == nil {
			r.log.Error("the rehearsed frame could not be written; trying again", "folder", r.station.Folder, "error", state.Trouble)
		}
		trouble = state.Trouble
		return rigState(state)
	}
	var kept []string
	return &service{
		desk: d, station: station, page: r.page, state: r.state, out: r.out, log: r.log, ready: r.ready,
		watcher: fits.NewWatcher(fits.Options{Folder: r.station.Folder, SkipExisting: true, Newest: d.newestOnly}),
		arrived: func(path string) {
			if kept = append(kept, path); len(kept) > rehearsedFrames {
				if err := os.Remove(kept[0]); err != nil {
					r.log.Warn("an old rehearsed frame stays", "file", filepath.Base(kept[0]), "error", err)
				}
				kept = kept[1:]
			}
		},
	}, rig, nil
}

// faultList tells of the faults that can be practised, one a line.
func faultList() string {
	var b strings.Builder
	for _, f := range rehearsal.Faults() {
		fmt.Fprintf(&b, "  %-12s %s\n", f.Name, f.Text)
	}
	return b.String()
}

func rigState(s rehearsal.StationState) *web.RigState {
	out := &web.RigState{
		Name: s.Name, RADeg: web.Number(s.HourAngle.Degrees()),
		AltTurned: web.Number(s.TurnedAlt.Arcminutes()), AzTurned: web.Number(s.TurnedAz.Arcminutes()),
		Drive: s.Tracking, Repeating: s.Repeating, Exposing: s.Exposing,
		ExposureMs: s.Exposure.Milliseconds(),
	}
	for _, f := range s.Faults {
		out.Faults = append(out.Faults, web.RigFault{Name: f.Name, Text: f.Text, Lasts: f.Lasts, On: f.On})
	}
	return out
}
