package rehearsal

import (
	"math"
	"math/rand/v2"
)

// maxADU is the largest count of a 16-bit detector.
const maxADU = 65535

// readOut turns electrons into counts in place: the light of the sky and the
// dark current added, shot and read noise, full well, gain, bias, whole
// numbers.
//
// A pixel with mean L electrons and read noise R is a Poisson number plus a
// normal one: mean L, variance V = L + R^2, skewness L/V^1.5. Drawing it so
// costs some 100 ns; instead a normal z is bent to the same first three moments,
//
//	L + sqrt(V) (z + g (z^2 - 1)) / sqrt(1 + 2 g^2),  g = L / (6 V^1.5)
//
// (the first terms of Cornish and Fisher 1938, Rev. Inst. Int. Stat. 5, 307).
// With R at least 1 electron g is at most 0.064, reached at L = 2 R^2, so the
// bend stays small and the distribution monotonic within 7 sigma.
func (k Camera) readOut(m image, background func(row int) (start, step float64), rng *rand.Rand) {
	read2 := k.ReadE * k.ReadE
	perE := 1 / k.GainE
	for row := range m.height {
		line := m.pix[row*m.width : (row+1)*m.width]
		empty, step := background(row)
		for col := range line {
			mean := float64(line[col]) + empty
			empty += step
			v := mean + read2
			sigma := math.Sqrt(v)
			g := mean / (6 * v * sigma)
			z := rng.NormFloat64()
			// 1 - g^2 for 1/sqrt(1+2g^2): 3e-5 off at most.
			e := mean + sigma*(z+g*(z*z-1))*(1-g*g)
			adu := math.RoundToEven(k.BiasADU + perE*min(e, k.FullWellE))
			line[col] = float32(max(0, min(maxADU, adu)))
		}
	}
}

// hotPixel is a pixel with a dark current of its own.
type hotPixel struct {
	index int
	rate  float64 // electrons per second
}

// Range of the dark current of hot pixels, electrons per second; their
// logarithms are drawn evenly. Common practice: a warm small detector shows
// anything from barely visible to saturated in a few seconds.
const (
	weakestHot   = 20
	strongestHot = 20000
)

func (k Camera) hotPixels(rng *rand.Rand) []hotPixel {
	hot := make([]hotPixel, k.HotPixels)
	for i := range hot {
		hot[i] = hotPixel{
			index: rng.IntN(k.Width * k.Height),
			rate:  weakestHot * math.Pow(strongestHot/weakestHot, rng.Float64()),
		}
	}
	return hot
}
