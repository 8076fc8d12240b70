package web

import (
	"time"

	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/sky"
)

// Around is what a page shows beside the session: things only the program
// around it knows.
type Around struct {
	Program    string          // name and version
	Source     Source          //
	Latest     *Latest         // the last frame read, nil before the first
	Rig        *RigState       // nil outside a rehearsal
	Equipment  *EquipmentState // nil where the service operates none
	Plan       *Plan           // nil while nothing is known of one
	Warnings   []Notice        // of what the session does not see: the clock of files, the site in headers, the logbook
	StaleAfter time.Duration   // 0: by how frames came so far
}

// adjustShown bounds how many of the frames taken while adjusting are sent,
// newest last, so that a state stays small: some minutes of them.
const adjustShown = 60

// StateWithoutSite is the state before the site is known.
func StateWithoutSite(a Around) State {
	s := State{Phase: PhasePlace, Do: Instruction{
		Code: "place",
		Text: "Say where the mount stands: latitude and longitude.",
	}}
	s.surround(a)
	return s
}

// StateFromView turns what the session shows into wire form.
func StateFromView(v mountmodel.View, a Around) State {
	s := State{
		Phase: string(v.Phase),
		Do: Instruction{
			Code:    instructionCode(v),
			Text:    v.Instruction,
			Details: v.Details,
			Said:    said(v.Said), SaidDetails: saidAll(v.SaidDetails),
		},
		Site:            new(siteWire(v.Site, v.Air)),
		ToleranceArcmin: Number(v.Tolerance.Arcminutes()),
		Pole:            &Pole{Kind: v.PoleKind.String(), Direction: direction(v.Pole)},
		Measured:        statusWire(v.Measured, v),
		Now:             statusWire(v.Now, v),
		Within:          v.Within,
		Turning:         string(v.Turning),
		WrongWay:        wrongWay(v),
		CanEnd:          v.CanEnd,
		Doubt:           v.Doubt,
		FreeHead:        v.Free,
		TurnDeg:         Number(v.Turn.Degrees()),
		Tracking:        driveRuns(v.Adjust),
		Watch:           WatchFromView(v.Watch),
		Suggestion:      SuggestionFromView(v),
		Corrected:       correctedWire(v.Correction),
		PlaceConfirmed:  placeConfirmed(v),
		Proof:           proofWire(v.Proof),
		Habits:          HabitsFromView(v),
	}
	if v.Dof > 0 {
		s.Chi2Dof = new(Number(v.Chi2 / float64(v.Dof)))
	}
	s.Lock = lockWire(v.Lock)
	s.Choice = choiceWire(v.Choice)
	if t := v.Advice; t != nil {
		s.Advice = &TurnAdvice{Back: t.Back}
		if t.Enough {
			s.Advice.LeastDeg = Number(t.Turn.Degrees())
		}
		for _, f := range t.Expected {
			s.Advice.Expected = append(s.Advice.Expected, Forecast{
				TurnDeg:           Number(f.Turn.Degrees()),
				UncertaintyArcsec: Number(f.Uncertainty.Arcseconds()),
			})
		}
	}
	s.TurnTo = turnTo(v, a.Latest)
	for _, b := range v.Bolts {
		s.Bolts = append(s.Bolts, Bolt{
			Bolt: string(b.Bolt), Learnt: b.Learnt,
			PerTurnArcmin: Number(b.PerTurn.Arcminutes()), PerTurnSigmaArcmin: Number(b.PerTurnSigma.Arcminutes()),
			PlayDeg: turned(b.Backlash), PlaySigmaDeg: turned(b.BacklashSigma),
			Cross: Number(b.Cross), CrossSigma: Number(b.CrossSigma),
		})
	}
	for _, m := range v.Moves {
		s.Strokes = append(s.Strokes, Stroke{
			Bolt: string(m.Bolt), TurnDeg: turned(m.Turns), IdleDeg: turned(m.Idle),
			ErrorArcsec: Number(m.Error.Arcseconds()), Text: m.Words,
		})
	}
	for i, f := range v.Frames {
		frame := Frame{
			Number:         i + 1,
			File:           f.Name,
			Mid:            UTC(f.Mid),
			Status:         string(f.Status),
			Message:        f.Message,
			Said:           said(f.Said),
			Stars:          f.Stars,
			TurnDeg:        Unknown,
			ResidualArcsec: Unknown,
			TotalArcmin:    Unknown,
			AltArcmin:      Unknown,
			AzArcmin:       Unknown,
		}
		if f.Placed() {
			frame.TurnDeg, frame.ResidualArcsec = Number(f.Turn.Degrees()), Number(f.Residual.Arcseconds())
		}
		s.Frames = append(s.Frames, frame)
	}
	for i, f := range v.Adjust {
		if i < len(v.Adjust)-adjustShown {
			continue
		}
		s.Frames = append(s.Frames, Frame{
			Number:         len(v.Frames) + i + 1,
			File:           f.Name,
			Mid:            UTC(f.Mid),
			Status:         string(axis.FrameAdjusts),
			TurnDeg:        Number(f.Turn.Degrees()),
			ResidualArcsec: Unknown,
			TotalArcmin:    Number(f.Status.Offset.Total.Arcminutes()),
			AltArcmin:      Number(f.Status.Offset.Alt.Arcminutes()),
			AzArcmin:       Number(f.Status.Offset.Az.Arcminutes()),
		})
	}
	for _, w := range v.Warnings {
		s.Warnings = append(s.Warnings, Notice{Code: string(w.Code), Message: w.Message, Frame: frameRef(v, w.Frame)})
	}
	if a.StaleAfter <= 0 {
		a.StaleAfter = overdue(v, a.Latest)
	}
	s.surround(a)
	return s
}

// turnTo follows the line of sight of the last frame both ways about the axis,
// or about the pole as long as the axis is not known.
func turnTo(v mountmodel.View, l *Latest) *TurnTo {
	if v.Phase != mountmodel.Measuring && v.Phase != mountmodel.Confirming || v.Advice == nil || l == nil || l.Sight == nil {
		return nil
	}
	line := v.Pole
	if v.Now != nil {
		line = v.Now.Axis.Dir
	}
	sight := sky.LocalFromAltAz(sky.Angle(l.Sight.AltDeg)*sky.Degree, sky.Angle(l.Sight.AzDeg)*sky.Degree)
	var turns []sky.Angle
	for _, f := range v.Frames {
		if f.Status == axis.FrameMeasures || f.Status == axis.FrameSameAngle {
			turns = append(turns, f.Turn)
		}
	}
	ways := axis.TurnWays(line, sight, v.Advice.Wanted(), v.Advice.Back, turns)
	n := len(turns)
	back := n > 1 && (turns[n-1]-turns[n-2])*ways[0].By < 0
	return &TurnTo{
		Back:  back,
		ByDeg: Number(ways[0].By.Degrees()), LowestDeg: Number(ways[0].Lowest.Degrees()), Against: against(ways[0]),
		OtherLowestDeg: Number(ways[1].Lowest.Degrees()), OtherAgainst: against(ways[1]),
	}
}

func against(w axis.TurnWay) (codes []string) {
	for _, c := range []struct {
		speaks bool
		code   string
	}{{w.Low, "low"}, {w.High, "high"}, {w.Far, "far"}} {
		if c.speaks {
			codes = append(codes, c.code)
		}
	}
	return codes
}

func (s *State) surround(a Around) {
	s.Program, s.Source, s.Latest, s.Rig, s.Equipment, s.Plan = a.Program, a.Source, a.Latest, a.Rig, a.Equipment, a.Plan
	s.Warnings = append(s.Warnings, a.Warnings...)
	if a.StaleAfter <= 0 {
		a.StaleAfter = overdueUnseen
	}
	s.StaleAfterMs = a.StaleAfter.Milliseconds()
}

// instructionCode says in one word what the session's sentence says, for the
// page's own large words.
func instructionCode(v mountmodel.View) string {
	switch {
	case v.Doubt && v.Phase != mountmodel.Waiting:
		return "doubt" // the page has no words of its own for it: the session's own stand
	case v.Phase == mountmodel.Adjusting && v.Within:
		return "lock"
	case v.Phase == mountmodel.Adjusting && v.Free:
		return "star"
	case v.Phase == mountmodel.Adjusting && v.Now != nil:
		return "bolt"
	case v.Phase == mountmodel.Done && !v.Within:
		return "drifted"
	}
	return string(v.Phase)
}

// turned is so many turns as an angle.
func turned(turns float64) Number { return Number((sky.Angle(turns) * sky.Turn).Degrees()) }

func siteWire(site sky.Site, air sky.Air) Site {
	return Site{
		LatDeg:       Number(site.Latitude.Degrees()),
		LonDeg:       Number(site.Longitude.Degrees()),
		ElevationM:   Number(site.ElevationM),
		PressureHPa:  Number(air.PressureHPa),
		TemperatureC: Number(air.TemperatureC),

		PressureSigmaHPa:  Number(air.PressureSigmaHPa),
		TemperatureSigmaC: Number(air.TemperatureSigmaC),
	}
}

func offsetWire(o axis.Offset) Offset {
	return Offset{
		AltArcmin:   Number(o.Alt.Arcminutes()),
		AzArcmin:    Number(o.Az.Arcminutes()),
		TotalArcmin: Number(o.Total.Arcminutes()),
	}
}

func lockWire(l *mountmodel.LockShift) *LockShift {
	if l == nil {
		return nil
	}
	return &LockShift{
		AltArcmin:         Number(l.Alt.Arcminutes()),
		AzArcmin:          Number(l.Az.Arcminutes()),
		TotalArcmin:       Number(l.Total.Arcminutes()),
		UncertaintyArcsec: Number(l.Uncertainty.Arcseconds()),
	}
}

// frameRef finds a frame of the view by its name; nil for none.
func frameRef(v mountmodel.View, name string) *FrameRef {
	if name == "" {
		return nil
	}
	for i, f := range v.Frames {
		if f.Name == name {
			return &FrameRef{i + 1, UTC(f.Mid)}
		}
	}
	for i, f := range v.Adjust {
		if f.Name == name {
			return &FrameRef{len(v.Frames) + i + 1, UTC(f.Mid)}
		}
	}
	return nil
}

func choiceWire(c *mountmodel.Choice) *Choice {
	if c == nil {
		return nil
	}
	total := func(o *axis.Offset) Number {
		if o == nil {
			return Unknown
		}
		return Number(o.Total.Arcminutes())
	}
	return &Choice{File: c.Name, Mid: UTC(c.Mid), Counts: c.Counts, WasArcmin: total(c.Was), IsArcmin: total(c.Is)}
}

func direction(d sky.Local) Direction {
	alt, az := sky.AltAzFromLocal(d)
	return Direction{AltDeg: Number(alt.Degrees()), AzDeg: Number(az.Degrees())}
}

func statusWire(s *axis.Status, v mountmodel.View) *AxisStatus {
	if s == nil {
		return nil
	}
	return &AxisStatus{
		Axis:        direction(s.Axis.Dir),
		Offset:      offsetWire(s.Offset),
		Uncertainty: *uncertaintyOf(s.Axis),
		Moves:       moves(*s, v),
	}
}

// moves tells the two bolts apart, altitude first: nothing on a page changes places
// while a hand is on a bolt.
func moves(s axis.Status, v mountmodel.View) []Move {
	m := s.Move
	poleAlt, _ := sky.AltAzFromLocal(v.Pole)
	gate := mountmodel.Slot(v.Tolerance)
	altitude := Move{
		Bolt:         "altitude",
		Way:          "raise",
		AmountArcmin: Number(m.Alt.Abs().Arcminutes()),
		GateArcmin:   Number(gate.Arcminutes()),
		Done:         m.Alt.Abs() <= gate,
		Text:         m.Altitude,
	}
	if m.Alt < 0 {
		altitude.Way = "lower"
	}
	azimuth := Move{
		Bolt:         "azimuth",
		AmountArcmin: Number(m.Az.Abs().Arcminutes()),
		GateArcmin:   Number(gate.Arcminutes() / poleAlt.Cos()),
		Done:         mountmodel.OnSky(m, adjust.AzimuthBolt, v.Pole) <= gate,
		Text:         m.Azimuth,
		Rotation:     m.Rotation,
	}
	if poleAlt >= axis.NearZenith { // the azimuth bolt does not help: the base is tipped
		east := sky.Angle(v.Pole.X - s.Axis.Dir.X)
		azimuth.Way, azimuth.AmountArcmin = "tip_east", Number(east.Abs().Arcminutes())
		if east < 0 {
			azimuth.Way = "tip_west"
		}
		return []Move{altitude, azimuth}
	}
	// East and west name the side to which the pole-seeking end of the axis
	// goes; in the south a growing azimuth takes it west.
	azimuth.Way = "east"
	if (m.Az < 0) != v.Site.South() {
		azimuth.Way = "west"
	}
	return []Move{altitude, azimuth}
}

// driveRuns is what the newest frame that tells anything says of the drive.
func driveRuns(readings []adjust.Report) *bool {
	if len(readings) == 0 {
		return nil
	}
	var yes bool
	switch readings[len(readings)-1].Drive {
	case adjust.DriveTracks:
		yes = true
	case adjust.DriveStands:
	default:
		return nil
	}
	return &yes
}
