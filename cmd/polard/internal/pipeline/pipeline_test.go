package pipeline

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"polard/fits"
	"polard/mountmodel/sky"
	"polard/solve"
	"polard/solve/camera"
	"polard/solve/detect"
	"polard/solve/match"
)

// The deeper search of a frame that was not solved at once goes on while nothing newer waits, and gives way to what does;
// what its first part said is told then. Without a queue it goes to its end.
func TestDeeperSearchGivesWay(t *testing.T) {
	for _, c := range []struct {
		name          string
		queue         bool
		before, while bool // a newer frame waits already, or comes
		deep, solved  bool
	}{
		{"no queue", false, false, false, true, true},
		{"nothing waits", true, false, false, true, true},
		{"a newer one waits", true, true, false, false, false},
		{"a newer one comes", true, false, true, true, false},
	} {
		var q Queue
		deep := false
		p := &Pipeline{clock: time.Now, Search: func(_ context.Context, img solve.Image, _ solve.Hint) (*solve.Solution, error) {
			return nil, &solve.Failure{Code: "no_match", Message: "no match", Deeper: func(ctx context.Context) (*solve.Solution, error) {
				deep = true
				if c.while {
					q.Waiting(true)
				}
				if err := ctx.Err(); err != nil {
					return nil, err
				}
				s := &solve.Solution{Detected: &detect.Result{}}
				s.Camera = camera.Camera{Width: img.Width, Height: img.Height, Scale: 7 * sky.Arcsecond}
				return s, nil
			}}
		}}
		if c.queue {
			p.Deepen = q.Deepen
		}
		q.Waiting(c.before)
		o := p.Read(t.Context(), "f.fits", &fits.Frame{Width: 100, Height: 100}, nil)
		q.Done()
		if deep != c.deep || (o.Solution != nil) != c.solved {
			t.Errorf("%s: searched deeper %v, solved %v: %+v", c.name, deep, o.Solution != nil, o.Problem)
		}
		if !c.solved && (o.Problem.Code != "no_match" || !strings.Contains(o.Problem.Message, "newer frame")) {
			t.Errorf("%s: %+v", c.name, o.Problem)
		}
	}
}

// The scale of the last frame solved is the hint for the next of its size, but not for each widerAfter-th that fails.
func TestScaleOfTheLast(t *testing.T) {
	const solvedAt = 7 * sky.Arcsecond
	var hints []bool
	cloudy := false
	p := &Pipeline{clock: time.Now, Search: func(_ context.Context, img solve.Image, hint solve.Hint) (*solve.Solution, error) {
		hints = append(hints, hint.Scale == solvedAt)
		if cloudy {
			return nil, &solve.Failure{Code: "no_match", Message: "cloud"}
		}
		s := &solve.Solution{Detected: &detect.Result{}}
		s.Camera = camera.Camera{Width: img.Width, Height: img.Height, Scale: solvedAt}
		return s, nil
	}}
	read := func(width int) {
		p.Read(t.Context(), "f.fits", &fits.Frame{Width: width, Height: 100}, nil)
	}
	read(100)
	cloudy = true
	for range widerAfter + 1 {
		read(100)
	}
	read(50)
	want := []bool{false, true, true, true, true, false, true, false}
	if !slices.Equal(hints, want) {
		t.Errorf("hinted %v, want %v", hints, want)
	}
}

// A better lens replaces the one in use while nothing rests on that; another camera's does always.
func TestLensStays(t *testing.T) {
	fixed := false
	stars, width := 10, 100
	p := &Pipeline{clock: time.Now, Fixed: func() bool { return fixed }, Search: func(_ context.Context, img solve.Image, _ solve.Hint) (*solve.Solution, error) {
		s := &solve.Solution{Detected: &detect.Result{}}
		s.Camera = camera.Camera{Width: img.Width, Height: img.Height, Scale: 7 * sky.Arcsecond}
		s.Pairs = make([]match.Pair, stars)
		return s, nil
	}}
	for i, c := range []struct {
		fixed        bool
		stars, width int
		replaced     bool
	}{
		{false, 10, 100, true},
		{false, 20, 100, false},
		{false, 31, 100, true},
		{true, 500, 100, false},
		{true, 10, 200, true},
		{false, 31, 200, true},
	} {
		fixed, stars, width = c.fixed, c.stars, c.width
		o := p.Read(context.Background(), "f.fits", &fits.Frame{Width: width, Height: 100}, nil)
		if (o.NewLens != nil) != c.replaced {
			t.Errorf("frame %d: the lens is new: %v, want %v", i, o.NewLens != nil, c.replaced)
		}
	}
}
