package index

import (
	"fmt"
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
				buildLevel(theCatalogue(), spec)
			}
		})
	}
}
