// Package measure measures with a camera and a mount by itself: expose, turn the right ascension
// axis, expose again, and then expose in a loop while the bolts are turned. It decides what may move.
//
// What comes in: a camera and a mount (the seam of [polard/cmd/polard/internal/devices]), the site,
// limits, and a function that reads a picture's stars. What goes out: a [Plan] that says what will
// move, how far and which way, before anything does; then progress, and what was read.
//
// Nothing moves without a plan that was shown and confirmed. Each movement is checked against the
// limits before it begins, and while it goes on by what the mount reports; the first picture checks
// the mount's own reports against the sky, and each later one that the axis turned as the mount
// says. Whatever ends the measurement, a word of the user or any failure, first stops the mount.
//
// Hour angle and declination are those of the equinox of date, refraction neglected: limits are
// whole degrees.
//
// Each movement is of one axis alone. Declination is turned only by a plan that says so, and the other
// side of the pier is reached over the pole: the axes' positions beyond it are counted on, so that one
// set of limits holds for all.
//
// Finding aid: limits.go has the limits, plan.go what will move, thorough.go the part of it at a second
// declination and on the other side of the pier, sequence.go the measurement, turn.go a single movement,
// crosscheck.go the mount's reports against the pictures, exposure.go which exposure to take.
package measure
