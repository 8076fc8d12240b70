package rehearsal_test

import (
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"polard/catalogs"
	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// Practice frames were drawn by code that shares nothing with ours, with ERFA
// atco13 and the published Tycho-2; SEP measured their stars. Both tables are
// made by testdata/rehearsal/make_practice.py.
const (
	practiceFrames = "../../testdata/rehearsal/practice_frames.tsv"
	practiceStars  = "../../testdata/rehearsal/practice_stars.tsv"
)

type practiceFrame struct {
	name      string
	config    rehearsal.Config // all but the mount and the camera's angle
	mid       time.Time
	boresight sky.Local
	axis      sky.Local // of frames that tell it
	theta     sky.Angle // turn about the axis, right-handed
	seen      []seenStar
}

type seenStar struct {
	sky.Pixel
	snr float64
}

func table(t *testing.T, path string) []map[string]string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comma = '\t'
	records, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []map[string]string
	for _, record := range records[1:] {
		row := map[string]string{}
		for i, key := range records[0] {
			row[key] = record[i]
		}
		rows = append(rows, row)
	}
	return rows
}

func readPractice(t *testing.T) map[string]*practiceFrame {
	t.Helper()
	number := func(text string) float64 {
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	frames := map[string]*practiceFrame{}
	for _, row := range table(t, practiceFrames) {
		get := func(key string) float64 { return number(row[key]) }
		deg := func(key string) sky.Angle { return sky.Angle(get(key)) * sky.Degree }
		start, err := time.Parse("2006-01-02T15:04:05.999", row["start_utc"])
		if err != nil {
			t.Fatal(err)
		}
		c := rehearsal.Quillmere(start)
		c.Exposure = time.Duration(get("exposure_s") * float64(time.Second))
		c.Site = sky.Site{Latitude: deg("lat_deg"), Longitude: deg("lon_deg"), ElevationM: get("elevation_m")}
		c.Air = sky.Air{PressureHPa: get("pressure_hpa"), TemperatureC: get("temperature_c"), Humidity: 0.3, WavelengthUm: 0.55}
		c.Mount.Tracking = true
		c.Camera.Width, c.Camera.Height = int(get("width")), int(get("height"))
		c.Camera.FocalMm = c.Camera.PixelUm / 1000 / (sky.Angle(get("scale_arcsec_px")) * sky.Arcsecond).Tan()
		// The practice frames go by what an image shows with row 0 on top, we by
		// what it shows with row 0 at the bottom.
		c.Camera.Mirrored = get("mirrored") == 0
		c.Camera.ApertureMm = 100 // deep enough for every star of the tables
		c.Night.FaintStars = 0
		p := &practiceFrame{
			name: row["frame"], config: c,
			mid:       start.Add(c.Exposure / 2),
			boresight: sky.LocalFromAltAz(deg("boresight_alt_deg"), deg("boresight_az_deg")),
		}
		if row["axis_alt_deg"] != "-" {
			p.axis = sky.LocalFromAltAz(deg("axis_alt_deg"), deg("axis_az_deg"))
			p.theta = deg("theta_deg")
		}
		frames[p.name] = p
	}
	for _, row := range table(t, practiceStars) {
		p := frames[row["frame"]]
		if p == nil {
			t.Fatalf("stars of an unknown frame %q", row["frame"])
		}
		p.seen = append(p.seen, seenStar{sky.Pixel{X: number(row["x_px"]), Y: number(row["y_px"])}, number(row["snr"])})
	}
	return frames
}

// onAxis sets the mount up on an axis so that the boresight is as the frame
// says at mid-exposure.
func (p *practiceFrame) onAxis(line sky.Local) rehearsal.Config {
	c := p.config
	pole := observed.Pole(c.Site, c.Air, observed.Refracted)
	offset := axis.OffsetBetween(line, pole)
	c.Mount.OffsetAlt, c.Mount.OffsetAz = offset.Alt, offset.Az
	c.Mount.PolarDistance = sky.Separation(line, p.boresight)
	// Hour angle: about the axis from straight above it to the boresight,
	// westwards.
	above := r3.Sub(sky.Vec{Z: 1}, r3.Scale(line.Z, sky.Vec(line)))
	side := r3.Cross(sky.Vec(line), above)
	c.Mount.HourAngle = sky.Atan2(r3.Dot(sky.Vec(p.boresight), side), r3.Dot(sky.Vec(p.boresight), above))
	if !c.Site.South() {
		c.Mount.HourAngle *= -1
	}
	c.Start = p.mid
	return c
}

// match pairs seen stars with those of the rig within a pixel, and gives the
// differences, seen minus rig, in order of signal-to-noise.
func match(seen []seenStar, stars []rehearsal.ImagedStar, within float64) (dx, dy []float64) {
	for _, s := range seen {
		best, d := within, sky.Pixel{}
		for _, r := range stars {
			if h := math.Hypot(s.X-r.Pixel.X, s.Y-r.Pixel.Y); h < best {
				best, d = h, sky.Pixel{X: s.X - r.Pixel.X, Y: s.Y - r.Pixel.Y}
			}
		}
		if best < within {
			dx, dy = append(dx, d.X), append(dy, d.Y)
		}
	}
	return dx, dy
}

func rigStars(t *testing.T, sky rehearsal.Catalogue, c rehearsal.Config, mid time.Time) []rehearsal.ImagedStar {
	t.Helper()
	rig, err := rehearsal.NewRig(sky, c)
	if err != nil {
		t.Fatal(err)
	}
	return starsAtMid(t, rig, mid)
}

func starsAtMid(t *testing.T, rig *rehearsal.Rig, mid time.Time) []rehearsal.ImagedStar {
	t.Helper()
	stars, err := rig.Stars(mid.Add(-rig.Config().Exposure / 2))
	if err != nil {
		t.Fatal(err)
	}
	// Within half a magnitude or so of the faintest star measured.
	slices.SortFunc(stars, func(a, b rehearsal.ImagedStar) int {
		if a.Electrons > b.Electrons {
			return -1
		}
		return 1
	})
	return stars
}

// cameraAngle finds the camera's angle on the body, the one thing that the
// practice truth does not tell, from the frame's own stars: by the turn that
// brings most of them together, then by least squares.
func cameraAngle(t *testing.T, catalogue *catalogs.Catalogue, c rehearsal.Config, p *practiceFrame) sky.Angle {
	t.Helper()
	c.Camera.Angle = 0
	// A field wide enough that no corner is missing at any angle.
	wide := c
	side := int(math.Hypot(float64(c.Camera.Width), float64(c.Camera.Height)))
	wide.Camera.Width, wide.Camera.Height = side|1, side|1
	stars := rigStars(t, catalogue, wide, p.mid)
	middle := func(q sky.Pixel, w, h int) sky.Pixel {
		return sky.Pixel{X: q.X - float64(w-1)/2, Y: q.Y - float64(h-1)/2}
	}
	type polar struct{ r, a float64 }
	toPolar := func(q sky.Pixel) polar { return polar{math.Hypot(q.X, q.Y), math.Atan2(q.Y, q.X)} }
	var seen, rig []polar
	for _, s := range p.seen {
		seen = append(seen, toPolar(middle(s.Pixel, c.Camera.Width, c.Camera.Height)))
	}
	for _, s := range stars {
		rig = append(rig, toPolar(middle(s.Pixel, wide.Camera.Width, wide.Camera.Height)))
	}
	const tolerance = 1.5 // pixels
	best, bestTurn := 0, 0.0
	for i := range min(8, len(seen)) {
		for j := range rig {
			if math.Abs(seen[i].r-rig[j].r) > tolerance {
				continue
			}
			turn := seen[i].a - rig[j].a
			n, sum, weight := 0, 0.0, 0.0
			for _, s := range seen {
				for _, g := range rig {
					if math.Abs(s.r-g.r) > tolerance {
						continue
					}
					d := math.Remainder(s.a-g.a-turn, 2*math.Pi)
					if math.Abs(d*s.r) < tolerance {
						n, sum, weight = n+1, sum+d*s.r*s.r, weight+s.r*s.r
					}
				}
			}
			if n > best {
				best, bestTurn = n, turn+sum/weight
			}
		}
	}
	// The image turns against the camera, and is counted from columns to rows:
	// the other way about when mirrored.
	angle := sky.Angle(bestTurn)
	if !c.Camera.Mirrored {
		angle = -angle
	}
	return angle.Signed()
}

// Star places in the practice frames carry the noise of a centroid, about FWHM
// / (2.35 SNR) (King 1983, PASP 95, 163): 0.1 pixels for the faintest of the
// table, more where stars blend. So each is to be within placeWithin, and the
// median of n within placeWithin / sqrt(n).
const (
	placeWithin = 0.5 // pixels
	placeShare  = 0.9 // of the stars; the others are in no catalogue
)

func checkPlaces(t *testing.T, p *practiceFrame, stars []rehearsal.ImagedStar) {
	t.Helper()
	if len(p.seen) == 0 {
		t.Fatalf("%s: the table has no stars", p.name)
	}
	dx, dy := match(p.seen, stars, placeWithin)
	if float64(len(dx)) < placeShare*float64(len(p.seen)) {
		t.Errorf("%s: %d of %d stars are where the rig has one", p.name, len(dx), len(p.seen))
		return
	}
	median := func(v []float64) float64 {
		slices.Sort(v)
		return v[len(v)/2]
	}
	mx, my := median(dx), median(dy)
	t.Logf("%s: %d of %d stars, median difference %.3f, %.3f px", p.name, len(dx), len(p.seen), mx, my)
	if limit := placeWithin / math.Sqrt(float64(len(dx))); math.Abs(mx) > limit || math.Abs(my) > limit {
		t.Errorf("%s: the stars are %.3f columns and %.3f rows off", p.name, mx, my)
	}
}

// One frame at a time: time, place, air, projection, handedness.
func TestPracticePlaces(t *testing.T) {
	catalogue := bundled(t)
	frames := readPractice(t)
	for _, name := range []string{"solve_000/f0.fits", "solve_001/f0.fits", "axis_000/f0.fits", "axis_002/f0.fits"} {
		p := frames[name]
		c := p.onAxis(observed.Pole(p.config.Site, p.config.Air, observed.Refracted))
		c.Camera.Angle = cameraAngle(t, catalogue, c, p)
		checkPlaces(t, p, rigStars(t, catalogue, c, p.mid))
	}
}

// boresightTolerance: both sides compute the same rotations in double
// precision from the same numbers; times in the headers are whole
// milliseconds, 0.015 arcsec of the sky's turn.
const boresightTolerance = 0.03 * sky.Arcsecond

func checkBoresight(t *testing.T, p *practiceFrame, truth rehearsal.Truth) {
	t.Helper()
	if d := sky.Separation(truth.Boresight(), p.boresight); d > boresightTolerance {
		t.Errorf("%s: the boresight is %.3f arcsec off", p.name, d.Arcseconds())
	}
}

// The RA axis turned by hand: with the camera's angle from the first frame,
// the later ones leave nothing free.
func TestPracticeTurns(t *testing.T) {
	catalogue := bundled(t)
	frames := readPractice(t)
	for _, set := range []string{"axis_000", "axis_002"} {
		first := frames[set+"/f0.fits"]
		c := first.onAxis(first.axis)
		c.Camera.Angle = cameraAngle(t, catalogue, c, first)
		c.Mount.Tracking = false
		rig, err := rehearsal.NewRig(catalogue, c)
		if err != nil {
			t.Fatal(err)
		}
		theta := first.theta
		for _, name := range []string{"/f1.fits", "/f2.fits"} {
			p := frames[set+name]
			by := p.theta - theta // right-handed about the axis
			if !c.Site.South() {
				by = -by // the sky turns the other way
			}
			theta = p.theta
			if err := rig.TurnRA(by); err != nil {
				t.Fatal(err)
			}
			checkBoresight(t, p, rig.Truth(p.mid))
			checkPlaces(t, p, starsAtMid(t, rig, p.mid))
		}
	}
}

// Both bolts turned between frames while the drive runs.
func TestPracticeBolts(t *testing.T) {
	catalogue := bundled(t)
	frames := readPractice(t)
	first := frames["adjust_000/f3.fits"]
	c := first.onAxis(first.axis)
	c.Camera.Angle = cameraAngle(t, catalogue, c, first)
	rig, err := rehearsal.NewRig(catalogue, c)
	if err != nil {
		t.Fatal(err)
	}
	line := first.axis
	for _, n := range []string{"4", "5", "6", "7"} {
		p := frames["adjust_000/f"+n+".fits"]
		move := axis.OffsetBetween(p.axis, line)
		line = p.axis
		if err := rig.TurnAltitudeBolt(float64(move.Alt / c.Mount.AltitudeBolt.PerTurn)); err != nil {
			t.Fatal(err)
		}
		if err := rig.TurnAzimuthBolt(float64(move.Az / c.Mount.AzimuthBolt.PerTurn)); err != nil {
			t.Fatal(err)
		}
		truth := rig.Truth(p.mid)
		if d := sky.Separation(truth.Axis, p.axis); d > boresightTolerance {
			t.Errorf("%s: the axis is %.3f arcsec off", p.name, d.Arcseconds())
		}
		checkBoresight(t, p, truth)
		checkPlaces(t, p, starsAtMid(t, rig, p.mid))
	}
}
