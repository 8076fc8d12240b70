package solve

const RaceEnabled = raceEnabled

// SharedSolver saves the tests from outside the package a second index.
func SharedSolver() *Solver { return theSolver() }
