package solve

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"polard/catalogs"
)

// theCatalogue and theSolver are shared by the tests: levels of the index are
// built once.
var theCatalogue = sync.OnceValue(func() *catalogs.Catalogue {
	cat, err := catalogs.Open()
	if err != nil {
		panic(err)
	}
	return cat
})

var theSolver = sync.OnceValue(func() *Solver { return New(theCatalogue(), time.Now, "") })

func BenchmarkBuildLevel(b *testing.B) {
	for i, spec := range levelSpecs {
		b.Run(fmt.Sprint(i), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				buildLevel(theCatalogue(), spec)
			}
		})
	}
}
