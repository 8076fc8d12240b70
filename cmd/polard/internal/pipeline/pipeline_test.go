package pipeline

import (
	"context"
	"math"
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

// The scale of the last frame solved is no hint for one whose header names other optics, or for another camera's; that of each
// camera is known when it comes again.
func TestScaleOfEachCamera(t *testing.T) {
	var hint, scale sky.Angle
	p := &Pipeline{clock: time.Now, Search: func(_ context.Context, img solve.Image, h solve.Hint) (*solve.Solution, error) {
		hint = h.Scale
		s := &solve.Solution{Detected: &detect.Result{}}
		s.Camera = camera.Camera{Width: img.Width, Height: img.Height, Scale: scale}
		return s, nil
	}}
	for i, c := range []struct {
		width        int
		header, true sky.Angle // arcseconds a pixel
		hint         sky.Angle
	}{
		{100, 7, 7.3, 7},
		{100, 7, 7.3, 7.3},
		{100, 2, 2.2, 2}, // another telescope
		{80, 0, 5, 0},
		{100, 7, 7.3, 7.3},
		{80, 0, 5, 5},
		{100, 2, 2.2, 2.2},
		{100, 0, 2.2, 0}, // a header without optics
	} {
		scale = c.true * sky.Arcsecond
		p.Read(t.Context(), "f.fits", &fits.Frame{Width: c.width, Height: 60, ScaleHint: c.header * sky.Arcsecond}, nil)
		if math.Abs(float64(hint-c.hint*sky.Arcsecond)) > 1e-12 {
			t.Errorf("frame %d: hinted %g, want %g", i, hint.Arcseconds(), float64(c.hint))
		}
	}
	// After a restart the header of then is not known.
	other := &Pipeline{clock: time.Now, Search: p.Search}
	other.Resume(Lens{Camera: camera.Camera{Width: 100, Height: 60, Scale: 7.3 * sky.Arcsecond}})
	if other.Read(t.Context(), "f.fits", &fits.Frame{Width: 100, Height: 60, ScaleHint: 7 * sky.Arcsecond}, nil); math.Abs(hint.Arcseconds()-7.3) > 1e-9 {
		t.Errorf("after a restart: hinted %g", hint.Arcseconds())
	}
}

// reader reads frames of which a test says what they show.
func reader(t *testing.T, fixed *bool) (read func(c camera.Camera, pairs ...match.Pair) Outcome, p *Pipeline) {
	var next *solve.Solution
	p = &Pipeline{clock: time.Now, Fixed: func() bool { return *fixed }, Search: func(context.Context, solve.Image, solve.Hint) (*solve.Solution, error) {
		return next, nil
	}}
	return func(c camera.Camera, pairs ...match.Pair) Outcome {
		next = &solve.Solution{Detected: &detect.Result{}}
		next.Camera, next.Pairs = c, pairs
		return p.Read(t.Context(), "f.fits", &fits.Frame{Width: c.Width, Height: c.Height}, nil)
	}, p
}

// A better lens replaces the one in use while nothing rests on that; each camera has its own, also when it comes again.
func TestLensStays(t *testing.T) {
	fixed := false
	read, _ := reader(t, &fixed)
	for i, c := range []struct {
		fixed        bool
		stars, width int
		lens         int
		told         bool
	}{
		{false, 10, 100, 1, true},
		{false, 20, 100, 1, false},
		{false, 31, 100, 2, true}, // much better
		{true, 500, 100, 2, false},
		{true, 10, 260, 3, true}, // another camera
		{true, 500, 260, 3, false},
		{true, 10, 100, 2, true}, // the first one again
		{true, 10, 260, 3, true},
		{false, 31, 260, 4, true},
	} {
		fixed = c.fixed
		o := read(camera.Camera{Width: c.width, Height: 100, Scale: 7 * sky.Arcsecond}, make([]match.Pair, c.stars)...)
		if o.Sighting.Lens != c.lens || (o.NewLens != nil) != c.told {
			t.Errorf("frame %d: lens %d, told %v, want %d, %v", i, o.Sighting.Lens, o.NewLens != nil, c.lens, c.told)
		}
	}
}

// Frames binned otherwise go through the lens of their camera: the same star in the same direction. By 2 and 3 the detector is
// one pixel short.
func TestLensOfBinnedFrames(t *testing.T) {
	fixed := true
	read, _ := reader(t, &fixed)
	whole := camera.Camera{Width: 1601, Height: 1201, Scale: 7 * sky.Arcsecond, Axis: sky.Pixel{X: 812.3, Y: 590.1}, K1: -0.3, K2: 0.1}
	at := sky.Pixel{X: 200, Y: 1100}
	want := read(whole, match.Pair{Pixel: at})
	for _, bin := range []int{2, 3, 4} {
		b := float64(bin)
		c := camera.Camera{Width: whole.Width / bin, Height: whole.Height / bin, Scale: whole.Scale * sky.Angle(b) * 1.003}
		o := read(c, match.Pair{Pixel: sky.Pixel{X: (at.X+0.5)/b - 0.5, Y: (at.Y+0.5)/b - 0.5}})
		if off := sky.Separation(o.Sighting.Pairs[0].Camera, want.Sighting.Pairs[0].Camera); o.NewLens != nil || o.Sighting.Lens != want.Sighting.Lens || off > sky.Arcsecond/1e3 {
			t.Errorf("binned by %d: lens %d, %g arcseconds off", bin, o.Sighting.Lens, off.Arcseconds())
		}
	}
	for name, c := range map[string]camera.Camera{
		"part of the detector": {Width: 1200, Height: 901, Scale: whole.Scale},
		"half its width":       {Width: 800, Height: 600, Scale: whole.Scale},
		"another lens":         {Width: 800, Height: 600, Scale: whole.Scale * 2.2},
		"mirrored":             {Width: 1601, Height: 1201, Scale: whole.Scale, Mirrored: true},
	} {
		if o := read(c); o.Sighting.Lens == want.Sighting.Lens || o.NewLens == nil {
			t.Errorf("%s: through the same lens", name)
		}
	}
}

// A frame that was read before a better lens came into use is reduced once more: as if that had come first.
func TestReducedAgain(t *testing.T) {
	fixed := false
	read, p := reader(t, &fixed)
	at := match.Pair{Pixel: sky.Pixel{X: 10, Y: 20}}
	poor := camera.Camera{Width: 1600, Height: 1200, Scale: 7 * sky.Arcsecond, Axis: sky.Pixel{X: 800, Y: 600}}
	good := poor
	good.Axis.X, good.K1 = 790, -0.2
	o := read(poor, at)
	before := o.Sighting.Pairs[0].Camera
	read(good, make([]match.Pair, 100)...)
	fixed = true
	p.Reduce(&o)
	want := read(good, at)
	if o.NewLens != nil || o.Sighting.Lens != want.Sighting.Lens || o.Sighting.Pairs[0].Camera != want.Sighting.Pairs[0].Camera || o.Sighting.Pairs[0].Camera == before {
		t.Errorf("reduced again: lens %d, %v; want %d, %v", o.Sighting.Lens, o.Sighting.Pairs[0].Camera, want.Sighting.Lens, want.Sighting.Pairs[0].Camera)
	}
}
