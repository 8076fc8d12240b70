// Package extract reads tables of stars as the archives of deep catalogues hand them out. In: the bytes of a
// file, plain or gzipped; out: one [Row] a star, in degrees, milliarcseconds and magnitudes, or an error that
// names the line.
//
// Formats, recognised by the first bytes: comma, semicolon, tab or blank separated text; ECSV (Astropy Proposal for
// Enhancement 6); FITS binary tables (FITS Standard 4.0, section 7.3); VOTable 1.4 with TABLEDATA, BINARY or
// BINARY2 (IVOA Recommendation 2019-10-21).
//
// Columns are those of the Gaia archive (Gaia DR3 data model, table gaia_source) unless the user names
// others. A missing value is NaN in a Row.
//
//	extract.go  Open, and what every format shares
//	columns.go  which column is what, its unit, and which values can be meant
//	text.go     separated text and ECSV
//	fits.go     FITS binary tables
//	votable.go  VOTable
package extract
