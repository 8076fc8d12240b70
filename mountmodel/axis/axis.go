package axis

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"
)

// Axis is the mechanical line about which the camera turns, at its
// pole-seeking end, with its uncertainty on the sky.
type Axis struct {
	Dir sky.Local
	// Cov is the covariance in square radians in the plane that touches the
	// sky at Dir: index 0 across (towards growing azimuth), 1 up (towards
	// growing altitude).
	Cov sky.Cov2
}

// SigmaAlt is the standard deviation of the altitude.
func (a Axis) SigmaAlt() sky.Angle { return sky.Angle(math.Sqrt(a.Cov[1][1])) }

// SigmaAcross is the standard deviation across the altitude circle, as an
// angle on the sky.
func (a Axis) SigmaAcross() sky.Angle { return sky.Angle(math.Sqrt(a.Cov[0][0])) }

// SigmaAz is the standard deviation of the azimuth itself: SigmaAcross
// divided by cos altitude, at most half a turn.
func (a Axis) SigmaAz() sky.Angle {
	c := math.Hypot(a.Dir.X, a.Dir.Y)
	if s := float64(a.SigmaAcross()); s < math.Pi*c {
		return sky.Angle(s / c)
	}
	return sky.Turn / 2
}

// Correlation is the correlation of azimuth and altitude.
func (a Axis) Correlation() float64 {
	if p := a.Cov[0][0] * a.Cov[1][1]; p > 0 {
		return a.Cov[0][1] / math.Sqrt(p)
	}
	return 0
}

// Ellipse gives the semi-axes of the 1-sigma ellipse and the direction of the
// longer one, from up through growing azimuth, in [0, 180) degrees. It holds
// the truth with probability 39 %; scaled by 1.515 68.3 %, by 2.448 95 %.
func (a Axis) Ellipse() (major, minor, from sky.Angle) {
	mean, diff := (a.Cov[0][0]+a.Cov[1][1])/2, (a.Cov[1][1]-a.Cov[0][0])/2
	r := math.Hypot(diff, a.Cov[0][1])
	from = (sky.Atan2(a.Cov[0][1], diff) / 2).Positive()
	if from >= sky.Turn/2 {
		from -= sky.Turn / 2
	}
	return sky.Angle(math.Sqrt(mean + r)), sky.Angle(math.Sqrt(max(0, mean-r))), from
}

// Fit is the axis from the attitudes of several frames.
//
// The model: the camera sits on a body that turns about one line fixed in the
// ground. Whatever the angle, the camera then has that line in one place of
// its own frame: R_i c = n for every frame i, where n is the axis in the local
// frame, c the same line in the camera's, and R_i the attitude. The angles of
// the single frames drop out: each frame gives two numbers on the four unknowns
// of n and c, and two frames at different angles suffice. This is the maximum
// of the likelihood over axis, mounting of the camera and all angles, because
// an angle free in every frame takes up the part of the noise that turns the
// frame about the axis.
type Fit struct {
	Axis       Axis
	Body       sky.Camera  // c: the axis as the camera has it in the newest frame
	Turns      []sky.Angle // angle of each frame about the axis since the first, right-handed, in [-180, 180) degrees
	Residuals  []sky.Vec   // of each frame: the small rotation (radians, local axes) that most likely separates it from the model
	Chi2       float64     // of the rigid model, with the stated errors alone
	Dof        int         // 2 per frame less 2 for the axis and 2 for each body
	ModelError sky.Angle   // what had to be added to the errors of each frame, per coordinate, to make Chi2 equal Dof; 0 when they agree
	Span       sky.Angle   // smallest arc of the axis's circle that holds all the angles

	Frames []sky.Attitude
	// averaged: axis and covariance are the mean over all that may have happened.
	averaged bool
	// straight are the frames without what the tube hangs by.
	straight []sky.Attitude
	flexure  tubeFlexure
	body     []int // of each frame
	bodies   int
	n, c     sky.Vec
	Cov      *mat.SymDense // of n (2) and c (2), square radians in the bases sky.TangentBasis of both, model error included
}

// TooLittleTurnError says that the attitudes differ too little in the angle
// about the axis.
type TooLittleTurnError struct {
	Turn sky.Angle // that they span
	Need sky.Angle // that would do
}

func (e *TooLittleTurnError) Error() string {
	if e.Turn < 1*sky.Arcminute {
		return fmt.Sprintf("the frames all stand at the same angle of the RA axis: turn it by about %.0f degrees", e.Need.Degrees())
	}
	return fmt.Sprintf("the frames span only %s of turn of the RA axis: turn it until they span about %.0f degrees", sky.AngleWords(e.Turn), e.Need.Degrees())
}

// Errors of the axis fit.
var (
	ErrFewFrames = errors.New("an axis needs two frames at different angles of the RA axis")
	ErrNotRigid  = errors.New("the frames do not fit a camera that turns about one line: one of them is wrong, or the declination, the tube or the mount moved between them")
	ErrMirrored  = sky.Refuse(nil, "mirrored", "the frames disagree on whether the image is mirrored: they come from different cameras or one was flipped")
)

const (
	// UsableAxis is the 1-sigma uncertainty beyond which an axis is not handed
	// out: the fit treats errors as small angles, good to 2 % at a degree, and
	// nobody turns bolts by such a number.
	UsableAxis = 1 * sky.Degree

	// clearTurn is by how many standard deviations of its worst component a
	// rotation between two frames must stand out. Below, the noise of the roll
	// of a small field makes a rotation of its own, about the boresight, which
	// a linear covariance takes for a precise axis there; from here on the axis
	// errs by less than 1/30 of a radian.
	clearTurn = 30

	// poorAxis is the uncertainty from which the user is warned.
	poorAxis = 5 * sky.Arcminute

	// rigidDoubt is the probability of a chi-square as large as found, under a
	// rigid mount and true errors, below which the model is said to fail.
	rigidDoubt = 1e-3

	// fitRounds bounds the rounds of the fit. A start off by a degree takes
	// four; a model that does not hold takes more.
	fitRounds = 50

	// fitDone is the step in radians with which it stops: 2e-7 arcsec. As each
	// step squares the error, what is left is rounding.
	fitDone = 1e-12
)

// Find finds the axis by maximum likelihood. Attitudes are in the local
// frame with their covariances; towards picks the end of the line (any
// direction within 90 degrees of it: the elevated pole). Fewer than two frames,
// too little turn, mixed parities and frames that no one line explains within
// [UsableAxis] are errors.
func Find(frames []sky.Attitude, towards sky.Local) (*Fit, error) {
	fit, err := find(frames, towards)
	if err != nil {
		return nil, err
	}
	return fit, nil
}

// find is [Find], but beside ErrNotRigid it gives the fit all the same, to
// be diagnosed.
func find(frames []sky.Attitude, towards sky.Local) (*Fit, error) {
	if len(frames) < 2 {
		return nil, ErrFewFrames
	}
	det := frames[0].R.Det()
	for _, f := range frames {
		if f.R.Det()*det < 0 {
			return nil, ErrMirrored
		}
	}
	if turn, enough := LargestTurn(frames); !enough {
		return nil, &TooLittleTurnError{Turn: turn, Need: WantedTurn}
	}
	n, err := startAxis(frames, towards)
	if err != nil {
		return nil, err
	}
	m := rigid(frames, n)
	if err := m.solve(0); err != nil {
		return nil, &TooLittleTurnError{Turn: spanAbout(frames, n), Need: WantedTurn}
	}
	modelError := sky.Angle(0)
	if doubtful(m.chi2, m.dof()) {
		modelError = m.findModelError()
		m, modelError = separate(m, modelError, towards)
	}
	fit := &Fit{Frames: frames, body: m.body, bodies: len(m.c)}
	if fit.bodies > 1 {
		if m, fit.flexure, err = straighten(m, frames); err != nil {
			return nil, &TooLittleTurnError{Turn: spanAbout(frames, n), Need: WantedTurn}
		}
		if modelError = 0; doubtful(m.chi2, m.dof()) {
			modelError = m.findModelError()
		}
	}
	fit.straight, fit.Chi2, fit.Dof = m.frames, m.chi2, m.dof()
	if r3.Dot(m.n, sky.Vec(towards)) < 0 {
		m.n = r3.Scale(-1, m.n)
		for b := range m.c {
			m.c[b] = r3.Scale(-1, m.c[b])
		}
	}
	fit.ModelError = modelError
	if err := m.solve(fit.ModelError); err != nil {
		return nil, err
	}
	fit.n, fit.c, fit.Cov = m.n, m.c[m.body[len(m.body)-1]], of(m.covariance(), m.newest())
	fit.Residuals = m.residuals()
	if fit.broken() {
		fit.averaged = true
		fit.average()
	}
	last := len(frames) - 1
	fit.Body = sky.Camera(frames[last].R.Transpose().Mul(fit.straight[last].R).Apply(fit.c)) // as it hangs
	fit.Axis = Axis{Dir: sky.Local(fit.n), Cov: ofAxis(fit.Cov)}
	fit.Turns = TurnsAbout(frames, fit.n)
	fit.Span = Arc(fit.Turns)
	if major, _, _ := fit.Axis.Ellipse(); !(major < UsableAxis) {
		if fit.ModelError > 0 {
			return fit, ErrNotRigid
		}
		return nil, &TooLittleTurnError{Turn: fit.Span, Need: Needed(fit.Span, major)}
	}
	return fit, nil
}

// WantedTurn is what is asked for when nothing better is known: common
// practice; at 60 degrees the axis is as uncertain as the attitudes themselves.
const WantedTurn = 60 * sky.Degree

// Needed is the turn at which the uncertainty, which falls as 1/turn while the
// turn is small, comes down to poorAxis; at least 5 and at most 60 degrees.
func Needed(turn, sigma sky.Angle) sky.Angle {
	if !(sigma > 0) || math.IsInf(float64(sigma), 0) {
		return WantedTurn
	}
	return min(max(turn*sigma/poorAxis, 5*sky.Degree), WantedTurn)
}

// doubtful tells whether a chi-square is too large to be chance.
func doubtful(chi2 float64, dof int) bool {
	return dof > 0 && distuv.ChiSquared{K: float64(dof)}.Survival(chi2) < rigidDoubt
}

// LargestTurn is about the largest rotation between two frames, and whether
// any stands clear of the noise.
func LargestTurn(frames []sky.Attitude) (largest sky.Angle, clear bool) {
	from := 0
	for range 2 { // from the first frame, then from the one farthest from it
		far := from
		for i, f := range frames {
			t := sky.Angle(r3.Norm(sky.VectorFromRotation(f.R.Mul(frames[from].R.Transpose()))))
			noise := 0.0
			for k := range 3 {
				noise += f.Cov[k][k] + frames[from].Cov[k][k]
			}
			if 2*(t/2).Sin() > clearTurn*math.Sqrt(noise) {
				clear = true
			}
			if t > largest {
				largest, far = t, i
			}
		}
		from = far
	}
	return largest, clear
}

// startAxis takes the axes of the rotations from frame to frame. The axis of a
// rotation by t is uncertain as 1/sin(t/2), hence the weight sin^2(t/2); the
// sum of the weighted outer products does not care for the sense, and its main
// direction is the axis.
func startAxis(frames []sky.Attitude, towards sky.Local) (sky.Vec, error) {
	const mostPairs = 2000 // enough for any start; bounds the time
	sum := mat.NewSymDense(3, nil)
	pairs := 0
	for gap := len(frames) / 2; gap >= 1 && pairs < mostPairs; gap-- {
		for i := range len(frames) - gap {
			v := sky.VectorFromRotation(frames[i+gap].R.Mul(frames[i].R.Transpose()))
			angle := r3.Norm(v)
			if angle == 0 {
				continue
			}
			s := math.Sin(angle/2) / angle
			u := [3]float64{s * v.X, s * v.Y, s * v.Z}
			for a := range 3 {
				for b := a; b < 3; b++ {
					sum.SetSym(a, b, sum.At(a, b)+u[a]*u[b])
				}
			}
			pairs++
		}
	}
	var eig mat.EigenSym
	if pairs == 0 || !eig.Factorize(sum, true) {
		return sky.Vec{}, &TooLittleTurnError{Need: WantedTurn}
	}
	var vectors mat.Dense
	eig.VectorsTo(&vectors)
	n := sky.Unit(sky.Vec{X: vectors.At(0, 2), Y: vectors.At(1, 2), Z: vectors.At(2, 2)})
	if r3.Dot(n, sky.Vec(towards)) < 0 {
		n = r3.Scale(-1, n)
	}
	return n, nil
}

// TurnsAbout are the angles about n since the first frame.
func TurnsAbout(frames []sky.Attitude, n sky.Vec) []sky.Angle {
	turns := make([]sky.Angle, len(frames))
	first := frames[0].R.Transpose()
	for i := 1; i < len(frames); i++ {
		turns[i] = sky.TurnAbout(frames[i].R.Mul(first), n).Signed()
	}
	return turns
}

func spanAbout(frames []sky.Attitude, n sky.Vec) sky.Angle { return Arc(TurnsAbout(frames, n)) }

// Arc is the smallest arc of a circle that holds all angles: the circle less
// the widest gap.
func Arc(angles []sky.Angle) sky.Angle {
	s := make([]sky.Angle, len(angles))
	for i, a := range angles {
		s[i] = a.Positive()
	}
	slices.Sort(s)
	gap := s[0] + sky.Turn - s[len(s)-1]
	for i := 1; i < len(s); i++ {
		gap = max(gap, s[i]-s[i-1])
	}
	return sky.Turn - gap
}
