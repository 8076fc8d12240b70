// Package sky is the vocabulary that every other package speaks: angles,
// unit vectors in named frames, orthogonal matrices, attitudes with
// covariance, the site and its air. It is a leaf: it imports nothing of ours.
//
//	angle.go     [Angle] and its units
//	vector.go    [Vec], and the frames [ICRS], [Local], [Camera], [Pixel]
//	matrix.go    [Matrix], rotations
//	cov2.go      [Cov2], the covariance of two numbers
//	tangent.go   directions across and up; the turn about a line
//	attitude.go  [Attitude] from pairs of directions, with covariance
//	turn.go      which turn is told, of likelihoods by degree
//	hour.go      hour angle and declination to [Local]
//	site.go      [Site], [Air]; stated.go: what headers state of them
//	words.go     angles as people read them
//	written.go   angles as people write them
//	saying.go    sentences with a code, for any language
//
// Conventions.
//
//   - Angles are radians inside [Angle]; a value is built only with a unit
//     (2.5*sky.Degree).
//   - [ICRS] directions are unit vectors at the epoch of the exposure.
//   - [Local] directions are unit vectors, right-handed east, north, up.
//     Azimuth runs from north through east. Latitude and longitude are
//     geodetic, east positive.
//   - [Pixel] positions are column X, row Y, both counted from 0 at the centre
//     of the first pixel in the file.
//   - [Camera] directions have X along columns, Y along rows, Z out along the
//     boresight. That triad is left-handed for an image that shows the sky as
//     the eye does when row 0 is at the bottom, and right-handed for a mirrored
//     one; an [Attitude] is therefore an orthogonal matrix of either
//     determinant, and the turn between two attitudes of one camera is always
//     a proper rotation.
package sky
