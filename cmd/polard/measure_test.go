package main

import (
	"context"
	"encoding/json"
	"math"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/devices/devicestest"
	"polard/cmd/polard/internal/harness"
	"polard/mountmodel/observed"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
)

func TestMeasureWrongCalls(t *testing.T) {
	for name, c := range map[string]struct {
		args  []string
		words string
	}{
		"nowhere":           {[]string{"measure"}, "--indi HOST[:PORT], --alpaca HOST[:PORT] or --discover"},
		"devices nowhere":   {[]string{"devices"}, "--indi HOST[:PORT], --alpaca HOST[:PORT] or --discover"},
		"two protocols":     {[]string{"measure", "--indi", "localhost", "--discover"}, "one protocol"},
		"no address":        {[]string{"measure", "--indi", "http://localhost/"}, "is no address"},
		"yes to what":       {[]string{"measure", "--indi", "localhost", "--yes"}, "how far (--turn DEG)"},
		"yes, which way":    {[]string{"measure", "--indi", "localhost", "--yes", "--turn", "40"}, "which way (--way west or east)"},
		"a way that is not": {[]string{"measure", "--indi", "localhost", "--way", "up"}, "west or east"},
		"no turn":           {[]string{"measure", "--indi", "localhost", "--turn", "0"}, "5 to 150"},
		"a whole turn":      {[]string{"measure", "--indi", "localhost", "--turn", "360"}, "5 to 150"},
		"the wrong word":    {[]string{"measure", "--indi", "localhost", "--daylight", "yes"}, "the word to type is covered"},
		"limits":            {[]string{"measure", "--indi", "localhost", "--min-altitude", "-20"}, "lowest altitude"},
		"half a place":      {[]string{"measure", "--indi", "localhost", "--lat", "46"}, "--lat and --lon go together"},
		"no folder":         {[]string{"measure", "--indi", "localhost", "--folder", "/there/is/none"}, "there is no folder"},
	} {
		status, _, stderr := call(t, c.args...)
		if status != exitUsage || !strings.Contains(stderr, c.words) {
			t.Errorf("%s: status %d: %s", name, status, stderr)
		}
	}
}

// trueAxis is where the axis of a rehearsed rig points.
func trueAxis(c rehearsal.Config) (altDeg, azDeg float64) {
	alt, az := sky.AltAzFromLocal(observed.Pole(c.Site, c.Air, observed.Refracted))
	return (alt + c.Mount.OffsetAlt).Degrees(), (az + c.Mount.OffsetAz).Degrees()
}

// A rehearsed rig is measured from the shell, by either protocol.
func TestMeasure(t *testing.T) {
	t.Parallel() // it waits most of its time
	config := devicestest.MidnightRig(time.Now())
	servers := map[string]func(t *testing.T) []string{
		"indi": func(t *testing.T) []string { return []string{"--indi", devicestest.RigServer(t, config).Addr} },
		"indi, packed": func(t *testing.T) []string {
			return []string{"--indi", devicestest.RigServer(t, config, devicestest.Packed).Addr}
		},
		"indi, coordinates": func(t *testing.T) []string {
			return []string{"--indi", devicestest.RigServer(t, config, devicestest.ByCoordinates).Addr}
		},
		"alpaca": func(t *testing.T) []string { return []string{"--alpaca", alpacaRig(t, config).Addr} },
	}
	for name, serve := range servers {
		t.Run(name, func(t *testing.T) {
			if testing.Short() && name != "indi" && name != "alpaca" {
				t.Skip("the other protocol's way is tried")
			}
			where := serve(t)
			status, stdout, stderr := call(t, append([]string{"devices"}, where...)...)
			if status != exitDone || !strings.Contains(stdout, devicestest.RehearsedCamera) || !strings.Contains(stdout, devicestest.RehearsedMount) {
				t.Fatalf("devices: status %d: %s%s", status, stdout, stderr)
			}
			kept := t.TempDir()
			status, stdout, stderr = call(t, append([]string{"measure", "--json", "--yes", "--turn", "40", "--way", "west", "--exposure", "1", "--folder", kept}, where...)...)
			if status != exitDone {
				t.Fatalf("status %d: %s%s", status, stdout, stderr)
			}
			var a axisJSON
			if err := json.Unmarshal([]byte(stdout), &a); err != nil {
				t.Fatal(err)
			}
			altDeg, azDeg := trueAxis(config)
			alt, onSky, _ := differ(*a.Axis, altDeg, azDeg)
			// What the star noise makes of the axis goes as one over the turn, so a tenth more or less of it matters to nobody.
			if off := math.Hypot(alt, onSky); off > 20 || math.Abs(a.TurnDeg-40) > 4 {
				t.Errorf("the axis is wrong by %.1f arcsec over %.1f degrees: %s", off, a.TurnDeg, stdout)
			}
			if files, err := filepath.Glob(filepath.Join(kept, "*.fits")); err != nil || len(files) != 3 {
				t.Errorf("%d pictures were kept (%v)", len(files), err)
			}
			for _, said := range []string{"40 degrees to the west", "declination is left alone", "makers' manuals", "cables", "The place is the one set in the mount"} {
				if !strings.Contains(stderr, said) {
					t.Errorf("it does not say %q: %s", said, stderr)
				}
			}
			if addr := where[1]; strings.Contains(stderr, addr) {
				t.Errorf("the address of the devices stands in the log: %s", stderr)
			}
		})
	}
}

func alpacaRig(t *testing.T, config rehearsal.Config) *devicestest.Alpaca {
	t.Helper()
	rig, err := devicestest.NewRig(config)
	if err != nil {
		t.Fatal(err)
	}
	return devicestest.StartAlpaca(t, rig)
}

// Nothing moves unless that is confirmed, parked mounts stay where they are, and by day the word is wanted.
func TestMeasureMovesNothing(t *testing.T) {
	config := devicestest.MidnightRig(time.Now())
	noon := config
	noon.Site.Longitude = (noon.Site.Longitude + sky.Turn/2).Signed()
	for name, c := range map[string]struct {
		config rehearsal.Config
		parked bool
		args   []string
		words  string
	}{
		"not confirmed":      {config, false, nil, "not confirmed"},
		"parked":             {config, true, []string{"--yes", "--turn", "40", "--way", "west"}, "parked"},
		"by day":             {noon, false, []string{"--yes", "--turn", "40", "--way", "west"}, "the Sun is up"},
		"a dry run":          {config, false, []string{"--dry-run"}, ""},
		"a thorough dry run": {config, false, []string{"--thorough", "--dry-run"}, ""},
		"a dry run by day":   {noon, false, []string{"--thorough", "--dry-run"}, "For the first dark"},
		"too far":            {config, false, []string{"--yes", "--turn", "80", "--way", "west"}, "cables are trusted for 75"},
	} {
		t.Run(name, func(t *testing.T) {
			a := alpacaRig(t, c.config)
			if c.parked {
				a.Park()
			}
			status, stdout, stderr := call(t, append([]string{"measure", "--alpaca", a.Addr}, c.args...)...)
			want := exitNot
			if name == "a thorough dry run" {
				if want = exitDone; strings.Count(stdout, "altitude  ") != 7 || !strings.Contains(stdout, "on the other side of the pier") || !strings.Contains(stdout, "declination 25 degrees to the north") {
					t.Errorf("the plan: %s", stdout)
				}
			}
			if name == "a dry run by day" {
				if want = exitDone; strings.Count(stdout, "altitude  ") != 7 {
					t.Errorf("the plan: %s", stdout)
				}
			}
			if name == "a dry run" {
				if want = exitDone; strings.Count(stdout, "altitude  ") != 3 || !strings.Contains(stdout, "Nothing was moved.") {
					t.Errorf("the plan: %s", stdout)
				}
			}
			if status != want || !strings.Contains(stderr, c.words) {
				t.Errorf("status %d: %s%s", status, stdout, stderr)
			}
			for _, r := range a.Requests() {
				if strings.HasPrefix(r, "moveaxis") && r != "moveaxis 0" || strings.HasPrefix(r, "slew") {
					t.Errorf("it moved: %s", r)
				}
			}
		})
	}
}

// Faults of the rig behind the real server end the measurement with a sentence, and the mount stopped.
func TestMeasureFaults(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a minute")
	}
	server := devicestest.RigServer(t, devicestest.MidnightRig(time.Now()))
	for _, c := range []struct{ fault, words string }{
		{devicestest.FaultWhere, "the mount is not where it reports to be"},
		{devicestest.FaultStall, "the mount does not turn as asked"},
		{devicestest.FaultCut, "the picture arrived incomplete"},
		{devicestest.FaultDec, "the declination moved"},
	} {
		server.Set(devicestest.RehearsedMount + "." + devicestest.FaultProperty + ".NAME=" + c.fault)
		aborts := strings.Count(server.Log(), "abort")
		status, stdout, stderr := call(t, "measure", "--indi", server.Addr, "--yes", "--turn", "20", "--way", "west", "--exposure", "0.3")
		if status != exitNot || !strings.Contains(stderr, c.words) {
			t.Errorf("%s: status %d: %s%s", c.fault, status, stdout, stderr)
		}
		harness.Eventually(t, "the mount to be told to stop", func() (bool, string) {
			return strings.Count(server.Log(), "abort") > aborts, c.fault
		})
	}
}

var altitudeTold = regexp.MustCompile(`points to altitude ([\d.]+)`)

// While bolts are turned each picture says what is left, until Ctrl-C.
func TestMeasureLoop(t *testing.T) {
	t.Parallel() // it waits most of its time
	server := devicestest.RigServer(t, devicestest.MidnightRig(time.Now()))
	ctx, interrupt := context.WithCancel(t.Context())
	var stdout, stderr harness.Output
	ended := make(chan int, 1)
	go func() {
		ended <- execute(ctx, []string{"measure", "--indi", server.Addr, "--yes", "--turn", "20", "--way", "west", "--pictures", "2", "--exposure", "0.3", "--loop"}, &stdout, &stderr)
	}()
	altitudes := func() (out []float64) {
		for _, m := range altitudeTold.FindAllStringSubmatch(stdout.String(), -1) {
			x, err := strconv.ParseFloat(m[1], 64)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, x)
		}
		return out
	}
	harness.Eventually(t, "a picture of the loop", func() (bool, string) {
		return len(altitudes()) >= 2, stdout.String() + stderr.String()
	})
	before := altitudes()[0]
	server.Set(devicestest.RehearsedMount + "." + devicestest.BoltsProperty + ".ALTITUDE=0.1")
	harness.Eventually(t, "the bolt's turn to show", func() (bool, string) {
		all := altitudes()
		moved := 60 * (all[len(all)-1] - before)
		return moved > 5 && moved < 5.5, stdout.String() // 52 arcmin a turn
	})
	aborts := strings.Count(server.Log(), "abort")
	interrupt()
	select {
	case status := <-ended:
		if status != exitDone || !strings.Contains(stderr.String(), "The mount was told to stop.") || !strings.Contains(stdout.String(), "altitude bolt: ") {
			t.Errorf("status %d: %s%s", status, stdout.String(), stderr.String())
		}
	case <-time.After(harness.Patience):
		t.Fatal("it does not end")
	}
	if strings.Count(server.Log(), "abort") == aborts {
		harness.Eventually(t, "the mount to be told to stop", func() (bool, string) { return strings.Count(server.Log(), "abort") > aborts, "" })
	}
}

// Ctrl-C stops a mount that turns, and so does the end of the connection as soon as there is one again.
func TestMeasureInterrupted(t *testing.T) {
	server := devicestest.RigServer(t, devicestest.MidnightRig(time.Now()))
	ctx, interrupt := context.WithCancel(t.Context())
	var stdout, stderr harness.Output
	ended := make(chan int, 1)
	underway := regexp.MustCompile(`turning: [1-9]\d* of`) // whatever the angle at which it was asked
	go func() {
		ended <- execute(ctx, []string{"measure", "--indi", server.Addr, "--yes", "--turn", "60", "--way", "west", "--exposure", "0.3", "--max-turn", "75", "--beyond-meridian", "30"}, &stdout, &stderr)
	}()
	harness.Eventually(t, "the mount to turn", func() (bool, string) {
		return underway.MatchString(stderr.String()), stderr.String()
	})
	aborts := strings.Count(server.Log(), "abort")
	began := time.Now()
	interrupt()
	for strings.Count(server.Log(), "abort") == aborts && time.Since(began) < 5*time.Second {
		time.Sleep(5 * time.Millisecond)
	}
	late := time.Since(began)
	t.Logf("the mount was told to stop %v after Ctrl-C", late.Round(time.Millisecond))
	if late > 5*time.Second {
		t.Error("the mount was not told to stop")
	}
	select {
	case status := <-ended:
		if status != exitNot || !strings.Contains(stderr.String(), "The mount was told to stop.") {
			t.Errorf("status %d: %s", status, stderr.String())
		}
	case <-time.After(harness.Patience):
		t.Error("it does not end")
	}
}

// The simulators that come with the server make a rig that is not quite rigid: the axis comes out
// near the pole, with an uncertainty that holds.
func TestMeasureSimulators(t *testing.T) {
	t.Parallel() // it waits most of its time
	if testing.Short() {
		t.Skip("takes two minutes")
	}
	server := devicestest.StartServer(t, nil, devicestest.Simulators...)
	server.Set(devicestest.SimulatedMount + ".CONNECTION.CONNECT=On")
	server.Set(devicestest.SimulatedCamera + ".CONNECTION.CONNECT=On")
	time.Sleep(2 * time.Second)
	config := devicestest.MidnightRig(time.Now())
	o, err := observed.NewObserver(config.Site, config.Air, time.Now(), 0)
	if err != nil {
		t.Fatal(err)
	}
	number := func(x float64) string { return strconv.FormatFloat(x, 'f', 6, 64) }
	server.Set(devicestest.SimulatedMount + ".GEOGRAPHIC_COORD.LAT;LONG;ELEV=" + number(config.Site.Latitude.Degrees()) + ";" + number(config.Site.Longitude.Positive().Degrees()) + ";640")
	server.Set(devicestest.SimulatedMount + ".TELESCOPE_INFO.TELESCOPE_APERTURE;TELESCOPE_FOCAL_LENGTH=50;200")
	server.Set(devicestest.SimulatedMount + ".TELESCOPE_TRACK_STATE.TRACK_ON=On")
	time.Sleep(time.Second)
	ra := (o.LocalSidereal() + 50*sky.Degree).Positive()
	server.Set(devicestest.SimulatedMount + ".EQUATORIAL_EOD_COORD.RA;DEC=" + number(ra.Hours()) + ";30")
	time.Sleep(30 * time.Second) // it slews at some degrees a second
	status, stdout, stderr := call(t, "measure", "--json", "--indi", server.Addr, "--yes", "--turn", "40", "--way", "west", "--exposure", "10")
	t.Log(stderr)
	if status != exitDone {
		t.Fatalf("status %d: %s%s", status, stdout, stderr)
	}
	var a axisJSON
	if err := json.Unmarshal([]byte(stdout), &a); err != nil {
		t.Fatal(err)
	}
	t.Logf("offset %+v, known to %+v, warnings %+v", *a.Offset, *a.Uncertainty, a.Warnings)
	// It draws with J2000's north up: precession since tilts its frames by up to some 9 arcminutes
	// between two places 40 degrees apart, and as much may the axis seem to be off.
	if a.Offset.TotalArcmin > 30 {
		t.Errorf("%.1f arcminutes from the pole", a.Offset.TotalArcmin)
	}
}
