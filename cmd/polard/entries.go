package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/mountmodel/sky"
	"polard/web"
)

// writtenConfig is a configuration as it is written out, units in the keys.
type writtenConfig struct {
	LatDeg          float64 `json:"lat_deg"`
	LonDeg          float64 `json:"lon_deg"`
	ElevationM      float64 `json:"elevation_m"`
	PressureHPa     float64 `json:"pressure_hpa"`
	TemperatureC    float64 `json:"temperature_c"`
	Pole            string  `json:"pole"`
	ToleranceArcmin float64 `json:"tolerance_arcmin"`
	MeasureFrames   int     `json:"measure_frames"`
}

func writtenConfigOf(c mountmodel.Config) writtenConfig {
	return writtenConfig{
		c.Site.Latitude.Degrees(), c.Site.Longitude.Degrees(), c.Site.ElevationM, c.Air.PressureHPa, c.Air.TemperatureC,
		c.Pole.String(), c.Tolerance.Arcminutes(), c.MeasureFrames,
	}
}

// writtenPlan is a planned use as it is written out.
type writtenPlan struct {
	FocalMm   float64 `json:"focal_mm"`
	PixelUm   float64 `json:"pixel_um"`
	WidthPx   int     `json:"width_px"`
	HeightPx  int     `json:"height_px"`
	ExposureS float64 `json:"exposure_s"`
	DecDeg    float64 `json:"dec_deg"`
	HAFromDeg float64 `json:"ha_from_deg"`
	HAToDeg   float64 `json:"ha_to_deg"`
	Guided    bool    `json:"guided"`
	GuideAway float64 `json:"guide_offset_arcmin"`
	LimitPx   float64 `json:"limit_px"`
}

func writtenPlanOf(p logbook.Planned) writtenPlan {
	return writtenPlan{
		p.Plan.FocalMm, p.Plan.PixelUm, p.Plan.Width, p.Plan.Height, p.Plan.Exposure.Seconds(), p.Plan.Declination.Degrees(),
		p.Plan.HourFrom.Degrees(), p.Plan.HourTo.Degrees(), p.Plan.Guided, p.Plan.GuideDistance.Arcminutes(), p.LimitPx,
	}
}

// writtenLens is a lens as it is written out.
type writtenLens struct {
	WidthPx  int     `json:"width_px"`
	HeightPx int     `json:"height_px"`
	Scale    float64 `json:"scale_arcsec_px"` // at the optical axis
	AxisXPx  float64 `json:"axis_x_px"`
	AxisYPx  float64 `json:"axis_y_px"`
	K1       float64 `json:"k1_per_rad2"` // radial distortion
	K2       float64 `json:"k2_per_rad4"`
	Mirrored bool    `json:"mirrored"`
	Stars    int     `json:"stars"` // that it was fitted to
}

func writtenLensOf(l logbook.Lens) writtenLens {
	return writtenLens{l.Width, l.Height, sky.Angle(l.ScaleRad).Arcseconds(), l.AxisX, l.AxisY, l.K1, l.K2, l.Mirrored, l.Stars}
}

// tableSessions writes sessions for people.
type tableSessions struct{ *tabwriter.Writer }

func newTableSessions(out io.Writer) tableSessions {
	t := tableSessions{tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)}
	fmt.Fprintln(t, "SESSION\tBEGAN\tENTRIES\tFIRST OFF BY\tAT THE END\tSTATE\tFOLDER")
	return t
}

func (t tableSessions) write(l sessionLine) error {
	_, err := fmt.Fprintf(t, "%d\t%s\t%d\t%s\t%s\t%s\t%s\n", l.Session, shownTime(l.BeganUTC, "2006-01-02 15:04"), l.Entries, arcminWords(l.FirstArcmin), arcminWords(l.LastArcmin), l.Phase, shownName(l.Folder))
	return err
}

func (t tableSessions) flush() error { return t.Flush() }

// tableEntries writes entries for people, altitude before azimuth.
type tableEntries struct{ *tabwriter.Writer }

func newTableEntries(out io.Writer) tableEntries {
	t := tableEntries{tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)}
	fmt.Fprintln(t, "ENTRY\tUTC\tWHAT\tSTARS\tFROM POLE\tALTITUDE\tAZIMUTH\tSTATE")
	return t
}

func (t tableEntries) write(l entryLine) error {
	what, stars := l.Content, "-"
	switch {
	case l.Kind == "frame" && l.Refused != "":
		what = shownName(l.File) + ": " + l.Refused
	case l.Kind == "frame":
		what, stars = shownName(l.File), fmt.Sprint(l.Matched)
	case l.Kind == "config" && l.Set != nil:
		what = fmt.Sprintf("latitude %.4f, longitude %.4f degrees, %.0f m; %s pole, good enough %s", l.Set.LatDeg, l.Set.LonDeg, l.Set.ElevationM, l.Set.Pole, sky.AngleWords(sky.Angle(l.Set.ToleranceArcmin)*sky.Arcminute))
	case l.Lens != nil:
		what = fmt.Sprintf("lens: %.2f\" per pixel, from %d stars", l.Lens.Scale, l.Lens.Stars)
	case l.Kind == "plan":
		what = l.Kind
	case l.Kind == "note": // what it holds is the page's business
		key, _, _ := strings.Cut(l.Content, ":")
		what = "noted: " + key
	}
	_, err := fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", l.Entry, shownTime(l.AtUTC, "2006-01-02 15:04:05"), what, stars,
		arcminWords(l.OffsetTotalArcmin), signedArcmin(l.OffsetAltArcmin), signedArcmin(l.OffsetAzArcmin), l.Phase)
	return err
}

func (t tableEntries) flush() error { return t.Flush() }

// shownTime is a time of the wire as a table shows it, cut to the length of a layout.
func shownTime(utc, layout string) string {
	return strings.Replace(utc, "T", " ", 1)[:min(len(layout), len(utc))]
}

func signedArcmin(n web.Number) string {
	if n != n {
		return "-"
	}
	return fmt.Sprintf("%+.2f'", n)
}
