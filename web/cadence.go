package web

import (
	"math"
	"slices"
	"time"

	"polard/mountmodel"
)

const (
	// overdueUnseen holds until frames have shown how they come: exposures for this
	// work last 1 to 10 s (common practice), so that the next one should have come twice.
	overdueUnseen = 30 * time.Second
	// overdueLeast leaves room for a slow network between frames that follow each other fast.
	overdueLeast = 15 * time.Second
	// overdueTimes is how many usual times between frames pass before the next is called
	// overdue: one may fail.
	overdueTimes = 2
	// overdueSlack is for reading out and writing a file.
	overdueSlack = 5 * time.Second
	// cadenceOf is from how many of the newest frames the usual time between them is taken.
	cadenceOf = 6
)

// overdue is the age of the newest frame at which the next one should have come,
// by the exposure and by how the frames before it followed each other.
func overdue(v mountmodel.View, l *Latest) time.Duration {
	var mids []time.Time
	for _, f := range v.Frames {
		mids = append(mids, f.Mid)
	}
	for _, f := range v.Adjust {
		mids = append(mids, f.Mid)
	}
	slices.SortFunc(mids, time.Time.Compare)
	mids = mids[max(0, len(mids)-cadenceOf):]
	var between []time.Duration
	for i := 1; i < len(mids); i++ {
		if !mids[i-1].IsZero() {
			between = append(between, mids[i].Sub(mids[i-1]))
		}
	}
	slices.Sort(between)
	var exposure, usual time.Duration
	if l != nil && !math.IsNaN(float64(l.ExposureS)) {
		exposure = time.Duration(float64(l.ExposureS) * float64(time.Second))
	}
	if len(between) > 0 {
		usual = between[len(between)/2]
	} else if exposure <= 0 {
		return overdueUnseen
	}
	return max(overdueTimes*max(usual, exposure)+overdueSlack, overdueLeast)
}
