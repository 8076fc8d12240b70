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
