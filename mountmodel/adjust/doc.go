// Package adjust follows the axis while the bolts are turned, and learns how it
// answers them.
//
// In: a measurement ([axis.Measurement]), then one frame after the other, and what
// the person reports of turns of the bolts. Out: the axis as it stands by the newest
// frame with its covariance, what the drive did, and what speaks against it
// ([Live]); how far each bolt moves the axis in a turn ([Bolts], [Response]), and the
// strokes that bring it to the pole ([Live.Moves]); the tilt of the azimuth bolt's
// line, which is that of the base or of a wrong latitude ([Live.Tilt]).
//
// Method: extended Kalman filters, that of the bolts iterated (Jazwinski 1970, Stochastic Processes
// and Filtering Theory, section 8.3) over several hypotheses (Sorenson and Alspach
// 1971, Automatica 7, 465); derivations in the comments of tracker and [Bolts].
//
//	frame by frame: kept, held, left out    live.go
//	what happened between two frames        step.go, drive.go
//	the filter                              tracker.go; hypotheses.go, update.go, hinge.go
//	what the bolts have taught              learning.go
//	how the axis answers the bolts          bolts.go; boltfilter.go, movement.go
//	the strokes to do, in words             strokes.go
//	the tilt of the base                    tilt.go
//	whither the bolts move the axis         direction.go
//	codes of warnings                       warning.go
package adjust
