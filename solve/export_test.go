package solve

import (
	"context"
	"errors"
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

// Solve makes the whole search.
func (s *Solver) Solve(ctx context.Context, img Image, hint Hint) (*Solution, error) {
	solution, err := s.First(ctx, img, hint)
	if failure := (*Failure)(nil); errors.As(err, &failure) && failure.Deeper != nil {
		return failure.Deeper(ctx)
	}
	return solution, err
}
