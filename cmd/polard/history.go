package main

import (
	"math"
	"time"

	"polard/mountmodel/logbook"
	"polard/web"
)

// historyKept is how far back the page's nights reach: a season shows what frost and
// thaw do to a pier.
const historyKept = 120 * 24 * time.Hour

// withHistory puts the nights of earlier sessions before those that the session
// itself remembers.
func withHistory(w *web.Watch, nights []logbook.Night) {
	if w == nil || len(nights) == 0 {
		return
	}
	oldest := w.SinceUTC
	if len(w.Nights) > 0 {
		oldest = w.Nights[0].SinceUTC
	}
	limit, err := time.Parse(time.RFC3339, oldest)
	if err != nil { // no frame yet: all of them are earlier
		limit = time.Now().Add(historyKept)
	}
	var before []web.WatchedNight
	for _, n := range nights {
		if n.Until.Before(limit) {
			before = append(before, watchedNight(n))
		}
	}
	w.Nights = append(before, w.Nights...)
}

func watchedNight(n logbook.Night) web.WatchedNight {
	r := n.Result
	return web.WatchedNight{
		SinceUTC: wireTime(n.Since), UntilUTC: wireTime(n.Until), Frames: n.Frames,
		Offset:            web.Offset{AltArcmin: web.Number(r.OffsetAltArcmin), AzArcmin: web.Number(r.OffsetAzArcmin), TotalArcmin: web.Number(r.OffsetTotalArcmin)},
		UncertaintyArcsec: web.Number(largerHalfAxis(r)),
	}
}

func wireTime(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z") }

// largerHalfAxis is that of the 1-sigma ellipse on the sky, in arcseconds: the root of
// the larger eigenvalue of the covariance of altitude and of azimuth as it shows on
// the sky.
func largerHalfAxis(r logbook.Result) float64 {
	up, across := r.SigmaAltArcsec, r.SigmaAzArcsec*math.Cos(r.AltDeg*math.Pi/180)
	mean := (up*up + across*across) / 2
	half := (up*up - across*across) / 2
	return math.Sqrt(mean + math.Hypot(half, r.Correlation*up*across))
}
