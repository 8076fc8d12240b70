package rehearsal

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"time"

	"polard/fits"
	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Rig is a simulated rig. Its methods may be called by many goroutines; turns
// take no time, and a frame shows the rig as it stood when [Rig.Expose] was
// called.
type Rig struct {
	config Config // what does not change
	stars  Catalogue
	hot    []hotPixel

	mu      sync.Mutex
	mount   mount
	cloud   float64
	clock   time.Duration // camera's minus UTC
	stopped time.Time     // what a camera's clock that stands still shows; zero while it goes
	site    sky.Site      // where the rig really stands
	air     sky.Air       // over it
	dither  sky.Angle     // moved by so much between exposures, 1-sigma each way
	gust    sky.Vec       // in the next exposure
	frames  uint64        // exposed so far
}

// NewRig sets up a rig under a sky.
func NewRig(stars Catalogue, config Config) (*Rig, error) {
	if stars == nil {
		return nil, errors.New("a rig needs a star catalogue")
	}
	if err := config.Check(); err != nil {
		return nil, fmt.Errorf("simulated rig: %w", err)
	}
	// Fails when the date is outside the astronomy's range.
	if _, err := observed.NewObserver(config.Site, config.Air, config.Start, 0); err != nil {
		return nil, fmt.Errorf("simulated rig: %w", err)
	}
	return &Rig{
		config: config,
		stars:  stars,
		hot:    config.Camera.hotPixels(rand.New(rand.NewPCG(config.Seed, streamHot))),
		mount:  newMount(config),
		cloud:  config.Night.Cloud,
		clock:  config.ClockError,
		site:   config.Site,
		air:    config.Air,
	}, nil
}

// Config is what the rig was made from; it does not follow the turns.
func (r *Rig) Config() Config { return r.config }

// TurnRA turns the RA axis by hand: positive the way the sky turns, westwards
// for a tube above the pole.
func (r *Rig) TurnRA(by sky.Angle) error {
	return r.turn("RA axis", by, func(m *mount) { m.hourAngle += by })
}

// TurnDeclination swings the tube away from the axis's pole-seeking end.
func (r *Rig) TurnDeclination(by sky.Angle) error {
	return r.turn("declination axis", by, func(m *mount) { m.polarDistance += by })
}

func (r *Rig) turn(what string, by sky.Angle, do func(*mount)) error {
	if !(by.Abs() <= maxHandTurn) {
		return fmt.Errorf("the %s cannot be turned by %g degrees at once: at most %g", what, by.Degrees(), maxHandTurn.Degrees())
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	do(&r.mount)
	return nil
}

// maxHandTurn keeps angles small enough that no digits are lost.
const maxHandTurn = 10 * sky.Turn

// TurnAltitudeBolt turns the altitude bolt clockwise by so many turns. A turn
// past the end of the bolt's travel is refused.
func (r *Rig) TurnAltitudeBolt(turns float64) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return turnBolt(&r.mount.altBolt, turns, &r.mount.altitude, &r.mount.azimuth)
}

// TurnAzimuthBolt turns the azimuth bolt clockwise by so many turns. A turn
// past the end of the bolt's travel is refused.
func (r *Rig) TurnAzimuthBolt(turns float64) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return turnBolt(&r.mount.azBolt, turns, &r.mount.azimuth, &r.mount.altitude)
}

// SetTracking switches the drive at an instant.
func (r *Rig) SetTracking(on bool, at time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.mount.setTracking(on, at)
}

// Bump knocks the tripod: the whole mount turns by the small rotation vector,
// in radians about east, north and up.
func (r *Rig) Bump(rotation sky.Vec) error {
	if n := rotation.X*rotation.X + rotation.Y*rotation.Y + rotation.Z*rotation.Z; !(n <= math.Pi*math.Pi) {
		return fmt.Errorf("the tripod cannot be turned by %g radians: at most half a turn", math.Sqrt(n))
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.mount.base = sky.RotationFromVector(rotation).Mul(r.mount.base)
	return nil
}

// SetCloud dims the stars by so many magnitudes.
func (r *Rig) SetCloud(magnitudes float64) error {
	if !(magnitudes >= 0) {
		return fmt.Errorf("cloud of %g magnitudes: give 0 or more", magnitudes)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.cloud = magnitudes
	return nil
}

// Gust shakes the tube in the next exposure alone: by the small rotation
// vector, in radians about east, north and up.
func (r *Rig) Gust(rotation sky.Vec) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.gust = rotation
}

// SetPeriodicError makes the drive run unevenly: see [Mount].PeriodicError. The
// period must be above 0.
func (r *Rig) SetPeriodicError(amplitude sky.Angle, period time.Duration) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.mount.periodic, r.mount.worm = amplitude, sky.Angle(period.Seconds()*siderealRate)
}

// Lock locks the bolts.
func (r *Rig) Lock() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.mount.altitude += r.mount.lockShift[0]
	r.mount.azimuth += r.mount.lockShift[1]
}

// Truth is how the rig really stands.
type Truth struct {
	Site   sky.Site    // where it stands
	Air    sky.Air     // over it
	Axis   sky.Local   // pole-seeking end of the RA axis
	Pole   sky.Local   // refracted
	Offset axis.Offset // axis minus pole
	// Camera sends directions of the camera to the local frame; its third
	// column is the boresight.
	Camera sky.Matrix
	// Turn is the right-handed turn of the body about Axis since the RA circle
	// read 0.
	Turn sky.Angle
}

// Boresight is where the middle of the image looks.
func (t Truth) Boresight() sky.Local { return sky.Local(t.Camera.Column(2)) }

// Truth tells how the rig stands at an instant.
func (r *Rig) Truth(at time.Time) Truth {
	r.mu.Lock()
	m, site, air := r.mount, r.site, r.air
	r.mu.Unlock()
	t := Truth{
		Site: site, Air: air,
		Axis:   m.axis(at),
		Pole:   observed.Pole(site, air, observed.Refracted),
		Camera: m.attitude(r.config.Camera, at),
		Turn:   m.turnAt(at),
	}
	t.Offset = axis.OffsetBetween(t.Axis, t.Pole)
	return t
}

// Reading is what the rig's owner can read off it.
type Reading struct {
	HourAngle sky.Angle // RA circle, in [0, 360) degrees
	Tracking  bool
}

// Reading reads the circle and the switches at an instant.
func (r *Rig) Reading(at time.Time) Reading {
	r.mu.Lock()
	defer r.mu.Unlock()
	return Reading{HourAngle: r.mount.hourAngleAt(at).Positive(), Tracking: r.mount.tracking}
}

// Expose opens the shutter at an instant and gives the frame. The n-th frame
// of a rig always has the same noise.
func (r *Rig) Expose(at time.Time) (*fits.Frame, error) {
	return r.open(at).frame()
}

// open starts an exposure.
func (r *Rig) open(at time.Time) *shot {
	r.mu.Lock()
	r.frames++
	n, gust, dither := r.frames, r.gust, r.dither
	r.gust = sky.Vec{}
	r.mu.Unlock()
	s := r.shot(at, n)
	s.mount.base = sky.RotationFromVector(gust).Mul(s.mount.base)
	if dither > 0 {
		random := rand.New(rand.NewPCG(r.config.Seed, streamDither+n))
		s.mount.polarDistance += sky.Angle(random.NormFloat64()) * dither
		s.mount.hourAngle += sky.Angle(random.NormFloat64()) * dither / sky.Angle(max(leastSine, math.Abs(s.mount.polarDistance.Sin())))
	}
	return s
}

// leastSine bounds the turn of the RA axis by which a dither near the pole moves the
// tube across the sky.
const leastSine = 0.1

func (r *Rig) shot(at time.Time, number uint64) *shot {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := &shot{config: r.config, mount: r.mount, stars: r.stars, hot: r.hot, at: at, number: number}
	s.config.Night.Cloud, s.config.ClockError, s.config.Site, s.config.Air = r.cloud, r.clock, r.site, r.air
	s.stopped = r.stopped
	return s
}

// cutSigma is the light, in units of the empty sky's noise in a pixel, down to
// which stars are drawn.
const cutSigma = 0.02

// empty is the mean light of the sky and dark current in a pixel, electrons.
func (s *shot) empty() (sky, dark float64) {
	k, seconds := s.config.Camera, s.config.Exposure.Seconds()
	scale := k.Scale().Arcseconds()
	return k.electronRate(s.config.Night.SkyMag) * scale * scale * seconds, k.DarkE * seconds
}

func (s *shot) cut() float64 {
	light, dark := s.empty()
	return cutSigma * math.Sqrt(light+dark+s.config.Camera.ReadE*s.config.Camera.ReadE)
}

// stepFWHM is the distance between the images of a star that make up its
// trail, in its width: at 0.4 the trail is as smooth as a continuous one to
// better than 0.1 %.
const stepFWHM = 0.4

// overlap is how many steps of a trail add up in a pixel.
const overlap = 4

// frame draws the exposure.
func (s *shot) frame() (*fits.Frame, error) {
	k := s.config.Camera
	cut := s.cut()
	// A star outside still shows its wings: these reach as far as the detector
	// is wide only for stars that saturate anyway.
	stars, err := s.imaged(cut, float64(max(k.Width, k.Height))/8)
	if err != nil {
		return nil, err
	}
	m := image{width: k.Width, height: k.Height, pix: make([]float32, k.Width*k.Height)}
	a := moffatWidth(k.FWHMPx)
	for _, star := range stars {
		m.addTrail(star, a, stepFWHM*k.FWHMPx, cut)
	}
	for _, h := range s.hot {
		m.pix[h.index] += float32(h.rate * s.config.Exposure.Seconds())
	}
	k.readOut(m, s.background(), rand.New(rand.NewPCG(s.config.Seed, s.number)))
	start := s.at.Add(s.config.ClockError)
	if !s.stopped.IsZero() {
		start = s.stopped
	}
	return &fits.Frame{
		Width: k.Width, Height: k.Height, Pix: m.pix,
		Start: start, Mid: start.Add(s.config.Exposure / 2), Exposure: s.config.Exposure,
		PixelUm: k.PixelUm, BinX: 1, BinY: 1, FocalMm: k.FocalTypedMm,
		Instrument: k.Name, ImageType: "Light Frame",
	}, nil
}

// background gives the empty sky's light in the first pixel of a row and its
// growth from column to column.
func (s *shot) background() func(row int) (start, step float64) {
	k, n := s.config.Camera, s.config.Night
	light, dark := s.empty()
	cx, cy := float64(k.Width-1)/2, float64(k.Height-1)/2
	gx, gy := n.GradientTowards.Cos(), n.GradientTowards.Sin()
	// Brightest corner: gradient times the mean above it.
	slope := n.Gradient * light / (math.Abs(gx)*cx + math.Abs(gy)*cy)
	return func(row int) (float64, float64) {
		return light + dark + slope*(gy*(float64(row)-cy)-gx*cx), slope * gx
	}
}

// addTrail adds a star along its way during the exposure, a parabola through
// the three known places, by images at most step pixels apart.
func (m *image) addTrail(star ImagedStar, a, step, cut float64) {
	from, mid, to := star.From, star.Pixel, star.To
	length := math.Hypot(mid.X-from.X, mid.Y-from.Y) + math.Hypot(to.X-mid.X, to.Y-mid.Y)
	n := max(1, int(math.Ceil(length/step)))
	flux, cut := star.Electrons/float64(n), cut/float64(min(n, overlap))
	for i := range n {
		t := (2*float64(i)+1)/float64(n) - 1 // -1 open, +1 closed
		m.addStar(
			mid.X+t/2*(to.X-from.X)+t*t/2*(to.X-2*mid.X+from.X),
			mid.Y+t/2*(to.Y-from.Y)+t*t/2*(to.Y-2*mid.Y+from.Y),
			flux, a, cut)
	}
}
