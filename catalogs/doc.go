// Package catalogs holds the star catalogue that polard knows the sky by:
// Tycho-2 with its first supplement (Hog et al. 2000, A&A 355, L27), 2 557 501
// stars to about V = 12, compiled into one file that is embedded in the
// program and used where it lies. See PROVENANCE.md for its origin, licence
// and the command that makes it again.
//
// Places are ICRS at epoch J2000.0 (Julian year 2000.0, TDB; the difference
// from UTC is of no account here). Proper motion is in mas/yr, in right
// ascension multiplied by cos(declination). V is Johnson V, from the Tycho
// magnitudes by V = VT - 0.090 (BT - VT) (ESA SP-1200, vol. 1, sect. 1.3).
//
// What the compiled file adds to the errors of the published catalogue, at
// most: 0.0421 arcsecond in place (0.02 rms), 0.5 mas/yr in each component of proper
// motion (0.05 for stars faster than 127 mas/yr), 0.034 in V.
//
// About one star in twenty has no proper motion (HasPM false): its place is
// the one observed by the satellite near 1991.5, not carried on to J2000.0.
// Among these are bright and fast stars in multiple systems, which by now
// stand seconds of arc, the fastest minutes of arc, from that place.
//
// Cells. The sky is cut into six faces of a cube, each face into n by n cells
// (n = 96) by planes through the face's own axes at equal angles. A cell is
// 0.94 degree wide at the centre of a face, its sides are nowhere longer, and
// no point of it is more than 0.77 degree from its centre. The stars of a cell
// are adjacent in the catalogue, brightest first.
//
// Finding aid:
//
//	star.go       a star and its motion
//	catalogue.go  reading: Open, Parse, CellStars, Cone, Brightest
//	cells         geometry of the cells
//	format.go     the file: layout, Encode, checks
//	compile       the command that makes the file from the published ones
package catalogs
