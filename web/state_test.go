package web

import (
	"bytes"
	"encoding/json"
	"flag"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/adjust"
	"polard/mountmodel/axis"
	"polard/mountmodel/sky"

	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "write the golden state anew")

const goldenState = "../testdata/web/state.json"

// fullState has a value in every field. It is written out, not computed, so
// that the golden file is the same on every machine.
func fullState() State {
	yes, chi2 := true, Number(1.13)
	st := AxisStatus{
		Axis:        Direction{AltDeg: 47.15, AzDeg: 0.4534},
		Offset:      Offset{AltArcmin: -7, AzArcmin: 27.2, TotalArcmin: 19.77},
		Uncertainty: Uncertainty{AltArcsec: 6, AzArcsec: 4.4, Correlation: 0.15},
		Moves: []Move{
			{Bolt: "altitude", Way: "raise", AmountArcmin: 7, GateArcmin: 0.707, Done: true, Text: "raise 7.0'"},
			{Bolt: "azimuth", Way: "west", AmountArcmin: 27.2, GateArcmin: 1.042, Text: "turn the mount 27.2' west", Rotation: "anticlockwise seen from above"},
		},
	}
	return State{
		Program: "polard 0.1.0",
		Source:  Source{Kind: "folder", Folder: "/nights/2026-03-14"},
		Phase:   "adjusting",
		Do: Instruction{Code: "bolt", Text: "Raise 7.0', and turn the mount 27.2' west.", Details: []string{"The axis stands 19.8' from the pole, known to 6\"."},
			Said:        &Said{Code: "moves", Text: "Raise 7.0', and turn the mount 27.2' west."},
			SaidDetails: []Said{{Code: "stands", Text: "The axis stands 19.8' from the pole, known to 6\".", Args: []SaidArg{{SizeArcsec: new(Number(1186.2))}, {KnownArcsec: new(Number(6))}, {Count: new(3)}, {WholeDeg: new(Number(30))}, {Text: "pole_0012.fits"}, {Said: &Said{Code: "done", Text: "Done."}}}}}},
		Site:            &Site{LatDeg: 47.25, LonDeg: 11.5, ElevationM: 840, PressureHPa: 916.2, TemperatureC: 10},
		ToleranceArcmin: 1,
		Pole:            &Pole{Kind: "refracted", Direction: Direction{AltDeg: 47.2645, AzDeg: 0}},
		Measured:        &st,
		Now:             &st,
		Within:          false,
		Turning:         "azimuth",
		WrongWay:        &WrongWay{Bolt: "azimuth", WorseArcmin: 10},
		CanEnd:          true,
		TurnDeg:         62,
		Chi2Dof:         &chi2,
		Tracking:        &yes,
		Lock:            &LockShift{AltArcmin: -0.2, AzArcmin: 0.1, TotalArcmin: 0.21, UncertaintyArcsec: 4},
		Advice:          &TurnAdvice{LeastDeg: 30, Expected: []Forecast{{TurnDeg: 30, UncertaintyArcsec: 4}}},
		TurnTo:          &TurnTo{ByDeg: -30, LowestDeg: 41.5, Against: []string{"far"}, Back: true, OtherLowestDeg: 12.25, OtherAgainst: []string{"low"}},
		Doubt:           true,
		Bolts:           []Bolt{{Bolt: "altitude", Learnt: true, PerTurnArcmin: -52, PerTurnSigmaArcmin: 3, PlayDeg: 54, PlaySigmaDeg: 9, Cross: 0.03, CrossSigma: 0.01}},
		Strokes:         []Stroke{{Bolt: "altitude", TurnDeg: -120, IdleDeg: 54, ErrorArcsec: 40, Text: "altitude bolt: about a third of a turn anticlockwise, raising"}},
		Watch: &Watch{
			SinceUTC: "2026-03-14T20:15:00.000Z", UntilUTC: "2026-03-14T22:15:00.000Z", Frames: 61, Minutes: 120,
			Axis: &Direction{AltDeg: 47.15, AzDeg: 0.4534}, Offset: &Offset{AltArcmin: -7, AzArcmin: 27.2, TotalArcmin: 19.77},
			Uncertainty: &Uncertainty{AltArcsec: 6, AzArcsec: 4.4, Correlation: 0.15},
			Drift:       &WatchDrift{Shown: true, AcrossArcsecH: 4, UpArcsecH: -21, SigmaAcrossArcsecH: 3, SigmaUpArcsecH: 2},
			ReachArcsec: 15, Flexes: true, FlexureArcsec: 16, JitterArcsec: 1,
			Sentences: []string{"The axis stands 19.8' from the pole."},
			Stretches: []Stretch{{FromUTC: "2026-03-14T20:15:00.000Z", ToUTC: "2026-03-14T22:15:00.000Z", Frames: 61, TurnDeg: 30, Guided: true}},
			Nights:    []WatchedNight{{SinceUTC: "2026-03-13T19:15:00.000Z", UntilUTC: "2026-03-14T03:15:00.000Z", Frames: 412, Offset: Offset{AltArcmin: -6.5, AzArcmin: 27, TotalArcmin: 19.4}, UncertaintyArcsec: 9}},
		},
		Plan: &Plan{
			Planned: true, FocalMm: 530, PixelUm: 3.76, WidthPx: 6200, HeightPx: 4100, ExposureS: 180, Guided: true, GuideOffsetArcmin: 25,
			DecDeg: 41.5, HAFromDeg: -30, HAToDeg: 45, LimitPx: 1, Problem: &Notice{Code: "plan", Message: "too low"},
			GoodEnough: true, ToleranceArcmin: 3.2, DriftRAArcsec: 0.2, DriftDecArcsec: 0.4, DriftArcsec: 0.4, DriftPx: 0.27, RotationArcsec: 0.3, RotationPx: 0.2,
			TrailArcsec: 0.6, TrailPx: 0.41, LongestExposureS: 440, Sentences: []string{"That is good enough."},
		},
		Reading: &Reading{Stage: StageSearching, File: "pole_0013.fits", ArrivedMs: 1773519306000, SinceMs: 1773519306400, Waiting: 1},
		Latest: &Latest{
			ID: 12, File: "pole_0012.fits", ReadMs: 1773519304000, Mid: "2026-03-14T20:15:00.000Z", TookMs: 212, ExposureS: 2, Solved: true,
			Problem: &Notice{Code: "few_stars", Message: "12 stars"}, Detected: 143, Matched: 90, RMSArcsec: 0.42,
			RADeg: 37.954, DecDeg: 88.12, FieldWDeg: 2.51, FieldHDeg: 1.67, WidthPx: 960, HeightPx: 640,
			Stars: []Star{{X: 12.5, Y: 40.25, V: 6.1}}, Picture: &Picture{URL: "/api/v1/preview.jpg?frame=12", WidthPx: 960, HeightPx: 640},
			ClockSuspect: true,
			Sight:        &Direction{AltDeg: 48.6, AzDeg: 358.2},
			Pole:         &InFrame{Inside: true, X: 310, Y: 520.5, AwayDeg: 1.9, TowardsDeg: 118},
			Axis:         &InFrame{X: Number(math.NaN()), Y: Number(math.NaN()), AwayDeg: 2.2, TowardsDeg: 121},
		},
		Frames:   []Frame{{File: "pole_0001.fits", Mid: "2026-03-14T20:13:00.000Z", Status: "measures", Message: "low", Stars: 84, TurnDeg: -31.5, ResidualArcsec: 0.3, TotalArcmin: Number(math.NaN()), AltArcmin: -7, AzArcmin: 27.2}},
		Alarms:   []Alarm{{Code: "axis_moved", Message: "The axis moved.", SinceUTC: "2026-03-14T20:15:00Z"}},
		Warnings: []Notice{{Code: "two_frames", Message: "Two frames cannot test themselves."}},
		Rig:      &RigState{Name: "the practice rig", RADeg: 62, AltTurned: -4, AzTurned: 12.5, AltPerTurn: 52, AzPerTurn: -48, Drive: true, Repeating: true, Exposing: true, ExposureMs: 2000, Faults: []RigFault{{Name: "cloud", Text: "cloud hides the stars", Lasts: true, On: true}}},
		Equipment: &EquipmentState{Protocol: "indi", Cameras: []string{"Lapwing C2"}, Mounts: []string{"Bittern"}, Camera: "Lapwing C2", Mount: "Bittern",
			Activity: "turning", Looping: true, Number: 1, All: 3, TurnedDeg: 10, OfDeg: 20, ExposureS: 2, Gain: new(Number(120)), Note: "12 stars are few: exposing 4.0 s", Trouble: "the mount does not turn as asked",
			Plan: &MotionPlan{ID: "3", Text: "Bittern will turn about its right ascension axis 40 degrees to the west.", Cautions: []string{"The makers' manuals come first."}}},
		Sun:          &Sun{Up: true, AltDeg: 12.5, FromFrameDeg: 24, NearFrame: true},
		Memories:     3,
		StaleAfterMs: 30000,
	}
}

// The wire format changes only on purpose: run with -update and say so in
// the changelog.
func TestGoldenState(t *testing.T) {
	got, err := json.MarshalIndent(fullState(), "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	got = append(got, '\n')
	if *update {
		if err := os.WriteFile(goldenState, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(goldenState)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("the wire format changed:\n%s\nwant\n%s", got, want)
	}
	var back State
	if err := json.Unmarshal(want, &back); err != nil {
		t.Fatal(err)
	}
	if !math.IsNaN(float64(back.Frames[0].TotalArcmin)) {
		t.Error("null did not come back as unknown")
	}
}

// Every number on the wire has its unit in the key: the design's list, plus
// pixels, metres, magnitudes and Celsius, which a site and a frame need.
func TestUnitsInKeys(t *testing.T) {
	b, err := json.Marshal(fullState())
	if err != nil {
		t.Fatal(err)
	}
	var v any
	if err := json.Unmarshal(b, &v); err != nil {
		t.Fatal(err)
	}
	units := []string{"_deg", "_arcmin", "_arcsec", "_arcsec_h", "_ms", "_s", "_hpa", "_m", "_mm", "_um", "_c", "_px", "_mag"}
	bare := map[string]bool{"minutes": true, "count": true, "frames": true, "id": true, "detected": true, "matched": true, "stars": true, "correlation": true, "chi2_dof": true, "cross": true, "cross_sigma": true, "memories": true, "waiting": true, "number": true, "all": true, "gain": true} // counts and ratios
	var walk func(key string, v any)
	walk = func(key string, v any) {
		switch v := v.(type) {
		case map[string]any:
			for k, x := range v {
				walk(k, x)
			}
		case []any:
			for _, x := range v {
				walk(key, x)
			}
		case float64:
			for _, u := range units {
				if strings.HasSuffix(key, u) {
					return
				}
			}
			if !bare[key] {
				t.Errorf("%q has no unit", key)
			}
		}
	}
	walk("", v)
}

// Whatever the session comes up with, the state is JSON; numbers that are
// none travel as null.
func TestNaNNeverReachesTheWire(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		any := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, math.Copysign(0, -1), math.MaxFloat64, math.SmallestNonzeroFloat64}))
		a := func(name string) sky.Angle { return sky.Angle(any.Draw(t, name)) }
		v := viewOf(northSite, mountmodel.Adjusting, 1*sky.Arcminute, 1*sky.Arcminute)
		st := axis.Status{
			Axis:   axis.Axis{Dir: sky.Local{X: any.Draw(t, "x"), Y: any.Draw(t, "y"), Z: any.Draw(t, "z")}, Cov: [2][2]float64{{any.Draw(t, "c"), 0}, {0, any.Draw(t, "d")}}},
			Offset: axis.Offset{Alt: a("alt"), Az: a("az"), Total: a("total")},
			Move:   axis.Move{Alt: a("move alt"), Az: a("move az")},
		}
		v.Now, v.Measured, v.Tolerance, v.Turn, v.Chi2 = &st, &st, a("tolerance"), a("turn"), any.Draw(t, "chi2")
		v.Pole = sky.Local{X: any.Draw(t, "pole x"), Z: any.Draw(t, "pole z")}
		v.Frames[0].Residual, v.Frames[0].Turn = a("residual"), a("turn of frame")
		v.Lock = &mountmodel.LockShift{Total: a("lock")}
		v.Bolts = []adjust.Response{{PerTurn: a("per turn"), Backlash: any.Draw(t, "backlash"), Cross: any.Draw(t, "cross")}}
		v.Moves = []adjust.BoltMove{{Stroke: adjust.Stroke{Turns: any.Draw(t, "turns")}, Error: a("error")}}
		s := StateFromView(v, Around{Latest: &Latest{RMSArcsec: Number(any.Draw(t, "rms"))}})
		b, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		var back State
		if err := json.Unmarshal(b, &back); err != nil {
			t.Fatalf("%v: %s", err, b)
		}
		same := func(x, y Number) bool {
			return x == y || (math.IsNaN(float64(y)) && (math.IsNaN(float64(x)) || math.IsInf(float64(x), 0)))
		}
		if !same(s.Now.Offset.TotalArcmin, back.Now.Offset.TotalArcmin) || !same(s.TurnDeg, back.TurnDeg) {
			t.Fatalf("%v came back as %v", s.Now.Offset.TotalArcmin, back.Now.Offset.TotalArcmin)
		}
	})
}

// Signs and sides of the correction: the design's conventions (offset is
// axis minus pole, azimuth from north through east, the correction has the
// opposite sign). In the south the pole-seeking end points south, where
// azimuth grows towards the west. The numbers are plain geometry: at small
// offsets total^2 = alt^2 + (az cos alt)^2.
func TestStateFromView(t *testing.T) {
	for _, c := range []struct {
		name            string
		site            sky.Site
		azOff, altOff   sky.Angle
		azWay, altWay   string
		azDone, altDone bool
	}{
		{"north, east and low", northSite, 27.2 * sky.Arcminute, -7 * sky.Arcminute, "west", "raise", false, false},
		{"north, west and high", northSite, -4 * sky.Arcminute, 9 * sky.Arcminute, "east", "lower", false, false},
		{"south, east and low", southSite, -12 * sky.Arcminute, -7 * sky.Arcminute, "west", "raise", false, false},
		{"south, west and high", southSite, 0.5 * sky.Arcminute, 0.4 * sky.Arcminute, "east", "lower", true, true},
	} {
		s := StateFromView(viewOf(c.site, mountmodel.Adjusting, c.azOff, c.altOff), Around{})
		moves := map[string]Move{}
		for _, m := range s.Now.Moves {
			moves[m.Bolt] = m
		}
		az, alt := moves["azimuth"], moves["altitude"]
		if s.Now.Moves[0].Bolt != "altitude" || s.Now.Moves[1].Bolt != "azimuth" {
			t.Errorf("%s: the bolts changed places: %+v", c.name, s.Now.Moves)
		}
		if az.Way != c.azWay || alt.Way != c.altWay || az.Done != c.azDone || alt.Done != c.altDone {
			t.Errorf("%s: %+v", c.name, s.Now.Moves)
		}
		if !strings.Contains(az.Text, c.azWay) || !strings.Contains(alt.Text, c.altWay) {
			t.Errorf("%s: the session says %q and %q", c.name, az.Text, alt.Text)
		}
		near := func(got Number, want float64) bool { return math.Abs(float64(got)-want) < 1e-6 } // rounding of the unit vectors, in arcminutes
		if !near(az.AmountArcmin, c.azOff.Abs().Arcminutes()) || !near(s.Now.Offset.AzArcmin, c.azOff.Arcminutes()) ||
			!near(alt.AmountArcmin, c.altOff.Abs().Arcminutes()) || !near(s.Now.Offset.AltArcmin, c.altOff.Arcminutes()) {
			t.Errorf("%s: %+v %+v", c.name, s.Now.Offset, s.Now.Moves)
		}
		// Both gates together are the tolerance.
		cosAlt := (sky.Angle(s.Pole.AltDeg) * sky.Degree).Cos()
		total := math.Hypot(float64(alt.GateArcmin), float64(az.GateArcmin)*cosAlt)
		if !near(Number(total), float64(s.ToleranceArcmin)) {
			t.Errorf("%s: gates %v and %v make %v, tolerance %v", c.name, alt.GateArcmin, az.GateArcmin, total, s.ToleranceArcmin)
		}
	}
}

func TestInstructionCodes(t *testing.T) {
	far, close := 20*sky.Arcminute, 0.2*sky.Arcminute
	for _, c := range []struct {
		phase mountmodel.Phase
		off   sky.Angle
		want  string
	}{
		{mountmodel.Waiting, far, "waiting"}, {mountmodel.Measuring, far, "measuring"},
		{mountmodel.Adjusting, far, "bolt"}, {mountmodel.Adjusting, close, "lock"},
		{mountmodel.Confirming, close, "confirming"}, {mountmodel.Done, close, "done"}, {mountmodel.Done, far, "drifted"},
	} {
		if s := StateFromView(viewOf(northSite, c.phase, c.off, 0), Around{}); s.Do.Code != c.want || s.Phase != string(c.phase) {
			t.Errorf("%s, %v off: %s", c.phase, c.off.Arcminutes(), s.Do.Code)
		}
	}
	if s := StateWithoutSite(Around{StaleAfter: time.Minute}); s.Do.Code != "place" || s.StaleAfterMs != 60000 || s.Site != nil {
		t.Errorf("%+v", s)
	}
}

func TestAdjustFramesAreBounded(t *testing.T) {
	v := viewOf(northSite, mountmodel.Adjusting, 2*sky.Arcminute, 0)
	for i := range 200 {
		v.Adjust = append(v.Adjust, adjust.Report{Name: "a", Mid: testNight.Add(time.Duration(i) * time.Second), Status: *v.Now, Drive: adjust.DriveTracks})
	}
	s := StateFromView(v, Around{})
	if n := len(s.Frames); n != 3+adjustShown {
		t.Errorf("%d frames sent", n)
	}
	if last := s.Frames[len(s.Frames)-1]; last.Mid != UTC(testNight.Add(199*time.Second)) || math.Abs(float64(last.TotalArcmin-s.Now.Offset.TotalArcmin)) > 0 {
		t.Errorf("last frame %+v", last)
	}
	if s.Tracking == nil || !*s.Tracking {
		t.Error("the drive was not told")
	}
	v.Adjust[199].Drive = adjust.DriveUnknown
	if s := StateFromView(v, Around{}); s.Tracking != nil {
		t.Error("the drive was guessed")
	}
}

// Numbers in doubt never ask for a bolt, whatever they are.
func TestDoubtAsksForNoBolt(t *testing.T) {
	for _, phase := range []mountmodel.Phase{mountmodel.Adjusting, mountmodel.Done} {
		v := viewOf(northSite, phase, 9*sky.Arcminute, 4*sky.Arcminute)
		v.Doubt = true
		v.Instruction = "The tube moved on the mount after the measurement: lock the declination and start over."
		s := StateFromView(v, Around{})
		if !s.Doubt || s.Do.Code != "doubt" || s.Do.Text != v.Instruction {
			t.Errorf("%s: told %+v", phase, s.Do)
		}
	}
}

// The way to turn follows the line of sight: a camera that looks 40 degrees east
// of the northern pole goes up when it turns anticlockwise, for who faces north.
func TestTurnTo(t *testing.T) {
	v := measuringView(northSite, 1)
	if s := StateFromView(v, Around{Latest: latestOf(1, testNight, nil)}); s.TurnTo != nil {
		t.Errorf("a way is told although nothing says where the camera looks: %+v", s.TurnTo)
	}
	latest := latestOf(1, testNight, nil)
	latest.Sight = &Direction{AltDeg: 30, AzDeg: 45}
	got := StateFromView(v, Around{Latest: latest}).TurnTo
	if got == nil || math.Abs(float64(got.ByDeg+30)) > 1e-9 || math.Abs(float64(got.LowestDeg-30)) > 1e-9 || len(got.Against) != 0 || !slices.Equal(got.OtherAgainst, []string{"low"}) {
		t.Errorf("%+v", got)
	}
	v.Phase = mountmodel.Adjusting
	if s := StateFromView(v, Around{Latest: latest}); s.TurnTo != nil {
		t.Error("a way is told while bolts are turned")
	}
}

// Sunrise at the place of the tests on 2026-03-15: astropy 5.2 (get_sun, AltAz
// without air) has the Sun's centre at -50 arcminutes, the rule of the Explanatory
// Supplement, at 05:27.3 UTC.
func TestSunIsFollowed(t *testing.T) {
	s, _ := newTestServer(t, Options{})
	now := time.Date(2026, 3, 15, 5, 25, 0, 0, time.UTC)
	s.now = func() time.Time { return now }
	state := StateFromView(viewOf(northSite, mountmodel.Adjusting, 0, 0), Around{Latest: latestOf(1, now, nil)})
	state.Latest.Sight = &Direction{AltDeg: 5, AzDeg: 100}
	if err := s.Publish(state); err != nil {
		t.Fatal(err)
	}
	sun := func() (uint64, Sun) {
		var state State
		snap := s.hub.newest()
		if err := json.Unmarshal(snap.state, &state); err != nil {
			t.Fatal(err)
		}
		return snap.seq, *state.Sun
	}
	if seq, got := sun(); seq != 1 || got.Up || got.NearFrame || got.AltDeg > 0 || !(got.FromFrameDeg < 20) {
		t.Errorf("before sunrise: %d %+v", seq, got)
	}
	now = now.Add(time.Minute)
	s.followSun()
	if seq, _ := sun(); seq != 1 {
		t.Error("published again although nothing changed")
	}
	now = now.Add(4 * time.Minute)
	s.followSun()
	if seq, got := sun(); seq != 2 || !got.Up || !got.NearFrame {
		t.Errorf("after sunrise: %d %+v", seq, got)
	}
}
