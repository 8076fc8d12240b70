package solve

import (
	"context"
	"time"

	"polard/catalogs"
	"polard/solve/detect"
	"polard/solve/index"
	"polard/solve/match"
)

// Image is what is searched for stars.
type Image = detect.Image

// Hint is what is believed about an image.
type Hint = match.Hint

// Solution says where an image points and how its camera maps the sky.
type Solution struct {
	match.Match
	Detected *detect.Result
	Times    Times
}

// Times is how long the stages took.
type Times struct{ Detect, Match time.Duration }

// Failure says why an image has no solution, in words for the person at the
// mount.
type Failure struct {
	Code     string // few_stars, no_match or what detection said
	Message  string
	Detected *detect.Result // nil when detection itself failed
	Times    Times
}

func (f *Failure) Error() string { return f.Message }

// Solver matches images against the catalogue. It is safe for use by many goroutines.
type Solver struct {
	index *index.Index
	clock func() time.Time // for Times alone
}

// New makes a solver over a catalogue. clock measures how long the stages take
// and never enters a result. The levels of its index are kept in the folder keep, 160 MB in all,
// for the next process that wants them; "" keeps none.
func New(cat *catalogs.Catalogue, clock func() time.Time, keep string) *Solver {
	return &Solver{index: index.New(cat, keep, clock), clock: clock}
}

// Solve finds stars, matches them and fits the camera. The error is a *Failure
// when the image shows nothing that can be proved.
func (s *Solver) Solve(img Image, hint Hint) (*Solution, error) {
	start := s.clock()
	det, err := detect.Find(context.Background(), img)
	times := Times{Detect: s.clock().Sub(start)}
	if err != nil {
		return nil, &Failure{Code: "no_stars", Message: err.Error(), Times: times}
	}
	start = s.clock()
	sol, err := s.match(img.Width, img.Height, det, hint)
	times.Match = s.clock().Sub(start)
	if err != nil {
		return nil, &Failure{Code: err.(*Failure).Code, Message: err.Error(), Detected: det, Times: times}
	}
	sol.Times = times
	return sol, nil
}

// match is Solve for an image of which the stars are known.
func (s *Solver) match(width, height int, det *detect.Result, hint Hint) (*Solution, error) {
	in := match.Image{Width: width, Height: height, Detections: make([]match.Detection, len(det.Detections))}
	for i, d := range det.Detections {
		in.Detections[i] = match.Detection{Pos: d.Pos, Cov: d.Cov, Flux: d.Flux, SNR: d.SNR, Height: d.Height, Saturated: d.Saturated, Aligned: d.Aligned}
	}
	m, err := match.Find(s.index, in, hint)
	if err != nil {
		why := err.(*match.Failure)
		return nil, &Failure{Code: why.Code, Message: why.Message}
	}
	return &Solution{Match: *m, Detected: det}, nil
}
