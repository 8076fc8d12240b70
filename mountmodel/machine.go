package mountmodel

import (
	"fmt"
	"time"

	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
)

// Event is what happens to the session: what the user tells, and what frames do.
type Event string

// What the user tells, as words so that a page can send them.
const (
	StartOver Event = "start_over" // forget all frames and measure anew
	Measured  Event = "measured"   // the measurement is done: the bolts are turned from now on
	Locked    Event = "locked"     // the bolts are locked: confirm
	Unlocked  Event = "unlocked"   // back to adjusting
	Prove     Event = "prove"      // the telescope tracks one field unguided: test the axis by the drift of the sky
	WatchOnly Event = "watch"      // forget all frames; from now on every frame is an ordinary exposure
	TakeBack  Event = "take_back"  // the last turn of a bolt that was reported was not turned so

	// How the rig is moved, whichever phase it is: the configuration's Free.
	FreeHead Event = "free_head" // by a ball head, a wedge with play, its feet
	TwoBolts Event = "two_bolts" // by two bolts

	// About place and clock, whichever phase it is: see [Session.Corrected] and
	// [Session.Uncorrected].
	Correct   Event = "correct"   // take over what is suggested
	Uncorrect Event = "uncorrect" // as it was before

	TurnAltitude Event = "turn_altitude" // this bolt is turned from now on
	TurnAzimuth  Event = "turn_azimuth"
)

// What happens besides.
const (
	frameRead      Event = "frame"    // a frame came in that can be used
	complete       Event = "complete" // the measurement is good enough, or has the frames asked for
	strokeReported Event = "stroke"   // the person reported a turn of a bolt
)

// anyPhase in a transition is whichever phase the session is in.
const anyPhase Phase = ""

// input is what an event brings along; role is what becomes of a frame.
type input struct {
	now    time.Time
	frame  axis.Frame
	past   role             // what the frame was taken for in an earlier run, which is binding; roleOpen when this is the first
	joined axis.Measurement // set by the guard that found the frame to belong to the measurement
	stroke adjust.Stroke
	role   role
}

// transition is one row of the table: in a phase, on an event, if the guard holds,
// the action makes the next state. A row with a refusal goes nowhere.
type transition struct {
	from   Phase
	event  Event
	guard  string // name, for the drawing; empty: always
	holds  func(*Session, *input) bool
	to     Phase
	action string // name, for the drawing
	next   func(*Session, *input) state
	refuse error
}

// transitions is the whole machine. The first row that fits decides.
var transitions = [...]transition{
	{from: anyPhase, event: StartOver, to: Waiting, action: "forget all frames", next: begin},
	{from: Watching, event: WatchOnly, refuse: fmt.Errorf("every frame is watched already: %w", ErrNotNow)},
	{from: anyPhase, event: WatchOnly, to: Watching, action: "forget all frames", next: beginWatching},

	{from: Waiting, event: frameRead, to: Measuring, action: "measure", next: measure},
	{from: Measuring, event: frameRead, to: Measuring, action: "measure", next: measure},
	{from: Measuring, event: complete, to: Adjusting, action: "follow the axis", next: beginAdjusting},
	{from: Measuring, event: Measured, guard: "axis found", holds: hasAxis, to: Adjusting, action: "follow the axis", next: beginAdjusting},

	{from: Adjusting, event: frameRead, guard: "fits the measurement", holds: joins, to: Adjusting, action: "measure anew with it", next: join},
	{from: Adjusting, event: frameRead, to: Adjusting, action: "read the live axis", next: follow},
	{from: Adjusting, event: strokeReported, to: Adjusting, action: "learn from the next frame", next: report},
	{from: Adjusting, event: TurnAltitude, to: Adjusting, action: "name this bolt", next: changeOver},
	{from: Adjusting, event: TurnAzimuth, to: Adjusting, action: "name this bolt", next: changeOver},
	{from: Adjusting, event: Locked, to: Confirming, action: "measure anew", next: beginConfirming},

	{from: Confirming, event: frameRead, to: Confirming, action: "measure, read the live axis", next: remeasure},
	{from: Confirming, event: complete, to: Done, action: "compare with before the lock", next: confirm},
	{from: Confirming, event: Measured, guard: "axis found", holds: hasAxis, to: Done, action: "compare with before the lock", next: confirm},
	{from: Confirming, event: Unlocked, to: Adjusting, action: "go on following", next: unlock},

	{from: Done, event: Prove, to: Done, action: "begin the proof by the sky", next: beginProof},
	{from: Done, event: frameRead, to: Done, action: "keep watch", next: keepWatch},
	{from: Done, event: Unlocked, to: Adjusting, action: "go on following", next: unlock},

	{from: Watching, event: frameRead, to: Watching, action: "take as an ordinary exposure", next: watchFrame},

	{from: Adjusting, event: Measured, refuse: fmt.Errorf("the measurement is already done: %w", ErrNotNow)},
	{from: Done, event: Measured, refuse: fmt.Errorf("the measurement is already done: %w", ErrNotNow)},
	{from: anyPhase, event: Measured, refuse: ErrNotMeasured},
	{from: anyPhase, event: Locked, refuse: fmt.Errorf("locking comes after adjusting: %w", ErrNotNow)},
	{from: anyPhase, event: Unlocked, refuse: ErrNotLocked},
	{from: anyPhase, event: Prove, refuse: fmt.Errorf("the proof by the sky comes after the lock is confirmed: %w", ErrNotNow)},
	{from: anyPhase, event: strokeReported, refuse: errBoltsRest},
	{from: anyPhase, event: TurnAltitude, refuse: errBoltsRest},
	{from: anyPhase, event: TurnAzimuth, refuse: errBoltsRest},
}
