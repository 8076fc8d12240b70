package operate

import (
	"context"
	"errors"
	"fmt"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
	"polard/web"
)

const (
	// darkAltitude of the Sun is the end of nautical twilight: the stars that the match needs show in
	// every telescope (common practice).
	darkAltitude = -12 * sky.Degree
	// lookEach is how often it is looked whether it is dark, and tryAgain how long after a measurement
	// that was refused or failed the next one is tried: clouds pass, limits move away with the sky.
	lookEach = 20 * time.Second
	tryAgain = 15 * time.Minute
)

// night tells whether it is dark at a place, and which night that is: the date of the evening there, by the
// mean Sun.
func night(site sky.Site, air sky.Air, now time.Time) (date string, dark bool, err error) {
	o, err := observed.NewObserver(site, air, now, 0)
	if err != nil {
		return "", false, err
	}
	alt, _ := sky.AltAzFromLocal(o.Refraction().True(o.Sun()))
	noon := now.UTC().Add(time.Duration(site.Longitude.Signed().Hours()*float64(time.Hour)) - 12*time.Hour)
	return noon.Format(time.DateOnly), alt < darkAltitude, nil
}

// nightly measures once in each night until ctx ends.
func (o *Operation) nightly(ctx context.Context) {
	measured := ""
	var next time.Time
	for ctx.Err() == nil {
		site, air, placed, err := o.alignment.Place(ctx)
		if err == nil && placed && !time.Now().Before(next) {
			date, dark, err := night(site, air, time.Now())
			switch {
			case err != nil:
				o.opt.Log.Error("whether it is dark cannot be told", "error", err)
			case dark && date != measured:
				err := o.unattended(ctx)
				if err == nil {
					measured = date
					break
				}
				next = time.Now().Add(tryAgain)
				o.change(func(s *web.EquipmentState) {
					s.Trouble = fmt.Sprintf("tonight's measurement: %v; it is tried again at %s UTC", err, next.UTC().Format("15:04"))
				})
				o.opt.Log.Warn("tonight's measurement did not come about; it is tried again", "why", err, "again_in", tryAgain)
			}
		}
		select {
		case <-ctx.Done():
		case <-time.After(lookEach):
		}
	}
}

// unattended makes a plan and carries it out. A mount that somebody uses is left alone.
func (o *Operation) unattended(ctx context.Context) error {
	o.mu.Lock()
	busy := o.work != nil
	o.mu.Unlock()
	if busy {
		return errBusy
	}
	if err := o.Propose(ctx, web.MotionOrder{}); err != nil {
		return err
	}
	plan := o.State().Plan
	if plan == nil {
		return errors.New("there is no plan any more")
	}
	return o.carryOut(ctx, plan.ID, false)
}
