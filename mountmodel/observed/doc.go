// Package observed goes from the catalogue's directions to those in which stars
// are seen from a site through its air, and from the stars seen in one frame to
// the attitude of the camera.
//
// In: ICRS directions at the epoch of the exposure, a [sky.Site], a [sky.Air],
// UTC and UT1-UTC. Out: directions east, north, up ([Observer.Observed]), the
// celestial pole ([Pole]), the attitude of a frame with its covariance
// ([Observer.Attitude]).
//
// Where what is, and after which source:
//
//	time scales, leap seconds    time.go: IERS Bulletin C, ERFA dat
//	motion of the Earth          earth.go, earth_series.go: ERFA epv00
//	precession, nutation         precession.go, nutation_series.go: IAU 2006/2000B, ERFA nut00b
//	ICRS to observed place       observer.go: ERFA apco13, atco13
//	refraction                   refraction.go: ERFA refco
//	the pole                     pole.go
//	attitude of one frame        attitude.go: Wahba's problem (Markley 1988, J. Astronaut.
//	                             Sci. 36, 245), then least squares
//	what refraction compresses   compression.go
package observed
