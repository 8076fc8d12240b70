package main

import (
	"fmt"
	"os"
	"path/filepath"
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
	var south, worn bool
	var seed uint64
	var folder string
	c := &cobra.Command{
		Use:   "rehearse",
		Short: "practise the whole alignment on a simulated rig",
		Long: `rehearse simulates a mount with a misaligned axis and a camera on it, at an observatory of
our own invention, under tonight's sky. It writes frames into a folder, and the very same
service as 'polard serve' reads them. On the page the axis and the two bolts of the rig can be
turned, so that the procedure can be practised at a desk.

Stop it with Ctrl-C.`,
		Example: "  polard rehearse\n  polard rehearse --south --worn",
		Args:    noArguments,
		RunE: func(c *cobra.Command, _ []string) error {
			p, err := newPipeline()
			if err != nil {
				return err
			}
			cat, err := openCatalogue()
			if err != nil {
				return err
			}
			config := rehearsal.Quillmere(time.Now())
			if south {
				config = rehearsal.Karrabine(time.Now())
			}
			if worn {
				config = rehearsal.Worn(config)
			}
			config.Seed = seed
			rig, err := rehearsal.NewRig(cat, config)
			if err != nil {
				return err
			}
			if folder == "" {
				if folder, err = os.MkdirTemp("", "polard-rehearsal-"); err != nil {
					return fmt.Errorf("no folder for the rehearsed frames: %w; name one with --folder", err)
				}
				defer os.RemoveAll(folder)
			}
			log := newLogger(c.ErrOrStderr())
			cfg := mountmodel.Config{Site: config.Site, Air: config.Air}
			page.apply(&cfg)
			d := newDesk(p, log, cfg, true)
			d.around = web.Around{Program: programName(), Source: web.Source{Kind: "rehearsal", Folder: folder}}
			station, err := rehearsal.NewStation(rig, rehearsal.StationOptions{
				Folder: folder, Now: time.Now,
				Changed: func() { go d.refresh(c.Context()) },
			})
			if err != nil {
				return err
			}
			d.rig = func() *web.RigState { return rigState(station.State()) }
			var kept []string
			service := service{
				desk: d, station: station, page: page, log: log,
				watcher: fits.NewWatcher(fits.Options{Folder: folder, SkipExisting: true}),
				arrived: func(path string) {
					if kept = append(kept, path); len(kept) > rehearsedFrames {
						if err := os.Remove(kept[0]); err != nil {
							log.Warn("an old rehearsed frame stays", "file", filepath.Base(kept[0]), "error", err)
						}
						kept = kept[1:]
					}
				},
				ready: func(url string) {
					fmt.Fprintf(c.OutOrStdout(), "rehearsing with the %s at %s\nopen %s in a browser and follow what it says; Ctrl-C ends it\n", config.Name, config.Place, url)
				},
			}
			return service.run(c.Context())
		},
	}
	page.add(c)
	c.Flags().BoolVar(&south, "south", false, "a rig in the southern hemisphere, with a mirrored image")
	c.Flags().BoolVar(&worn, "worn", false, "a rig with a tilted base, play in the bolts and bolts that disturb each other")
	c.Flags().Uint64Var(&seed, "seed", 1, "`NUMBER` that decides the noise")
	c.Flags().StringVar(&folder, "folder", "", "write the frames into this `FOLDER` instead of a temporary one")
	return c
}

func rigState(s rehearsal.StationState) *web.RigState {
	return &web.RigState{
		Name: s.Name, RADeg: web.Number(s.HourAngle.Degrees()),
		AltTurned: web.Number(s.TurnedAlt.Arcminutes()), AzTurned: web.Number(s.TurnedAz.Arcminutes()),
		Drive: s.Tracking, Repeating: s.Repeating, Exposing: s.Exposing,
		ExposureMs: s.Exposure.Milliseconds(),
	}
}
