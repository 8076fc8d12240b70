package logbook

import (
	"context"
	"database/sql"
	"encoding/json"
	"math"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/observed"
)

// Season is how far back earlier nights are of interest: so long shows what frost and thaw do to a pier.
const Season = 120 * 24 * time.Hour

// Night is what ordinary exposures of one night said of the axis at its end.
type Night struct {
	Since, Until time.Time // first and last entry with a result
	Frames       int       // entries with a result
	Result       Result    // the last
}

// Nights gives the nights of a folder since a time, oldest first, whichever sessions
// they belong to: what the axis was while it was watched. A night runs from one mean
// solar noon to the next at the longitude of its session.
func (b *Book) Nights(ctx context.Context, folder string, since time.Time) ([]Night, error) {
	var out []Night
	last := int64(math.MinInt64)
	for r, err := range rowsOf(ctx, b, scanDated, `SELECT e.at_ns, s.called, r.phase, r.pole, r.within, r.doubt, `+resultNumbers+`
		FROM results r JOIN entries e ON e.session = r.session AND e.seq = r.seq JOIN sessions s ON s.id = r.session
		WHERE s.folder = $1 AND e.at_ns >= $2 AND r.phase IN ($3, $4) ORDER BY e.at_ns, e.session, e.seq`,
		b.folder(folder), nanos(since), string(mountmodel.Watching), string(mountmodel.Done)) {
		if err != nil {
			return nil, err
		}
		if r.night != last {
			out = append(out, Night{Since: r.at})
			last = r.night
		}
		n := &out[len(out)-1]
		n.Until, n.Result = r.at, r.Result
		n.Frames++
	}
	return out, nil
}

// dated is a result with its time and the night that it belongs to.
type dated struct {
	Result
	at    time.Time
	night int64
}

func scanDated(row *sql.Rows) (r dated, err error) {
	var at, within, doubt int64
	var called, phase, pole string
	to := []any{&at, &called, &phase, &pole, &within, &doubt}
	var stored [13]sql.NullFloat64
	for i := range stored {
		to = append(to, &stored[i])
	}
	if err := row.Scan(to...); err != nil {
		return r, err
	}
	for i, x := range r.numbers() {
		*x = fromNumber(stored[i])
	}
	r.Phase, r.Within, r.Doubt = mountmodel.Phase(phase), within != 0, doubt != 0
	r.at = fromNanos(at)
	r.night = nightOf(r.at, longitudeHours(called))
	r.Pole, err = observed.ParsePoleKind(pole)
	return r, err
}

// nightOf numbers the nights at a longitude, in hours east, from noon to noon of mean
// solar time.
func nightOf(at time.Time, longitudeHours float64) int64 {
	const dayHours = 24
	hours := float64(at.UnixNano())/float64(time.Hour) + longitudeHours
	return int64(math.Floor((hours - dayHours/2) / dayHours))
}

// longitudeHours reads the longitude of a stored configuration, 15 degrees an hour;
// 0 where it holds none.
func longitudeHours(called string) float64 {
	var c mountmodel.Config
	if json.Unmarshal([]byte(called), &c) != nil {
		return 0
	}
	return c.Site.Longitude.Degrees() / 15
}
