package index

import (
	"fmt"
	"math"
	"strconv"
	"testing"

	"polard/catalogs"
	"polard/mountmodel/sky"
	"polard/solve/costtest"
)

// TestCost prints how processor time and memory grow with the depth of the catalogue.
func TestCost(t *testing.T) {
	costtest.Skip(t)
	fmt.Println("| catalogue to V | stars | building its index, ms | index, MB | memory at most, MB |\n| --- | --- | --- | --- | --- |")
	for _, faintest := range []float64{8, 9, 10, 11, 12, 16} {
		var stars []catalogs.Star
		theCatalogue().Cone(sky.ICRS{Z: 1}, sky.Turn/2, faintest, func(s catalogs.Star) { stars = append(stars, s) })
		file, err := catalogs.Encode(stars, [32]byte{})
		if err != nil {
			t.Fatal(err)
		}
		count := len(stars)
		stars = nil
		cat, err := catalogs.Parse(file)
		if err != nil {
			t.Fatal(err)
		}
		var bytes int
		took, grown := costtest.Of(t, 1, func(int) {
			var kept []*Level
			for _, spec := range Specs {
				l := builtLevel(t, cat, spec)
				kept = append(kept, l)
				bytes += 20*len(l.nodes) + 4*len(l.starts) + 4*len(l.entry)
			}
			if len(kept) != len(Specs) {
				t.Error("a level is missing")
			}
		})
		name := strconv.FormatFloat(faintest, 'g', -1, 64)
		if math.Abs(faintest-16) < 1 {
			name = "its end"
		}
		fmt.Printf("| %s | %d | %.0f | %.0f | %.0f |\n", name, count, costtest.Milliseconds(took), float64(bytes)/1e6, grown)
	}
}
