package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/cmd/polard/internal/devices/connect"
	"polard/cmd/polard/internal/devices/operate"
	"polard/cmd/polard/internal/service"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"
)

// deviceFlags say where camera and mount are, and which.
type deviceFlags struct {
	where  connect.Where
	choice connect.Choice
}

func (f *deviceFlags) addWhere(c *cobra.Command) {
	c.Flags().StringVar(&f.where.INDI, "indi", "", "`HOST[:PORT]` of the INDI server that camera and mount are connected to")
	c.Flags().StringVar(&f.where.Alpaca, "alpaca", "", "`HOST[:PORT]` of the Alpaca server of camera and mount")
	c.Flags().BoolVar(&f.where.Discover, "discover", false, "look for Alpaca servers on the local network")
}

func (f *deviceFlags) add(c *cobra.Command) {
	f.addWhere(c)
	c.Flags().StringVar(&f.choice.Camera, "camera", "", "`NAME` of the camera, where there is more than one")
	c.Flags().StringVar(&f.choice.Mount, "mount", "", "`NAME` of the mount, where there is more than one")
}

// searchTime is how long devices are looked for.
const searchTime = 8 * time.Second

// with connects, and does something with the connection until that ends.
func (f *deviceFlags) with(c *cobra.Command, do func(context.Context, devices.Server) error) error {
	if !f.where.Given() {
		return callError{connect.ErrWhere}
	}
	server, err := f.where.Server(loggerOf(c))
	if err != nil {
		return callError{err}
	}
	ctx, end := context.WithCancel(c.Context())
	defer end()
	group, ctx := errgroup.WithContext(ctx)
	// The connection outlives Ctrl-C: the mount is told to stop over it.
	lasting, hangUp := context.WithCancel(context.WithoutCancel(ctx))
	group.Go(func() error { return server.Run(lasting) })
	group.Go(func() error { defer hangUp(); return do(ctx, server) })
	return group.Wait()
}

func newDevices() *cobra.Command {
	var where deviceFlags
	c := &cobra.Command{
		Use:   "devices --indi HOST[:PORT] | --alpaca HOST[:PORT] | --discover",
		Short: "list the cameras and mounts that can be used",
		Long: `devices lists the cameras and mounts that a server offers, by the names with which
'polard measure' and 'polard serve' are told which to use. It moves nothing and connects
to no hardware.

Exit status: 0 there is a camera and a mount, 1 there is not, 2 the call was wrong.`,
		Example: "  polard devices --indi localhost\n  polard devices --discover",
		Args:    noArguments,
		RunE: func(c *cobra.Command, _ []string) error {
			return where.with(c, func(ctx context.Context, server devices.Server) error {
				found, err := server.Devices(ctx, searchTime)
				if err != nil {
					return err
				}
				for _, f := range found {
					state := "not connected to its hardware yet"
					if f.Connected {
						state = "connected"
					}
					fmt.Fprintf(terminal{c.OutOrStdout()}, "%-6s  %s (%s; %s)\n", f.Kind, oneLine(f.Name), oneLine(f.Driver), state)
				}
				if _, err := connect.Choose(found, connect.Choice{}); errors.Is(err, devices.ErrMissing) {
					return err
				}
				return nil
			})
		},
	}
	where.addWhere(c)
	return c
}

// equipmentFlags are those of a service that operates camera and mount itself.
type equipmentFlags struct {
	deviceFlags
	limitFlags
	nightly, afterChange bool
}

// schedule is when it measures with nobody there.
func (f *equipmentFlags) schedule() operate.Schedule {
	switch {
	case f.nightly:
		return operate.Nightly
	case f.afterChange:
		return operate.AfterChange
	}
	return operate.NoSchedule
}

func (f *equipmentFlags) add(c *cobra.Command) {
	f.deviceFlags.add(c)
	f.limitFlags.add(c)
	c.Flags().BoolVar(&f.nightly, "nightly", false, "measure once in each night at first dark, and after a change, with nobody there: the mount moves by itself, within the limits, in declination too and to the other side of the pier where that can be done; 'polard measure --thorough --dry-run' prints what it would do")
	c.Flags().BoolVar(&f.afterChange, "after-change", false, "measure in that way only after somebody has told on the page that something was changed, at the first dark from then on")
}

// chosenName is the file of the camera and the mount that were chosen on the page.
const chosenName = "equipment.json"

// operation is what operates them; nil where the call does not say where they are.
func (f *equipmentFlags) operation(c *cobra.Command, folder string, state stateFlags, log *slog.Logger) (service.Equipment, error) {
	if !f.where.Given() {
		if f.schedule() != operate.NoSchedule {
			return nil, callError{connect.ErrWhere}
		}
		return nil, nil
	}
	limits, shot, err := f.check(c)
	if err != nil {
		return nil, err
	}
	server, err := f.where.Server(log)
	if err != nil {
		return nil, callError{err}
	}
	opt := operate.Options{Server: server, Protocol: f.where.Protocol(), Folder: folder, Limits: limits, Shot: shot, Choice: f.choice, Schedule: f.schedule(), Log: log}
	if place, err := state.place(); err == nil && !state.none {
		opt.Remember = filepath.Join(place, chosenName)
	}
	return operate.New(opt), nil
}
