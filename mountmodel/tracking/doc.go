// Package tracking tells what a mount does while it tracks by itself, unguided: how the
// declination drifts, against what the measured axis predicts, and how unevenly the drive
// runs.
//
// In: attitudes of frames in the local frame and their moments ([Frame]), place and air
// ([Setting]), the axis. Out: the drift predicted and seen, with their uncertainties, and
// what that says of the axis ([Proof]); period and amplitude of the drive's error
// ([Periodic]); where in the sky the mount bends ([Bending]).
//
//	drift against prediction       drift.go, proof.go (King 1931, A Manual of Celestial Photography;
//	                               Hook 1989, J. Brit. Astron. Assoc. 99, 19)
//	the proof in words             words.go
//	periodic error                 periodic.go (Lomb 1976, Astrophys. Space Sci. 39, 447;
//	                               Scargle 1982, ApJ 263, 835; Zechmeister & Kuerster 2009,
//	                               A&A 496, 577)
//	bending over the sky           bending.go
//
// The drift in declination tells the axis with nothing in common with the fit of the
// measurement but the stars: other frames, of another kind, and a rate instead of angles.
package tracking
