package pipeline

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"sync"
	"time"

	"polard/catalogs"
	"polard/fits"
	"polard/mountmodel"
	"polard/mountmodel/sky"
	"polard/solve"
)

// Pipeline takes frames to sightings. One goroutine uses it at a time.
type Pipeline struct {
	// Search is the solver's First; tests put others in its place.
	Search func(context.Context, solve.Image, solve.Hint) (*solve.Solution, error)
	Scale  sky.Angle // of a pixel, from the command line; 0 when not given
	Field  sky.Angle // long side of the field from the command line; 0 when not given
	Near   *sky.ICRS // place from the command line; nil when not given
	clock  func() time.Time

	// What was learnt of the cameras whose frames were solved, the best hint for the next; the last used is the last.
	seen   []seenCamera
	lastAt *sky.ICRS // where the last solved frame pointed
	failed int       // frames since then

	// Fixed, if set, tells whether frames were taken that must stay comparable with those to come: then no lens is changed.
	// Without it, who compares frames has all of them reduced once more at the end, see Reduce.
	Fixed    func() bool
	lenses   []*Lens // one for each camera; the last used is the last
	numbered int     // of the newest lens

	// Deepen, if set, is asked whether a frame that was not solved at once is worth the deeper search, and gives the
	// context that ends that; nil: each frame is. See [Queue].
	Deepen func(context.Context) (context.Context, bool)
}

// The catalogue and the solver with its index serve the whole program.
var (
	Catalogue = sync.OnceValues(func() (*catalogs.Catalogue, error) {
		cat, err := catalogs.Open()
		if err != nil {
			return nil, fmt.Errorf("the bundled catalogue cannot be used: %w (this is our fault: please report it)", err)
		}
		return cat, nil
	})
	openSolver = sync.OnceValues(func() (*solve.Solver, error) {
		cat, err := Catalogue()
		if err != nil {
			return nil, err
		}
		solver := solve.New(cat, time.Now, cacheFolder(os.Getenv, os.UserCacheDir))
		if added, err := Added(); err == nil && added != nil { // 'polard check' tells of one that cannot be used
			solver.WithAdded(added)
		}
		return solver, nil
	})
)

// cacheFolder is where what can be made again is kept: where a service manager says (systemd.exec(5),
// CacheDirectory=), or where the user's programs keep theirs; "" where there is no such place.
func cacheFolder(env func(string) string, user func() (string, error)) string {
	if list := filepath.SplitList(env("CACHE_DIRECTORY")); len(list) > 0 && list[0] != "" {
		return list[0]
	}
	folder, err := user()
	if err != nil {
		return ""
	}
	return filepath.Join(folder, "polard")
}

// New is a pipeline that has seen no frame, with the solver that the whole program shares.
func New() (*Pipeline, error) {
	solver, err := openSolver()
	if err != nil {
		return nil, err
	}
	return &Pipeline{Search: solver.First, clock: time.Now}, nil
}

// Outcome is what became of one file.
type Outcome struct {
	Path     string
	Frame    *fits.Frame     // nil when the file could not be read
	Solution *solve.Solution // nil when it has none
	Problem  *Problem        // set exactly when Solution is not
	Detected int
	ReadFor  time.Duration
	Times    solve.Times
	Sighting mountmodel.Sighting
	NewLens  *Lens // its lens, when that is another than that of the frame before
}

// Problem says why a file gave nothing, as a code and in words.
type Problem struct{ Code, Message string }

// Saying is the reason by its code, with how many stars were detected.
func (p Problem) Saying(detected int) sky.Saying {
	return sky.Saying{Code: p.Code, Args: []any{detected}, Text: p.Message}
}

// ReadFile is the whole way of one file: read, stars, match, camera, sighting.
func (p *Pipeline) ReadFile(ctx context.Context, path string) Outcome {
	start := p.clock()
	info, err := os.Stat(path)
	if err == nil && info.IsDir() {
		o := Outcome{Path: path}
		o.Sighting.Name = path
		o.Refuse(Problem{"folder", "this is a folder: name the frames in it"})
		return o
	}
	frame, err := fits.ReadFile(path)
	o := p.Read(ctx, path, frame, err)
	if info != nil {
		o.Sighting.Written = fits.Written(info)
	}
	o.ReadFor = p.clock().Sub(start) - o.Times.Detect - o.Times.Match
	return o
}

// Read is the way of a frame that has been read already, or of the reason why
// it could not be. When ctx ends, the outcome means nothing.
func (p *Pipeline) Read(ctx context.Context, path string, frame *fits.Frame, err error) Outcome {
	o := Outcome{Path: path, Frame: frame}
	o.Sighting.Name = path
	if err != nil {
		o.Refuse(FileProblem(path, err))
		return o
	}
	o.Sighting.Mid, o.Sighting.Exposure, o.Sighting.Header, o.Sighting.Stated = frame.Mid, frame.Exposure, frame.Site, frame.Stated
	o.Solution, err = p.solve(ctx, frame)
	if err != nil {
		p.failed++
		var failure *solve.Failure
		if !errors.As(err, &failure) {
			failure = &solve.Failure{Code: "internal", Message: err.Error()}
		}
		if failure.Detected != nil {
			o.Detected = len(failure.Detected.Detections)
		}
		o.Times = failure.Times
		o.Refuse(Problem{failure.Code, failure.Message})
		return o
	}
	o.Times, o.Detected = o.Solution.Times, len(o.Solution.Detected.Detections)
	p.remember(seenCamera{frame.Width, frame.Height, frame.ScaleHint, o.Solution.Scale})
	if limit, ok := o.Solution.SkyLimit(); ok && frame.Counts {
		o.Sighting.SkyLimit = &limit
	}
	p.lastAt, p.failed = new(o.Solution.ICRS(o.Solution.Centre())), 0
	p.Reduce(&o)
	return o
}

// memoryFor is from how many bytes on garbage is collected at once while a frame of so many pixels is searched: a whole process
// may have 700 MB for up to 60 megapixels, and 12 bytes a pixel with 256 MB for more. Some 50 MB, of which the runtime does not
// know, are the program and its catalogue as they lie in the file.
func memoryFor(pixels int) int64 {
	if pixels <= 60e6 {
		return 640e6
	}
	return 12*int64(pixels) + 200e6
}

// solve finds where a frame points.
func (p *Pipeline) solve(ctx context.Context, frame *fits.Frame) (solution *solve.Solution, err error) {
	defer func() {
		// A panic is our fault and costs this frame only.
		if r := recover(); r != nil {
			solution, err = nil, fmt.Errorf("reading the stars of %s failed inside polard (%v): this is our fault, please report it with the file", frame.Name, r)
		}
	}()
	image := solve.Image{Width: frame.Width, Height: frame.Height, Pix: frame.Pix, Saturation: frame.Saturation}
	debug.SetMemoryLimit(memoryFor(len(frame.Pix)))
	solution, err = p.Search(ctx, image, p.hintFor(frame))
	failure := (*solve.Failure)(nil)
	if !errors.As(err, &failure) || failure.Deeper == nil {
		return solution, err
	}
	deeper, wanted := ctx, true
	if p.Deepen != nil {
		deeper, wanted = p.Deepen(ctx)
	}
	if wanted {
		if solution, err = failure.Deeper(deeper); err == nil || deeper.Err() == nil || ctx.Err() != nil {
			return solution, err
		}
	}
	return nil, &solve.Failure{Code: failure.Code, Message: failure.Message + " (a newer frame came before everything was tried)", Detected: failure.Detected, Times: failure.Times}
}

// Refuse notes why a file gave nothing, for the page and for the session.
func (o *Outcome) Refuse(why Problem) {
	o.Problem = &why
	o.Sighting.Refused = why.Message
}

// FileProblem names the kind of a file's error and says it without the file's
// name, which stands beside it wherever it is shown.
func FileProblem(path string, err error) Problem {
	message := strings.TrimPrefix(err.Error(), filepath.Base(path)+": ")
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return Problem{"not_found", "there is no such file"}
	case errors.Is(err, fits.ErrFault):
		return Problem{"internal", message}
	case errors.Is(err, fs.ErrPermission):
		return Problem{"unreadable", "this user may not read it"}
	case errors.Is(err, fits.ErrIncomplete):
		return Problem{"incomplete", message}
	case errors.Is(err, fits.ErrMalformed):
		return Problem{"malformed", message}
	case errors.Is(err, fits.ErrUnsupported):
		return Problem{"unsupported", message}
	}
	return Problem{"unreadable", message}
}
