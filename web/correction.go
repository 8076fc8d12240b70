package web

import (
	"polard/mountmodel"
	"polard/mountmodel/sky"
)

// Suggestion is the likeliest mistake about the place or the clock, and the value without
// it. The event "correct" takes it over; the frames already taken are worked out anew.
// Exactly one of the place and the clock is there.
type Suggestion struct {
	Mistake string  `json:"mistake"` // "longitude_sign", "header_place", "local_time", "hour_off", "half_day" or "clock_off"
	Said    *Said   `json:"said"`
	LatDeg  *Number `json:"lat_deg,omitempty"`
	LonDeg  *Number `json:"lon_deg,omitempty"`
	AheadS  *Number `json:"ahead_s,omitempty"` // to be taken off the times in the frames, in seconds
}

// Corrected is what the person took over from a suggestion. The event "uncorrect" takes it
// back.
type Corrected struct {
	Mistake string  `json:"mistake"`
	LatDeg  *Number `json:"lat_deg,omitempty"` // as it was typed before
	LonDeg  *Number `json:"lon_deg,omitempty"`
	AheadS  *Number `json:"ahead_s,omitempty"` // taken off the times in the frames, in seconds
}

// SuggestionFromView is what a session suggests, in wire form; nil when it is nothing.
func SuggestionFromView(v mountmodel.View) *Suggestion {
	s := v.Suggested
	if s == nil {
		return nil
	}
	out := &Suggestion{Mistake: string(s.Mistake), Said: said(s.Said)}
	if s.Ahead != 0 {
		out.AheadS = new(Number(s.Ahead.Seconds()))
	} else {
		out.LatDeg, out.LonDeg = place(s.Site)
	}
	return out
}

// PlaceConfirmed is what in the frames speaks for place and clock.
type PlaceConfirmed struct {
	By   string `json:"by"` // "headers" (the place alone), "air" (to an hour), "bolts" (to two), or "nothing"
	Said *Said  `json:"said"`
}

func placeConfirmed(v mountmodel.View) *PlaceConfirmed {
	if v.Measured == nil || v.Suggested != nil {
		return nil
	}
	return &PlaceConfirmed{string(v.Confirmed), said(v.Confirmed.Saying())}
}

func correctedWire(c mountmodel.Correction) *Corrected {
	if c == (mountmodel.Correction{}) {
		return nil
	}
	out := &Corrected{Mistake: string(c.Mistake)}
	if c.Ahead != 0 {
		out.AheadS = new(Number(c.Ahead.Seconds()))
	}
	if c.Placed {
		out.LatDeg, out.LonDeg = place(c.Typed)
	}
	return out
}

func place(s sky.Site) (lat, lon *Number) {
	return new(Number(s.Latitude.Degrees())), new(Number(s.Longitude.Signed().Degrees()))
}
