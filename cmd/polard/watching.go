package main

import (
	"polard/mountmodel"

	"github.com/spf13/cobra"
)

// watchFlags are the options for ordinary exposures.
type watchFlags struct {
	watch  bool
	guided string
}

func (f *watchFlags) add(c *cobra.Command, watch string) {
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
func (f *watchFlags) apply(cfg *mountmodel.Config) error {
	switch f.guided {
	case guidedYes:
		cfg.Guiding = mountmodel.Guided
	case guidedNo:
		cfg.Guiding = mountmodel.Unguided
	case guidedTell:
		cfg.Guiding = mountmodel.GuidingUnknown
	default:
		return wrongCall("--guided %q: give yes, no, or tell", f.guided)
	}
	return nil
}
