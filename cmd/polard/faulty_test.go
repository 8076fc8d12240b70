package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/pipeline"
	"polard/fits"
	"polard/mountmodel"
	"polard/mountmodel/observed"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/rehearsal/rehearsaltest"
	"polard/mountmodel/sky"
)

var (
	drawnRigs  = flag.Int("drawn", 0, "rigs of each kind whose frames TestDrawnRigs draws; 0: one of three kinds")
	drawnSeed  = flag.Uint64("drawn.seed", 1, "seed of TestDrawnRigs")
	drawnKinds = flag.String("drawn.kind", "", "the only kind that TestDrawnRigs draws")
)

// drawnRig is a rig that is measured by files, as a user would have them.
type drawnRig struct {
	t      *testing.T
	rng    *rand.Rand
	config rehearsal.Config
	rig    *rehearsal.Rig
	at     time.Time
	size   sky.Angle // of what goes wrong, drawn from the kind's sizes
	way    sky.Vec   // level, into which it goes
	turns  []float64 // of the RA axis, degrees, before each frame
	files  []string
	args   []string // of the call, but for the files
}

// drawnKind is something that a rig or its user does.
type drawnKind struct {
	name        string
	harmless    bool
	least, most sky.Angle
	set         func(d *drawnRig)                       // before the rig is made
	before      func(d *drawnRig, k int)                // frame k
	frame       func(d *drawnRig, k int, f *fits.Frame) // as it was drawn
	after       func(d *drawnRig)
}

// The sizes are those of the table from which polard was first found wanting:
// common practice.
var drawnAll = []drawnKind{
	{name: "clean", harmless: true},
	{name: "slipped", harmless: true, before: func(d *drawnRig, k int) { d.must(d.rig.TurnRA(sky.Angle(d.rng.NormFloat64()*3) * sky.Degree)) }},
	{name: "eight", harmless: true, set: func(d *drawnRig) { d.turns = []float64{0, 8, 8, 8, 8, 8, 8, 8} }},
	{name: "mirrored", harmless: true, set: func(d *drawnRig) { d.config.Camera.Mirrored = true }},
	{name: "focal", harmless: true, set: func(d *drawnRig) { d.config.Camera.FocalTypedMm *= 1 + 0.2*(d.rng.Float64()-0.5) }},
	{name: "shuffled", harmless: true, after: func(d *drawnRig) {
		d.rng.Shuffle(len(d.files), func(i, j int) { d.files[i], d.files[j] = d.files[j], d.files[i] })
	}},
	{name: "duplicated", harmless: true, after: func(d *drawnRig) { d.files = append(d.files, d.files[d.rng.IntN(len(d.files))]) }},
	{name: "copied", harmless: true, after: func(d *drawnRig) {
		b, err := os.ReadFile(d.files[1])
		d.must(err)
		name := filepath.Join(d.t.TempDir(), "copy.fits")
		d.must(os.WriteFile(name, b, 0o644))
		d.files = append(d.files, name)
	}},
	{name: "sinks", least: 12 * sky.Arcsecond, most: 3 * sky.Arcminute, before: sinks},
	{name: "sinks slowly", least: 3 * sky.Arcsecond, most: 12 * sky.Arcsecond, before: sinks},
	{name: "creeps", least: 18 * sky.Arcsecond, most: 10 * sky.Arcminute, before: creeps},
	{name: "creeps slowly", least: 2 * sky.Arcsecond, most: 18 * sky.Arcsecond, before: creeps},
	{name: "bumped", least: 5 * sky.Arcsecond, most: 5 * sky.Arcminute, before: func(d *drawnRig, k int) {
		if k == len(d.turns)/2 {
			d.must(d.rig.Bump(sky.Vec{X: d.way.X * float64(d.size), Y: d.way.Y * float64(d.size)}))
		}
	}},
	{name: "flexure", least: 5 * sky.Arcsecond, most: 1 * sky.Arcminute, set: func(d *drawnRig) { d.config.Mount.Flexure = d.size.Abs() }},
	{name: "longitude", set: func(d *drawnRig) { d.args[3] = degrees(-d.config.Site.Longitude) }},
	{name: "standing clock", frame: func(d *drawnRig, _ int, f *fits.Frame) {
		f.Start = d.config.Start
		f.Mid = f.Start.Add(f.Exposure / 2)
	}},
	{name: "air", set: func(d *drawnRig) { d.args = d.args[:len(d.args)-4] }},
	{name: "flip", set: func(d *drawnRig) { d.turns = []float64{0, 40, 140, -40} }, before: func(d *drawnRig, k int) {
		if k == 2 { // beyond the pole: the same declination from the other side of the pier
			d.must(d.rig.TurnDeclination(-2*d.config.Mount.PolarDistance + sky.Angle(d.rng.NormFloat64())*sky.Degree))
		}
	}},
	{name: "declinations", set: func(d *drawnRig) { d.turns = []float64{0, 60, 0, -60} }, before: func(d *drawnRig, k int) {
		if k == 2 {
			d.must(d.rig.TurnDeclination(20 * sky.Degree))
		}
	}},
}

// sinks tips the base before each frame but the first.
func sinks(d *drawnRig, k int) {
	if k > 0 {
		d.must(d.rig.Bump(sky.Vec{X: d.way.X * float64(d.size), Y: d.way.Y * float64(d.size)}))
	}
}

// creeps turns the declination before each frame but the first.
func creeps(d *drawnRig, k int) {
	if k > 0 {
		d.must(d.rig.TurnDeclination(d.size))
	}
}

// drawnOrders are turns in degrees from frame to frame.
var drawnOrders = [][]float64{{0, 60, -60}, {0, 60, -30}, {0, 30, 30}, {0, 30, 30, -60}, {0, 20, 20, 20}}

func degrees(a sky.Angle) string { return fmt.Sprintf("%.6f", a.Degrees()) }

func (d *drawnRig) must(err error) {
	d.t.Helper()
	if err != nil {
		d.t.Fatal(err)
	}
}

// newDrawnRig draws a rig at night, with frames that are quick to draw and to read.
func newDrawnRig(t *testing.T, rng *rand.Rand, kind drawnKind) *drawnRig {
	c := rehearsaltest.RandomRig(rng)
	for c.Camera.FocalMm > 150 { // fields of two degrees and wider
		c = rehearsaltest.RandomRig(rng)
	}
	c.Camera.Width, c.Camera.Height, c.Camera.PixelUm = 800, 600, 7.2
	c.Camera.FWHMPx, c.Camera.HotPixels = 1.6+rng.Float64(), 100
	c.Mount.Tilt = 0
	for hours := 0; hours < 366*24; hours++ { // to a night
		o, err := observed.NewObserver(c.Site, c.Air, c.Start, 0)
		if err != nil {
			t.Fatal(err)
		}
		if alt, _ := sky.AltAzFromLocal(o.Sun()); alt < -12*sky.Degree {
			break
		}
		c.Start = c.Start.Add(time.Hour)
	}
	d := &drawnRig{t: t, rng: rng, config: c, turns: drawnOrders[rng.IntN(len(drawnOrders))]}
	if kind.least > 0 {
		d.size = kind.least * sky.Angle(math.Exp(rng.Float64()*math.Log(float64(kind.most/kind.least))))
		if rng.IntN(2) == 0 {
			d.size = -d.size
		}
	}
	h := 2 * math.Pi * rng.Float64()
	d.way = sky.Vec{X: math.Cos(h), Y: math.Sin(h)}
	d.args = []string{"--lat", degrees(c.Site.Latitude), "--lon", degrees(c.Site.Longitude), "--elevation", fmt.Sprintf("%.1f", c.Site.ElevationM),
		"--pressure", fmt.Sprintf("%.3f", c.Air.PressureHPa), "--temperature", fmt.Sprintf("%.3f", c.Air.TemperatureC)}
	if kind.set != nil {
		kind.set(d)
	}
	cat, err := pipeline.Catalogue()
	d.must(err)
	d.rig, err = rehearsal.NewRig(cat, d.config)
	d.must(err)
	return d
}

// measure draws the frames and writes them; false when one looks too low.
func (d *drawnRig) measure(kind drawnKind) bool {
	folder := d.t.TempDir()
	d.at = d.config.Start
	for k, turn := range d.turns {
		d.must(d.rig.TurnRA(sky.Angle(turn) * sky.Degree))
		if kind.before != nil {
			kind.before(d, k)
		}
		if alt, _ := sky.AltAzFromLocal(d.rig.Truth(d.at).Boresight()); alt < rehearsaltest.MinAltitude {
			return false
		}
		f, err := d.rig.Expose(d.at)
		d.must(err)
		if kind.frame != nil {
			kind.frame(d, k, f)
		}
		var b bytes.Buffer
		d.must(fits.Write(&b, f))
		name := filepath.Join(folder, fmt.Sprintf("f%d.fits", k))
		d.must(os.WriteFile(name, b.Bytes(), 0o644))
		d.files = append(d.files, name)
		d.at = d.at.Add(time.Duration(20+d.rng.IntN(40)) * time.Second)
	}
	if kind.after != nil {
		kind.after(d)
	}
	return true
}

// drawnOutcome is what polard axis made of a rig.
type drawnOutcome struct {
	answered, told bool
	confirmed      string  // what is said to speak for place and clock
	off, sigmas    float64 // arcseconds, and in units of what was stated
	says           string
}

func (o drawnOutcome) silent() bool { return o.answered && !o.told && o.off > 5 && o.sigmas > 4 }

func (d *drawnRig) outcome() drawnOutcome {
	status, stdout, stderr := call(d.t, append(append([]string{"axis", "--json"}, d.args...), d.files...)...)
	var a axisJSON
	if err := json.Unmarshal([]byte(stdout), &a); err != nil {
		d.t.Fatalf("%v: %s%s", err, stdout, stderr)
	}
	o := drawnOutcome{answered: status == exitDone && a.Axis != nil, told: len(a.Warnings) > 0}
	for _, w := range a.Warnings {
		o.says += w.Code + " "
	}
	if a.Error != nil {
		o.says += a.Error.Message
	}
	if !o.answered {
		return o
	}
	truth := d.rig.Truth(d.at).Axis
	tAlt, tAz := sky.AltAzFromLocal(truth)
	alt, onSky, _ := differ(*a.Axis, tAlt.Degrees(), tAz.Degrees())
	o.confirmed = a.Confirmed
	u := *a.Uncertainty
	x, y := alt/u.AltArcsec, onSky/(u.AzArcsec*tAlt.Cos())
	o.off = math.Hypot(alt, onSky)
	o.sigmas = math.Sqrt((x*x - 2*u.Correlation*x*y + y*y) / (1 - u.Correlation*u.Correlation))
	return o
}

// What rigs and their users really do, from drawn frames to what 'polard axis'
// prints: nothing is more than 5" and 4 stated sigmas off without a warning, and
// what is harmless disturbs nobody.
func TestDrawnRigs(t *testing.T) {
	harness.NotUnderRace(t)
	for _, kind := range drawnAll {
		rigs := *drawnRigs
		if rigs == 0 && (kind.name == "clean" || kind.name == "sinks" || kind.name == "flip") {
			rigs = 1
		}
		if *drawnKinds != "" && kind.name != *drawnKinds {
			continue
		}
		silent, told, none, beyond, open, worst := 0, 0, 0, 0, 0, 0.0
		for i, draws := 0, uint64(0); i < rigs; draws++ {
			d := newDrawnRig(t, rand.New(rand.NewPCG(*drawnSeed, draws)), kind)
			if !d.measure(kind) {
				continue
			}
			i++
			o := d.outcome()
			worst = max(worst, o.off)
			switch {
			case !o.answered:
				none++
			case o.told:
				told++
			}
			if o.answered && o.off > 5 && o.sigmas > 4 {
				beyond++
			}
			if o.answered && o.confirmed == string(mountmodel.ByNothing) {
				open++
			}
			alarm := kind.harmless && (!o.answered || o.told)
			if o.silent() {
				silent++
			}
			if o.silent() || alarm || *drawnKinds != "" {
				t.Logf("%s, draw %d: turns %v, size %.1f\", axis off by %.1f\" and %.1f sigmas; %s", kind.name, draws, d.turns, d.size.Arcseconds(), o.off, o.sigmas, o.says)
			}
			// Of a wrong longitude, frames high in the sky where it is night at both places tell
			// nothing, and the answer says so; of one that is wrong by less than an hour's turn, it
			// says no more than that it is.
			said := kind.name == "longitude" && (o.confirmed == string(mountmodel.ByNothing) || (2*d.config.Site.Longitude).Signed().Abs() < 15*sky.Degree)
			if o.silent() && !said || alarm {
				t.Errorf("%s, draw %d: silently wrong or a false alarm", kind.name, draws)
			}
		}
		if rigs > 0 {
			t.Logf("%-14s %3d rigs: silently wrong %d, warned %d, no answer %d, beyond 4 sigmas %d, place unconfirmed %d, worst %.1f\"", kind.name, rigs, silent, told, none, beyond, open, worst)
		}
	}
}
