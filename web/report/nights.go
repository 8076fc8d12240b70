package report

import (
	"math"
	"time"

	"polard/mountmodel/logbook"
	"polard/web"
)

// AddNights puts the nights of earlier sessions before those that the session
// itself remembers.
func AddNights(w *web.Watch, nights []logbook.Night) {
	if w == nil || len(nights) == 0 {
		return
	}
	oldest := w.SinceUTC
	if len(w.Nights) > 0 {
		oldest = w.Nights[0].SinceUTC
	}
	limit, err := time.Parse(time.RFC3339, oldest)
	var before []web.WatchedNight
	for _, n := range nights {
		if err != nil || n.Until.Before(limit) { // without a frame yet all are earlier
			before = append(before, watchedNight(n))
		}
	}
	w.Nights = append(before, w.Nights...)
}

func watchedNight(n logbook.Night) web.WatchedNight {
	r := n.Result
	return web.WatchedNight{
		SinceUTC: web.UTC(n.Since), UntilUTC: web.UTC(n.Until), Frames: n.Frames,
		Offset:            web.Offset{AltArcmin: web.Number(r.OffsetAltArcmin), AzArcmin: web.Number(r.OffsetAzArcmin), TotalArcmin: web.Number(r.OffsetTotalArcmin)},
		UncertaintyArcsec: web.Number(largerHalfAxis(r)),
	}
}

// largerHalfAxis is that of the 1-sigma ellipse on the sky, in arcseconds: the root of
// the larger eigenvalue of the covariance of altitude and of azimuth as it shows on
// the sky.
func largerHalfAxis(r logbook.Result) float64 {
	up, across := r.SigmaAltArcsec, r.SigmaAzArcsec*math.Cos(r.AltDeg*math.Pi/180)
	mean := (up*up + across*across) / 2
	half := (up*up - across*across) / 2
	return math.Sqrt(mean + math.Hypot(half, r.Correlation*up*across))
}
