// Package pipeline takes a file to a sighting, the whole way of one frame.
//
// In comes a path; out comes an [Outcome]: the frame read, its solution, and the sighting that the session takes, or why there is
// none.
//
//   - pipeline.go: the recipe.
//   - hint.go: what is believed of the next frame by its header and by the frames before; lens.go: the lens of each camera.
//   - queue.go: the deeper search of a frame, which gives way to newer ones.
//   - added.go: the catalogue that a user has added.
package pipeline
