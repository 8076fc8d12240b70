package solve

import (
	"sync"
	"time"

	"polard/catalogs"
)

const RaceEnabled = raceEnabled

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

// SharedSolver saves the tests from outside the package a second index.
func SharedSolver() *Solver { return theSolver() }
