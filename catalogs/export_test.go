package catalogs

import "polard/catalogs/cells"

// CoarsePerEdge makes the small files of the tests.
const CoarsePerEdge = cells.MinPerEdge

// EncodeCoarse is Encode with few cells.
func EncodeCoarse(stars []Star) ([]byte, error) {
	return encode(stars, [32]byte{1, 2, 3}, CoarsePerEdge)
}
