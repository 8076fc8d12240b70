// Package mountmodel goes from matched stars and a moment to the two bolts of
// an equatorial mount. It sees no pixels and reads no clock.
//
// Where what is:
//
//	the axis while bolts turn     adjust.go: a filter on R c = n, bolts and drive
//	how each bolt answers         bolts.go
//	what else happened meanwhile  follow.go: faults, the clock
//	the session                   session.go, measurement.go; what a page shows: view.go
//
// All directions are unit vectors of package sky; the local frame is east,
// north, up. Angles are sky.Angle, radians inside.
package mountmodel
