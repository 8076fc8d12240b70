package web

import (
	"encoding/json"
	"math"
	"strconv"
	"time"
)

// Number is a number on the wire. JSON has no NaN and no infinity: such a
// value travels as null, and the page shows a dash for it.
type Number float64

// MarshalJSON writes the shortest digits that give the number back, or null.
func (n Number) MarshalJSON() ([]byte, error) {
	x := float64(n)
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, x, 'g', -1, 64), nil
}

// UnmarshalJSON reads a number; null becomes NaN.
func (n *Number) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*n = Number(math.NaN())
		return nil
	}
	return json.Unmarshal(b, (*float64)(n))
}

// PhasePlace stands before the phases of [mountmodel.View]: the site is not
// known yet, and nothing can be said of the pole.
const PhasePlace = "place"

// State is everything a page shows, in wire form: units in the keys, times
// in UTC, no NaN. Azimuth runs from north through east; offset is axis minus
// pole; parts that are not known yet are absent.
type State struct {
	Program string      `json:"program"` // name and version
	Source  Source      `json:"source"`
	Phase   string      `json:"phase"` // "place" or a mountmodel.Phase
	Do      Instruction `json:"do"`

	Site            *Site  `json:"site,omitempty"`
	ToleranceArcmin Number `json:"tolerance_arcmin"` // of the total offset on the sky: what "done" means
	Pole            *Pole  `json:"pole,omitempty"`   // the one aimed at

	Measured *AxisStatus `json:"measured,omitempty"` // by the measurement
	Now      *AxisStatus `json:"now,omitempty"`      // by the newest frame
	Within   bool        `json:"within"`             // Now is inside the tolerance
	Turning  string      `json:"turning,omitempty"`  // the bolt to turn now: it stays until it is in its slot or the person changes over
	WrongWay *WrongWay   `json:"wrong_way,omitempty"`
	CanEnd   bool        `json:"can_end"`            // the measurement that runs may be ended now
	TurnDeg  Number      `json:"turn_deg"`           // span of the RA angles measured
	Chi2Dof  *Number     `json:"chi2_dof,omitempty"` // of the rigid model; absent when nothing tests it
	Tracking *bool       `json:"tracking,omitempty"` // whether the drive runs, where the frames tell
	Lock     *LockShift  `json:"lock,omitempty"`     // what locking the bolts did
	Advice   *TurnAdvice `json:"advice,omitempty"`   // what turning further would bring
	TurnTo   *TurnTo     `json:"turn_to,omitempty"`  // which way to turn further
	Choice   *Choice     `json:"choice,omitempty"`   // what leaving a frame out or taking it back just did
	FreeHead bool        `json:"free_head"`          // the rig has no two bolts: the stars in latest.put are to be put on their marks
	Doubt    bool        `json:"doubt"`              // Now is not to turn bolts by; Do and Warnings say why
	Bolts    []Bolt      `json:"bolts,omitempty"`    // how the axis answers each bolt, as far as it is known
	Strokes  []Stroke    `json:"strokes,omitempty"`  // what to turn now, in turns, of bolts whose answer is learnt
	Proof    *Proof      `json:"proof,omitempty"`    // of the confirmed axis, by the drift of the sky
	Habits   *Habits     `json:"habits,omitempty"`   // of the mount, by ordinary exposures
	Watch    *Watch      `json:"watch,omitempty"`    // what ordinary exposures tell, without any procedure
	Plan     *Plan       `json:"plan,omitempty"`     // whether the alignment is good enough for the use planned

	Reading  *Reading `json:"reading,omitempty"` // what goes on with frames that have no numbers yet
	Latest   *Latest  `json:"latest,omitempty"`  // the last frame read
	Frames   []Frame  `json:"frames,omitempty"`  // oldest first
	Alarms   []Alarm  `json:"alarms,omitempty"`  // what somebody should look at, also while nobody watches
	Warnings []Notice `json:"warnings,omitempty"`

	Suggestion *Suggestion `json:"suggestion,omitempty"` // what is probably wrong about place or clock
	Corrected  *Corrected  `json:"corrected,omitempty"`  // what was put right of them
	// PlaceConfirmed is what in the frames speaks for place and clock: once the axis is measured, and nothing is suggested.
	PlaceConfirmed *PlaceConfirmed `json:"place_confirmed,omitempty"`

	Rig *RigState `json:"rig,omitempty"` // only in a rehearsal
	// Equipment is the camera and the mount that the service itself operates; absent where frames come from a folder alone.
	Equipment *EquipmentState `json:"equipment,omitempty"`
	Sun       *Sun            `json:"sun,omitempty"` // once the place is known

	// Memories grows when something was noted that another page may show.
	Memories uint64 `json:"memories"`

	// Addresses are those at which other devices open the page, the likeliest first; absent where only this machine can.
	Addresses []string `json:"addresses,omitempty"`

	// StaleAfterMs is the age of the last frame at which the next one is overdue, by
	// how frames came so far: the numbers then no longer tell where the axis stands.
	StaleAfterMs int64 `json:"stale_after_ms"`
}

// Source says where frames come from.
type Source struct {
	Kind   string `json:"kind"`             // "folder" or "rehearsal"
	Folder string `json:"folder,omitempty"` // the watched folder
}

// Instruction is the one thing to do now. Code picks the short words on the
// page; Text is the session's own sentence, Said the same by its code, and what there is
// to say beside it.
type Instruction struct {
	Code        string   `json:"code"`
	Text        string   `json:"text"`
	Details     []string `json:"details,omitempty"`
	Said        *Said    `json:"said,omitempty"`
	SaidDetails []Said   `json:"said_details,omitempty"`
}

// Said is a sentence for a person. The page says it in its language by the code and
// what stands in it; Text is in English.
type Said struct {
	Code string    `json:"code"`
	Args []SaidArg `json:"args,omitempty"`
	Text string    `json:"text"`
}

// SaidArg is what stands in a sentence: exactly one of its fields.
type SaidArg struct {
	Count       *int    `json:"count,omitempty"`
	Text        string  `json:"text,omitempty"`         // a name
	SizeArcsec  *Number `json:"size_arcsec,omitempty"`  // an angle of which the size counts
	WholeDeg    *Number `json:"whole_deg,omitempty"`    // an angle in whole degrees
	KnownArcsec *Number `json:"known_arcsec,omitempty"` // an uncertainty
	Number      *Number `json:"number,omitempty"`       // of which the sentence has the unit
	Digits      int     `json:"digits,omitempty"`       // of Number, behind the point
	Said        *Said   `json:"said,omitempty"`         // a sentence in a sentence
}

// WrongWay tells that the newest frame shows the bolt to turn farther from its place
// than the frame before, on the same side of it.
type WrongWay struct {
	Bolt        string `json:"bolt"`
	WorseArcmin Number `json:"worse_arcmin"` // of altitude or azimuth, as the bolt's move
}

// Choice is what leaving a frame out, or taking it back, did to the distance of the axis
// from the pole; null where the frames give no axis.
type Choice struct {
	File      string `json:"file"`
	Mid       string `json:"mid_utc"`
	Counts    bool   `json:"counts"`
	WasArcmin Number `json:"was_arcmin"`
	IsArcmin  Number `json:"is_arcmin"`
}

// Site is the place and its air.
type Site struct {
	LatDeg       Number `json:"lat_deg"`
	LonDeg       Number `json:"lon_deg"`
	ElevationM   Number `json:"elevation_m"`
	PressureHPa  Number `json:"pressure_hpa"`
	TemperatureC Number `json:"temperature_c"`
	// How well both are known; 0: nobody measured them.
	PressureSigmaHPa  Number `json:"pressure_uncertainty_hpa"`
	TemperatureSigmaC Number `json:"temperature_uncertainty_c"`
}

// Direction is a direction in the local frame.
type Direction struct {
	AltDeg Number `json:"alt_deg"`
	AzDeg  Number `json:"az_deg"`
}

// Pole is the elevated pole, refracted or true.
type Pole struct {
	Kind string `json:"kind"`
	Direction
}

// Offset is axis minus pole: az is a difference of azimuths, total the angle
// on the sky.
type Offset struct {
	AltArcmin   Number `json:"alt_arcmin"`
	AzArcmin    Number `json:"az_arcmin"`
	TotalArcmin Number `json:"total_arcmin"`
}

// Uncertainty is one standard deviation of the axis: of its altitude and of
// its azimuth (a difference of azimuths), and their correlation.
type Uncertainty struct {
	AltArcsec   Number `json:"alt_arcsec"`
	AzArcsec    Number `json:"az_arcsec"`
	Correlation Number `json:"correlation"`
}

// AxisStatus is how the axis stands, how sure that is, and what to turn: altitude,
// then azimuth.
type AxisStatus struct {
	Axis        Direction   `json:"axis"`
	Offset      Offset      `json:"offset"`
	Uncertainty Uncertainty `json:"uncertainty"`
	Moves       []Move      `json:"moves"`
}

// Move is what one bolt has to do. Gate is the offset of this bolt up to
// which it may be left alone: with both bolts inside their gates the total is
// inside the tolerance.
type Move struct {
	Bolt         string `json:"bolt"` // "altitude" or "azimuth"
	Way          string `json:"way"`  // "raise", "lower", "east", "west", or where the pole is near the zenith "tip_east", "tip_west"
	AmountArcmin Number `json:"amount_arcmin"`
	GateArcmin   Number `json:"gate_arcmin"`
	Done         bool   `json:"done"` // inside the gate
	Text         string `json:"text"`
	Rotation     string `json:"rotation,omitempty"` // sense of the turn, as seen from above
}

// Bolt is how the axis answers a bolt, with standard deviations. Turns are
// given as angles of the bolt's own turn, clockwise positive.
type Bolt struct {
	Bolt               string `json:"bolt"`            // "altitude" or "azimuth"
	Learnt             bool   `json:"learnt"`          // well enough to speak in turns
	PerTurnArcmin      Number `json:"per_turn_arcmin"` // of altitude or azimuth, in one whole turn
	PerTurnSigmaArcmin Number `json:"per_turn_sigma_arcmin"`
	PlayDeg            Number `json:"play_deg"` // without effect after a change of direction
	PlaySigmaDeg       Number `json:"play_sigma_deg"`
	Cross              Number `json:"cross"` // the other adjustment's movement on the sky, as a part of this one's
	CrossSigma         Number `json:"cross_sigma"`
}

// Stroke is what to turn a bolt by.
type Stroke struct {
	Bolt        string `json:"bolt"`
	TurnDeg     Number `json:"turn_deg"`     // of the bolt, clockwise positive
	IdleDeg     Number `json:"idle_deg"`     // the part of it that takes up play
	ErrorArcsec Number `json:"error_arcsec"` // expected of it, on the sky
	Text        string `json:"text"`
}

// LockShift is what locking the bolts did to the axis.
type LockShift struct {
	AltArcmin         Number `json:"alt_arcmin"`
	AzArcmin          Number `json:"az_arcmin"`
	TotalArcmin       Number `json:"total_arcmin"`
	UncertaintyArcsec Number `json:"uncertainty_arcsec"`
}

// TurnAdvice is what turning the RA axis further would bring.
type TurnAdvice struct {
	LeastDeg Number     `json:"least_deg"`      // 0: no turn reaches the wanted uncertainty
	Back     bool       `json:"back,omitempty"` // towards where the frames before were taken, not on
	Expected []Forecast `json:"expected,omitempty"`
}

// TurnTo is the better way of turning the RA axis by as much as is asked for,
// and the other way: altitudes are those of the line of sight at its lowest.
// Against holds what speaks against a way: "low" (near the horizon), "high" (the
// camera end swings between the legs), "far" (more than a quarter turn from the
// first frame).
type TurnTo struct {
	ByDeg          Number   `json:"by_deg"` // clockwise positive, for who faces the pole
	LowestDeg      Number   `json:"lowest_deg"`
	Against        []string `json:"against,omitempty"`
	Back           bool     `json:"back"` // against the way of the turn before
	OtherLowestDeg Number   `json:"other_lowest_deg"`
	OtherAgainst   []string `json:"other_against,omitempty"`
}

// Sun is where the Sun stands now.
type Sun struct {
	Up           bool   `json:"up"` // its upper edge is above a level horizon
	AltDeg       Number `json:"alt_deg"`
	FromFrameDeg Number `json:"from_frame_deg"` // from the last frame's line of sight
	NearFrame    bool   `json:"near_frame"`     // up, and dangerously near that line
}

// Forecast is the uncertainty expected after one more frame.
type Forecast struct {
	TurnDeg           Number `json:"turn_deg"`
	UncertaintyArcsec Number `json:"uncertainty_arcsec"`
}

// Stages of a frame that has no numbers yet.
const (
	StageWaiting   = "waiting"   // whole, and about to be read
	StageReading   = "reading"   // its stars are being detected and matched
	StageSearching = "searching" // it was not solved at once (clouds?); the search goes on
)

// Reading is what goes on with frames that have no numbers yet.
type Reading struct {
	Stage     string `json:"stage"`                // "waiting", "reading" or "searching"
	File      string `json:"file,omitempty"`       // being read
	ArrivedMs int64  `json:"arrived_ms,omitempty"` // Unix time in ms at which it was complete
	SinceMs   int64  `json:"since_ms,omitempty"`   // Unix time in ms at which the stage began
	Waiting   int    `json:"waiting"`              // further files that are whole
}

// Latest is the last frame read, solved or not.
type Latest struct {
	ID           int64    `json:"id"` // counts the frames of this run; names the picture
	File         string   `json:"file"`
	ReadMs       int64    `json:"read_ms"`           // Unix time in ms at which the file was complete
	Mid          string   `json:"mid_utc,omitempty"` // mid-exposure by the camera's clock
	TookMs       Number   `json:"took_ms"`           // from file complete to numbers
	ExposureS    Number   `json:"exposure_s"`        // null where the header does not tell
	Solved       bool     `json:"solved"`            //
	Problem      *Notice  `json:"problem,omitempty"` // why not
	Detected     int      `json:"detected"`          // stars seen
	Matched      int      `json:"matched"`           // stars known
	RMSArcsec    Number   `json:"rms_arcsec"`        //
	RADeg        Number   `json:"ra_deg"`            // ICRS, image centre
	DecDeg       Number   `json:"dec_deg"`           //
	FieldWDeg    Number   `json:"field_w_deg"`       //
	FieldHDeg    Number   `json:"field_h_deg"`       //
	WidthPx      int      `json:"width_px"`          //
	HeightPx     int      `json:"height_px"`         //
	Stars        []Star   `json:"stars,omitempty"`   // matched, brightest first
	Picture      *Picture `json:"picture,omitempty"` // once there is one
	ClockSuspect bool     `json:"clock_suspect"`     // mid-exposure and arrival disagree

	// Where the frame looked, and where in it, or on which way from its middle, the
	// pole aimed at and the mount's axis lie; absent while that is not known.
	Sight *Direction `json:"sight,omitempty"`
	Pole  *InFrame   `json:"pole,omitempty"`
	Axis  *InFrame   `json:"axis,omitempty"`
	// Put are stars and where they are to be put by moving the whole rig, so that the axis
	// points to the pole: the first is enough near the pole, both leave nothing open. Only
	// where the rig has no two bolts.
	Put []PutStar `json:"put,omitempty"`
}

// PutStar is a star and the place in the frame to which it is to be brought, in pixels as
// in Star. TowardsDeg is the way there, as in InFrame.
type PutStar struct {
	Star
	ToX        Number `json:"to_x_px"`
	ToY        Number `json:"to_y_px"`
	Inside     bool   `json:"inside"` // the place is within the frame
	TowardsDeg Number `json:"towards_deg"`
}

// InFrame is a direction as a frame has it. TowardsDeg is the way to it from the
// middle of the image: from the direction in which columns grow towards the one
// in which rows grow.
type InFrame struct {
	Inside     bool   `json:"inside"`
	X          Number `json:"x_px"` // as in Star; null outside the image
	Y          Number `json:"y_px"`
	AwayDeg    Number `json:"away_deg"` // from the middle of the image
	TowardsDeg Number `json:"towards_deg"`
}

// Star is a matched star in the frame: column and row from 0 at the centre of
// the first pixel in the file, V magnitude.
type Star struct {
	X Number `json:"x_px"`
	Y Number `json:"y_px"`
	V Number `json:"v_mag"`
}

// Picture is the small stretched picture of a frame. Row 0 of the file is
// the bottom row of the picture.
type Picture struct {
	URL      string `json:"url"`
	WidthPx  int    `json:"width_px"`
	HeightPx int    `json:"height_px"`
}

// Frame is one line of the list of frames.
type Frame struct {
	Number         int    `json:"number"` // among the session's frames, from 1: how a person is told of it
	File           string `json:"file"`
	Mid            string `json:"mid_utc,omitempty"`
	Status         string `json:"status"` // a mountmodel.FrameStatus
	Message        string `json:"message,omitempty"`
	Said           *Said  `json:"said,omitempty"`  // the message by its code, where it has one
	Stars          int    `json:"stars"`           // 0: unknown
	TurnDeg        Number `json:"turn_deg"`        // of the RA axis since the first frame
	ResidualArcsec Number `json:"residual_arcsec"` // what the rigid model leaves over, in the measurement
	TotalArcmin    Number `json:"total_arcmin"`    // axis from pole by this frame, after the measurement
	AltArcmin      Number `json:"alt_arcmin"`      // the parts of it, as in Offset
	AzArcmin       Number `json:"az_arcmin"`
}

// Notice is a warning or a reason: a code for programs, a sentence for
// people.
type Notice struct {
	Code    string    `json:"code"`
	Message string    `json:"message"`
	Frame   *FrameRef `json:"frame,omitempty"` // the one it is about, among the frames
	Said    *Said     `json:"said,omitempty"`  // the message by its code, where numbers stand in it
}

// FrameRef names a frame as a person is told of it.
type FrameRef struct {
	Number int    `json:"number"`
	Mid    string `json:"mid_utc,omitempty"`
}

// Alarm is something that somebody should look at.
type Alarm struct {
	Code     string `json:"code"` // "axis_moved" or "frames_unsolved"
	Message  string `json:"message"`
	SinceUTC string `json:"since_utc"`
}

// RigState is how the simulated rig stands, as its owner would know it from
// scales and switches.
type RigState struct {
	Name       string     `json:"name"`
	RADeg      Number     `json:"ra_deg"`              // reading of the RA circle
	AltTurned  Number     `json:"alt_bolt_arcmin"`     // turned since the start, up positive
	AzTurned   Number     `json:"az_bolt_arcmin"`      // turned since the start, east positive
	AltPerTurn Number     `json:"alt_per_turn_arcmin"` // what a clockwise turn of the altitude bolt does, up positive
	AzPerTurn  Number     `json:"az_per_turn_arcmin"`  // and of the azimuth bolt, towards growing azimuth positive
	Drive      bool       `json:"drive"`               // tracking
	Repeating  bool       `json:"repeating"`           // exposes again and again
	Exposing   bool       `json:"exposing"`            // shutter open now
	ExposureMs int64      `json:"exposure_ms"`
	Faults     []RigFault `json:"faults,omitempty"` // that can be practised
}

// RigFault is something that can be made to go wrong.
type RigFault struct {
	Name  string `json:"name"`  // for the command
	Text  string `json:"text"`  // what it does to the rig
	Lasts bool   `json:"lasts"` // it goes on until it is set right; else it happens once
	On    bool   `json:"on"`    // it is going on, or about to happen
}

// UTC is the wire form of a time: RFC 3339 with milliseconds, empty for none.
func UTC(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("2006-01-02T15:04:05.000Z")
}
