// Package deep holds the catalogue that a user adds: extracts of open deep catalogues, merged with the bundled
// stars, in one file that is mapped into memory and read where it lies. In: rows of package extract and the
// bundled catalogue; out: stars of a circle on the sky, as package catalogs gives them.
//
// Places are kept for J2016.0 in ICRS, the epoch of Gaia DR3, proper motion in mas/yr (in right ascension
// times cos(dec)), parallax in mas, and the magnitude of the catalogue added (Gaia's G); for bundled stars that
// it lacks, V - 0.2, which is G for a star of the median colour.
//
// What the file adds to the errors of what was read, at most: 0.1 mas in place, 0.2 mas/yr in each component of
// proper motion, 0.05 mas in parallax, 0.0005 in magnitude.
//
// No star is twice: what is within 0.3 arcsecond and 0.3 magnitudes of another is that one (Gaia itself lists
// pairs down to 0.2 arcsecond), and a bundled star is left out where an added one stands within its errors
// (bundled.go).
//
// Finding aid:
//
//	catalogue.go  reading: Open, Cone, Brightest, Depth
//	format.go     the file: layout, checks
//	record.go     a star in 14 bytes
//	build.go      making the file: sorted runs on disk, merged
//	write.go      the file itself, put in its place when it is whole
//	bundled.go    which bundled stars an extract holds
//	coverage.go   which part of the sky was added and how deep, and the stars of a part
//	counts.go     how many stars to expect
//	plan.go       how deep a field asks for, and the archive's query
package deep
