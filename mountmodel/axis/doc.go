// Package axis finds the line about which a mount turns from the attitudes of
// several frames, with its covariance, and says what to do about it.
//
// In: attitudes in the local frame with their covariances, in order of time, and
// which end of the line is meant. Out: the axis ([Find]), tests of the model that
// the mount is rigid, what broke when it is not ([Fit.Diagnose]), the turn to ask
// for next ([PredictTurn]), and the movement of the two bolts that brings the axis
// onto the pole ([Correction]).
//
// The model is one vector equation for each frame, R c = n: the axis n, fixed in
// the ground, stands in one place c of the camera whatever the angle. Derivation
// in the comments of [Fit] and rigid; least squares by Marquardt 1963, J. SIAM
// 11, 431.
//
// Where what is:
//
//	the axis and its covariance       axis.go
//	the model R c = n, solved         rigid.go
//	what broke                        diagnose.go
//	the frames of one measurement     measurement.go, frames.go; in words: warning.go
//	how far to turn                   predict.go; which way: clearance.go
//	the correction in words           correction.go, status.go
package axis
