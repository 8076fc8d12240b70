package web

import (
	"math"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/sky"
)

// readings is a session whose bolts were turned so that the axis stood at each of
// the offsets, azimuth and altitude in arcminutes, one after the other.
func readings(offsets ...[2]float64) mountmodel.View {
	var v mountmodel.View
	for i, o := range offsets {
		at := viewOf(northSite, mountmodel.Adjusting, sky.Angle(o[0])*sky.Arcminute, sky.Angle(o[1])*sky.Arcminute)
		if i == 0 {
			v = at
			continue
		}
		v.Now, v.Within = at.Now, at.Within
		v.Adjust = append(v.Adjust, adjust.Report{Name: "a", Mid: testNight.Add(time.Duration(i) * 10 * time.Second), Status: *at.Now})
	}
	return v
}

// A turn of the wrong sense is said from the first frame that shows it until a bolt moves again, and nothing
// else is called one. The worsening is plain subtraction.
func TestWrongWay(t *testing.T) {
	for _, c := range []struct {
		name    string
		offsets [][2]float64
		bolt    string
		worse   float64
	}{
		{"nothing turned yet", [][2]float64{{20, 5}}, "", 0},
		{"azimuth away from the pole", [][2]float64{{20, 5}, {30, 5.4}}, "azimuth", 10},
		{"altitude away from the pole", [][2]float64{{20, 5}, {20, -9}, {20, -12}}, "altitude", 3},
		{"towards the pole", [][2]float64{{20, 5}, {12, 5}}, "", 0},
		{"past the pole, and farther off than before", [][2]float64{{20, 5}, {-26, 5}}, "", 0},
		{"the other bolt goes along a little", [][2]float64{{20, 5}, {10, 5.5}}, "", 0},
		{"noise", [][2]float64{{20, 5}, {20.1, 5}}, "", 0},
		{"wrong, and not turned since", [][2]float64{{20, 5}, {30, 5.4}, {30.1, 5.4}, {30, 5.41}}, "azimuth", 10},
		{"right, and not turned since", [][2]float64{{20, 5}, {12, 5}, {12.1, 5}}, "", 0},
		{"wrong, then the other bolt", [][2]float64{{20, 5}, {30, 5}, {30, 2}, {30, 2.01}}, "", 0},
		{"an error that grows by noise alone", [][2]float64{{20, 5}, {20.1, 5}, {20.2, 5}, {20.3, 5}, {20.4, 5}}, "", 0},
		{"wrong, then right", [][2]float64{{20, 5}, {30, 5}, {14, 5}}, "", 0},
	} {
		v := readings(c.offsets...)
		got := StateFromView(v, Around{}).WrongWay
		switch {
		case c.bolt == "" && got != nil:
			t.Errorf("%s: called wrong: %+v", c.name, got)
		case c.bolt != "" && (got == nil || got.Bolt != c.bolt || math.Abs(float64(got.WorseArcmin)-c.worse) > 1e-6):
			t.Errorf("%s: %+v, want %s by %g", c.name, got, c.bolt, c.worse)
		}
		v.Doubt = true
		if got := StateFromView(v, Around{}).WrongWay; got != nil {
			t.Errorf("%s: called wrong by a frame in doubt", c.name)
		}
	}
}

// A frame is old when the next one is overdue, by how long frames take and follow each
// other: not while a long exposure runs.
func TestOldIsLaterThanFramesComeUsually(t *testing.T) {
	for _, c := range []struct {
		name     string
		exposure float64 // s
		every    time.Duration
		frames   int
		from, to time.Duration // bounds on the age at which data are old
	}{
		{"no frame yet", 0, 0, 0, 30 * time.Second, 30 * time.Second},
		{"the first frame of three minutes", 180, 0, 1, 181 * time.Second, 10 * time.Minute},
		{"frames of two seconds, repeated", 2, 2500 * time.Millisecond, 12, 10 * time.Second, 20 * time.Second},
		{"taken by hand", 2, 40 * time.Second, 5, 60 * time.Second, 2 * time.Minute},
		{"three minutes, guided", 180, 190 * time.Second, 12, 200 * time.Second, 10 * time.Minute},
	} {
		v := viewOf(northSite, mountmodel.Done, 0, 0)
		v.Frames = nil
		for i := range c.frames {
			v.Adjust = append(v.Adjust, adjust.Report{Mid: testNight.Add(time.Duration(i) * c.every), Status: *v.Now})
		}
		a := Around{}
		if c.frames > 0 {
			a.Latest = latestOf(1, testNight, nil)
			a.Latest.ExposureS = Number(c.exposure)
		}
		if got := time.Duration(StateFromView(v, a).StaleAfterMs) * time.Millisecond; got < c.from || got > c.to {
			t.Errorf("%s: old after %v, want %v to %v", c.name, got, c.from, c.to)
		}
	}
}
