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
	// Thorough adds pictures at a second declination and on the other side of the pier, where mount
	// and limits allow that: what they see of the axis together tells a tube that hangs from an axis
	// that is off.
	Thorough bool
	// At is the time for which a plan is made that nobody carries out, the mount standing then as it
	// stands now; zero for now.
	At time.Time
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

// Axis is one of the mount's two.
type Axis string

// The axes.
const (
	RightAscension Axis = "right ascension"
	Declination    Axis = "declination"
)

// Move is a turn of one axis alone: west positive, and north positive on the side of the pier on which
// the tube began; over the pole it goes on the same way.
type Move struct {
	Axis Axis
	By   sky.Angle
}

// along is what a turn of the move's axis does to where the axes stand.
func (v Move) along(by sky.Angle) Position {
	if v.Axis == Declination {
		return Position{Dec: by}
	}
	return Position{Hour: by}
}

// of is the part of a position that the move changes.
func (v Move) of(p Position) sky.Angle {
	if v.Axis == Declination {
		return p.Dec
	}
	return p.Hour
}

// Words say which axis is turned how far and which way.
func (v Move) Words() sky.Saying {
	if v.Axis == Declination {
		towards := sky.Say("way_north", "north")
		if v.By < 0 {
			towards = sky.Say("way_south", "south")
		}
		return sky.Say("move_dec", "declination %s degrees to the %s", whole(v.By.Abs()), towards)
	}
	return sky.Say("move_ra", "right ascension %s degrees to the %s", whole(v.By.Abs()), way(v.By))
}

// Stop is a place at which a picture is taken.
type Stop struct {
	Position
	Alt, Az sky.Angle
	// Moves lead here from the stop before, one after the other.
	Moves []Move
}

// alone tells whether right ascension alone is turned to get there.
func (s Stop) alone() bool { return len(s.Moves) == 1 && s.Moves[0].Axis == RightAscension }

// Plan says what will move. It is good for a few minutes and for the place from which it was made.
type Plan struct {
	Mount string
	Made  time.Time
	// By is the turn from each of the first stops to the next, west positive, and First how many of them
	// there are; further ones are those of a thorough measurement.
	By    sky.Angle
	First int
	Stops []Stop
	Home  devices.PierSide
	// LeftOut says what of a thorough measurement mount or limits do not allow.
	LeftOut []sky.Saying
	// StartsTracking tells that the mount's drive will be switched on.
	StartsTracking bool
	Cautions       []sky.Saying
}

// Turn is the whole turn at the first declination, west positive.
func (p Plan) Turn() sky.Angle { return p.By * sky.Angle(float64(p.First-1)) }

// moves are all of them.
func (p Plan) moves() (all []Move) {
	for _, s := range p.Stops {
		all = append(all, s.Moves...)
	}
	return all
}

// over tells whether the tube goes over the pole.
func (p Plan) over() bool {
	for _, s := range p.Stops {
		if s.Beyond() {
			return true
		}
	}
	return false
}

// way is the direction in words.
func way(by sky.Angle) sky.Saying {
	if by < 0 {
		return sky.Say("way_east", "east")
	}
	return sky.Say("way_west", "west")
}

// Saying says what will move, how far and which way.
func (p Plan) Saying() sky.Saying {
	first, last := p.Stops[0], p.Stops[p.First-1]
	text := "%s will turn about its right ascension axis %s degrees to the %s, in %d steps of %s degrees, from altitude %s, azimuth %s to altitude %s, azimuth %s; %s"
	if p.First == 2 {
		text = strings.Replace(text, "steps", "step", 1)
	}
	further := sky.Say("plan_dec_alone", "declination is left alone.")
	if p.First < len(p.Stops) {
		further = p.further()
	}
	s := sky.Say("plan_turn", text, p.Mount, whole(p.Turn().Abs()), way(p.By), p.First-1, whole(p.By.Abs()),
		whole(first.Alt), whole(first.Az), whole(last.Alt), whole(last.Az), further)
	if p.StartsTracking {
		s = sky.Say("both", "%s %s", s, sky.Say("plan_drive_on", "Its drive will be switched on so that it follows the stars."))
	}
	for _, why := range p.LeftOut {
		s = sky.Say("both", "%s %s", s, sky.Say("plan_left_out", "Left out: %s.", why))
	}
	return s
}

// further are the moves of a thorough measurement beyond the first declination, and where they end: the last two arguments.
func (p Plan) further() sky.Saying {
	out := sky.Saying{Code: "plan_then"}
	var steps []string
	for i, s := range p.Stops[p.First:] {
		for j, move := range s.Moves {
			words := move.Words()
			if j == len(s.Moves)-1 && s.Beyond() && !p.Stops[p.First+i-1].Beyond() {
				words = sky.Say("move_over", "%s, over the pole to the other side of the pier", words)
			}
			out.Args, steps = append(out.Args, words), append(steps, words.Text)
		}
	}
	end := p.Stops[len(p.Stops)-1]
	out.Args = append(out.Args, whole(end.Alt), whole(end.Az))
	out.Text = fmt.Sprintf("then, one axis at a time: %s; it ends at altitude %s, azimuth %s.", strings.Join(steps, ", "), whole(end.Alt), whole(end.Az))
	return out
}

// cautions are those of common practice; makers' manuals come first.
func cautions(l Limits) []sky.Saying {
	out := []sky.Saying{
		sky.Say("care_manuals", "The makers' manuals of mount, tube and camera come first."),
		sky.Say("care_clear", "Stay clear of tube, counterweight and gears while it moves, and keep others away."),
		sky.Say("care_cables", "Look at the cables: they must reach over the whole turn without a pull and catch on nothing."),
		sky.Say("care_balance", "Balance and clutches must hold: a tube or counterweight that drops breaks things and hurts people."),
	}
	if l.Daylight {
		out = append(out, sky.Say("care_sun", "The Sun is not guarded against by its height: the tube must be capped or have a certified filter before it, its finder too."))
	}
	return out
}

// PlanLife is how long a plan may wait for its press: the sky turns by 1.25 degrees meanwhile.
const PlanLife = 5 * time.Minute

// Refused says why there is no plan: what each way would run into.
type Refused struct{ Reasons []sky.Saying }

func (r *Refused) Error() string { return strings.Join(sky.English(r.Reasons), "; ") }

// Saying is all of that.
func (r *Refused) Saying() sky.Saying {
	all := sky.Saying{Code: "limits", Text: r.Error()}
	for _, s := range r.Reasons {
		all.Args = append(all.Args, s)
	}
	return all
}

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
	from := w.position(s)
	home := homeSide(s.Side, from.Hour)
	turn, refused := l.bestTurn(w, q, from, home)
	if refused != nil {
		return Plan{}, refused
	}
	p := Plan{Made: now, By: turn / sky.Angle(float64(frames-1)), First: frames, Home: home, StartsTracking: !s.Tracking, Cautions: cautions(l)}
	p.Stops = []Stop{w.stop(from)}
	for range frames - 1 {
		p.Stops = append(p.Stops, w.stop(p.end(), Move{RightAscension, p.By}))
	}
	if q.Thorough {
		p.addDeclination(w, l, s)
		p.addOtherSide(w, l, s)
		if p.First < len(p.Stops) {
			p.Cautions = append(p.Cautions, sky.Say("care_declination", "Declination moves too: see that tube, camera and cables pass the pier and the mount wherever that carries them."))
		}
	}
	return p, nil
}

// end is where the axes stand at the last stop.
func (p *Plan) end() Position { return p.Stops[len(p.Stops)-1].Position }

// stop is the place that some moves lead to.
func (w surroundings) stop(from Position, moves ...Move) Stop {
	for _, move := range moves {
		from = from.add(move.along(move.By))
	}
	s := Stop{Position: from, Moves: moves}
	s.Alt, s.Az = sky.AltAzFromLocal(from.Local(w.lat))
	return s
}

// bestTurn is the turn of right ascension that stays highest, of those that the request leaves and the
// limits allow.
func (l Limits) bestTurn(w surroundings, q Request, from Position, home devices.PierSide) (sky.Angle, error) {
	turns := []sky.Angle{q.Turn}
	if q.Turn == 0 {
		turns = nil
		for t := wantedTurn; t >= leastTurn; t -= shrinkBy {
			turns = append(turns, t)
		}
	}
	refused := &Refused{}
	for _, turn := range turns {
		best, lowest := sky.Angle(0), -sky.Turn
		refused.Reasons = nil
		for _, by := range []sky.Angle{turn, -turn} {
			if q.Way == West && by < 0 || q.Way == East && by > 0 {
				continue
			}
			if v := l.check(w, from, []Move{{RightAscension, by}}, Position{}, home); v != nil {
				refused.add(turn, by, v)
				continue
			}
			end := Position{from.Hour + by, from.Dec}
			if alt, _ := sky.AltAzFromLocal(end.Local(w.lat)); alt > lowest {
				best, lowest = by, alt
			}
		}
		if best != 0 {
			return best, nil
		}
	}
	return 0, refused
}

// add takes in why one way is refused.
func (r *Refused) add(turn, by sky.Angle, v *Violation) {
	why := v.Why
	if v.Code != "sun_up" {
		why = sky.Say("limit_turning", "turning %s degrees %s, %s", whole(turn), way(by), v.Why)
	}
	if len(r.Reasons) == 0 || r.Reasons[0].Text != why.Text {
		r.Reasons = append(r.Reasons, why)
	}
}

// standstill refuses a mount that may not be moved now.
func standstill(s devices.MountState) *Violation {
	switch {
	case s.Parked:
		return violates("parked", "the mount is parked: release it by its own program and point the tube at open sky, then begin again")
	case s.Trouble.Text != "":
		return violates("trouble", "the mount reports a problem: %s", s.Trouble)
	case s.Moving:
		return violates("moving", "the mount is moving already: wait until it stands, or stop it")
	case math.IsNaN(float64(s.RA)) || math.IsNaN(float64(s.Dec)) || s.Dec.Abs() > 90.5*sky.Degree:
		return &Violation{"trouble", sky.Say("points_nowhere", "where the mount points cannot be made sense of")}
	}
	return nil
}
