package adjust

import (
	"fmt"
	"math"
	"strconv"

	"polard/mountmodel/sky"
)

const (
	// undershootSigmas is by how many standard deviations of its expected error a stroke
	// aims short. What is left then lies ahead, most often, and the next stroke
	// goes the same way with the backlash taken up; past the aim, it would have to
	// come back through the backlash, whose error, as a rule, is larger than what
	// is left. Found best by TestBoltsSettleInFewerMoves.
	undershootSigmas = 1.0

	// nearBolt is the part of the tolerance up to which a bolt is left alone: two
	// bolts within a third each leave half of the tolerance.
	nearBolt = 1.0 / 3
)

// BoltMove is the stroke that brings a bolt's part of the offset to zero, or
// nearer to it.
type BoltMove struct {
	Stroke
	Error sky.Angle // expected of it, 1-sigma on the sky
	Idle  float64   // the part of Turns that takes up backlash, not negative
	Grows bool      // the altitude or azimuth of the axis grows by it
	Words string    // "altitude bolt: about a third of a turn clockwise, raising"
}

// Moves are the strokes that bring the axis to the pole from offset (index 0
// across, 1 up, radians on the sky), for both bolts together, so that what one
// does to the other's part is made up for. Left out are bolts that may be left
// alone and bolts whose answer is not learnt.
func (b *Bolts) Moves(offset [2]float64, tolerance sky.Angle) []BoltMove {
	var moves []BoltMove
	g := &b.components[0] // the likeliest: a mean over branches is where none of them is
	az, alt := azimuthAt*perBolt, altitudeAt*perBolt
	det := g.x[az+atAcross]*g.x[alt+atUp] - g.x[az+atUp]*g.x[alt+atAcross]
	if !(math.Abs(det) > leastDet*math.Abs(g.x[az+atAcross]*g.x[alt+atUp])) {
		return nil
	}
	want := [boltCount]float64{
		azimuthAt:  -(offset[0]*g.x[alt+atUp] - offset[1]*g.x[alt+atAcross]) / det,
		altitudeAt: -(g.x[az+atAcross]*offset[1] - g.x[az+atUp]*offset[0]) / det,
	}
	near := nearBolt * float64(tolerance)
	for _, a := range b.Responses() {
		bolt, _ := a.Bolt.Index()
		if m, needed := g.move(bolt, want[bolt], near); needed && a.Learnt {
			m.Words = b.words(m)
			moves = append(moves, m)
		}
	}
	return moves
}

// leastDet is how far from parallel the two answers must be, as a part of
// their product, for the bolts to be told apart.
const leastDet = 0.3

// move is the stroke by which a bolt turns past its backlash by want; near is what
// may be left.
func (g *component) move(bolt int, want, near float64) (BoltMove, bool) {
	k := bolt * perBolt
	own := g.x[k+bolt]
	if math.Abs(want*own) <= near {
		return BoltMove{}, false
	}
	idle, idleVariance := g.x[k+atGap], g.cov[k+atGap][k+atGap]
	if want < 0 {
		idle -= g.x[k+atBacklash]
		idleVariance += g.cov[k+atBacklash][k+atBacklash] - 2*g.cov[k+atBacklash][k+atGap]
	}
	if idle*want < 0 { // contact already
		idle = 0
	}
	expected := func(want float64) float64 { // error of the stroke, turns
		return math.Sqrt(square(want)*g.cov[k+bolt][k+bolt]/square(own) + square(turnError*(want+idle)) + max(0, idleVariance))
	}
	want -= math.Copysign(min(undershootSigmas*expected(want), math.Abs(want)), want)
	name := AzimuthBolt
	if bolt == altitudeAt {
		name = AltitudeBolt
	}
	return BoltMove{
		Stroke: Stroke{Bolt: name, Turns: rounded(want + idle)},
		Error:  sky.Angle(expected(want) * math.Abs(own)),
		Idle:   math.Abs(idle),
		Grows:  want*own > 0,
	}, true
}

// words say a stroke as a person does it: which bolt, how far, which way by the
// hand, and which way the axis then goes.
func (b *Bolts) words(m BoltMove) string {
	hand, way := "clockwise", ""
	if m.Turns < 0 {
		hand = "anticlockwise"
	}
	switch {
	case m.Bolt == AltitudeBolt && m.Grows:
		way = "raising"
	case m.Bolt == AltitudeBolt:
		way = "lowering"
	case m.Grows != b.south: // as azimuthWords tells the compass side
		way = "moving east"
	default:
		way = "moving west"
	}
	return fmt.Sprintf("%s bolt: about %s %s, %s", m.Bolt, turnsWords(m.Turns), hand, way)
}

// plainTurns are the turns that have a name, near enough to each other for a
// hand that errs by turnError.
var plainTurns = [...]struct {
	turns float64
	words string
}{
	{1.0 / 100, "a hundredth of a turn"},
	{1.0 / 70, "a seventieth of a turn"},
	{1.0 / 50, "a fiftieth of a turn"},
	{1.0 / 40, "a fortieth of a turn"},
	{1.0 / 30, "a thirtieth of a turn"},
	{1.0 / 25, "a twenty-fifth of a turn"},
	{1.0 / 20, "a twentieth of a turn"},
	{1.0 / 16, "a sixteenth of a turn"},
	{1.0 / 12, "a twelfth of a turn"},
	{1.0 / 10, "a tenth of a turn"},
	{1.0 / 8, "an eighth of a turn"},
	{1.0 / 7, "a seventh of a turn"},
	{1.0 / 6, "a sixth of a turn"},
	{1.0 / 5, "a fifth of a turn"},
	{1.0 / 4, "a quarter of a turn"},
	{3.0 / 10, "three tenths of a turn"},
	{1.0 / 3, "a third of a turn"},
	{3.0 / 8, "three eighths of a turn"},
	{2.0 / 5, "two fifths of a turn"},
	{1.0 / 2, "half a turn"},
	{3.0 / 5, "three fifths of a turn"},
	{2.0 / 3, "two thirds of a turn"},
	{3.0 / 4, "three quarters of a turn"},
	{5.0 / 6, "five sixths of a turn"},
	{9.0 / 10, "nine tenths of a turn"},
	{1, "one turn"},
	{1.25, "one and a quarter turns"},
	{1.5, "one and a half turns"},
	{1.75, "one and three quarter turns"},
	{2, "two turns"},
	{2.5, "two and a half turns"},
	{3, "three turns"},
}

// turnsWords says the size of a turn as a hand can do it: by the nearest name up
// to three turns, in half turns beyond.
func turnsWords(turns float64) string {
	turns = math.Abs(rounded(turns))
	for _, p := range plainTurns {
		if turns == p.turns {
			return p.words
		}
	}
	return strconv.FormatFloat(turns, 'f', -1, 64) + " turns"
}

// rounded rounds turns to what turnsWords says.
func rounded(turns float64) float64 {
	size := math.Abs(turns)
	last := plainTurns[len(plainTurns)-1].turns
	if half := math.Round(2*size) / 2; half > last {
		return math.Copysign(half, turns)
	}
	nearest := plainTurns[0].turns
	for _, p := range plainTurns {
		if math.Abs(size-p.turns) < math.Abs(size-nearest) {
			nearest = p.turns
		}
	}
	return math.Copysign(nearest, turns)
}
