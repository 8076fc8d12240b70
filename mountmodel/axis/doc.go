// Package axis finds the line about which a mount turns from the attitudes of
// several frames, with its covariance, and says what to do about it.
//
// In: attitudes in the local frame with their covariances, in order of time, and
// which end of the line is meant. Out: the axis ([Find]), tests of the model that
// the mount is rigid, what broke when it is not ([Fit.Diagnose]), what the frames
// could not have shown and has to be allowed for ([Fit.Allowance]), the turn to ask
// for next ([PredictTurn]), and the movement of the two bolts that brings the axis
// onto the pole ([Correction]).
//
// The model is one vector equation for each frame, R c = n: the axis n, fixed in
// the ground, stands in one place c of the camera whatever the angle. At another
// declination, or beyond a flip, c is another and n the same. Derivation in the
// comments of [Fit] and model; least squares by Marquardt 1963, J. SIAM 11, 431.
// Frames that no rigid mount makes are explained by every single departure in turn,
// and the axis is the mean over these explanations (Kass and Raftery 1995, J. Am.
// Stat. Assoc. 90, 773).
//
// Where what is:
//
//	the axis and its covariance       axis.go
//	the model R c = n, solved         model.go
//	declinations, sides of the pier   bodies.go
//	how square the mount's parts are  square.go
//	what a rig may do                 departure.go
//	what broke                        diagnose.go
//	the mean over all that may have   average.go
//	what the frames cannot show       allowance.go
//	the frames of one measurement     measurement.go, frames.go; in words: warning.go
//	how far to turn                   predict.go; which way: clearance.go
//	the correction in words           correction.go, status.go
package axis
