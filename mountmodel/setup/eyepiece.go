package setup

import (
	"fmt"
	"math"

	"polard/mountmodel/observed"
	"polard/mountmodel/sky"
)

// Optics is what one looks through, as it turns the picture.
type Optics string

const (
	NakedEye         Optics = "naked eye"
	UprightFinder    Optics = "upright finder"
	InvertingFinder  Optics = "inverting finder"  // straight through: upside down and left for right
	MirroredEyepiece Optics = "mirrored eyepiece" // a star diagonal: upright, left for right
)

// AllOptics lists them.
func AllOptics() []Optics {
	return []Optics{NakedEye, UprightFinder, InvertingFinder, MirroredEyepiece}
}

// InView is where a star is seen from the pole in a field of view: right and up
// as the observer sees it, facing the pole, head upright and, with a star
// diagonal, looking down into it with the eyepiece on top. An eyepiece turned to
// the side turns the picture with it.
type InView struct {
	Right, Up sky.Angle
	// Clock is the direction from the pole as on the face of a clock with twelve
	// hours: 0 straight up, 3 to the right, in [0, 12).
	Clock float64
}

// Seen gives the standing as it is seen through optics by an observer who faces
// the pole: in the north east is on the right, in the south on the left.
func (s StarOffset) Seen(through Optics, south bool) (InView, error) {
	right, up := s.East, s.Up
	clock := s.PositionAngle // from up, clockwise
	if south {
		right, clock = -right, -clock
	}
	switch through {
	case NakedEye, UprightFinder:
	case InvertingFinder:
		right, up, clock = -right, -up, clock+sky.Turn/2
	case MirroredEyepiece:
		right, clock = -right, -clock
	default:
		return InView{}, fmt.Errorf("%q is unknown: give %q, %q, %q or %q", through, NakedEye, UprightFinder, InvertingFinder, MirroredEyepiece)
	}
	hours := clock.Positive().Degrees() / 30
	if hours >= 12 {
		hours = 0
	}
	return InView{Right: right, Up: up, Clock: hours}, nil
}

// OpticsView is how a star stands to a pole through one of the optics.
type OpticsView struct {
	Through Optics
	InView
}

// Views are those through all optics, against the pole of the given kind.
func (p StarPlace) Views(kind observed.PoleKind, south bool) []OpticsView {
	var out []OpticsView
	for _, through := range AllOptics() {
		// Seen refuses only optics that are not among AllOptics.
		if v, err := p.From(kind).Seen(through, south); err == nil {
			out = append(out, OpticsView{through, v})
		}
	}
	return out
}

// Eyepiece is an eyepiece in a telescope or finder.
type Eyepiece struct {
	TelescopeFocalMm, FocalMm float64
	// ApparentField is the width of the field as the eye sees it, 0 if not known.
	ApparentField sky.Angle
	// FieldStopMm is the diameter of the ring that bounds the field, 0 if not known.
	FieldStopMm float64
}

// DefaultApparentField is that of a simple eyepiece (common practice).
const DefaultApparentField = 50 * sky.Degree

// Limits of a believable eyepiece.
const (
	longestFocalMm = 100000
	widestApparent = 130 * sky.Degree
)

// Magnification is the telescope's focal length over the eyepiece's.
func (e Eyepiece) Magnification() float64 { return e.TelescopeFocalMm / e.FocalMm }

// TrueField is the width of the field on the sky. With the field stop it is
// exact, 2 atan(stop / 2F). Without, it is the apparent field over the
// magnification (common practice), which the distortion of real eyepieces makes
// uncertain by a tenth.
func (e Eyepiece) TrueField() (sky.Angle, error) {
	for _, v := range []struct {
		what string
		mm   float64
	}{{"the focal length of the telescope", e.TelescopeFocalMm}, {"the focal length of the eyepiece", e.FocalMm}} {
		if !(v.mm > 0 && v.mm <= longestFocalMm) {
			return 0, fmt.Errorf("%s is %g mm: give it in millimetres, above 0", v.what, v.mm)
		}
	}
	if !(e.FieldStopMm >= 0 && e.FieldStopMm <= longestFocalMm) {
		return 0, fmt.Errorf("the field stop is %g mm: give its diameter in millimetres, or leave it out", e.FieldStopMm)
	}
	if e.FieldStopMm > 0 {
		return 2 * sky.Angle(math.Atan(e.FieldStopMm/(2*e.TelescopeFocalMm))), nil
	}
	apparent := e.ApparentField
	if apparent == 0 {
		apparent = DefaultApparentField
	}
	if !(apparent > 0 && apparent <= widestApparent) {
		return 0, fmt.Errorf("the apparent field is %g degrees: give what the maker states, above 0 and up to %.0f", apparent.Degrees(), widestApparent.Degrees())
	}
	field := apparent / sky.Angle(e.Magnification())
	if field > 180*sky.Degree {
		return 0, fmt.Errorf("an eyepiece of %g mm in a telescope of %g mm gives no field: are the two exchanged?", e.FocalMm, e.TelescopeFocalMm)
	}
	return field, nil
}

// Holds tells whether a star at a distance from the pole is inside the field
// while the pole is in its middle.
func Holds(field, distance sky.Angle) bool { return distance < field/2 }
