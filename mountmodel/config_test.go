package mountmodel

import (
	"errors"
	"math"
	"strings"
	"testing"

	"polard/mountmodel/sky"
)

func TestConfigCheck(t *testing.T) {
	good := Config{Site: sky.Site{Latitude: 44 * sky.Degree}, Air: sky.StandardAir(0), Tolerance: DefaultTolerance}
	if err := good.Check(); err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*Config){
		"latitude":      func(c *Config) { c.Site.Latitude = 91 * sky.Degree },
		"air":           func(c *Config) { c.Air.PressureHPa = 5000 },
		"pole":          func(c *Config) { c.Pole = 7 },
		"tolerance":     func(c *Config) { c.Tolerance = sky.Angle(math.NaN()) },
		"tolerance 0":   func(c *Config) { c.Tolerance = 0 },
		"frames":        func(c *Config) { c.MeasureFrames = 1 },
		"frames behind": func(c *Config) { c.MeasureFrames = -3 },
		"many frames":   func(c *Config) { c.MeasureFrames = 100000 },
	} {
		bad := good
		change(&bad)
		if _, err := NewSession(bad); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
	below := good
	below.Tolerance = -sky.Arcminute
	if err := below.Check(); err == nil || !strings.HasPrefix(err.Error(), "tolerance -1.0' is outside") {
		t.Errorf("tolerance -1': %v", err)
	}
	for _, n := range []int{-1, 1} {
		if _, err := Measure(good, nil, n); err == nil {
			t.Errorf("measuring by %d frames was taken", n)
		}
	}
	if _, err := Measure(good, nil, 0); !errors.Is(err, ErrNotMeasured) {
		t.Errorf("no frames: %v", err)
	}
}
