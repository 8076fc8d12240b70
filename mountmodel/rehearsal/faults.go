package rehearsal

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"polard/mountmodel/sky"
)

// Fault is something that goes wrong at a mount, to be practised.
type Fault struct {
	Name string // one word
	Text string // what it does to the rig
	// Sizes are those that it comes in; the rig's seed draws one of them.
	Sizes string
	// Lasts: it goes on until it is set right; else it happens once.
	Lasts bool
	// Measuring: what happens once happens while the RA axis is turned, not the bolts.
	Measuring bool

	set func(r *Rig, on bool, at time.Time) error
}

// sizes is a range of sizes of a fault, from which a rig's seed draws one evenly in
// its logarithm.
type sizes struct{ least, most float64 }

// angles is a range of angles.
func angles(least, most sky.Angle) sizes { return sizes{float64(least), float64(most)} }

// of draws the size that a fault has on a rig.
func (s sizes) of(r *Rig, name string) float64 {
	return s.least * math.Pow(s.most/s.least, r.random(name).Float64())
}

func (s sizes) angle(r *Rig, name string) sky.Angle { return sky.Angle(s.of(r, name)) }

// random is the generator of a fault on a rig.
func (r *Rig) random(name string) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(name)) // never fails
	return rand.New(rand.NewPCG(r.config.Seed, h.Sum64()))
}

// The sizes of the faults: what happens to people, and large enough to be seen
// within the minutes of a rehearsal. All are common practice unless it says
// otherwise.
var (
	// A leg that sinks by a millimetre leans a stance 0.8 m wide (its height as a
	// triangle 0.69 m) by 5 arcminutes; soft ground gives by 2 to 24 mm in an hour.
	settling = angles(10*sky.Arcminute, 120*sky.Arcminute)
	// A clutch that is not quite tight under a tube that is not quite balanced: a third of an
	// arcminute from frame to frame, to several.
	creep = angles(40*sky.Arcminute, 5*sky.Degree) // in an hour
	// Tube, saddle and focuser under their weight, level.
	sag = angles(5*sky.Arcsecond, 60*sky.Arcsecond)
	// Guiding programs are told to move by as much between exposures.
	dither = angles(10*sky.Arcsecond, 30*sky.Arcsecond)
	// Worm gears of the trade, not corrected, half of peak to peak.
	periodic = angles(5*sky.Arcsecond, 30*sky.Arcsecond)
	worms    = sizes{240, 640} // seconds in which one turns
	// Weather changes the pressure at a place by 3 % either way (ISO 2533 has 1013.25
	// hPa at sea level; lows and highs of 980 and 1045 hPa are ordinary), nights are
	// observed between -20 and 30 degrees.
	pressures = sizes{0.97, 1.03}
	coldest   = -20.0
	warmest   = 30.0
)

const (
	faultDeclination = 80 * sky.Arcminute
	faultSlip        = -4 * sky.Degree
	faultCloud       = 12.0 // magnitudes
	faultClock       = time.Hour
	faultFlexure     = 4 * sky.Arcminute
)

var (
	// faultBump turns the tripod about east, north and up.
	faultBump = sky.Vec{X: float64(7 * sky.Arcminute), Y: float64(9 * sky.Arcminute), Z: float64(5 * sky.Arcminute)}
	// faultGust does the same to the tube, for one exposure.
	faultGust = sky.Vec{X: float64(20 * sky.Arcminute), Y: float64(-14 * sky.Arcminute), Z: float64(25 * sky.Arcminute)}
	// faultLock is what a hasty lock does to altitude and azimuth.
	faultLock = [2]sky.Angle{-2 * sky.Arcminute, 3 * sky.Arcminute}
)

// Faults are all faults that can be practised.
func Faults() []Fault { return slices.Concat(sudden(), ofTheMount(), ofTheData()) }

// setting changes the rig under its lock.
func setting(change func(r *Rig, on bool, at time.Time)) func(*Rig, bool, time.Time) error {
	return func(r *Rig, on bool, at time.Time) error {
		r.mu.Lock()
		defer r.mu.Unlock()
		change(r, on, at)
		return nil
	}
}

// sudden are the faults that happen once.
func sudden() []Fault {
	once := func(do func(r *Rig) error) func(*Rig, bool, time.Time) error {
		return func(r *Rig, _ bool, _ time.Time) error { return do(r) }
	}
	return []Fault{
		{Name: "declination", Text: "the tube turns in declination by more than a degree", Sizes: "80′",
			set: once(func(r *Rig) error { return r.TurnDeclination(faultDeclination) })},
		{Name: "bump", Text: "somebody bumps into the tripod", Sizes: "12′",
			set: once(func(r *Rig) error { return r.Bump(faultBump) })},
		{Name: "clutch", Text: "the clutch of the RA axis slips by some degrees", Sizes: "4°",
			set: once(func(r *Rig) error { return r.TurnRA(faultSlip) })},
		{Name: "wild", Text: "a gust shakes the tube during the next exposure", Sizes: "35′",
			set: once(func(r *Rig) error { r.Gust(faultGust); return nil })},
		{Name: "flip", Measuring: true, Text: "the mount turns the tube to the other side of the pier", Sizes: "half a turn of both axes",
			set: setting(func(r *Rig, _ bool, _ time.Time) { r.mount.flip() })},
	}
}

// ofTheMount are faults of mount, tripod, camera and sky that last.
func ofTheMount() []Fault {
	size := func(on bool, a sky.Angle) sky.Angle {
		if on {
			return a
		}
		return 0
	}
	return []Fault{
		{Name: "cloud", Lasts: true, Text: "cloud hides the stars", Sizes: "12 magnitudes",
			set: func(r *Rig, on bool, _ time.Time) error {
				if on {
					return r.SetCloud(faultCloud)
				}
				return r.SetCloud(r.config.Night.Cloud)
			}},
		{Name: "flexure", Lasts: true, Text: "the camera sags on the tube", Sizes: "4′ when level",
			set: setting(func(r *Rig, on bool, _ time.Time) { r.mount.flexure = size(on, faultFlexure) })},
		{Name: "sag", Lasts: true, Text: "tube and camera hang by their weight, which frames of one declination cannot show", Sizes: "5 to 60″ when level",
			set: setting(func(r *Rig, on bool, _ time.Time) { r.mount.sag = size(on, sag.angle(r, "sag")) })},
		{Name: "settling", Lasts: true, Text: "the tripod sinks into soft ground", Sizes: "10 to 120′ an hour",
			set: setting(func(r *Rig, on bool, at time.Time) {
				towards := sky.Angle(r.random("settling towards").Float64()) * sky.Turn
				r.mount.setSettling(size(on, settling.angle(r, "settling")), towards, at)
			})},
		{Name: "creep", Lasts: true, Text: "the declination axis creeps under the weight of the tube", Sizes: "40′ to 5° an hour",
			set: setting(func(r *Rig, on bool, at time.Time) { r.mount.setCreep(size(on, creep.angle(r, "creep")), at) })},
		{Name: "lock", Lasts: true, Text: "tightening the bolts moves the axis", Sizes: "3′",
			set: setting(func(r *Rig, on bool, _ time.Time) {
				r.mount.lockShift = [2]sky.Angle{size(on, faultLock[0]), size(on, faultLock[1])}
			})},
		{Name: "periodic", Lasts: true, Text: "the worm of the drive runs unevenly", Sizes: "5 to 30″ either way, in 4 to 11 minutes",
			set: func(r *Rig, on bool, _ time.Time) error {
				worm := time.Duration(worms.of(r, "worm") * float64(time.Second))
				r.SetPeriodicError(size(on, periodic.angle(r, "periodic")), worm)
				return nil
			}},
		{Name: "dither", Lasts: true, Text: "the guiding program moves the mount a little between exposures", Sizes: "10 to 30″",
			set: setting(func(r *Rig, on bool, _ time.Time) { r.dither = size(on, dither.angle(r, "dither")) })},
	}
}

// ofTheData are faults of what frames and people tell: time, place, air.
func ofTheData() []Fault {
	return []Fault{
		{Name: "clock", Lasts: true, Text: "the camera's clock is an hour ahead, as when summer time is set twice", Sizes: "1 h",
			set: setting(func(r *Rig, on bool, _ time.Time) {
				r.clock = r.config.ClockError
				if on {
					r.clock += faultClock
				}
			})},
		{Name: "stopped", Lasts: true, Text: "the clock that writes the times of the exposures stands still", Sizes: "as long as it lasts",
			set: setting(func(r *Rig, on bool, at time.Time) {
				r.stopped = time.Time{}
				if on {
					r.stopped = at.Add(r.clock).Round(time.Millisecond)
				}
			})},
		{Name: "longitude", Lasts: true, Text: "the longitude was typed with the wrong sign: the mount stands on the other side of Greenwich", Sizes: "twice the longitude",
			set: setting(func(r *Rig, on bool, _ time.Time) {
				r.site = r.config.Site
				if on {
					r.site.Longitude = -r.site.Longitude
				}
			})},
		{Name: "air", Lasts: true, Text: "the air is not what was typed", Sizes: "3 % of the pressure, -20 to 30 °C",
			set: func(r *Rig, on bool, _ time.Time) error {
				air := r.config.Air
				if on {
					air.PressureHPa *= pressures.of(r, "air")
					air.TemperatureC = coldest + (warmest-coldest)*r.random("warmth").Float64()
				}
				if err := air.Check(); err != nil {
					return err
				}
				r.mu.Lock()
				defer r.mu.Unlock()
				r.air = air
				return nil
			}},
	}
}

// FaultNames lists the names of the faults.
func FaultNames() []string {
	var names []string
	for _, f := range Faults() {
		names = append(names, f.Name)
	}
	return names
}

func faultNamed(name string) (Fault, error) {
	all := Faults()
	if i := slices.IndexFunc(all, func(f Fault) bool { return f.Name == name }); i >= 0 {
		return all[i], nil
	}
	return Fault{}, fmt.Errorf("there is no fault %q to practise: give one of %s", name, strings.Join(FaultNames(), ", "))
}
