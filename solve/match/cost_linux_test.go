package match

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"polard/mountmodel/sky"
	"polard/solve/costtest"
	"polard/solve/index"
)

// TestCost prints how processor time grows with the number of stars.
func TestCost(t *testing.T) {
	costtest.Skip(t)
	for number := range index.Specs {
		levelNumbered(t, number)
	}
	fmt.Println("| stars in a frame of 2 degrees | match with a scale, ms | without, ms | without, and no sky, ms |\n| --- | --- | --- | --- |")
	for _, stars := range []int{20, 40, 80, 160, 320, 640, 1280} {
		rng := rand.New(rand.NewPCG(17, uint64(stars)))
		var lists []starList
		for len(lists) < 41 {
			// In the denser half of the sky, where so many are in the catalogue.
			l := drawList(rng, theCatalogue(), listSpec{field: 2 * sky.Degree, width: 1600, height: 1200, most: stars, missing: 0.1, spurious: 0.1, scatter: 0.3, noise: 1})
			if l.real > stars*7/10 {
				lists = append(lists, l)
			}
		}
		row := fmt.Sprintf("| %d |", stars)
		for _, scale := range []float64{1.03, 0} {
			took, _ := costtest.Of(t, len(lists), func(run int) {
				l := &lists[run]
				if _, err := find(t.Context(), theIndex(), l.image, Hint{Scale: l.Scale * sky.Angle(scale), Epoch: l.epoch}); err != nil {
					t.Logf("%d stars: %v", stars, err)
				}
			})
			row += fmt.Sprintf(" %.1f |", costtest.Milliseconds(took))
		}
		took, _ := costtest.Of(t, 3, func(run int) {
			in := lists[run].image
			in.Detections = slices.Clone(in.Detections)
			for i := range in.Detections {
				in.Detections[i].Pos = sky.Pixel{X: 1600 * rng.Float64(), Y: 1200 * rng.Float64()}
			}
			if _, err := find(t.Context(), theIndex(), in, Hint{Epoch: 2025}); err == nil {
				t.Error("scattered places solved")
			}
		})
		fmt.Printf("%s %.0f |\n", row, costtest.Milliseconds(took))
	}
}
