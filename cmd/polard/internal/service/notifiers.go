package service

import (
	"context"
	"log/slog"
	"time"

	"polard/web"
	"polard/web/alarm"
	"polard/web/metrics"
	"polard/web/mqtt"
)

// Notifiers take every state on its way to the page: they judge whether there is cause for alarm, count, and tell a
// broker. All but Run is called on the controller's goroutine.
type Notifiers struct {
	judge   *alarm.Judge
	metrics *metrics.Set
	// Publisher tells a broker; nil without one.
	Publisher *mqtt.Publisher

	log    *slog.Logger
	now    func() time.Time
	logged map[string]bool // alarms that were logged
}

// NewNotifiers raises alarms as the options say, for a program of that name and version.
func NewNotifiers(program string, opt alarm.Options, log *slog.Logger) *Notifiers {
	return &Notifiers{
		judge: alarm.NewJudge(opt), metrics: metrics.New(program), log: log, now: time.Now, logged: make(map[string]bool),
	}
}

// Run keeps the connection to the broker, if there is one, until ctx ends.
func (n *Notifiers) Run(ctx context.Context) error {
	if n.Publisher == nil {
		return nil
	}
	return n.Publisher.Run(ctx)
}

// pass puts the alarms into a state, and tells of it.
func (n *Notifiers) pass(state *web.State) {
	state.Alarms = n.judge.See(*state, n.now())
	raised := make(map[string]bool)
	for _, a := range state.Alarms {
		raised[a.Code] = true
		if !n.logged[a.Code] {
			n.log.Error("alarm", "code", a.Code, "why", a.Message)
		}
		state.Warnings = append(state.Warnings, web.Notice{Code: "alarm_" + a.Code, Message: a.Message})
	}
	for code := range n.logged {
		if !raised[code] {
			n.log.Info("alarm over", "code", code)
		}
	}
	n.logged = raised
	n.metrics.Observe(*state)
	if n.Publisher != nil {
		n.Publisher.Publish(*state)
	}
}
