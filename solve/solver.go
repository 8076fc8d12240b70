package solve

import (
	"context"
	"errors"
	"time"

	"polard/catalogs"
	"polard/catalogs/deep"
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
	// Deeper goes on with the search, for some seconds; nil when everything has been tried. It is called
	// once; the frame's pixels are no longer needed.
	Deeper func(context.Context) (*Solution, error)
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

// WithAdded makes the solver search narrow fields among added stars as well. It must be said before the first search.
func (s *Solver) WithAdded(added *deep.Catalogue) *Solver {
	s.index.Added = added
	return s
}

// First finds stars, matches them and fits the camera, as far as the search is cheap: it solves nearly every frame that
// shows the sky. The error is a *Failure when the image shows nothing that can be proved so; its Deeper makes the rest of
// the search, for those who have the time. When ctx ends first it is the context's: within some milliseconds, wherever
// the work stands, and no goroutine is left.
func (s *Solver) First(ctx context.Context, img Image, hint Hint) (*Solution, error) {
	var times Times
	start := s.clock()
	detected, err := detect.Find(ctx, img)
	times.Detect = s.clock().Sub(start)
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if err != nil {
		return nil, &Failure{Code: "no_stars", Message: err.Error(), Times: times}
	}
	search := match.New(s.index, toMatch(img, detected), hint)
	return s.timed(ctx, search, search.Cheap, detected, times)
}

// timed is a part of a search, whose time is added to those before.
func (s *Solver) timed(ctx context.Context, search *match.Search, part func(context.Context) (*match.Match, error), detected *detect.Result, times Times) (*Solution, error) {
	start := s.clock()
	found, err := part(ctx)
	times.Match += s.clock().Sub(start)
	if why := (*match.Failure)(nil); errors.As(err, &why) {
		failure := &Failure{Code: why.Code, Message: why.Message, Detected: detected, Times: times}
		if search.More() {
			failure.Deeper = func(ctx context.Context) (*Solution, error) {
				return s.timed(ctx, search, search.Rest, detected, times)
			}
		}
		return nil, failure
	}
	if err != nil {
		return nil, err
	}
	return &Solution{Match: *found, Detected: detected, Times: times}, nil
}

// toMatch is what the match wants to know of an image's detections.
func toMatch(img Image, detected *detect.Result) match.Image {
	in := match.Image{Width: img.Width, Height: img.Height, Detections: make([]match.Detection, len(detected.Detections))}
	for i, d := range detected.Detections {
		in.Detections[i] = match.Detection{Pos: d.Pos, Cov: d.Cov, Flux: d.Flux, SNR: d.SNR, Height: d.Height, Saturated: d.Saturated, Aligned: d.Aligned}
	}
	return in
}
