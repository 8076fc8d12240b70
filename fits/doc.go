// Package fits turns bytes into a [Frame] and back, and watches a folder for
// frames as they arrive. It follows the FITS Standard, version 4.0 (FITS
// Working Group of the IAU, 2018); "section" below and in the code is a section
// of that document.
//
// What happens to a file, in order:
//
//	stage                                   file          standard
//	what comes out, and kinds of refusal    frame.go
//	bytes from disk                         decode.go
//	gzip undone                             inflate.go
//	only whether it is whole, and its time  peek.go
//	which unit holds the frame              find.go       3
//	headers and sizes: strict check         check.go      3.1 to 3.4, 4.4.1
//	keyword values                          keywords.go   4.2
//	compressed tiles: how they are laid out tiles.go      10.1
//	  to stored numbers                     unfold.go     10.1.3
//	  Rice                                  rice.go       10.4.1
//	  HCOMPRESS                             hcompress.go  10.4.4
//	  whole numbers to real ones, dither    quantise.go   10.2, appendix I
//	stored numbers to physical values       pixels.go     4.4.2.5, 5.1 to 5.3
//	colour planes and mosaics to luminance  colour.go
//	time of the exposure                    moment.go     9
//	  dates, times, time scales             stamp.go      9.1, 9.2
//	optics, pointing                        optics.go     8 (hints only)
//	  of which equinox                      equinox.go    8.3
//	site                                    site.go       8.4.1
//	  from coordinates of the Earth         geocentric.go
//	local time, sidereal time, altitude     stated.go     common practice
//	air at the telescope                    weather.go    common practice
//	a frame to bytes                        write.go      3.1, 4.1
//	what reading and writing share: cards   card.go       4.1, 4.2
//	a table of stars, row by row            table.go      7.3
//
// Input never panics and never makes the package reserve more memory than a
// small multiple of the file's own length, whatever the header claims; what is
// packed (gzip, compressed tiles) may unfold to 256 MB.
//
// The values of keywords are read by github.com/astrogo/fitsio, which is
// trusted with nothing else: it asserts types without asking, reserves what
// the header claims and has its own idea of BSCALE. So it is handed only cards
// that the check has found legal, in a header that claims no data; sizes and
// pixels are read here.
package fits
