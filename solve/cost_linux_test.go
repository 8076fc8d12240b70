package solve

import (
	"context"
	"fmt"
	"testing"

	"polard/solve/costtest"
	"polard/solve/detect"
	"polard/solve/detect/drawn"
)

// TestCost prints how processor time and memory grow with the size of frames.
func TestCost(t *testing.T) {
	costtest.Skip(t)
	fmt.Println("| megapixels | detection, ms | memory besides the frame, MB |\n| --- | --- | --- |")
	for _, size := range [][2]int{{640, 480}, {1200, 900}, {1936, 1096}, {3520, 2600}, {6248, 4176}, {9504, 6336}} {
		img := drawn.Telescope(size[0], size[1], 250)
		took, grown := costtest.Of(t, 3, func(int) {
			if _, err := detect.Find(context.Background(), img); err != nil {
				t.Fatal(err)
			}
		})
		fmt.Printf("| %.1f | %.0f | %.0f |\n", float64(size[0]*size[1])/1e6, costtest.Milliseconds(took), grown)
	}
}
