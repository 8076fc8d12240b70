// Package cells cuts the sky into cells for the star catalogues and the index: six faces of a cube, each into n by n
// cells by planes through the face's own axes at equal angles. In: directions; out: cell numbers and places
// in a cell, and the cells that a circle on the sky meets.
//
//	grid.go  the cube, the cells, places in them
//	cone.go  circles on the sky
package cells
