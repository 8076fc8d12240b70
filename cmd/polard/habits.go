package main

import (
	"fmt"
	"io"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/sky"
)

// habitsText says what ordinary exposures told of the mount beside its axis.
func habitsText(w io.Writer, h mountmodel.Habits) {
	if p := h.Periodic; p != nil {
		fmt.Fprintf(w, "the drive runs unevenly: %s either way in %v (known to %s), by the newest target\n",
			sky.KnownWords(p.Amplitude), p.Period.Round(time.Second), sky.KnownWords(p.Sigma))
	}
	for _, b := range h.Bends {
		alt, az := sky.AltAzFromLocal(b.At)
		fmt.Fprintf(w, "at altitude %.0f, azimuth %.0f degrees the line of sight bends by %+.1f\" an hour in declination (known to %.1f\", %d frames)\n",
			alt.Degrees(), az.Degrees(), b.Rate.Arcseconds(), b.Sigma.Arcseconds(), b.Frames)
	}
}
