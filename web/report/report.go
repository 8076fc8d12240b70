package report

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/logbook"
	"polard/mountmodel/sky"
	"polard/web"
)

// The wire form of a night's report; units in the keys.
type (
	Report struct {
		Program    string             `json:"program"`
		Night      string             `json:"night"` // date of its evening at the mount, by mean solar time
		SinceUTC   string             `json:"since_utc"`
		UntilUTC   string             `json:"until_utc"`
		Folders    []string           `json:"folders"`
		Site       *Site              `json:"site,omitempty"`
		Frames     int                `json:"frames"`
		Solved     int                `json:"solved"`
		Unsolved   []Reason           `json:"unsolved"` // why, the commonest first
		Events     []Event            `json:"events"`
		First      *AxisStatus        `json:"first,omitempty"` // of the night
		Last       *AxisStatus        `json:"last,omitempty"`
		Tolerance  web.Number         `json:"tolerance_arcmin"` // at the end
		Curve      []AxisStatus       `json:"curve"`            // the axis through the night, thinned
		Nights     []web.WatchedNight `json:"nights"`           // before it, oldest first
		MovedSince *Move              `json:"moved_since_night_before,omitempty"`
		Habits     *web.Habits        `json:"habits,omitempty"` // of the mount, by the ordinary exposures of the night
	}
	Site struct {
		LatDeg     float64 `json:"lat_deg"`
		LonDeg     float64 `json:"lon_deg"`
		ElevationM float64 `json:"elevation_m"`
	}
	Reason struct {
		Code    string `json:"code"`
		Count   int    `json:"count"`
		Message string `json:"message"` // of the last
	}
	Event struct {
		TimeUTC string `json:"time_utc"`
		Code    string `json:"code"`
		What    string `json:"what"` // in English

		args []any
	}
	AxisStatus struct {
		TimeUTC     string     `json:"time_utc"`
		Phase       string     `json:"phase"`
		AltArcmin   web.Number `json:"alt_arcmin"` // axis minus pole
		AzArcmin    web.Number `json:"az_arcmin"`
		TotalArcmin web.Number `json:"total_arcmin"`
		AltSigma    web.Number `json:"alt_sigma_arcsec"`
		AzSigma     web.Number `json:"az_sigma_arcsec"`
		Within      bool       `json:"within"`
		Doubt       bool       `json:"doubt"`

		result logbook.Result
	}
	Move struct {
		OnSkyArcmin web.Number `json:"on_sky_arcmin"`
		SigmaArcsec web.Number `json:"sigma_arcsec"`
	}
)

// curvePoints bounds the standings in a report: more than a plot shows.
const curvePoints = 200

// Night collects what the logbook holds of a night: of the given evening, or the
// newest.
func Night(ctx context.Context, book *logbook.Book, program, folder string, evening time.Time) (*Report, error) {
	sessions, err := book.Sessions(ctx, time.Time{}, 0)
	if err != nil {
		return nil, err
	}
	sessions = slices.DeleteFunc(sessions, func(s logbook.Session) bool { return folder != "" && s.Folder != folder || s.Count == 0 })
	if len(sessions) == 0 {
		return nil, errors.New("the logbook holds no session of that folder: 'polard log' lists those it has")
	}
	// A night runs from noon to noon at the mount.
	offset := time.Duration(sessions[0].Called.Site.Longitude.Degrees() / 15 * float64(time.Hour))
	if evening.IsZero() {
		evening = sessions[0].Heard.Add(offset - 12*time.Hour).Truncate(24 * time.Hour)
	}
	from := evening.Add(12*time.Hour - offset)
	to := from.Add(24 * time.Hour)
	r := &Report{
		Program: program, Night: evening.Format(time.DateOnly),
		Folders: []string{}, Unsolved: []Reason{}, Events: []Event{}, Curve: []AxisStatus{}, Tolerance: web.Unknown, Nights: []web.WatchedNight{},
	}
	slices.Reverse(sessions) // oldest first
	if err := r.read(ctx, book, sessions, from, to); err != nil {
		return nil, err
	}
	if r.SinceUTC == "" {
		return nil, fmt.Errorf("the logbook holds nothing of the night of %s: 'polard log' lists the sessions it has", r.Night)
	}
	if n := len(r.Curve); n > 0 {
		first, last := r.Curve[0], r.Curve[n-1]
		r.First, r.Last, r.Tolerance = &first, &last, web.Number(last.result.ToleranceArcmin)
		if n > curvePoints {
			thin := make([]AxisStatus, curvePoints)
			for i := range thin {
				thin[i] = r.Curve[i*(n-1)/(curvePoints-1)]
			}
			r.Curve = thin
		}
	}
	return r, r.compare(ctx, book, from)
}

// read takes in what the sessions did from one time to before another.
func (r *Report) read(ctx context.Context, book *logbook.Book, sessions []logbook.Session, from, to time.Time) error {
	reasons := make(map[string]*Reason)
	for _, s := range sessions {
		if s.Begun.After(to) || s.Heard.Before(from) {
			continue
		}
		used, first := false, int64(0)
		var before *mountmodel.Config
		if s.Placed {
			before = &s.Called
		}
		err := book.Entries(ctx, s.ID, false, func(e logbook.Entry) error {
			if e.Config != nil && !e.Unplaced && e.At.Before(to) {
				at := e.Config.Site
				r.Site = &Site{at.Latitude.Degrees(), at.Longitude.Signed().Degrees(), at.ElevationM}
				if before != nil && !e.At.Before(from) {
					r.changed(e.At, *before, *e.Config)
				}
				before = e.Config
			}
			if e.At.Before(from) || !e.At.Before(to) {
				return nil
			}
			if !used {
				used, first = true, e.Seq
			}
			if r.SinceUTC == "" {
				r.SinceUTC = web.UTC(e.At)
			}
			r.UntilUTC = web.UTC(e.At)
			r.take(e, reasons)
			return nil
		})
		if err != nil {
			return err
		}
		if !used {
			continue
		}
		if !slices.Contains(r.Folders, s.Folder) {
			r.Folders = append(r.Folders, s.Folder)
		}
		if h, err := habitsOf(ctx, book, s, first, from, to); err != nil {
			return err
		} else if h != nil {
			r.Habits = h
		}
	}
	for _, reason := range reasons {
		r.Unsolved = append(r.Unsolved, *reason)
	}
	slices.SortFunc(r.Unsolved, func(a, b Reason) int { return b.Count - a.Count })
	return nil
}

// take counts an entry in.
func (r *Report) take(e logbook.Entry, reasons map[string]*Reason) {
	switch {
	case e.Frame != nil:
		r.Frames++
		if e.Frame.Sighting.Refused == "" {
			r.Solved++
			break
		}
		reason := reasons[e.Frame.Code]
		if reason == nil {
			reason = &Reason{Code: e.Frame.Code}
			reasons[e.Frame.Code] = reason
		}
		reason.Count++
		reason.Message = e.Frame.Sighting.Refused
	case e.Event != "":
		r.did(e.At, "did_"+string(e.Event))
	case e.Stroke != nil:
		r.did(e.At, "stroke_"+string(e.Stroke.Bolt), e.Stroke.Turns)
	case e.Choice != nil:
		code := "left_out"
		if e.Choice.Counts {
			code = "counts_again"
		}
		r.did(e.At, code, e.Choice.Mid.UTC().Format(time.TimeOnly))
	}
	if x := e.Result; x != nil {
		r.Curve = append(r.Curve, AxisStatus{
			TimeUTC: web.UTC(e.At), Phase: string(x.Phase), AltArcmin: web.Number(x.OffsetAltArcmin), AzArcmin: web.Number(x.OffsetAzArcmin),
			TotalArcmin: web.Number(x.OffsetTotalArcmin), AltSigma: web.Number(x.SigmaAltArcsec), AzSigma: web.Number(x.SigmaAzArcsec),
			Within: x.Within, Doubt: x.Doubt, result: *x,
		})
	}
}

// changed notes what was set otherwise while the session went on: the place and the frames' times, with their values
// before, and whether there are two bolts.
func (r *Report) changed(at time.Time, before, now mountmodel.Config) {
	if was, is := before.Site, now.Site; was.Latitude != is.Latitude || was.Longitude != is.Longitude {
		r.did(at, "place_set", is.Latitude.Degrees(), is.Longitude.Signed().Degrees(), was.Latitude.Degrees(), was.Longitude.Signed().Degrees())
	}
	if was, is := before.Correction.Ahead, now.Correction.Ahead; was != is {
		r.did(at, "times_set", shift(-is), shift(-was))
	}
	if before.Free != now.Free {
		event := mountmodel.TwoBolts
		if now.Free {
			event = mountmodel.FreeHead
		}
		r.did(at, "did_"+string(event))
	}
}

// shift is what is added to times, with its sign.
func shift(by time.Duration) string {
	sign := map[bool]string{true: "−", false: "+"}[by < 0]
	switch size := by.Abs().Round(time.Second); {
	case size == 0:
		return "0 s"
	case size < 2*time.Minute:
		return fmt.Sprintf("%s%d s", sign, size/time.Second)
	default:
		text := fmt.Sprintf("%d h %d min", size/time.Hour, size%time.Hour/time.Minute)
		return sign + strings.TrimSuffix(strings.TrimPrefix(text, "0 h "), " 0 min")
	}
}

// did notes what was done, by the code of its sentence.
func (r *Report) did(at time.Time, code string, args ...any) {
	r.Events = append(r.Events, Event{TimeUTC: web.UTC(at), Code: code, What: english().say(code, args...), args: args})
}

// compare tells where the axis pointed on the nights before, and how far it moved since the
// last of them.
func (r *Report) compare(ctx context.Context, book *logbook.Book, from time.Time) error {
	var before []logbook.Night
	for _, folder := range r.Folders {
		nights, err := book.Nights(ctx, folder, from.Add(-logbook.Season))
		if err != nil {
			return err
		}
		for _, n := range nights {
			if n.Until.Before(from) {
				before = append(before, n)
			}
		}
	}
	slices.SortFunc(before, func(a, b logbook.Night) int { return a.Until.Compare(b.Until) })
	for _, n := range before {
		r.Nights = append(r.Nights, watchedNight(n))
	}
	if r.Last == nil || len(before) == 0 {
		return nil
	}
	then, now := before[len(before)-1].Result, r.Last.result
	at := func(x logbook.Result) sky.Local {
		return sky.LocalFromAltAz(sky.Angle(x.AltDeg)*sky.Degree, sky.Angle(x.AzDeg)*sky.Degree)
	}
	r.MovedSince = &Move{
		OnSkyArcmin: web.Number(sky.Separation(at(then), at(now)).Arcminutes()),
		SigmaArcsec: web.Number(math.Hypot(largerHalfAxis(then), largerHalfAxis(now))),
	}
	return nil
}

// WriteJSON writes one JSON object.
func (r *Report) WriteJSON(w io.Writer) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	return enc.Encode(r)
}
