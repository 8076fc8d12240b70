package detect

import (
	"context"
	"math"

	"polard/solve/parallel"
)

func inParallel(n, count int, do func(worker, i int)) {
	parallel.Each(context.Background(), n, count, do)
}

func sq(x float64) float64 { return x * x }

func sqrt32(x float32) float32 { return float32(math.Sqrt(float64(x))) }
