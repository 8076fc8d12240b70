package clock

import (
	"slices"
	"time"

	"polard/mountmodel/sky"
)

const (
	// slack is how far the clocks may disagree before it is reported, unless it is by
	// what time zones differ: half a long exposure, a slow network, clocks that
	// nobody set to the second. What is less does next to nothing.
	slack = 10 * time.Minute

	// framesCompared is how many frames the clock is judged by.
	framesCompared = 3
)

// Monitor compares the clocks by the newest frames as they come in.
type Monitor struct {
	heard   []Stamp
	written []Stamp // those that are compared with the files' own times
	zone    bool    // the computers are a time zone apart

	// Host tells how the times in the frames and this computer's clock disagree,
	// File how they and the files' own times do; empty when they agree.
	Host, File string
	// Against are the comparisons behind them; what stays told stays in them.
	Against Against
}

// Hear gives the monitor after one more frame. Frames that were taken long ago come
// late too; so those compared must have come as far apart as they were taken.
// Frames of a list are read long after: of those s.Heard is zero.
func (m Monitor) Hear(s Stamp, longitude sky.Angle) Monitor {
	if !s.Written.IsZero() {
		m = m.hearFile(Stamp{Start: s.Start, Exposure: s.Exposure, Written: s.Written}, longitude)
	}
	if s.Heard.IsZero() {
		return m
	}
	m.heard = joined(m.heard, s, func(s Stamp) time.Time { return s.Heard })
	if len(m.heard) < 2 {
		return m
	}
	_, host := Check(m.heard, longitude)
	if m.zone && host.Kind != Zone && host.Kind != Summer {
		return m // it stays: frames of before are wrong still
	}
	m.Against.Host = host
	switch {
	case host.Kind == Zone || host.Kind == Summer:
		m.Host, m.zone = host.Message, true
	case host.Kind == Off && host.Offset.Abs() > slack:
		m.Host = host.Message
	default:
		m.Host = ""
	}
	return m
}

// joined adds a stamp to those before it, as long as the frames came as far apart
// by the other clock as they were taken.
func joined(before []Stamp, newest Stamp, other func(Stamp) time.Time) []Stamp {
	if n := len(before); n > 0 {
		apart, between := other(newest).Sub(other(before[n-1])), newest.Start.Sub(before[n-1].Start)
		if between <= 0 || (apart-between).Abs() > max(earlyMost, between/4) {
			before = nil
		}
	}
	return append(slices.Clone(before[max(0, len(before)-framesCompared+1):]), newest)
}

// hearFile compares the exposure's time with that of the file. Only what time
// zones differ by is reported, and nothing is held up for it: some file systems keep
// local time without saying so.
func (m Monitor) hearFile(s Stamp, longitude sky.Angle) Monitor {
	m.written, m.File = joined(m.written, s, func(s Stamp) time.Time { return s.Written }), ""
	m.Against.File = Comparison{}
	if len(m.written) < framesCompared {
		return m
	}
	file, _ := Check(m.written, longitude)
	m.Against.File = file
	if file.Kind == Zone || file.Kind == Summer {
		m.File = file.Message + " If the files lie on a card or stick, it may be its way of keeping time instead."
	}
	return m
}
