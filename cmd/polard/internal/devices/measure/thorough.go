package measure

import (
	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"
)

// Of a thorough measurement.
const (
	// apartMost and apartLeast are how far apart its declinations are: what gravity does to a tube
	// changes over some twenty degrees by what can be measured, and a plan may shrink to the least.
	apartMost  = 25 * sky.Degree
	apartLeast = 15 * sky.Degree
	// poleShort is how far short of the pole right ascension is turned before the tube goes over it,
	// so that what the mount reports still means something.
	poleShort = 2 * sky.Degree
	// poleClear is how far beyond the pole pictures are taken at least.
	poleClear = 10 * sky.Degree
	// frameTurn is the least turn between two pictures at one declination.
	frameTurn = leastTurn
	// placeStep is how finely places are looked for on the other side of the pier.
	placeStep = 5 * sky.Degree
	// beyondStep is the same in declination, and beyondMost where that begins.
	beyondStep = 2.5 * sky.Degree
	beyondMost = 85 * sky.Degree
)

// add appends stops that the limits allow from the plan's end on.
func (p *Plan) add(w surroundings, l Limits, stops ...[]Move) *Violation {
	var all []Move
	for _, moves := range stops {
		all = append(all, moves...)
	}
	if v := l.check(w, p.end(), all, p.end().since(p.Stops[0].Position), p.Home); v != nil {
		return v
	}
	for _, moves := range stops {
		p.Stops = append(p.Stops, w.stop(p.end(), moves...))
	}
	return nil
}

// poleward is the sign of declinations towards the pole that is up.
func (w surroundings) poleward() sky.Angle {
	if w.lat < 0 {
		return -1
	}
	return 1
}

// addDeclination adds two pictures at a second declination: on the way back in right ascension.
func (p *Plan) addDeclination(w surroundings, l Limits, s devices.MountState) {
	if !s.FreeAxes {
		p.LeftOut = append(p.LeftOut, sky.Say("left_dec_fixed", "a second declination, since the mount cannot turn its declination axis alone"))
		return
	}
	var refused *Violation
	for apart := apartMost; apart >= apartLeast; apart -= placeStep {
		for _, by := range []sky.Angle{apart * w.poleward(), -apart * w.poleward()} { // higher up first
			if (p.end().Dec + by).Abs() > sky.Turn/4-poleShort { // over the pole goes the other side's part
				continue
			}
			v := p.add(w, l, []Move{{Declination, by}}, []Move{{RightAscension, -p.Turn()}})
			if v == nil {
				return
			}
			if refused == nil {
				refused = v
			}
		}
	}
	why := sky.Say("left_dec", "a second declination")
	if refused != nil {
		why = sky.Say("left_dec_limit", "a second declination: %s", refused.Why)
	}
	p.LeftOut = append(p.LeftOut, why)
}

// addOtherSide adds two pictures on the other side of the pier. The tube gets there over the pole, with
// right ascension turned just before it, where that hardly moves the tube: so each point of the way is
// known. Of what the limits allow it takes what turns right ascension least.
func (p *Plan) addOtherSide(w surroundings, l Limits, s devices.MountState) {
	switch {
	case !s.FreeAxes:
		return // as for the second declination
	case s.Side == devices.SideUnknown:
		p.LeftOut = append(p.LeftOut, sky.Say("left_side_unknown", "the other side of the pier, since the mount does not report on which side the tube is"))
		return
	}
	up := w.poleward()
	pole := up * sky.Turn / 4
	var refused *Violation
	from := p.end()
	for turned := sky.Angle(0); turned <= l.MaxTurn; turned += placeStep {
		for _, by := range []sky.Angle{turned, -turned} {
			for beyond := beyondMost; beyond >= poleClear; beyond -= beyondStep {
				moves := []Move{{Declination, pole - up*poleShort - from.Dec}, {RightAscension, by}, {Declination, up * (poleShort + beyond)}}
				if by == 0 {
					moves = []Move{{Declination, pole + up*beyond - from.Dec}}
				}
				for _, turn := range []sky.Angle{p.Turn(), -p.Turn(), frameTurn, -frameTurn} {
					v := p.add(w, l, moves, []Move{{RightAscension, turn}})
					if v == nil {
						return
					}
					if turned == 0 { // what stands against the place next to the pole
						refused = v
					}
				}
			}
		}
	}
	p.LeftOut = append(p.LeftOut, sky.Say("left_side_limit", "the other side of the pier: %s", refused.Why))
}
