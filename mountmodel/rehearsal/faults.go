package rehearsal

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"polard/mountmodel/sky"
)

// Fault is something that goes wrong at a mount, to be practised.
type Fault struct {
	Name string // one word
	Text string // what it does to the rig
	// Lasts: it goes on until it is set right; else it happens once.
	Lasts bool

	set func(r *Rig, on bool, at time.Time) error
}

// The sizes of the faults: what happens to people, and large enough to be seen
// within the minutes of a rehearsal.
const (
	faultDeclination = 80 * sky.Arcminute
	faultSlip        = -4 * sky.Degree
	faultCloud       = 12.0 // magnitudes
	faultClock       = time.Hour
	faultFlexure     = 4 * sky.Arcminute
	faultSettling    = 10 * sky.Arcminute // in an hour; soft ground
	faultPeriodic    = 20 * sky.Arcsecond
	faultWorm        = 8 * time.Minute
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
func Faults() []Fault {
	once := func(do func(r *Rig) error) func(*Rig, bool, time.Time) error {
		return func(r *Rig, _ bool, _ time.Time) error { return do(r) }
	}
	size := func(on bool, a sky.Angle) sky.Angle {
		if on {
			return a
		}
		return 0
	}
	return []Fault{
		{Name: "declination", Text: "the tube turns in declination by more than a degree",
			set: once(func(r *Rig) error { return r.TurnDeclination(faultDeclination) })},
		{Name: "bump", Text: "somebody bumps into the tripod",
			set: once(func(r *Rig) error { return r.Bump(faultBump) })},
		{Name: "clutch", Text: "the clutch of the RA axis slips by some degrees",
			set: once(func(r *Rig) error { return r.TurnRA(faultSlip) })},
		{Name: "wild", Text: "a gust shakes the tube during the next exposure",
			set: once(func(r *Rig) error { r.Gust(faultGust); return nil })},
		{Name: "cloud", Lasts: true, Text: "cloud hides the stars",
			set: func(r *Rig, on bool, _ time.Time) error {
				if on {
					return r.SetCloud(faultCloud)
				}
				return r.SetCloud(r.config.Night.Cloud)
			}},
		{Name: "clock", Lasts: true, Text: "the camera's clock is an hour ahead, as when summer time is set twice",
			set: func(r *Rig, on bool, _ time.Time) error {
				r.SetClockError(r.config.ClockError)
				if on {
					r.SetClockError(r.config.ClockError + faultClock)
				}
				return nil
			}},
		{Name: "flexure", Lasts: true, Text: "the camera sags on the tube",
			set: func(r *Rig, on bool, _ time.Time) error {
				r.SetFlexure(size(on, faultFlexure))
				return nil
			}},
		{Name: "settling", Lasts: true, Text: "the tripod sinks into soft ground",
			set: func(r *Rig, on bool, at time.Time) error {
				r.SetSettling(size(on, faultSettling), 0, at)
				return nil
			}},
		{Name: "lock", Lasts: true, Text: "tightening the bolts moves the axis",
			set: func(r *Rig, on bool, _ time.Time) error {
				r.setLockShift(size(on, faultLock[0]), size(on, faultLock[1]))
				return nil
			}},
		{Name: "periodic", Lasts: true, Text: "the worm of the drive runs unevenly",
			set: func(r *Rig, on bool, _ time.Time) error {
				r.SetPeriodicError(size(on, faultPeriodic), faultWorm)
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
