package report

import (
	"math"
	"testing"
	"time"

	"polard/mountmodel/logbook"
	"polard/web"
)

// Nights of earlier sessions stand before those of this one, and one that both hold
// stands once.
func TestHistoryOverSessions(t *testing.T) {
	at := func(day, hour int) time.Time { return time.Date(2026, 3, day, hour, 0, 0, 0, time.UTC) }
	kept := []logbook.Night{}
	for day := 1; day < 6; day++ {
		kept = append(kept, logbook.Night{Since: at(day, 19), Until: at(day+1, 4), Frames: 100, Result: logbook.Result{
			OffsetTotalArcmin: float64(day), AltDeg: 60, SigmaAltArcsec: 3, SigmaAzArcsec: 8, Correlation: 0,
		}})
	}
	w := &web.Watch{SinceUTC: web.UTC(at(5, 19)), Nights: []web.WatchedNight{{SinceUTC: web.UTC(at(4, 19)), UntilUTC: web.UTC(at(5, 4))}}}
	AddNights(w, kept)
	if len(w.Nights) != 4 || w.Nights[0].Offset.TotalArcmin != 1 || w.Nights[2].Offset.TotalArcmin != 3 || w.Nights[3].Offset.TotalArcmin != 0 {
		t.Errorf("%+v", w.Nights)
	}
	// At 60 degrees of altitude 8" of azimuth are 4" on the sky.
	if got := float64(w.Nights[0].UncertaintyArcsec); math.Abs(got-4) > 1e-9 {
		t.Errorf("half axis %g, want 4", got)
	}
	AddNights(nil, kept)
	empty := &web.Watch{}
	AddNights(empty, kept)
	if len(empty.Nights) != 5 {
		t.Errorf("before the first frame: %d nights", len(empty.Nights))
	}
}
