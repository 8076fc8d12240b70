package pipeline

import (
	"context"
	"slices"
	"testing"
	"time"

	"polard/fits"
	"polard/mountmodel/sky"
	"polard/solve"
	"polard/solve/camera"
	"polard/solve/detect"
	"polard/solve/match"
)

// A service that has solved a frame gives up at once on frames of cloud, but
// looks wider every widerAfter-th time, and for a frame of another size; a
// command that was asked about certain frames searches to the end each time.
func TestCloudIsGivenUpPromptly(t *testing.T) {
	const solvedAt = 7 * sky.Arcsecond
	for _, prompt := range []bool{true, false} {
		var quick []bool
		cloudy := false
		p := &Pipeline{clock: time.Now, Prompt: prompt, Search: func(_ context.Context, img solve.Image, hint solve.Hint) (*solve.Solution, error) {
			quick = append(quick, true)
			if cloudy {
				return nil, &solve.Failure{Code: "no_match", Message: "cloud", Deeper: func(context.Context) (*solve.Solution, error) {
					quick[len(quick)-1] = false
					return nil, &solve.Failure{Code: "no_match", Message: "cloud"}
				}}
			}
			quick[0] = false // it was solved, and no more was to be done
			s := &solve.Solution{Detected: &detect.Result{}}
			s.Camera = camera.Camera{Width: img.Width, Height: img.Height, Scale: solvedAt}
			return s, nil
		}}
		read := func(width int) {
			p.Read(context.Background(), "f.fits", &fits.Frame{Width: width, Height: 100}, nil)
		}
		read(100)
		cloudy = true
		for range widerAfter + 1 {
			read(100)
		}
		read(50)
		want := make([]bool, 1+widerAfter+1+1)
		for i := range want {
			after := i - 1 // frames that failed before this one
			want[i] = prompt && i > 0 && i <= widerAfter+1 && (after+1)%widerAfter != 0
		}
		if !slices.Equal(quick, want) {
			t.Errorf("prompt %v: given up early %v, want %v", prompt, quick, want)
		}
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
