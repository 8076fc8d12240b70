package mountmodel

import (
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// reduction is a sighting's attitude, with what it rests on. It never changes.
type reduction struct {
	site     sky.Site
	air      sky.Air
	dut1     float64 // seconds
	mid      time.Time
	attitude observed.Attitude
	err      error
}

// Reduced is the sighting with most of the work done that a session under the
// configuration has with it: its attitude, which rests on place, air, clock
// and UT1-UTC alone. The session takes it as it takes the sighting itself, only sooner, and
// under any other place or air works it out anew. Unlike a session, many may be
// reduced at a time.
func (s Sighting) Reduced(cfg Config) Sighting {
	if s.Refused != "" || s.Mid.IsZero() || s.reducedFor(cfg) {
		return s
	}
	p := &reduction{site: cfg.Site, air: cfg.Air, dut1: cfg.DUT1, mid: cfg.middle(s.Mid)}
	if o, err := observed.NewObserver(cfg.Site, cfg.Air, p.mid, cfg.DUT1); err != nil {
		p.err = err
	} else {
		p.attitude, p.err = o.Attitude(s.Pairs)
	}
	s.reduction = p
	return s
}

func (s Sighting) reducedFor(cfg Config) bool {
	p := s.reduction
	return p != nil && p.site == cfg.Site && p.air == cfg.Air && p.dut1 == cfg.DUT1 && p.mid.Equal(cfg.middle(s.Mid))
}
