package match

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"polard/catalogs"
	"polard/solve/index"
)

// theIndex is shared by the tests: its levels are built once.
var theIndex = sync.OnceValue(func() *index.Index {
	cat, err := catalogs.Open()
	if err != nil {
		panic(err)
	}
	return index.New(cat, "", time.Now)
})

func theCatalogue() *catalogs.Catalogue { return theIndex().Catalogue }

// randomEntry is an entry of a level, by a random shape.
func randomEntry(rng *rand.Rand, l *index.Level) uint32 {
	for {
		q := index.Query{U: cmplx.Rect(rng.Float64(), math.Pi*rng.Float64()), V: cmplx.Rect(rng.Float64(), 2*math.Pi*rng.Float64()), Tol: 0.05}
		var entries []uint32
		for row := range l.Rows(&q) {
			entries = append(entries, row...)
		}
		if len(entries) > 0 {
			return entries[rng.IntN(len(entries))]
		}
	}
}

func levelNumbered(t testing.TB, number int) *index.Level {
	t.Helper()
	l, err := theIndex().Level(t.Context(), number)
	if err != nil {
		t.Fatal(err)
	}
	return l
}
