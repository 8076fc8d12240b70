// Package metrics tells Prometheus how a service and its mount fare. Names and
// units follow Prometheus' own conventions; angles are in degrees.
package metrics

import (
	"math"
	"net/http"
	"sync"
	"time"

	"polard/web"
	"polard/web/alarm"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// Set is the metrics of one service. Observe and the handler may be used from many
// goroutines.
type Set struct {
	registry *prometheus.Registry
	frames   *prometheus.CounterVec
	took     prometheus.Histogram

	mu       sync.Mutex
	state    web.State
	frame    int64 // last one counted
	heard    time.Time
	solvedAt time.Time
	failed   int
}

var (
	phases = []string{web.PhasePlace, "waiting", "measuring", "adjusting", "confirming", "done", "watching"}

	desc = func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("polard_"+name, help, labels, nil)
	}
	offset      = desc("axis_offset_degrees", "Axis minus pole: difference of altitudes, difference of azimuths, angle on the sky.", "component")
	uncertainty = desc("axis_uncertainty_degrees", "One standard deviation of the axis in altitude and in azimuth.", "component")
	tolerance   = desc("tolerance_degrees", "Total offset that is near enough.")
	within      = desc("axis_within_tolerance", "1 when the axis is within the tolerance, 0 when not.")
	drift       = desc("axis_drift_degrees_per_hour", "Motion of the axis as ordinary exposures show it; 0 while they show none.", "component")
	watched     = desc("watch_frames", "Ordinary exposures of this night that tell of the axis.")
	phase       = desc("phase", "1 for the present phase of the session.", "phase")
	alarms      = desc("alarm", "1 while an alarm stands.", "alarm")
	lastFrame   = desc("last_frame_timestamp_seconds", "Unix time at which the last frame was complete.")
	lastSolved  = desc("last_solved_frame_timestamp_seconds", "Unix time at which the last frame that was solved was complete.")
	inARow      = desc("frames_unsolved_in_a_row", "Frames since the last one that was solved.")
)

// New makes the metrics of a program.
func New(program string) *Set {
	s := &Set{
		registry: prometheus.NewRegistry(),
		frames: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "polard_frames_total", Help: "Frames read, by what became of them.",
		}, []string{"result"}),
		took: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "polard_frame_duration_seconds", Help: "From a complete file to the numbers.",
			Buckets: []float64{0.1, 0.2, 0.5, 1, 2, 5, 10, 30, 60},
		}),
	}
	build := prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "polard_build_info", Help: "The program that runs.", ConstLabels: prometheus.Labels{"program": program},
	})
	build.Set(1)
	for _, result := range []string{"solved", "unsolved"} {
		s.frames.WithLabelValues(result)
	}
	s.registry.MustRegister(s, s.frames, s.took, build, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return s
}

// Handler answers scrapes.
func (s *Set) Handler() http.Handler {
	return promhttp.HandlerFor(s.registry, promhttp.HandlerOpts{})
}

// Observe takes in the newest state. A frame counts once.
func (s *Set) Observe(state web.State) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.state = state
	l := state.Latest
	if l == nil || l.ID == s.frame {
		return
	}
	s.frame, s.heard = l.ID, time.UnixMilli(l.ReadMs)
	result := "unsolved"
	if s.failed++; l.Solved {
		result, s.failed, s.solvedAt = "solved", 0, s.heard
	}
	s.frames.WithLabelValues(result).Inc()
	if took := float64(l.TookMs) / 1000; took >= 0 {
		s.took.Observe(took)
	}
}

// Describe and Collect make Set a collector of what the newest state holds.

// Describe sends every description.
func (s *Set) Describe(to chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{offset, uncertainty, tolerance, within, drift, watched, phase, alarms, lastFrame, lastSolved, inARow} {
		to <- d
	}
}

// Collect sends what is known; what is not is left out.
func (s *Set) Collect(to chan<- prometheus.Metric) {
	s.mu.Lock()
	defer s.mu.Unlock()
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		if !math.IsNaN(v) {
			to <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
		}
	}
	truth := func(yes bool) float64 {
		if yes {
			return 1
		}
		return 0
	}
	st := s.state
	for _, p := range phases {
		gauge(phase, truth(p == st.Phase), p)
	}
	for _, code := range alarm.Codes() {
		on := false
		for _, a := range st.Alarms {
			on = on || a.Code == code
		}
		gauge(alarms, truth(on), code)
	}
	gauge(tolerance, float64(st.ToleranceArcmin)/60)
	if now := st.Now; now != nil {
		gauge(offset, float64(now.Offset.AltArcmin)/60, "altitude")
		gauge(offset, float64(now.Offset.AzArcmin)/60, "azimuth")
		gauge(offset, float64(now.Offset.TotalArcmin)/60, "total")
		gauge(uncertainty, float64(now.Uncertainty.AltArcsec)/3600, "altitude")
		gauge(uncertainty, float64(now.Uncertainty.AzArcsec)/3600, "azimuth")
		gauge(within, truth(st.Within))
	}
	if w := st.Watch; w != nil {
		gauge(watched, float64(w.Frames))
		if w.Drift != nil {
			gauge(drift, float64(w.Drift.UpArcsecH)/3600, "up")
			gauge(drift, float64(w.Drift.AcrossArcsecH)/3600, "across")
		}
	}
	gauge(inARow, float64(s.failed))
	for _, t := range []struct {
		d  *prometheus.Desc
		at time.Time
	}{{lastFrame, s.heard}, {lastSolved, s.solvedAt}} {
		if !t.at.IsZero() {
			gauge(t.d, float64(t.at.UnixMilli())/1000)
		}
	}
}
