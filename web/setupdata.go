package web

import (
	"fmt"
	"math"
	"strings"
	"time"

	"polard/mountmodel/setup"
	"polard/mountmodel/sky"
)

// SetupData is the wire form of a set-up: what `polard site --json` prints and what
// the page shows step by step; units in the keys. Steps holds the sentences of
// each step, by its name.
type (
	SetupData struct {
		Site          SetupSite           `json:"site"`
		Air           SetupAir            `json:"air"`
		TimeUTC       string              `json:"time_utc"`
		Pole          Pole                `json:"pole"`
		Mount         string              `json:"mount"` // german, fork or tracker
		LatitudeScale LatitudeScale       `json:"latitude_scale"`
		Ground        Ground              `json:"ground"`
		Compass       *Compass            `json:"compass,omitempty"`
		Sun           SetupSun            `json:"sun"`
		Balance       *Balance            `json:"balance,omitempty"`
		PoleStars     []PoleStar          `json:"pole_stars"`
		Eyepiece      *SetupEyepiece      `json:"eyepiece,omitempty"`
		Steps         map[string][]string `json:"steps"`
		Cautions      []Caution           `json:"cautions"`
		Warnings      []Notice            `json:"warnings"`
	}
	SetupSite struct {
		LatDeg     float64 `json:"lat_deg"`
		LonDeg     float64 `json:"lon_deg"`
		ElevationM float64 `json:"elevation_m"`
	}
	SetupAir struct {
		PressureHPa      float64 `json:"pressure_hpa"`
		UsualPressureHPa float64 `json:"usual_pressure_hpa"`
		TemperatureC     float64 `json:"temperature_c"`
	}
	LatitudeScale struct {
		SetDeg           float64 `json:"set_deg"`
		Low              bool    `json:"low"` // the pole aimed at stands low: below the hinges of many mounts, behind haze and ground
		NearDeg          float64 `json:"near_deg"`
		RefractionArcmin float64 `json:"refraction_arcmin"`
		RefractionSigma  float64 `json:"refraction_uncertainty_arcsec"`
	}
	Ground struct {
		LegAzimuthsDeg []float64 `json:"leg_azimuths_deg"`
		LevelNearDeg   float64   `json:"level_near_deg"`
		ShaftNearLeg   bool      `json:"shaft_near_leg"` // two legs stand towards the pole: a shaft that hangs nearly straight down would meet one
		Coupling       *Coupling `json:"coupling,omitempty"`
	}
	Coupling struct {
		LeanDeg                    float64 `json:"lean_deg"`
		LeanTowardsAzDeg           float64 `json:"lean_towards_az_deg"`
		AltitudeArcminPerAzDeg     float64 `json:"altitude_arcmin_per_azimuth_deg"`
		SidewaysArcminPerAltDeg    float64 `json:"east_arcmin_per_altitude_deg"`
		LatitudeScaleMisreadArcmin float64 `json:"latitude_scale_misread_arcmin"`
	}
	Compass struct {
		BearingDeg        float64 `json:"bearing_deg"`
		DeclinationDeg    float64 `json:"declination_deg"`
		UncertaintyDeg    float64 `json:"uncertainty_deg"`
		ChangeDegPerYear  float64 `json:"change_deg_per_year"`
		InclinationDeg    float64 `json:"inclination_deg"`
		HorizontalNT      float64 `json:"horizontal_nt"`
		TotalNT           float64 `json:"total_nt"`
		Use               string  `json:"use"`
		DeclinationSource string  `json:"model"`
	}
	SetupSun struct {
		Up      bool       `json:"up"`
		AltDeg  float64    `json:"alt_deg"`
		Events  []SunEvent `json:"events"`
		Shadow  *Shadow    `json:"shadow,omitempty"`
		Shadows []Shadow   `json:"shadows"`
	}
	SunEvent struct {
		Event       string   `json:"event"`
		TimeUTC     string   `json:"time_utc"`
		ShadowAzDeg *float64 `json:"shadow_az_deg,omitempty"`
	}
	Shadow struct {
		TimeUTC         string  `json:"time_utc"`
		AzDeg           float64 `json:"az_deg"`
		LengthPerHeight float64 `json:"length_per_height"`
		DegPerMinute    float64 `json:"turn_deg_per_minute"`
		SunAltDeg       float64 `json:"sun_alt_deg"`
	}
	Balance struct {
		TubeKg float64    `json:"tube_kg"`
		RA     RABalance  `json:"right_ascension"`
		Dec    DecBalance `json:"declination"`
	}
	RABalance struct {
		Verdict      string   `json:"verdict"`
		WantedMm     *float64 `json:"wanted_mm,omitempty"`
		AtMm         *float64 `json:"at_mm,omitempty"`
		LeftOverKgMm float64  `json:"left_over_kg_mm"`
		LeftOverNm   float64  `json:"left_over_newton_m"`
		LeastKg      *float64 `json:"least_kg,omitempty"`
		MostKg       *float64 `json:"most_kg,omitempty"`
	}
	DecBalance struct {
		Verdict    string  `json:"verdict"`
		ShiftMm    float64 `json:"shift_mm"`
		LeftOverNm float64 `json:"left_over_newton_m"`
		SideNm     float64 `json:"side_newton_m"`
	}
	PoleStar struct {
		Name                string     `json:"name"`
		Magnitude           float64    `json:"magnitude_v"`
		HourAngleDeg        float64    `json:"hour_angle_deg"`
		PolarDistanceArcmin float64    `json:"polar_distance_arcmin"`
		Seen                Direction  `json:"seen"`
		FromRefracted       StarOffset `json:"from_refracted_pole"`
		FromTrue            StarOffset `json:"from_true_pole"`
		// Views are against the pole that is aimed at.
		Views []StarView `json:"views"`
	}
	StarOffset struct {
		DistanceArcmin   float64 `json:"distance_arcmin"`
		PositionAngleDeg float64 `json:"position_angle_deg"`
		EastArcmin       float64 `json:"east_arcmin"`
		UpArcmin         float64 `json:"up_arcmin"`
	}
	StarView struct {
		Through     string  `json:"through"`
		RightArcmin float64 `json:"right_arcmin"`
		UpArcmin    float64 `json:"up_arcmin"`
		ClockHours  float64 `json:"clock_hours"`
	}
	SetupEyepiece struct {
		Magnification   float64 `json:"magnification"`
		TrueFieldArcmin float64 `json:"true_field_arcmin"`
		HoldsPoleStar   bool    `json:"holds_pole_star"`
	}
	Caution struct {
		Title string `json:"title"`
		Text  string `json:"text"`
	}
)

// orNone leaves out what is no number.
func orNone(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func utcText(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05Z") }

func shadowOf(s setup.Shadow) Shadow {
	return Shadow{utcText(s.Time), s.Azimuth.Degrees(), s.Length, s.PerMinute.Degrees(), s.SunAlt.Degrees()}
}

func starOffsetOf(s setup.StarOffset) StarOffset {
	return StarOffset{s.Distance.Arcminutes(), s.PositionAngle.Degrees(), s.East.Arcminutes(), s.Up.Arcminutes()}
}

// lowPole is where haze, trees and the roughness of low refraction begin to
// matter (common practice).
const lowPole = 10 * sky.Degree

// SetupWarnings are what to know of a place and a date before trusting its set-up data.
func SetupWarnings(s setup.Data) []Notice {
	out := []Notice{}
	if s.Place.LatitudeScale < lowPole {
		out = append(out, Notice{Code: "low_pole", Message: fmt.Sprintf("The pole stands only %.1f degrees above the horizon: it will be behind haze or hills, and refraction down there is uncertain. The refracted pole itself is known to %s only: measure the air, or aim at the true pole. Polaris or the southern stars may not be seen; the frames do not need them.", s.Place.LatitudeScale.Degrees(), sky.AngleWords(s.Place.LiftSigma))})
	}
	if s.LevelProblem != nil {
		out = append(out, Notice{Code: "upright_axis", Message: sentence(s.LevelProblem.Error())})
	}
	if s.Compass == nil {
		out = append(out, Notice{Code: "no_declination", Message: "The bundled magnetic model covers the years 2025 to 2029. For this date take the declination from a map or from the model that follows it."})
	} else if s.Compass.Use != setup.CompassGood {
		out = append(out, Notice{Code: "compass_" + string(s.Compass.Use), Message: compassDoubt(*s.Compass)})
	}
	return out
}

func compassDoubt(c setup.Compass) string {
	if c.Use == setup.CompassNone {
		return "This near a magnetic pole a compass shows nothing. Use the Sun's shadow, the stars or a map."
	}
	return fmt.Sprintf("The magnetic pole is not far: the needle is sluggish and the declination uncertain by %.1f degrees and more. Use the Sun's shadow or a map where you can.", c.Sigma.Degrees())
}

// sentence makes one of an error's text.
func sentence(text string) string {
	if text == "" {
		return text
	}
	return strings.ToUpper(text[:1]) + text[1:] + "."
}

// SetupDataFrom turns a set-up into wire form, with what the person looks through
// if that is known.
func SetupDataFrom(s setup.Data, through *setup.Eyepiece) (SetupData, error) {
	out := SetupData{
		Site:    SetupSite{s.Site.Latitude.Degrees(), s.Site.Longitude.Degrees(), s.Site.ElevationM},
		Air:     SetupAir{s.Air.PressureHPa, s.Place.PressureHPa, s.Air.TemperatureC},
		TimeUTC: utcText(s.Time),
		Pole:    Pole{s.Pole.String(), direction(s.Place.Pole)},
		Mount:   string(s.Mount),
		LatitudeScale: LatitudeScale{
			s.Place.LatitudeScale.Degrees(), s.Place.Low(), setup.LatitudeNear.Degrees(), s.Place.Lift.Arcminutes(), s.Place.LiftSigma.Arcseconds(),
		},
		Ground:    Ground{LevelNearDeg: setup.LevelNear.Degrees(), ShaftNearLeg: setup.ShaftNearLeg(s.Site, s.Mount)},
		Sun:       SetupSun{Up: s.SunUp, AltDeg: s.SunAltitude.Degrees(), Events: []SunEvent{}, Shadows: []Shadow{}},
		PoleStars: []PoleStar{}, Cautions: []Caution{},
		Steps: map[string][]string{
			"latitude_scale": setup.LatitudeSteps(s.Place, s.Mount), "ground": setup.GroundSteps(s.Site, s.Mount), "compass": setup.CompassSteps(),
			"sun_shadow": setup.ShadowSteps(), "balance": setup.BalanceSteps(s.Mount), "starting_position": setup.MountSteps(s.Mount, s.Place),
		},
		Warnings: SetupWarnings(s),
	}
	for _, leg := range s.Legs {
		out.Ground.LegAzimuthsDeg = append(out.Ground.LegAzimuthsDeg, leg.Degrees())
	}
	if s.LevelProblem == nil {
		out.Ground.Coupling = &Coupling{setup.LevelNear.Degrees(), 90, 60 * s.Level.AltitudePerAzimuth, 60 * s.Level.AcrossPerAltitude, s.Level.ScaleError.Arcminutes()}
	}
	if c := s.Compass; c != nil {
		out.Compass = &Compass{c.Bearing.Degrees(), c.Declination.Degrees(), c.Sigma.Degrees(), c.Field.DeclinationPerYear().Degrees(),
			c.Field.Inclination().Degrees(), c.Field.HorizontalNT(), c.Field.TotalNT(), string(c.Use), "World Magnetic Model 2025"}
	}
	for _, m := range s.SunDay {
		e := SunEvent{Event: string(m.Event), TimeUTC: utcText(m.Time)}
		if m.Event == setup.SunHigh {
			e.ShadowAzDeg = orNone(m.Shadow.Degrees())
		}
		out.Sun.Events = append(out.Sun.Events, e)
	}
	if s.Shadow != nil {
		out.Sun.Shadow = new(shadowOf(*s.Shadow))
	}
	for _, shadow := range s.Shadows {
		out.Sun.Shadows = append(out.Sun.Shadows, shadowOf(shadow))
	}
	for _, p := range s.Stars {
		star := PoleStar{
			Name: p.Star.Name, Magnitude: p.Star.V, HourAngleDeg: p.HourAngle.Degrees(), PolarDistanceArcmin: p.PolarDistance.Arcminutes(),
			Seen: direction(p.Seen), FromRefracted: starOffsetOf(p.FromRefracted), FromTrue: starOffsetOf(p.FromTrue), Views: []StarView{},
		}
		for _, v := range p.Views(s.Pole, s.Place.South) {
			star.Views = append(star.Views, StarView{string(v.Through), v.Right.Arcminutes(), v.Up.Arcminutes(), v.Clock})
		}
		out.PoleStars = append(out.PoleStars, star)
	}
	if through != nil {
		field, err := through.TrueField()
		if err != nil {
			return SetupData{}, err
		}
		out.Eyepiece = &SetupEyepiece{through.Magnification(), field.Arcminutes(), setup.Holds(field, s.Stars[0].From(s.Pole).Distance)}
	}
	for _, c := range setup.Cautions(s.SunUp, s.Mount) {
		out.Cautions = append(out.Cautions, Caution{c.Title, c.Text})
	}
	return out, nil
}

// BalanceFromSetup turns a balance into wire form.
func BalanceFromSetup(b setup.Balance) *Balance {
	return &Balance{
		TubeKg: b.TubeKg,
		RA: RABalance{string(b.RA.Verdict), orNone(b.RA.WantedMm), orNone(b.RA.AtMm), b.RA.LeftOverKgMm, b.RA.LeftOverNm,
			orNone(b.RA.LeastKg), orNone(b.RA.MostKg)},
		Dec: DecBalance{string(b.Dec.Verdict), b.Dec.ShiftMm, b.Dec.LeftOverNm, b.Dec.SideNm},
	}
}
