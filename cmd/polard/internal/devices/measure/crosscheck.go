package measure

import (
	"context"
	"errors"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/spatial/r3"
)

// What the mount reports is held against what the pictures show.

// whereTolerance is how far the mount's report may be from the sky: an unaligned but roughly set
// up mount with its cone error stays within it (common practice: polar errors up to 3 degrees).
const whereTolerance = 5 * sky.Degree

// checkPointing holds the mount's report against the first picture, and the path against the limits from
// where the tube really points.
func (m *Measurer) checkPointing(ctx context.Context, plan Plan) error {
	first := m.frames[0]
	w, err := surroundingsAt(m.opt.Site, m.opt.Air, first.seen.Mid)
	if err != nil {
		return err
	}
	s, now, err := m.look(ctx)
	if errors.Is(err, devices.ErrLost) {
		if err := m.back(ctx, err); err != nil {
			return err
		}
		s, now, err = m.look(ctx)
	}
	if err != nil {
		return err
	}
	reported := now.position(s)
	truth := positionFromLocal(w.observer.Refraction().True(sky.Local(first.seen.Attitude.Column(2))), w.lat)
	// Between the picture and the report the drive may have stood: minutes, a degree at most.
	if apart := sky.Separation(truth.Local(w.lat), reported.Local(w.lat)); apart > whereTolerance {
		alt, az := sky.AltAzFromLocal(truth.Local(w.lat))
		return sky.Refuse(ErrWhere, "elsewhere_shown", "the picture shows altitude %s, azimuth %s degrees, %s degrees from what it says. Nothing was moved. Check its time and place, synchronise it on this picture by its own program, and begin again",
			whole(alt), whole(az), whole(apart))
	}
	limits := m.opt.Limits
	limits.PastMeridian = sky.Turn / 2 // by the mount's own axes it was checked; near the pole the tube's hour angle says nothing
	if v := limits.check(w, truth, plan.moves(), Position{}, m.home); v != nil {
		return &Violation{v.Code, sky.Say("limit_shown", "by where the first picture shows the tube, %s", v.Why)}
	}
	return nil
}

const (
	// turnDiffers is how far a turn may differ from what the mount reports, and turnShare the same
	// as a share of the turn.
	turnDiffers = 2 * sky.Degree
	turnShare   = 0.1
	// axisAside is how far from the pole the turn's axis may seem to be. A misaligned mount's is a
	// few degrees; a declination that moved by d during a turn of t tilts it by about d/(2 sin(t/2)).
	axisAside = 12 * sky.Degree
)

// checkTurn holds the last turn against the pictures.
func (m *Measurer) checkTurn() error {
	a, b := m.frames[len(m.frames)-2], m.frames[len(m.frames)-1]
	reported := b.at.since(a.at).Hour
	v := sky.VectorFromRotation(b.seen.Attitude.Mul(a.seen.Attitude.Transpose()))
	north := sky.Local{Y: m.opt.Site.Latitude.Cos(), Z: m.opt.Site.Latitude.Sin()}
	// The sky turns about the north pole against the right-hand rule.
	size := sky.Angle(r3.Norm(v)) * sky.Radian
	turned, aside := -size, sky.Angle(0)
	if size > 0 {
		aside = sky.Separation(sky.Unit(sky.Local(v)), north)
	}
	if aside > sky.Turn/4 {
		turned, aside = size, sky.Turn/2-aside
	}
	if (turned - reported).Abs() > max(turnDiffers, turnShare*reported.Abs()) {
		return sky.Refuse(ErrWhere, "elsewhere_turned", "it reports a turn of %s degrees, the pictures show %s. A clutch may slip, or the mount's own angles are wrong",
			tenths(reported), tenths(turned))
	}
	if aside > axisAside {
		return &sky.Refusal{Kind: ErrDeclination, Why: sky.Say("dec_or_tube_moved", "the declination moved, or the tube: the pictures show a turn about a direction %s degrees from the pole. Tighten the declination clutch and the tube, and begin again", whole(aside))}
	}
	return nil
}

// attitudeOf is how a camera fixed to a mount's tube stands for where the axes stand, but for the way in
// which it is fixed: of a mount that points to the pole and whose axes are square to each other.
func attitudeOf(p Position, lat sky.Angle) sky.Matrix {
	north := sky.Vec{Y: lat.Cos(), Z: lat.Sin()}
	return sky.Rotation(north, -p.Hour).Mul(sky.Rotation(sky.Vec{X: 1}, -p.Dec))
}

// checkMove holds the pictures against moves of which at least one was in declination.
func (m *Measurer) checkMove() error {
	a, b := m.frames[len(m.frames)-2], m.frames[len(m.frames)-1]
	lat := m.opt.Site.Latitude
	reported := attitudeOf(b.at, lat).Mul(attitudeOf(a.at, lat).Transpose())
	shown := b.seen.Attitude.Mul(a.seen.Attitude.Transpose())
	differs := sky.Angle(r3.Norm(sky.VectorFromRotation(shown.Mul(reported.Transpose())))) * sky.Radian
	if differs > axisAside {
		return sky.Refuse(ErrWhere, "elsewhere_stands", "by its reports the tube stands %s degrees from where the pictures show it after it was moved in declination. A clutch may slip, or the mount's own angles are wrong",
			whole(differs))
	}
	return nil
}
