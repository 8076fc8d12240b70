package logbook

import (
	"math"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/observed"
	"polard/mountmodel/plan"
	"polard/mountmodel/sky"
)

// Session is one alignment: from the start of the service, over its restarts,
// to the end of the night.
type Session struct {
	ID      int64
	Program string    // name and version that began it
	Source  string    // "folder" or "rehearsal"
	Folder  string    // the watched one, absolute
	Begun   time.Time // UTC
	Heard   time.Time // when its last entry reached it; Begun before the first
	// Since is the limit below which files in the folder count as older than
	// the session: restarts keep it, so that none slips between two runs.
	Since time.Time
	// Older are those that the folder held when the session began: a file that comes later
	// belongs to it, whatever its time says. Nil when that is not known.
	Older []Stamp
	// Called is the configuration that the command line asked for when the
	// session began: a restart with another command line changes the session,
	// one with the same leaves what was set on the page.
	Called mountmodel.Config
	// Placed tells whether Called names a place.
	Placed bool
	Count  int64 // entries
}

// Entry is one thing that reached a session. Exactly one of Config, Frame,
// Event, Stroke, Choice, Plan, Note and Lens is set.
type Entry struct {
	Seq    int64     // from 1, within the session; set by [Writer.Append]
	At     time.Time // when it reached the session
	Config *mountmodel.Config
	// Unplaced, with Config: the place in it is not known yet.
	Unplaced bool
	Frame    *Frame
	Event    mountmodel.Event
	Stroke   *adjust.Stroke
	Choice   *mountmodel.FrameChoice
	Plan     *Planned
	Note     *Note
	Lens     *Lens

	// Result is how the axis stood after it; nil when that was not known.
	Result *Result
}

// Note is what the person has the program know again: a value under a key, in
// place of the one before.
type Note struct{ Key, Value string }

// Lens is the model through which the directions of the frames after it were taken: that of package camera without the
// attitude. Frames that are to be compared go through one lens, over restarts too.
type Lens struct {
	Width, Height int
	ScaleRad      float64 // per pixel at the optical axis
	AxisX, AxisY  float64 // pixel
	K1, K2        float64 // radial distortion, per rad^2 and rad^4
	Mirrored      bool
	Stars         int // that it was fitted to
}

// Planned is what exposures are planned, and the longest trail allowed in them.
type Planned struct {
	Plan    plan.Plan // site and air are the session's
	LimitPx float64
}

// Frame is one file that came to rest in the folder: what the session was
// given of it, and what is shown of it.
type Frame struct {
	Sighting mountmodel.Sighting // Name is the file's name without its folder

	Path     string    // as the watcher found it
	Size     int64     // bytes
	Modified time.Time // of the file
	Sum      uint64    // CRC-64 of the content, as in watch.Arrival; 0 when it could not be read
	Complete time.Time // when the last change of the file was noticed

	Took          time.Duration // from then to the numbers
	Exposure      time.Duration
	Width, Height int // pixels; 0 when the file could not be read
	Detected      int // stars seen
	Matched       int // stars known; 0 when unsolved
	RMSArcsec     float64
	RADeg, DecDeg float64 // ICRS, image centre
	FieldDeg      [2]float64
	PixelUm       float64 // as the header says, after binning; 0 unknown
	ScaleArcsec   float64 // per pixel; 0 when unsolved
	Code          string  // kind of the reason in Sighting.Refused
	ClockSuspect  bool
}

// Result is how the axis stood when an entry had reached the session.
type Result struct {
	Phase             mountmodel.Phase
	Pole              observed.PoleKind
	AltDeg, AzDeg     float64 // axis
	OffsetAltArcmin   float64 // axis minus pole
	OffsetAzArcmin    float64 // a difference of azimuths
	OffsetTotalArcmin float64 // on the sky
	SigmaAltArcsec    float64 // one standard deviation
	SigmaAzArcsec     float64 // of the azimuth
	Correlation       float64
	ToleranceArcmin   float64
	Within, Doubt     bool
	TurnDeg           float64 // span of the RA angles measured
	Chi2Dof           float64 // NaN when nothing tests the model
	LockTotalArcmin   float64 // what locking the bolts did; NaN before that is confirmed
	LockSigmaArcsec   float64
}

// ResultFromView is the result that a session shows; nil when it shows none.
func ResultFromView(v mountmodel.View) *Result {
	if v.Now == nil {
		return nil
	}
	axis, off := v.Now.Axis, v.Now.Offset
	alt, az := sky.AltAzFromLocal(axis.Dir)
	r := &Result{
		Phase: v.Phase, Pole: v.PoleKind, AltDeg: alt.Degrees(), AzDeg: az.Degrees(),
		OffsetAltArcmin: off.Alt.Arcminutes(), OffsetAzArcmin: off.Az.Arcminutes(), OffsetTotalArcmin: off.Total.Arcminutes(),
		SigmaAltArcsec: axis.SigmaAlt().Arcseconds(), SigmaAzArcsec: axis.SigmaAz().Arcseconds(), Correlation: axis.Correlation(),
		ToleranceArcmin: v.Tolerance.Arcminutes(), Within: v.Within, Doubt: v.Doubt, TurnDeg: v.Turn.Degrees(),
		Chi2Dof: math.NaN(), LockTotalArcmin: math.NaN(), LockSigmaArcsec: math.NaN(),
	}
	if v.Dof > 0 {
		r.Chi2Dof = v.Chi2 / float64(v.Dof)
	}
	if v.Lock != nil {
		r.LockTotalArcmin, r.LockSigmaArcsec = v.Lock.Total.Arcminutes(), v.Lock.Uncertainty.Arcseconds()
	}
	return r
}
