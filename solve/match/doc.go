// Package match: detections, a hint and an index go in, the first candidate comes out that is proved, with a camera fitted to all its stars.
package match
