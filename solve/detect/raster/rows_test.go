package raster

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// TestRows: flashes in a row are told from stars around them, and eighty places at random hold no row.
func TestRows(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	rows := 0
	for range 200 {
		var places []complex128
		for range 70 {
			places = append(places, complex(900*rng.Float64(), 700*rng.Float64()))
		}
		if len(Rows(places)) > 0 {
			rows++
		}
		for i := range 20 {
			places = slices.Insert(places, 0, complex(30+40*float64(i), 100+20*float64(i)+rng.Float64()))
		}
		found := Rows(places)
		for k, z := range places[:20] {
			if !found[z] {
				t.Fatalf("flash %d is taken for a star", k)
			}
		}
		if len(found) > 40 { // lines through neighbouring flashes are tilted a little, and catch some
			t.Fatalf("%d of 70 stars beside the row are taken for flashes", len(found)-20)
		}
	}
	if rows > 2 {
		t.Errorf("%d of 200 random frames have rows", rows)
	}
}
