package adjust

import (
	"slices"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

// Learning is what is known of the bolts and what the next frame may add to it.
// Its methods give a new one and leave the one before as it is.
type Learning struct {
	settled *Bolts      // up to the last strokes reported
	bolts   *Bolts      // and what movements without a report have shown since
	strokes []Stroke    // reported since the newest frame
	from    []heardAxis // where the axis stood since the last strokes reported, oldest first
}

// heardAxis is where the axis stood when a frame was heard of.
type heardAxis struct {
	heard time.Time
	axis  axis.Axis
}

// KnownBolts is where learning begins.
func KnownBolts(b *Bolts) Learning { return Learning{settled: b, bolts: b} }

// pending tells that a stroke was reported whose frame is still to come.
func (l Learning) pending() bool { return len(l.strokes) > 0 }

// rest starts to learn anew from where the axis stands.
func (l Learning) rest(now time.Time, at axis.Axis) Learning {
	return Learning{settled: l.bolts, bolts: l.bolts, from: []heardAxis{{now, at}}}
}

// reportedWithin is how long after turning a bolt a person still reports it.
const reportedWithin = 2 * time.Minute

// report remembers a stroke until the next frame shows what it did.
func (l Learning) report(now time.Time, stroke Stroke) Learning {
	if !l.pending() {
		for len(l.from) > 1 && now.Sub(l.from[1].heard) > reportedWithin {
			l.from = l.from[1:]
		}
	}
	l.strokes = append(slices.Clone(l.strokes), stroke)
	return l
}

// learn takes the axis by a new frame as an answer of the bolts.
func (l Learning) learn(now time.Time, at axis.Axis, pole sky.Local) Learning {
	if alt, _ := sky.AltAzFromLocal(pole); alt >= axis.NearZenith {
		return l
	}
	if l.pending() {
		learnt := l.settled.Clone()
		learnt.reported(l.strokes, movementBetween(l.from[0].axis, at, pole))
		l.bolts = learnt
		return l.rest(now, at)
	}
	bolts := l.bolts.Clone()
	if bolts.unreported(movementBetween(l.from[len(l.from)-1].axis, at, pole)) {
		l.bolts = bolts
		l.from = append(slices.Clip(l.from), heardAxis{now, at})
		l.from = l.from[max(0, len(l.from)-MostReports):]
	}
	return l
}
