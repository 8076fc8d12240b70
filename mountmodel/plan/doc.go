// Package plan tells what exposures ask of the alignment.
//
// In: site, air, optics, target, hours, exposure ([Plan]), and an axis. Out: how
// stars trail in the worst exposure ([Motion]), how far from the pole the
// axis may be ([Plan.Tolerance]), the longest exposure ([Plan.LongestExposure]),
// the rate that a drive needs (apparentRate), and all of it as a [Verdict].
//
// The geometry is exact: stars are followed through the air, and the mount turns
// about its axis. It agrees with the formulas of Covington 1999, Astrophotography
// for the Amateur, appendix B, of Hook 1989, J. Brit. Astron. Assoc. 99, 19, and of
// King 1931, A Manual of Celestial Photography, where these hold (tests).
//
//	the plan and its limits               plan.go
//	one exposure, star by star            exposure.go
//	trails of the worst exposure          trail.go
//	how far off, how long, the best axis  tolerance.go
//	the rate of the drive                 rate.go
//	the answer in words                   verdict.go
package plan
