package detect

import (
	"context"
	"fmt"
	"testing"

	"polard/solve/detect/drawn"
)

func BenchmarkDetect(b *testing.B) {
	for _, size := range [][2]int{{1936, 1096}, {3520, 2600}, {6248, 4176}} {
		img := drawn.Telescope(size[0], size[1], 250)
		b.Run(fmt.Sprintf("%.0fMpx", float64(size[0]*size[1])/1e6), func(b *testing.B) {
			n := 0
			for b.Loop() {
				d, err := Find(context.Background(), img)
				if err != nil {
					b.Fatal(err)
				}
				n = len(d.Detections)
			}
			b.ReportMetric(float64(n), "stars")
		})
	}
}
