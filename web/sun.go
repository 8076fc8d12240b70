package web

import (
	"math"
	"time"

	"polard/mountmodel/observed"
	"polard/mountmodel/setup"
	"polard/mountmodel/sky"
)

// sunEvery is how often the Sun is looked at while no frame comes; it takes
// about two minutes to rise.
const sunEvery = time.Minute

// sunLocked is where the Sun stands at the place of s.state, nil while that is
// not known. s.mu is held.
func (s *Server) sunLocked() *Sun {
	if s.state == nil || s.state.Site == nil {
		return nil
	}
	site, air, _ := placeOf(s.state)
	o, err := observed.NewObserver(site, air, s.now(), 0)
	if err != nil {
		return nil // a clock outside the years of the model; the session says so
	}
	alt, _ := sky.AltAzFromLocal(o.Sun())
	sun := &Sun{Up: setup.SunUp(o), AltDeg: Number(alt.Degrees()), FromFrameDeg: Number(math.NaN())}
	if l := s.state.Latest; l != nil && l.Sight != nil {
		sight := sky.LocalFromAltAz(sky.Angle(l.Sight.AltDeg)*sky.Degree, sky.Angle(l.Sight.AzDeg)*sky.Degree)
		away := sky.Separation(sight, o.Sun())
		sun.FromFrameDeg = Number(away.Degrees())
		sun.NearFrame = sun.Up && away < setup.SunNear
	}
	return sun
}

// followSun publishes again when what is to be said of the Sun has changed.
func (s *Server) followSun() {
	s.mu.Lock()
	defer s.mu.Unlock()
	sun := s.sunLocked()
	if sun == nil || s.sun != nil && sun.Up == s.sun.Up && sun.NearFrame == s.sun.NearFrame {
		return
	}
	if err := s.publishLocked(); err != nil {
		s.opt.Logger.Error("the page cannot be brought up to date", "error", err)
	}
}
