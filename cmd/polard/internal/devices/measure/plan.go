package measure

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"
)

// Way is a direction of turning.
type Way string

// The ways: of the tube seen from the pole's side, as the sky turns or against it; or whichever the
// limits leave.
const (
	EitherWay Way = ""
	West      Way = "west"
	East      Way = "east"
)

// Request is what the user wants measured.
type Request struct {
	// Turn is the whole turn of the axis; 0 leaves it to the plan.
	Turn sky.Angle
	Way  Way
	// Frames is how many pictures are taken over it, 2 or more; 0 takes three.
	Frames int
}

const (
	// wantedTurn: over 40 degrees the axis is known to about the stars' own error (DEVELOPERS.md, the
	// axis), and all of it fits between the meridian and an altitude of 30 degrees.
	wantedTurn = 40 * sky.Degree
	// leastTurn is what a plan may shrink to by itself.
	leastTurn   = 20 * sky.Degree
	shrinkBy    = 5 * sky.Degree
	usualFrames = 3
	mostFrames  = 12
)

// Check says what is wrong with a request, or nil.
func (q Request) Check() error {
	switch {
	case q.Frames != 0 && (q.Frames < 2 || q.Frames > mostFrames):
		return fmt.Errorf("%d pictures: give 2 to %d", q.Frames, mostFrames)
	case q.Turn != 0 && !(q.Turn >= 5*sky.Degree && q.Turn <= 150*sky.Degree):
		return fmt.Errorf("a turn of %.1f degrees: give 5 to 150", q.Turn.Degrees())
	case q.Way != EitherWay && q.Way != West && q.Way != East:
		return fmt.Errorf("way %q: give west or east", q.Way)
	}
	return nil
}

// Stop is a place at which a picture is taken.
type Stop struct {
	Position
	Alt, Az sky.Angle
}

// Plan says what will move. It is good for a few minutes and for the place from which it was made.
type Plan struct {
	Mount, Camera string
	Made          time.Time
	// By is the turn from each stop to the next, west positive.
	By    sky.Angle
	Stops []Stop
	Home  devices.PierSide
	// StartsTracking tells that the mount's drive will be switched on.
	StartsTracking bool
	Cautions       []string
}

// Turn is the whole turn, west positive.
func (p Plan) Turn() sky.Angle { return p.By * sky.Angle(float64(len(p.Stops)-1)) }

// way is the direction in words.
func way(by sky.Angle) string {
	if by < 0 {
		return "east"
	}
	return "west"
}

// Sentence says what will move, how far and which way.
func (p Plan) Sentence() string {
	s := fmt.Sprintf("%s will turn about its right ascension axis %.0f degrees to the %s, in %d %s of %.0f degrees, from altitude %.0f, azimuth %.0f to altitude %.0f, azimuth %.0f; declination is left alone.",
		p.Mount, p.Turn().Abs().Degrees(), way(p.By), len(p.Stops)-1, plural(len(p.Stops)-1, "step"), p.By.Abs().Degrees(),
		p.Stops[0].Alt.Degrees(), p.Stops[0].Az.Degrees(), p.Stops[len(p.Stops)-1].Alt.Degrees(), p.Stops[len(p.Stops)-1].Az.Degrees())
	if p.StartsTracking {
		s += " Its drive will be switched on so that it follows the stars."
	}
	return s
}

func plural(n int, word string) string {
	if n == 1 {
		return word
	}
	return word + "s"
}

// cautions are those of common practice; makers' manuals come first.
func cautions(l Limits) []string {
	out := []string{
		"The makers' manuals of mount, tube and camera come first.",
		"Stay clear of tube, counterweight and gears while it moves, and keep others away.",
		"Look at the cables: they must reach over the whole turn without a pull and catch on nothing.",
		"Balance and clutches must hold: a tube or counterweight that drops breaks things and hurts people.",
	}
	if l.Daylight {
		out = append(out, "The Sun is not guarded against by its height: the tube must be capped or have a certified filter before it, its finder too.")
	}
	return out
}

// PlanLife is how long a plan may wait for its press: the sky turns by 1.25 degrees meanwhile.
const PlanLife = 5 * time.Minute

// Refused says why there is no plan: what each way would run into.
type Refused struct{ Reasons []string }

func (r *Refused) Error() string { return strings.Join(r.Reasons, "; ") }

// propose makes the plan for a mount that reports s.
func propose(w surroundings, l Limits, q Request, s devices.MountState, now time.Time) (Plan, error) {
	if err := errors.Join(l.Check(), q.Check()); err != nil {
		return Plan{}, err
	}
	if v := standstill(s); v != nil {
		return Plan{}, v
	}
	frames := q.Frames
	if frames == 0 {
		frames = usualFrames
	}
	turns := []sky.Angle{q.Turn}
	if q.Turn == 0 {
		turns = nil
		for t := wantedTurn; t >= leastTurn; t -= shrinkBy {
			turns = append(turns, t)
		}
	}
	from := w.position(s)
	home := homeSide(s.Side, from.Hour)
	refused := &Refused{}
	for _, turn := range turns {
		best, lowest := sky.Angle(0), -sky.Turn
		refused.Reasons = nil
		for _, by := range []sky.Angle{turn, -turn} {
			if q.Way == West && by < 0 || q.Way == East && by > 0 {
				continue
			}
			if v := l.check(w, from, by, 0, home); v != nil {
				text := v.Text
				if v.Code != "sun_up" {
					text = fmt.Sprintf("turning %.0f degrees %s, %s", turn.Degrees(), way(by), v.Text)
				}
				if len(refused.Reasons) == 0 || refused.Reasons[0] != text {
					refused.Reasons = append(refused.Reasons, text)
				}
				continue
			}
			end := Position{from.Hour + by, from.Dec}
			if alt, _ := sky.AltAzFromLocal(end.Local(w.lat)); alt > lowest {
				best, lowest = by, alt
			}
		}
		if best == 0 {
			continue
		}
		p := Plan{Made: now, By: best / sky.Angle(float64(frames-1)), Home: home, StartsTracking: !s.Tracking, Cautions: cautions(l)}
		for i := range frames {
			stop := Stop{Position: Position{from.Hour + p.By*sky.Angle(float64(i)), from.Dec}}
			stop.Alt, stop.Az = sky.AltAzFromLocal(stop.Local(w.lat))
			p.Stops = append(p.Stops, stop)
		}
		return p, nil
	}
	return Plan{}, refused
}

// standstill refuses a mount that may not be moved now.
func standstill(s devices.MountState) *Violation {
	switch {
	case s.Parked:
		return &Violation{"parked", "the mount is parked: release it by its own program and point the tube at open sky, then begin again"}
	case s.Trouble != "":
		return &Violation{"trouble", "the mount reports a problem: " + s.Trouble}
	case s.Moving:
		return &Violation{"moving", "the mount is moving already: wait until it stands, or stop it"}
	case math.IsNaN(float64(s.RA)) || math.IsNaN(float64(s.Dec)) || s.Dec.Abs() > 90.5*sky.Degree:
		return &Violation{"trouble", "where the mount points cannot be made sense of"}
	}
	return nil
}
