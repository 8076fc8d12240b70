// Package mountmodel is one alignment from the first frame to the locked bolts: a
// session fed with sightings (matched stars and a moment) and with what the user
// tells. It sees no pixels and reads no clock.
//
// In: [Config], then sightings ([Session.Take]) and events ([Session.Do],
// [Session.Turned]). Out: all that a page shows, at any moment ([Session.View]).
//
//	the states and their transitions     machine.go; what each holds: states.go
//	what a step does                     steps.go; the bolt to turn now: turning.go
//	steps taken whole, history, replay   session.go; config.go
//	frames as they come in               sighting.go, reduction.go, times.go; which count: choice.go
//	what a page shows                    view.go; in words: instruct.go, warning.go
//	place and clock put right            correct.go; what confirms them: witness.go
//	what exposures tell of the mount     habits.go
//	lists of frames                      list.go
//
// The work is done in the rooms below: observed (where stars are seen), axis (the
// axis and its correction), adjust (the live axis), nights (ordinary exposures),
// tracking (drift against prediction, periodic error), clock (times and place). All directions are unit vectors of package sky; the local
// frame is east, north, up. Angles are sky.Angle, radians inside.
package mountmodel
