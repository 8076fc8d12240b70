package index

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"polard/catalogs"
)

// theCatalogue and theIndex are shared by the tests: levels of the index are
// built once.
var theCatalogue = sync.OnceValue(func() *catalogs.Catalogue {
	cat, err := catalogs.Open()
	if err != nil {
		panic(err)
	}
	return cat
})

var theIndex = sync.OnceValue(func() *Index { return New(theCatalogue(), "", time.Now) })

func BenchmarkBuildLevel(b *testing.B) {
	for i, spec := range Specs {
		b.Run(fmt.Sprint(i), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				builtLevel(b, theCatalogue(), spec)
			}
		})
	}
}

func builtLevel(t testing.TB, cat *catalogs.Catalogue, spec Spec) *Level {
	t.Helper()
	l, err := buildLevel(t.Context(), cat, spec)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func levelNumbered(t testing.TB, number int) *Level {
	t.Helper()
	l, err := theIndex().Level(t.Context(), number)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// BenchmarkRegion goes through a block of ten thousand stars, the fainter half of them pivots, with as many shapes as an image of sixty stars has.
func BenchmarkRegion(b *testing.B) {
	rng := rand.New(rand.NewPCG(5, 6))
	r := &Region{}
	const stars, side = 10_000, 0.1
	for range stars {
		mag := rng.IntN(1000)
		r.read = append(r.read, regionStar{x: float32(side * rng.Float64()), y: float32(side * rng.Float64()), mag: uint16(mag), own: mag >= 500})
	}
	var shapes []Shape
	for range 8000 {
		long, short := math.Sqrt(rng.Float64()), rng.Float64()
		longest := 0.004 * math.Sqrt(rng.Float64())
		shapes = append(shapes, Shape{
			U: cmplx.Rect(long, math.Pi*rng.Float64()), V: cmplx.Rect(long*math.Sqrt(short), 2*math.Pi*rng.Float64()),
			Tol: 0.006, Shortest: 0.93 * longest, Longest: 1.07 * longest,
		})
	}
	filed := NewShapes(shapes)
	for b.Loop() {
		r.file()
		r.Match(filed, func(int, [4]uint32) {})
	}
}
