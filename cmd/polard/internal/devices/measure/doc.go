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
// Finding aid: limits.go has the limits, plan.go what will move, sequence.go the measurement,
// turn.go a single movement, exposure.go which exposure to take.
package measure
