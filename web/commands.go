package web

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/observed"
	"polard/mountmodel/sky"

	"github.com/labstack/echo/v4"
)

// Operator is what the page can ask of the session. Calls come from many
// goroutines. An error is shown to the person in its own words; the session's
// new state comes back by [Server.Publish], not as an answer.
type Operator interface {
	// SetSite says where the mount stands, what air is above it and which
	// pole to aim at.
	SetSite(ctx context.Context, site sky.Site, air sky.Air, pole observed.PoleKind) error
	// SetTolerance says which total offset is good enough; the session knows
	// the limits.
	SetTolerance(ctx context.Context, tolerance sky.Angle) error
	// Tell passes on what the person did or wants.
	Tell(ctx context.Context, event mountmodel.Event) error
	// Turned passes on which bolt the person turned, by how many turns,
	// clockwise positive.
	Turned(ctx context.Context, bolt adjust.Bolt, turns float64) error
	// CountFrame says whether a frame of the measurement counts.
	CountFrame(ctx context.Context, choice mountmodel.FrameChoice) error
	// SetPlan says what exposures are planned.
	SetPlan(ctx context.Context, order PlanOrder) error
}

// Rig is the simulated rig of a rehearsal, turned from the page.
type Rig interface {
	// TurnRA turns the right ascension axis; positive as the sky turns.
	TurnRA(ctx context.Context, by sky.Angle) error
	// TurnAltitudeBolt raises the axis, or lowers it when negative.
	TurnAltitudeBolt(ctx context.Context, by sky.Angle) error
	// TurnAzimuthBolt turns the mount about the vertical, towards growing
	// azimuth when positive: clockwise seen from above, to the right of who
	// faces the pole.
	TurnAzimuthBolt(ctx context.Context, by sky.Angle) error
	// SetDrive switches tracking.
	SetDrive(ctx context.Context, on bool) error
	// Expose takes one frame.
	Expose(ctx context.Context) error
	// SetRepeating takes frames again and again.
	SetRepeating(ctx context.Context, on bool) error
	// TurnDeclination swings the tube, away from the pole when positive.
	TurnDeclination(ctx context.Context, by sky.Angle) error
	// SetFault makes something go wrong: once, or until it is set right.
	SetFault(ctx context.Context, name string, on bool) error
}

// maxCommandBytes bounds the body of a command; the longest real one has
// five numbers.
const maxCommandBytes = 4 << 10

// Limits of one turn of the simulated rig, wide enough for every real use.
const (
	maxRigRA   = 180 * sky.Degree
	maxRigBolt = 10 * sky.Degree
)

// amount is the body of every command that turns something.
type amount struct {
	Deg    *float64 `json:"deg"`
	Arcmin *float64 `json:"arcmin"`
}

func (a amount) angle(limit sky.Angle) (sky.Angle, error) {
	var by sky.Angle
	switch {
	case a.Deg != nil && a.Arcmin == nil:
		by = sky.Angle(*a.Deg) * sky.Degree
	case a.Arcmin != nil && a.Deg == nil:
		by = sky.Angle(*a.Arcmin) * sky.Arcminute
	default:
		return 0, badRequest(`say how far with either "deg" or "arcmin"`)
	}
	if !(by.Abs() <= limit) {
		return 0, badRequest("that is too far for one turn")
	}
	return by, nil
}

type onOff struct {
	On *bool `json:"on"`
}

type siteRequest struct {
	LatDeg       *float64 `json:"lat_deg"`
	LonDeg       *float64 `json:"lon_deg"`
	ElevationM   *float64 `json:"elevation_m"`
	PressureHPa  *float64 `json:"pressure_hpa"`  // absent: the standard atmosphere
	TemperatureC *float64 `json:"temperature_c"` // absent: the default
	Pole         string   `json:"pole"`          // an observed.PoleKind in words; absent: refracted
}

func (r siteRequest) site() (sky.Site, sky.Air, error) {
	if r.LatDeg == nil || r.LonDeg == nil {
		return sky.Site{}, sky.Air{}, badRequest("give at least the latitude and the longitude")
	}
	site := sky.Site{
		Latitude:  sky.Angle(*r.LatDeg) * sky.Degree,
		Longitude: sky.Angle(*r.LonDeg) * sky.Degree,
	}
	if r.ElevationM != nil {
		site.ElevationM = *r.ElevationM
	}
	if err := site.Check(); err != nil {
		return sky.Site{}, sky.Air{}, badRequest(err.Error())
	}
	air := sky.StandardAir(site.ElevationM)
	if r.PressureHPa != nil {
		air.PressureHPa, air.PressureSigmaHPa = *r.PressureHPa, sky.MeasuredPressureSigmaHPa
	}
	if r.TemperatureC != nil {
		air.TemperatureC, air.TemperatureSigmaC = *r.TemperatureC, sky.MeasuredSigmaC
	}
	if err := air.Check(); err != nil {
		return sky.Site{}, sky.Air{}, badRequest(err.Error())
	}
	return site, air, nil
}

type toleranceRequest struct {
	Arcmin *float64 `json:"arcmin"`
}

func (r toleranceRequest) angle() (sky.Angle, error) {
	if r.Arcmin == nil {
		return 0, badRequest("give the tolerance in arcminutes")
	}
	return sky.Angle(*r.Arcmin) * sky.Arcminute, nil
}

type turnedRequest struct {
	Bolt  adjust.Bolt `json:"bolt"`
	Turns *float64    `json:"turns"`
}

type frameRequest struct {
	File   string    `json:"file"`
	Mid    time.Time `json:"mid_utc"`
	Counts *bool     `json:"counts"`
}

type faultRequest struct {
	Fault string `json:"fault"`
	On    *bool  `json:"on"` // absent: on
}

type eventRequest struct {
	Event mountmodel.Event `json:"event"`
}

type nothing struct{}

// commandRoutes hangs every command under g.
func (s *Server) commandRoutes(g *echo.Group) {
	op := s.opt.Operator
	g.POST("/site", command(s, func(ctx context.Context, r siteRequest) error {
		site, air, err := r.site()
		if err != nil {
			return err
		}
		kind := observed.Refracted
		if r.Pole != "" {
			if kind, err = observed.ParsePoleKind(r.Pole); err != nil {
				return badRequest(err.Error())
			}
		}
		kept := op.SetSite(ctx, site, air, kind)
		if kept != nil && !errors.Is(kept, ErrNotLogged) {
			return kept
		}
		return errors.Join(kept, s.notePlace(ctx, r))
	}))
	g.POST("/tolerance", command(s, func(ctx context.Context, r toleranceRequest) error {
		t, err := r.angle()
		if err != nil {
			return err
		}
		return op.SetTolerance(ctx, t)
	}))
	g.POST("/event", command(s, func(ctx context.Context, r eventRequest) error {
		switch r.Event {
		case mountmodel.StartOver, mountmodel.Measured, mountmodel.Locked, mountmodel.Unlocked, mountmodel.WatchOnly,
			mountmodel.TurnAltitude, mountmodel.TurnAzimuth, mountmodel.TakeBack, mountmodel.Correct, mountmodel.Uncorrect, mountmodel.Prove,
			mountmodel.FreeHead, mountmodel.TwoBolts:
			return op.Tell(ctx, r.Event)
		}
		return badRequest(`the event is "start_over", "measured", "locked", "unlocked", "watch", "turn_altitude", "turn_azimuth", "take_back", "correct", "uncorrect", "prove", "free_head" or "two_bolts"`)
	}))
	g.POST("/turned", command(s, func(ctx context.Context, r turnedRequest) error {
		if r.Bolt != adjust.AltitudeBolt && r.Bolt != adjust.AzimuthBolt || r.Turns == nil {
			return badRequest(`say which "bolt" was turned, "altitude" or "azimuth", and by how many "turns", clockwise positive`)
		}
		return op.Turned(ctx, r.Bolt, *r.Turns)
	}))
	g.POST("/frame", command(s, func(ctx context.Context, r frameRequest) error {
		if r.File == "" || r.Mid.IsZero() || r.Counts == nil {
			return badRequest(`name the frame by its "file" and "mid_utc", as in the state, and say whether it "counts"`)
		}
		return op.CountFrame(ctx, mountmodel.FrameChoice{Name: r.File, Mid: r.Mid, Counts: *r.Counts})
	}))
	g.POST("/plan", command(s, func(ctx context.Context, r planRequest) error {
		order, err := r.order()
		if err != nil {
			return err
		}
		return op.SetPlan(ctx, order)
	}))
	g.POST("/note", command(s, s.setNote))
	g.POST("/marks", command(s, s.setMarks))

	s.equipmentRoutes(g)

	rig := s.opt.Rig
	if rig == nil {
		return
	}
	turn := func(limit sky.Angle, do func(context.Context, sky.Angle) error) echo.HandlerFunc {
		return command(s, func(ctx context.Context, r amount) error {
			by, err := r.angle(limit)
			if err != nil {
				return err
			}
			return do(ctx, by)
		})
	}
	toggle := func(do func(context.Context, bool) error) echo.HandlerFunc {
		return command(s, func(ctx context.Context, r onOff) error {
			if r.On == nil {
				return badRequest(`say "on": true or false`)
			}
			return do(ctx, *r.On)
		})
	}
	g.POST("/rig/ra", turn(maxRigRA, rig.TurnRA))
	g.POST("/rig/declination", turn(maxRigRA, rig.TurnDeclination))
	g.POST("/rig/fault", command(s, func(ctx context.Context, r faultRequest) error {
		if r.Fault == "" {
			return badRequest(`name the "fault", one of those in the state`)
		}
		return rig.SetFault(ctx, r.Fault, r.On == nil || *r.On)
	}))
	g.POST("/rig/altitude-bolt", turn(maxRigBolt, rig.TurnAltitudeBolt))
	g.POST("/rig/azimuth-bolt", turn(maxRigBolt, rig.TurnAzimuthBolt))
	g.POST("/rig/drive", toggle(rig.SetDrive))
	g.POST("/rig/repeat", toggle(rig.SetRepeating))
	g.POST("/rig/expose", command(s, func(ctx context.Context, _ nothing) error { return rig.Expose(ctx) }))
}

// readBody reads a strict JSON body of type T.
func readBody[T any](c echo.Context) (body T, err error) {
	r := c.Request()
	if kind, _, err := mime.ParseMediaType(r.Header.Get(echo.HeaderContentType)); err != nil || kind != echo.MIMEApplicationJSON {
		return body, &problem{status: http.StatusUnsupportedMediaType, code: "not_json", message: "a command is sent as application/json"}
	}
	d := json.NewDecoder(http.MaxBytesReader(c.Response(), r.Body, maxCommandBytes))
	d.DisallowUnknownFields()
	if err := d.Decode(&body); err != nil {
		var big *http.MaxBytesError
		if errors.As(err, &big) {
			return body, &problem{status: http.StatusRequestEntityTooLarge, code: "too_large", message: "that command is too long"}
		}
		return body, badRequest("the command could not be read: " + err.Error())
	}
	if err := d.Decode(new(json.RawMessage)); !errors.Is(err, io.EOF) {
		return body, badRequest("there is something behind the command")
	}
	return body, nil
}

// ErrNotLogged is what an [Operator] or [Notes] wraps when something was done, but is not in
// the logbook (yet): after a power cut it would be undone.
var ErrNotLogged = errors.New("this was done, but is not in the logbook")

// notLogged is the body of an answer to a command that is in force and not in the logbook.
type notLogged struct {
	Code   string `json:"code"`
	Detail string `json:"detail"`
}

// command reads a body of type T and carries it out. Success is 204: what
// changed comes to every page as a new state, and is on the disk. Where it is not, the
// answer is 202: accepted, and not yet done for good (RFC 9110, section 15.3.3).
func command[T any](s *Server, do func(context.Context, T) error) echo.HandlerFunc {
	return func(c echo.Context) error {
		r := c.Request()
		body, err := readBody[T](c)
		if err != nil {
			return err
		}
		if err := do(r.Context(), body); errors.Is(err, ErrNotLogged) {
			s.opt.Logger.Warn("command", "path", r.URL.Path, "error", err)
			return c.JSON(http.StatusAccepted, notLogged{"not_kept", err.Error()})
		} else if err != nil {
			var p *problem
			if errors.As(err, &p) {
				return p
			}
			s.opt.Logger.Warn("command refused", "path", r.URL.Path, "error", err)
			return refused(err)
		}
		s.opt.Logger.Info("command", "path", r.URL.Path)
		return c.NoContent(http.StatusNoContent)
	}
}
