package main

import (
	"fmt"

	"polard/mountmodel"
	"polard/mountmodel/nights"

	"github.com/spf13/cobra"
)

// ordinaryFlags are the options for ordinary exposures.
type ordinaryFlags struct {
	watch  bool
	guided string
}

func (f *ordinaryFlags) add(c *cobra.Command, watch string) {
	c.Flags().BoolVar(&f.watch, "watch", false, watch)
	c.Flags().StringVar(&f.guided, "guided", guidedTell, "whether ordinary exposures are guided: yes, no, or tell to leave it to the frames (`WORD`)")
}

// The words of --guided.
const (
	guidedYes  = "yes"
	guidedNo   = "no"
	guidedTell = "tell"
)

// apply puts the options into the configuration.
func (f *ordinaryFlags) apply(cfg *mountmodel.Config) error {
	switch f.guided {
	case guidedYes:
		cfg.Guiding = nights.Guided
	case guidedNo:
		cfg.Guiding = nights.Unguided
	case guidedTell:
		cfg.Guiding = nights.GuidingUnknown
	default:
		return wrongCall("--guided %q: give yes, no, or tell", f.guided)
	}
	return nil
}

// nightFormat tells when a night began.
const nightFormat = "2006-01-02 15:04 UTC"

// watchedHead says what an axis was read from.
func watchedHead(w *nights.View) string {
	stretches := "one stretch"
	if n := len(w.Fit.Stretches); n > 1 {
		stretches = fmt.Sprintf("%d stretches", n)
	}
	return fmt.Sprintf("watched over %.1f hours, %d frames in %s, longest turn %.1f degrees",
		w.Until.Sub(w.Since).Hours(), w.Frames, stretches, w.Fit.Turn.Degrees())
}
