package web

import (
	"context"
	"net/http"
	"time"

	"polard/mountmodel/sky"

	"github.com/labstack/echo/v4"
)

// Equipment is the camera and the mount that the service itself exposes with and turns. Calls come
// from many goroutines; what changed comes back by [Server.Publish].
type Equipment interface {
	// Find looks for cameras and mounts anew.
	Find(ctx context.Context) error
	// Choose takes a camera and a mount by name.
	Choose(ctx context.Context, camera, mount string) error
	// Propose makes a plan of what would be moved, which the state then shows. Nothing moves.
	Propose(ctx context.Context, order MotionOrder) error
	// Measure carries out the plan of an id. It returns when that has ended; when ctx ends, the mount
	// is stopped. With attended it is stopped too when [Equipment.Present] is not heard for a while.
	Measure(ctx context.Context, plan string, attended bool) error
	// Present tells that whoever operates is still there.
	Present(ctx context.Context) error
	// Loop exposes again and again, or ends that. It moves nothing.
	Loop(ctx context.Context, on bool) error
	// Stop stops the mount and whatever else goes on.
	Stop(ctx context.Context) error
	// SomethingChanged has the schedule measure as soon as it is dark.
	SomethingChanged(ctx context.Context) error
}

// PlanOfMotion is a plan in wire form.
func PlanOfMotion(id string, plan sky.Saying, cautions []sky.Saying) *MotionPlan {
	return &MotionPlan{ID: id, Text: plan.Text, Said: said(plan), Cautions: sky.English(cautions), SaidCautions: saidAll(cautions)}
}

// MotionOrder is what is to be measured. Zero values leave it to the plan.
type MotionOrder struct {
	TurnDeg float64
	Way     string // "west" or "east"
	// Daylight is the word that is typed to move while the Sun is up.
	Daylight string
	// Thorough adds a second declination and the other side of the pier, where mount and limits allow that.
	Thorough bool
}

// EquipmentState is what a page shows of camera and mount. Number and All count pictures;
// TurnedDeg and OfDeg are of the movement that goes on, west positive.
type EquipmentState struct {
	Protocol    string      `json:"protocol"` // "indi" or "alpaca"
	Cameras     []string    `json:"cameras"`  // to choose from
	Mounts      []string    `json:"mounts"`
	Camera      string      `json:"camera,omitempty"` // chosen
	Mount       string      `json:"mount,omitempty"`
	Activity    string      `json:"activity"` // "idle", "finding", "exposing", "reading", "turning", "waiting" or "stopping"
	Looping     bool        `json:"looping"`  // exposes again and again
	Number      int         `json:"number,omitempty"`
	All         int         `json:"all,omitempty"`
	TurnedDeg   Number      `json:"turned_deg"`
	OfDeg       Number      `json:"of_deg"`
	ExposureS   Number      `json:"exposure_s"`
	Gain        *Number     `json:"gain,omitempty"`
	Note        string      `json:"note,omitempty"` // the newest thing worth saying
	NoteSaid    *Said       `json:"note_said,omitempty"`
	Trouble     string      `json:"trouble,omitempty"` // why the last thing asked for failed
	TroubleSaid *Said       `json:"trouble_said,omitempty"`
	Plan        *MotionPlan `json:"plan,omitempty"`     // what would be moved, until it is done or too old
	Schedule    string      `json:"schedule,omitempty"` // "nightly" or "after_change", where it measures with nobody there
	Due         bool        `json:"due,omitempty"`      // something was changed: it measures as soon as it is dark
	Rests       string      `json:"rests,omitempty"`    // why the schedule does nothing until somebody has looked
	RestsSaid   *Said       `json:"rests_said,omitempty"`
	Before      *AxisBefore `json:"before,omitempty"` // where the axis was last known to stand before the measurement
}

// AxisBefore is where the axis stood before, by a measurement through the devices or by the frame that was
// then the newest.
type AxisBefore struct {
	Offset      Offset      `json:"offset"`
	Uncertainty Uncertainty `json:"uncertainty"`
	AtUTC       string      `json:"at_utc"` // when that was known, RFC 3339
}

// Tell has the newest thing worth saying.
func (q *EquipmentState) Tell(s sky.Saying) { q.Note, q.NoteSaid = s.Text, said(s) }

// Fail has why the last thing asked for failed.
func (q *EquipmentState) Fail(s sky.Saying) { q.Trouble, q.TroubleSaid = s.Text, said(s) }

// MotionPlan says what would be moved, how far and which way.
type MotionPlan struct {
	ID           string   `json:"id"`
	Text         string   `json:"text"`
	Said         *Said    `json:"said,omitempty"`
	Cautions     []string `json:"cautions"`
	SaidCautions []Said   `json:"said_cautions,omitempty"`
}

// Limits of a turn that can be asked for.
const (
	leastTurnDeg = 5
	mostTurnDeg  = 150
)

type chooseRequest struct {
	Camera string `json:"camera"`
	Mount  string `json:"mount"`
}

type motionRequest struct {
	TurnDeg  *float64 `json:"turn_deg"` // absent: left to the plan
	Way      string   `json:"way"`      // "west", "east"; absent: whichever the limits leave
	Daylight string   `json:"daylight"`
	Thorough bool     `json:"thorough"`
}

func (r motionRequest) order() (MotionOrder, error) {
	out := MotionOrder{Way: r.Way, Daylight: r.Daylight, Thorough: r.Thorough}
	if r.TurnDeg != nil {
		if out.TurnDeg = *r.TurnDeg; !(out.TurnDeg >= leastTurnDeg && out.TurnDeg <= mostTurnDeg) {
			return out, badCall("ask_turn", "a turn is 5 to 150 degrees")
		}
	}
	if r.Way != "" && r.Way != "west" && r.Way != "east" {
		return out, badCall("ask_way", `the way is "west" or "east"`)
	}
	return out, nil
}

type measureRequest struct {
	Plan     string `json:"plan"`     // id of the plan that was shown
	Attended bool   `json:"attended"` // whoever operates will say "present" every second
}

// equipmentRoutes hangs the commands of camera and mount under g.
func (s *Server) equipmentRoutes(g *echo.Group) {
	q := s.opt.Equipment
	if q == nil {
		return
	}
	plain := func(do func(context.Context) error) echo.HandlerFunc {
		return command(s, func(ctx context.Context, _ nothing) error { return do(ctx) })
	}
	g.POST("/equipment/find", plain(q.Find))
	g.POST("/equipment/choose", command(s, func(ctx context.Context, r chooseRequest) error {
		if r.Camera == "" || r.Mount == "" {
			return badCall("ask_devices", `name the "camera" and the "mount", of those in the state`)
		}
		return q.Choose(ctx, r.Camera, r.Mount)
	}))
	g.POST("/equipment/propose", command(s, func(ctx context.Context, r motionRequest) error {
		order, err := r.order()
		if err != nil {
			return err
		}
		return q.Propose(ctx, order)
	}))
	g.POST("/equipment/measure", untilDone(command(s, func(ctx context.Context, r measureRequest) error {
		if r.Plan == "" {
			return badCall("ask_plan", `name the "plan" that the state shows: nothing moves without one`)
		}
		return q.Measure(ctx, r.Plan, r.Attended)
	})))
	g.POST("/equipment/present", plain(q.Present))
	g.POST("/equipment/loop", command(s, func(ctx context.Context, r onOff) error {
		if r.On == nil {
			return badCall("ask_on", `say "on": true or false`)
		}
		return q.Loop(ctx, *r.On)
	}))
	g.POST("/equipment/stop", plain(q.Stop))
	g.POST("/equipment/changed", plain(q.SomethingChanged))
}

// untilDone lets a request last as long as what it asked for: its end is how the mount learns that
// whoever operates is gone. Its body has to come as fast as any other's.
func untilDone(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		control := http.NewResponseController(c.Response())
		// Where the connection cannot do that, the request ends early, and with it the movement.
		_ = control.SetWriteDeadline(time.Time{})
		_ = control.SetReadDeadline(time.Now().Add(measureLasts))
		return next(c)
	}
}

// measureLasts bounds a measurement from the page: an hour waits out clouds and lost connections.
const measureLasts = time.Hour
