// Package mqtt tells a broker how a mount stands, and reads what many mounts tell.
//
// Topics, below PREFIX/PIER (by default polard/HOSTNAME), all JSON in UTF-8:
//
//	status   retained   [Status]: whether the pier's polard runs; the broker says "online": false
//	                    itself when the connection is lost (last will)
//	state    retained   [Pier]: how the axis stands, after each frame and each command
//	frame    passing    [Frame]: one for each frame read
//	alarm    retained   the alarms that stand, a list of [web.Alarm]; [] when there are none
//
// Quality of service is 1: a message comes at least once.
//
//   - message.go: topics and what is sent.
//   - publisher.go: one pier speaks.
//   - subscriber.go: hearing many.
//   - bounded.go: the connection, which lets no message be larger than a pier's.
package mqtt

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"polard/web"
)

// Status tells whether a pier's program runs.
type Status struct {
	Online  bool   `json:"online"`
	Program string `json:"program"`
}

// Pier is the state of a pier without what only its own page needs. Parts that are
// not known are absent.
type Pier struct {
	SentMs          int64              `json:"sent_ms"` // Unix time in ms by the pier's clock
	Phase           string             `json:"phase"`
	Do              string             `json:"do"` // what to do now, a sentence
	Site            *web.Site          `json:"site,omitempty"`
	ToleranceArcmin web.Number         `json:"tolerance_arcmin"`
	Within          bool               `json:"within"`
	Doubt           bool               `json:"doubt"`
	Axis            *web.Direction     `json:"axis,omitempty"`
	Offset          *web.Offset        `json:"offset,omitempty"`
	Uncertainty     *web.Uncertainty   `json:"uncertainty,omitempty"`
	Watched         int                `json:"watched_frames,omitempty"` // of this night
	Drift           *web.WatchDrift    `json:"drift,omitempty"`
	Nights          []web.WatchedNight `json:"nights,omitempty"` // the last few, oldest first
	LastFrameMs     int64              `json:"last_frame_ms,omitempty"`
	LastSolved      bool               `json:"last_solved"`
	Alarms          []web.Alarm        `json:"alarms,omitempty"`
}

// nightsSent bounds the nights of a message: a month tells a trend.
const nightsSent = 30

// pierFromState takes from a state what others want to know.
func pierFromState(s web.State, sentMs int64) Pier {
	p := Pier{
		SentMs: sentMs, Phase: s.Phase, Do: s.Do.Text, Site: s.Site,
		ToleranceArcmin: s.ToleranceArcmin, Within: s.Within, Doubt: s.Doubt, Alarms: s.Alarms,
	}
	if s.Now != nil {
		p.Axis, p.Offset, p.Uncertainty = &s.Now.Axis, &s.Now.Offset, &s.Now.Uncertainty
	}
	if w := s.Watch; w != nil {
		p.Watched, p.Drift = w.Frames, w.Drift
		p.Nights = w.Nights[max(0, len(w.Nights)-nightsSent):]
		if w.Offset != nil { // of a whole night rather than of one frame
			p.Axis, p.Offset, p.Uncertainty = w.Axis, w.Offset, w.Uncertainty
		}
	}
	if l := s.Latest; l != nil {
		p.LastFrameMs, p.LastSolved = l.ReadMs, l.Solved
	}
	return p
}

// Frame is what was read of one frame.
type Frame struct {
	web.Latest
	Offset      *web.Offset      `json:"offset,omitempty"` // of the axis after it
	Uncertainty *web.Uncertainty `json:"uncertainty,omitempty"`
}

// frameFromState gives the frame of a state; nil when there is none.
func frameFromState(s web.State) *Frame {
	if s.Latest == nil {
		return nil
	}
	f := &Frame{Latest: *s.Latest}
	f.Stars, f.Picture = nil, nil
	if s.Now != nil {
		f.Offset, f.Uncertainty = &s.Now.Offset, &s.Now.Uncertainty
	}
	return f
}

// Ends of topics.
const (
	statusTopic = "status"
	stateTopic  = "state"
	frameTopic  = "frame"
	alarmTopic  = "alarm"
)

// checkName says what is wrong with the name of a pier or the prefix of topics: it
// must not be empty nor hold what topics set apart (MQTT 3.1.1, section 4.7).
func checkName(name string) error {
	switch {
	case name == "":
		return errors.New("give at least one letter")
	case len(name) > 200:
		return errors.New("that is too long: at most 200 letters")
	case strings.ContainsAny(name, "+#\x00") || strings.HasPrefix(name, "$"):
		return fmt.Errorf("%q: + and # and a $ in front have a meaning of their own in topics", name)
	case strings.HasPrefix(name, "/") || strings.HasSuffix(name, "/"):
		return fmt.Errorf("%q: leave the slash at its end away", name)
	}
	return nil
}

func encoded(v any) []byte {
	b, err := json.Marshal(v)
	if err != nil { // our own types, whose numbers all have a wire form
		panic(err)
	}
	return b
}
