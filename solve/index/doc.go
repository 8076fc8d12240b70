// Package index holds small groups of catalogue stars, filed by shape, in levels from wide fields to narrow
// ones. In goes a catalogue; out come its levels, each built when first wanted, cached in a folder for the next
// process, and looked up by shape.
//
// A level holds the catalogue thinned to even density, of every cell of a grid over the sky the brightest
// few, or all stars to a magnitude. Each of its stars is the pivot of patterns: of itself and three of its nearest
// neighbours, so that the patterns' size follows the density of stars and their number grows with that of the
// stars. The three lines from the pivot to the others are the pattern's sides. Its shape is what the two shorter
// sides are to the longest, two complex numbers that neither shift, turn nor scale changes: two triangles with
// the longest side in common, good for four coordinates where a triangle (Groth 1986, AJ 91, 1244; Valdes et
// al. 1995, PASP 107, 1119) has two. So a pattern of the image meets thousands of times fewer chance
// likenesses than a triangle does, for one star more that must be seen. Star sensors, which know
// their scale, use a star and two of its neighbours in the same way (Liebe 1992, IEEE Aerosp.
// Electron. Syst. Mag. 7(6), 34; from memory).
//
// Files, from the top:
//
//	index.go       an index of levels that are made when first wanted
//	cache.go       levels in a folder: written, read, believed only when sound
//	build.go       the patterns of a level, filed into buckets
//	region.go      added stars, a block of the sky at a time, in a plane
//	shapes.go      the shapes of an image, to be looked up by those of a region
//	neighbours.go  the nearest stars of each star
//	thin.go        which of the catalogue's stars a level holds
//	lookup.go      the entries of a level that may have a shape
//	level.go       a level: stars, neighbours, entries
//	bins.go        from a shape to its bucket
//	spec.go        the levels there are
//	vector.go      directions in single precision
//
// Building stops within milliseconds when its context ends.
package index
