// Package nights finds the axis from ordinary exposures of a tracking mount,
// without any procedure, night by night.
//
// In: attitudes in the local frame, their moments, where each frame pointed among
// the stars ([Exposure]), and whether the mount is guided. Out: the axis of the
// night with its covariance, flexure, drift and the scatter of single frames
// ([Fit]), gathered frame by frame over many nights ([Watch]).
//
// The model is that of package axis, R c = n, with flexure, drift and jitter whose
// sizes are averaged over; derivation in the comment of [Fit]. Restricted
// likelihood: Patterson and Thompson 1971, Biometrika 58, 545.
//
//	the nights, frame by frame     watch.go
//	the fit of one night           fit.go
//	runs of one target             stretches.go
//	normal equations               equations.go
//	averages over sizes            sizes.go
//	the result in words            words.go
package nights
