// Package rehearsal is a simulated rig under the real catalogue's sky: an
// equatorial mount whose axis does not point to the pole, two bolts to put
// that right, a camera on the body, and frames written to a folder as any
// camera program would. It serves to practise a whole alignment at a desk and
// to measure, over hundreds of random mounts, how well the rest of the program
// does against a known truth.
//
// Where things are:
//
//	config.go   what a rig consists of, with its limits
//	faults.go   what can be made to go wrong
//	places.go   two observatories of our own invention
//	mount.go    base, bolts, axis, drive: where the camera points
//	camera.go   from a direction to a pixel
//	stars.go    the tracks of stars over the detector during an exposure
//	psf.go      the image of a star
//	noise.go    from electrons to counts
//	rig.go      [Rig]: turn, expose, and the truth
//	faults.go   what goes wrong at rigs, with its sizes
//	station.go  [Station]: a rig that exposes by itself into a folder
//
// A [Rig] is deterministic: the same configuration, turns and times give the
// same frames to the last bit. Time is passed in everywhere. Nothing here
// reads a clock, and only [Station] waits.
//
// What is not simulated: the Sun, the Moon and twilight (a rehearsal works by
// day), the ground (below the horizon there are no stars, and the frame shows
// empty sky), colour.
package rehearsal
