package service

import (
	"log/slog"

	"polard/mountmodel"
	"polard/mountmodel/rehearsal"
	"polard/web"
)

// lockOf has the simulated rig locked when the session hears that it is: who says so has turned the locking screws.
func lockOf(station *rehearsal.Station) func(mountmodel.Event) error {
	return func(event mountmodel.Event) error {
		if event == mountmodel.Locked {
			return station.Lock()
		}
		return nil
	}
}

// rigOf tells the page how the simulated rig stands, and the log when its frames cannot be written.
func rigOf(station *rehearsal.Station, folder string, log *slog.Logger) func() *web.RigState {
	var trouble error // the last that was logged
	return func() *web.RigState {
		s := station.State()
		if s.Trouble != nil && trouble == nil {
			log.Error("the rehearsed frame could not be written; trying again", "folder", folder, "error", s.Trouble)
		}
		trouble = s.Trouble
		out := &web.RigState{
			Name: s.Name, RADeg: web.Number(s.HourAngle.Degrees()),
			AltTurned: web.Number(s.TurnedAlt.Arcminutes()), AzTurned: web.Number(s.TurnedAz.Arcminutes()),
			AltPerTurn: web.Number(s.AltPerTurn.Arcminutes()), AzPerTurn: web.Number(s.AzPerTurn.Arcminutes()),
			Drive: s.Tracking, Repeating: s.Repeating, Exposing: s.Exposing,
			ExposureMs: s.Exposure.Milliseconds(),
		}
		for _, f := range s.Faults {
			out.Faults = append(out.Faults, web.RigFault{Name: f.Name, Text: f.Text, Lasts: f.Lasts, On: f.On})
		}
		return out
	}
}
