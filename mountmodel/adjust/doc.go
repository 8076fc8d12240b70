// Package adjust follows the axis while the bolts are turned, and learns how it
// answers them.
//
// In: a measured axis ([axis.Fit]), then one attitude after the other, and what
// the person says about turns of the bolts. Out: the axis as it stands by the
// newest frame with its covariance, and what the drive did ([Tracker]); what
// happened between two frames ([Step]); how far each bolt moves the axis in a turn
// ([Bolts]) and the strokes that bring it to the pole ([Bolts.Moves]); the tilt of
// the azimuth bolt's line, which is that of the base or of a wrong latitude
// ([LatitudeByBolt]).
//
// Method: iterated extended Kalman filters (Jazwinski 1970, Stochastic Processes
// and Filtering Theory, section 8.3) over several hypotheses (Sorenson and Alspach
// 1971, Automatica 7, 465); derivations in the comments of [Tracker] and [Bolts].
//
//	the live axis                        tracker.go; hypotheses.go, update.go, hinge.go
//	what happened between two frames     step.go, drive.go
//	how the axis answers the bolts       bolts.go; boltfilter.go, movement.go
//	the strokes to do, in words          strokes.go
//	the tilt of the base                 tilt.go
package adjust
