package web

import (
	"cmp"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/setup"
	"polard/mountmodel/sky"

	"github.com/labstack/echo/v4"
)

// getSetup computes the set-up for the place of the session, now or at the
// time asked for. Set-up data take a few milliseconds, so nothing is kept.
func (s *Server) getSetup(c echo.Context) error {
	site, air, pole, ok := s.placed()
	if !ok {
		return &problem{status: http.StatusConflict, code: "no_place", message: "say first where the mount stands: latitude and longitude"}
	}
	when, through, err := setupQuery(c.QueryParams())
	if err != nil {
		return badRequest(err.Error())
	}
	mount := setup.Mount(cmp.Or(c.QueryParam("mount"), string(setup.German)))
	if !slices.Contains(setup.Mounts(), mount) {
		return badRequest(fmt.Sprintf("%q is no kind of mount: give german, fork or tracker", mount))
	}
	if when.IsZero() {
		when = s.now()
	}
	data, err := setup.NewData(site, air, pole, when)
	if err != nil { // the place was checked: the time is all that is left to be wrong
		return badRequest("that time cannot be computed: give one in the years 1972 to 2098")
	}
	out, err := SetupDataFrom(data.For(mount), through)
	if err != nil {
		return badRequest(err.Error())
	}
	return c.JSON(http.StatusOK, out)
}

// setupQuery reads what may be asked of the set-up: another time, and what one
// looks through.
func setupQuery(q url.Values) (when time.Time, through *setup.Eyepiece, err error) {
	if at := q.Get("at"); at != "" {
		if when, err = time.Parse(time.RFC3339, at); err != nil {
			return when, nil, fmt.Errorf("%q is no time: give it as 2026-03-07T21:30:00Z", at)
		}
	}
	number := func(key string) float64 {
		text := q.Get(key)
		if text == "" || err != nil {
			return 0
		}
		v, bad := strconv.ParseFloat(text, 64)
		if bad != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			err = fmt.Errorf("%s: %q is no number", key, text)
		}
		return v
	}
	e := setup.Eyepiece{
		TelescopeFocalMm: number("telescope_mm"), FocalMm: number("eyepiece_mm"),
		ApparentField: sky.Angle(number("apparent_field_deg")) * sky.Degree, FieldStopMm: number("field_stop_mm"),
	}
	if e != (setup.Eyepiece{}) {
		through = &e
	}
	return when, through, err
}

// placed is the place, air and pole of the newest state, when they are known.
func (s *Server) placed() (site sky.Site, air sky.Air, pole observed.PoleKind, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.state == nil || s.state.Site == nil {
		return
	}
	site, air, pole = placeOf(s.state)
	return site, air, pole, true
}

// placeOf reads the place of a state that has one.
func placeOf(state *State) (site sky.Site, air sky.Air, pole observed.PoleKind) {
	p := state.Site
	site = sky.Site{
		Latitude:   sky.Angle(p.LatDeg) * sky.Degree,
		Longitude:  sky.Angle(p.LonDeg) * sky.Degree,
		ElevationM: float64(p.ElevationM),
	}
	air = sky.StandardAir(site.ElevationM)
	air.PressureHPa, air.TemperatureC = float64(p.PressureHPa), float64(p.TemperatureC)
	air.PressureSigmaHPa, air.TemperatureSigmaC = float64(p.PressureSigmaHPa), float64(p.TemperatureSigmaC)
	if state.Pole != nil {
		// Words that name no kind cannot come from a session; they mean the usual one.
		pole, _ = observed.ParsePoleKind(state.Pole.Kind)
	}
	return site, air, pole
}

// rigRequest is a rig to be balanced.
type rigRequest struct {
	Parts []struct {
		Name    string  `json:"name"`
		Kg      float64 `json:"kg"`
		ShaftMm float64 `json:"shaft_mm"`
		TubeMm  float64 `json:"tube_mm"`
		SideMm  float64 `json:"side_mm"`
	} `json:"parts"`
	Weights []struct {
		Kg   float64 `json:"kg"`
		AtMm float64 `json:"at_mm"`
	} `json:"weights"`
	SlidingKg  float64 `json:"sliding_kg"`
	NearestMm  float64 `json:"nearest_mm"`
	FarthestMm float64 `json:"farthest_mm"`
	ShaftKg    float64 `json:"shaft_kg"`
	SaddleMm   float64 `json:"saddle_mm"`
}

// mostParts bounds a rig; a full one has a tube, two cameras and a guide scope.
const mostParts = 20

func (r rigRequest) rig(site sky.Site) (setup.Rig, error) {
	if len(r.Parts) > mostParts || len(r.Weights) > mostParts {
		return setup.Rig{}, fmt.Errorf("at most %d parts and %d weights: take some together", mostParts, mostParts)
	}
	rig := setup.Rig{
		SlidingKg: r.SlidingKg, TubeSlideMm: r.SaddleMm, AxisAltitude: site.Latitude.Abs(),
		Shaft: setup.Shaft{MassKg: r.ShaftKg, MiddleMm: (r.NearestMm + r.FarthestMm) / 2, NearestMm: r.NearestMm, FarthestMm: r.FarthestMm},
	}
	for _, p := range r.Parts {
		rig.Parts = append(rig.Parts, setup.Part{Name: p.Name, MassKg: p.Kg, ShaftMm: p.ShaftMm, TubeMm: p.TubeMm, SideMm: p.SideMm})
	}
	for _, w := range r.Weights {
		rig.Weights = append(rig.Weights, setup.Weight{MassKg: w.Kg, AtMm: w.AtMm})
	}
	return rig, rig.Check()
}

// postBalance works out a balance. It changes nothing, so whoever may look on
// may ask.
func (s *Server) postBalance(c echo.Context) error {
	r, err := readBody[rigRequest](c)
	if err != nil {
		return err
	}
	site, _, _, _ := s.placed() // without a place the axis is taken as level: the largest torque
	rig, err := r.rig(site)
	if err != nil {
		return badRequest(err.Error())
	}
	b, err := setup.NewBalance(rig)
	if err != nil {
		return badRequest(err.Error())
	}
	return c.JSON(http.StatusOK, BalanceFromSetup(b))
}
