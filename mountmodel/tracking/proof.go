package tracking

import (
	"slices"
	"time"

	"polard/mountmodel/axis"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// DriftTest gathers the frames of a proof: of a mount that tracks by itself, pointed at one
// place, guided by nothing. It never changes.
type DriftTest struct {
	setting Setting
	axis    axis.Axis // as measured, with what has to be allowed for
	frames  []Frame
	moved   bool // the telescope was turned, or guided, while it ran
}

// Begin begins the test of an axis.
func Begin(s Setting, measured axis.Axis) *DriftTest { return &DriftTest{setting: s, axis: measured} }

const (
	// mostFrames bounds those kept: when there are more, every second one goes.
	mostFrames = 240

	// largestStep is a step between two frames that no drift makes: a turn of the telescope, a
	// dither, a guider that takes hold. An axis 2 degrees off drifts by 0.5 arcminutes in
	// a minute.
	largestStep = 2 * sky.Arcminute

	// longestPause is the pause between two frames after which nobody knows what happened
	// meanwhile.
	longestPause = 15 * time.Minute
)

// With is the test after one more frame. After the telescope was moved, frames tell
// nothing more: the proof has to begin again.
func (s *DriftTest) With(f Frame) *DriftTest {
	next := *s
	if s.moved {
		return s
	}
	if n := len(s.frames); n > 0 {
		before := s.frames[n-1]
		o, err := s.setting.observer(f.Mid)
		p, wrong := s.setting.observer(before.Mid)
		if err != nil || wrong != nil {
			return s
		}
		from, to := p.ICRS(sky.Local(before.R.Column(2))), o.ICRS(sky.Local(f.R.Column(2)))
		pole := o.ICRS(sky.Local(sky.Vec(s.axis.Dir)))
		step := r3.Sub(sky.Vec(to), sky.Vec(from))
		// Along right ascension the drive's own rate counts, and its periodic error.
		across := r3.Dot(step, towards(sky.Vec(from), sky.Vec(pole)))
		if sky.Angle(across).Abs() > largestStep || sky.Separation(from, to) > 5*largestStep || f.Mid.Sub(before.Mid) > longestPause || !f.Mid.After(before.Mid) {
			next.moved = true
			return &next
		}
	}
	next.frames = append(slices.Clip(s.frames), f)
	if len(next.frames) > mostFrames {
		var kept []Frame
		for i := 0; i < len(next.frames); i += 2 {
			kept = append(kept, next.frames[i])
		}
		next.frames = kept
	}
	return &next
}

// Verdict is what a proof has come to.
type Verdict string

// The verdicts.
const (
	Running Verdict = "running" // too short to tell
	Holds   Verdict = "holds"   // the sky drifts as the axis predicts
	Fails   Verdict = "fails"   // it does not
	Moved   Verdict = "moved"   // the telescope was moved or guided: begin again
)

// Proof is a test of the axis by the sky itself.
type Proof struct {
	Verdict Verdict
	Frames  int
	Minutes float64
	Drift   *Drift     // nil before there are enough frames
	Said    sky.Saying // in words
}

const (
	// shortestProof is how long a proof takes at least: in less, wind and seeing look like a
	// drift.
	shortestProof = 5 * time.Minute
	// longestProof ends it however little it knows.
	longestProof = 20 * time.Minute
	// partOfTolerance: the drift has to tell the axis to one part in so many of the tolerance.
	partOfTolerance = 3
	// contradictingSigmas is the number of standard deviations from which the sky contradicts.
	contradictingSigmas = 4
)

// Proof is what the test has told so far, against the tolerance.
func (s *DriftTest) Proof(tolerance sky.Angle) Proof {
	p := Proof{Verdict: Running, Frames: len(s.frames)}
	if n := len(s.frames); n > 1 {
		p.Minutes = s.frames[n-1].Mid.Sub(s.frames[0].Mid).Minutes()
	}
	if d, ok := driftOf(s.setting, s.frames, s.axis); ok {
		p.Drift = &d
		span := d.To.Sub(d.From)
		off, sigma := d.Off()
		contradicts := (d.Seen - d.Predicted).Abs() > contradictingSigmas*d.Sigma()
		switch {
		case span < shortestProof:
		case contradicts && off.Abs() > tolerance/partOfTolerance:
			p.Verdict = Fails
		case sigma <= tolerance/partOfTolerance || span >= longestProof:
			p.Verdict = Holds
		}
	}
	if s.moved && p.Verdict == Running {
		p.Verdict = Moved
	}
	p.Said = p.say()
	return p
}
