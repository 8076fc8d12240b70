package logbook

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/adjust"
)

// Times that are kept lie between these: nanoseconds in 64 bits reach a little further.
var (
	earliest = time.Date(1850, time.January, 1, 0, 0, 0, 0, time.UTC)
	latest   = time.Date(2200, time.January, 2, 0, 0, 0, 0, time.UTC) // the end of an exposure of the last day
)

// nanos is the stored form of a time: nanoseconds since 1970 UTC, 0 for none.
func nanos(t time.Time) int64 {
	if t.Before(earliest) || t.After(latest) {
		return 0
	}
	return t.UnixNano()
}

func fromNanos(n int64) time.Time {
	if n == 0 {
		return time.Time{}
	}
	return time.Unix(0, n).UTC()
}

func number(x float64) sql.NullFloat64 {
	return sql.NullFloat64{Float64: x, Valid: !math.IsNaN(x) && !math.IsInf(x, 0)}
}

func fromNumber(n sql.NullFloat64) float64 {
	if !n.Valid {
		return math.NaN()
	}
	return n.Float64
}

func truth(yes bool) int64 {
	if yes {
		return 1
	}
	return 0
}

// resultNumbers are the columns of [Result.numbers].
const resultNumbers = `alt_deg, az_deg, offset_alt_arcmin, offset_az_arcmin, offset_total_arcmin, sigma_alt_arcsec, sigma_az_arcsec, correlation,
	tolerance_arcmin, turn_deg, chi2_dof, lock_total_arcmin, lock_sigma_arcsec`

func (r *Result) numbers() [13]*float64 {
	return [...]*float64{
		&r.AltDeg, &r.AzDeg, &r.OffsetAltArcmin, &r.OffsetAzArcmin, &r.OffsetTotalArcmin, &r.SigmaAltArcsec, &r.SigmaAzArcsec, &r.Correlation,
		&r.ToleranceArcmin, &r.TurnDeg, &r.Chi2Dof, &r.LockTotalArcmin, &r.LockSigmaArcsec,
	}
}

// Kinds of entries.
const (
	kindConfig   = "config"
	kindUnplaced = "unplaced" // a configuration whose place is not known yet
	kindFrame    = "frame"
	kindEvent    = "event"
	kindStroke   = "stroke"
	kindChoice   = "choice" // whether a frame counts
	kindPlan     = "plan"
	kindLens     = "lens"
	kindNote     = "note:" // and the key
)

// packed gives an entry's kind and body.
func (e Entry) packed() (kind, body string, err error) {
	asJSON := func(kind string, v any) (string, string, error) {
		b, err := json.Marshal(v)
		return kind, string(b), err
	}
	switch {
	case e.Config != nil && e.Unplaced:
		return asJSON(kindUnplaced, e.Config)
	case e.Config != nil:
		return asJSON(kindConfig, e.Config)
	case e.Frame != nil:
		sighting := e.Frame.Sighting
		sighting.Pairs = nil // these are with the frame, as bytes
		return asJSON(kindFrame, sighting)
	case e.Event != "":
		return kindEvent, string(e.Event), nil
	case e.Stroke != nil:
		return asJSON(kindStroke, e.Stroke)
	case e.Choice != nil:
		return asJSON(kindChoice, e.Choice)
	case e.Plan != nil:
		return asJSON(kindPlan, e.Plan)
	case e.Lens != nil:
		return asJSON(kindLens, e.Lens)
	case e.Note != nil:
		return kindNote + e.Note.Key, e.Note.Value, nil
	}
	return "", "", errors.New("an entry of the logbook says nothing")
}

// unpack is the reverse; of a frame it gives the sighting without its stars. A
// kind of a later version is refused, as what follows may rest on it.
func (e *Entry) unpack(kind, body string) error {
	switch kind {
	case kindConfig, kindUnplaced:
		e.Unplaced = kind == kindUnplaced
		e.Config = new(mountmodel.Config)
		return json.Unmarshal([]byte(body), e.Config)
	case kindFrame:
		e.Frame = new(Frame)
		return json.Unmarshal([]byte(body), &e.Frame.Sighting)
	case kindEvent:
		e.Event = mountmodel.Event(body)
		return nil
	case kindStroke:
		e.Stroke = new(adjust.Stroke)
		return json.Unmarshal([]byte(body), e.Stroke)
	case kindChoice:
		e.Choice = new(mountmodel.FrameChoice)
		return json.Unmarshal([]byte(body), e.Choice)
	case kindPlan:
		e.Plan = new(Planned)
		return json.Unmarshal([]byte(body), e.Plan)
	case kindLens:
		e.Lens = new(Lens)
		return json.Unmarshal([]byte(body), e.Lens)
	}
	if key, ok := strings.CutPrefix(kind, kindNote); ok {
		e.Note = &Note{key, body}
		return nil
	}
	return fmt.Errorf("an entry of kind %q is unknown", kind)
}
