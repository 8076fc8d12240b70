package solve

import (
	"fmt"
	"math"
	"testing"
)

// benchFrame is a frame as a telescope takes it: stars whose number rises
// tenfold for 2.5 magnitudes, some hot pixels, a gradient.
func benchFrame(width, height int, starsPerMpx float64) Image {
	m := newMock(width, height, 7, 600)
	for i := range m.mean {
		m.mean[i] += 0.1 * float64(i%width)
	}
	l := &stampLight{light: newMoffatLight(3, 3.2), stamps: map[[2]float64]float64{}}
	n := int(starsPerMpx * float64(width*height) / 1e6)
	for range n {
		e := 1000 / math.Pow(max(m.rng.Float64(), 1e-4), 1/1.0)
		// Places in quarters of a pixel let the stamps be used again.
		m.star(l, float64(m.rng.IntN(4*width))/4, float64(m.rng.IntN(4*height))/4, e)
	}
	for range width * height / 5000 {
		m.mean[m.rng.IntN(len(m.mean))] += 1e4
	}
	return m.expose(5, 1, 200, 65535)
}

func BenchmarkDetect(b *testing.B) {
	for _, size := range [][2]int{{1936, 1096}, {3520, 2600}, {6248, 4176}} {
		img := benchFrame(size[0], size[1], 250)
		b.Run(fmt.Sprintf("%.0fMpx", float64(size[0]*size[1])/1e6), func(b *testing.B) {
			n := 0
			for b.Loop() {
				d, err := Detect(img)
				if err != nil {
					b.Fatal(err)
				}
				n = len(d.Stars)
			}
			b.ReportMetric(float64(n), "stars")
		})
	}
}

// stampLight remembers what it has drawn.
type stampLight struct {
	light
	stamps map[[2]float64]float64
}

func (s *stampLight) pixel(dx, dy float64) float64 {
	v, ok := s.stamps[[2]float64{dx, dy}]
	if !ok {
		v = s.light.pixel(dx, dy)
		s.stamps[[2]float64{dx, dy}] = v
	}
	return v
}
