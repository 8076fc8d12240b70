package main

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"polard/web"
)

const shapeOfSite = `{"site":{"lat_deg":0,"lon_deg":0,"elevation_m":0},
	"air":{"pressure_hpa":0,"usual_pressure_hpa":0,"temperature_c":0},"time_utc":"",
	"pole":{"kind":"","alt_deg":0,"az_deg":0},"mount":"",
	"latitude_scale":{"set_deg":0,"low":true,"near_deg":0,"refraction_arcmin":0,"refraction_uncertainty_arcsec":0},
	"ground":{"leg_azimuths_deg":[0],"level_near_deg":0,"shaft_near_leg":false,"coupling?":{"lean_deg":0,"lean_towards_az_deg":0,
		"altitude_arcmin_per_azimuth_deg":0,"east_arcmin_per_altitude_deg":0,"latitude_scale_misread_arcmin":0}},
	"compass?":{"bearing_deg":0,"declination_deg":0,"uncertainty_deg":0,"change_deg_per_year":0,"inclination_deg":0,
		"horizontal_nt":0,"total_nt":0,"use":"","model":""},
	"sun":{"up":true,"alt_deg":0,"events":[{"event":"","time_utc":"","shadow_az_deg?":0}],
		"shadow?":{"time_utc":"","az_deg":0,"length_per_height":0,"turn_deg_per_minute":0,"sun_alt_deg":0},
		"shadows":[{"time_utc":"","az_deg":0,"length_per_height":0,"turn_deg_per_minute":0,"sun_alt_deg":0}]},
	"balance?":{"tube_kg":0,
		"right_ascension":{"verdict":"","wanted_mm?":0,"at_mm?":0,"left_over_kg_mm":0,"left_over_newton_m":0,"least_kg?":0,"most_kg?":0},
		"declination":{"verdict":"","shift_mm":0,"left_over_newton_m":0,"side_newton_m":0}},
	"pole_stars":[{"name":"","magnitude_v":0,"hour_angle_deg":0,"polar_distance_arcmin":0,"seen":{"alt_deg":0,"az_deg":0},
		"from_refracted_pole":{"distance_arcmin":0,"position_angle_deg":0,"east_arcmin":0,"up_arcmin":0},
		"from_true_pole":{"distance_arcmin":0,"position_angle_deg":0,"east_arcmin":0,"up_arcmin":0},
		"views":[{"through":"","right_arcmin":0,"up_arcmin":0,"clock_hours":0}]}],
	"eyepiece?":{"magnification":0,"true_field_arcmin":0,"holds_pole_star":true},
	"steps":{"latitude_scale":[""],"ground":[""],"compass":[""],"sun_shadow":[""],"balance":[""],"starting_position":[""]},
	"cautions":[{"title":"","text":""}],
	"warnings":[{"code":"","message":"","file?":""}]}`

// siteOf runs the command with --json.
func siteOf(t *testing.T, args ...string) web.SetupData {
	t.Helper()
	status, stdout, stderr := call(t, append([]string{"site", "--json"}, args...)...)
	if status != exitDone || stderr != "" {
		t.Fatalf("%q: status %d: %s", args, status, stderr)
	}
	if strings.Count(stdout, "\n") != 1 {
		t.Errorf("%q prints %d lines", args, strings.Count(stdout, "\n"))
	}
	hasShape(t, stdout, shapeOfSite)
	var out web.SetupData
	if err := json.Unmarshal([]byte(stdout), &out); err != nil {
		t.Fatal(err)
	}
	return out
}

// setupTable reads the rows of a reference table of testdata/setup.
func setupTable(t *testing.T, name string) []map[string]string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "setup", name))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	var rows []map[string]string
	for line := range strings.Lines(string(data)) {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		fields := strings.Split(line, "\t")
		if names == nil {
			names = fields
			continue
		}
		row := make(map[string]string)
		for i, field := range fields {
			row[names[i]] = field
		}
		rows = append(rows, row)
	}
	return rows
}

func near(t *testing.T, what string, got float64, want string, tol float64) {
	t.Helper()
	w, err := strconv.ParseFloat(want, 64)
	if err != nil {
		t.Fatal(err)
	}
	if !(math.Abs(got-w) <= tol) {
		t.Errorf("%s: %.9g, want %s to %g", what, got, want, tol)
	}
}

// The whole way from options to numbers, against ERFA: the pole star's standing.
func TestSitePoleStarERFA(t *testing.T) {
	// As in mountmodel/setup: 0.005 arcsec on the sky; about the pole, at 0.6 degrees
	// or more from it, that is 0.0002 degrees of angle.
	const tolDeg, tolPADeg = 0.005 / 3600, 0.0002
	for i, r := range setupTable(t, "polestar.tsv") {
		if i%8 != 0 {
			continue
		}
		unix, err := strconv.ParseInt(r["unix"], 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		got := siteOf(t, "--lat", r["lat_deg"], "--lon", r["lon_deg"], "--elevation", r["elevation_m"], "--pressure", r["pressure_hpa"],
			"--temperature", r["temperature_c"], "--date", time.Unix(unix, 0).UTC().Format(time.RFC3339))
		star := got.PoleStars[0]
		if south := star.Name != "Polaris"; south != (r["south"] == "1") {
			t.Errorf("latitude %s: %s", r["lat_deg"], star.Name)
		}
		near(t, "hour angle", star.HourAngleDeg, r["hour_angle_deg"], tolPADeg)
		near(t, "polar distance", star.PolarDistanceArcmin/60, r["polar_distance_deg"], tolDeg)
		near(t, "distance from the refracted pole", star.FromRefracted.DistanceArcmin/60, r["refracted_distance_deg"], tolDeg)
		near(t, "position angle", star.FromRefracted.PositionAngleDeg, r["refracted_pa_deg"], tolPADeg)
		near(t, "distance from the true pole", star.FromTrue.DistanceArcmin/60, r["true_distance_deg"], tolDeg)
		near(t, "position angle", star.FromTrue.PositionAngleDeg, r["true_pa_deg"], tolPADeg)
		near(t, "altitude", float64(star.Seen.AltDeg), r["seen_alt_deg"], tolDeg)
	}
}

// The magnetic declination, against values published with the model. They are given for
// heights up to 80 km; those within a site's limits are few, so the definition's table,
// with heights to 4 km, is used too.
func TestSiteCompass(t *testing.T) {
	// Years are written with days here: a year changes the field by less than 200 nT,
	// a second by nothing that is seen.
	const tolNT = 0.001
	for _, r := range setupTable(t, "magnetic_exact.tsv") {
		year, err := strconv.ParseFloat(r["year"], 64)
		if err != nil {
			t.Fatal(err)
		}
		height, err := strconv.ParseFloat(r["height_km"], 64)
		if err != nil {
			t.Fatal(err)
		}
		whole := int(math.Floor(year))
		begin, end := time.Date(whole, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(whole+1, 1, 1, 0, 0, 0, 0, time.UTC)
		when := begin.Add(time.Duration(math.Round((year - float64(whole)) * float64(end.Sub(begin)))))
		got := siteOf(t, "--lat", r["lat_deg"], "--lon", r["lon_deg"], "--elevation", strconv.FormatFloat(1000*height, 'f', -1, 64), "--date", when.Format(time.RFC3339))
		x, _ := strconv.ParseFloat(r["x_nt"], 64)
		y, _ := strconv.ParseFloat(r["y_nt"], 64)
		z, _ := strconv.ParseFloat(r["z_nt"], 64)
		h := math.Hypot(x, y)
		near(t, "horizontal strength", got.Compass.HorizontalNT, strconv.FormatFloat(h, 'g', -1, 64), tolNT)
		near(t, "total strength", got.Compass.TotalNT, strconv.FormatFloat(math.Hypot(h, z), 'g', -1, 64), tolNT)
		near(t, "declination", got.Compass.DeclinationDeg, strconv.FormatFloat(math.Atan2(y, x)*180/math.Pi, 'g', -1, 64), 60*tolNT/h)
		// sqrt(0.26^2 + (5417/H)^2), the model's own error
		near(t, "its uncertainty", got.Compass.UncertaintyDeg, strconv.FormatFloat(math.Min(180, math.Hypot(0.26, 5417/h)), 'g', -1, 64), 1e-6)
		pole := 0.0
		if got.Site.LatDeg < 0 {
			pole = 180
		}
		if off := math.Mod(got.Compass.BearingDeg+got.Compass.DeclinationDeg-pole+1080+180, 360) - 180; math.Abs(off) > 1e-9 {
			t.Errorf("bearing %g with declination %g", got.Compass.BearingDeg, got.Compass.DeclinationDeg)
		}
	}
}

var quarry = []string{"--lat", "46.32", "--lon", "13.07", "--elevation", "640", "--date", "2026-03-07T22:30:00+01:00"}

func siteArgs(more ...string) []string { return append(append([]string{"site"}, quarry...), more...) }

func TestSiteBalanceAndEyepiece(t *testing.T) {
	// By hand: 8 kg at 200 mm and 0.5 kg at 200 mm: 1700 kg mm; the bar 1 kg in its middle
	// (245 mm) and 2 kg at 150: 545; 1155 left for 4 kg: 288.75 mm. Along the tube 160 - 200
	// = -40 kg mm over 8.5 kg: 4.70588 mm towards the sky. The field: 50 degrees at
	// 40 times, 75 arcmin.
	got := siteOf(t, append(quarry, "--part", "tube,8,200,20", "--part", "camera, 0.5, 200, -400, 10", "--shaft", "110,380,1",
		"--counterweight", "2,150", "--sliding", "4", "--telescope", "1000", "--eyepiece", "25")...)
	b := got.Balance
	if b == nil || b.RA.Verdict != "balanced" || math.Abs(*b.RA.AtMm-288.75) > 1e-9 || math.Abs(b.Dec.ShiftMm-40/8.5) > 1e-9 || b.TubeKg != 8.5 {
		t.Errorf("%+v", b)
	}
	if e := got.Eyepiece; e == nil || math.Abs(e.TrueFieldArcmin-75) > 1e-9 || e.Magnification != 40 {
		t.Errorf("%+v", e)
	} else if want := got.PoleStars[0].FromRefracted.DistanceArcmin < 37.5; e.HoldsPoleStar != want {
		t.Errorf("star at %g arcmin: %+v", got.PoleStars[0].FromRefracted.DistanceArcmin, e)
	}
	// A weight that can sit at the axis itself may be as heavy as one likes: no number.
	got = siteOf(t, append(quarry, "--part", "tube,8,200", "--shaft", "0,100", "--sliding", "4")...)
	if got.Balance.RA.MostKg != nil || got.Balance.RA.Verdict != "shaft too short" || *got.Balance.RA.LeastKg != 16 {
		t.Errorf("%+v", got.Balance.RA)
	}
	// Without a sliding weight there is no place.
	got = siteOf(t, append(quarry, "--part", "tube,8,200")...)
	if got.Balance.RA.AtMm != nil || got.Balance.RA.Verdict != "no sliding weight" {
		t.Errorf("%+v", got.Balance.RA)
	}
}

// Every outcome has its words, in both hemispheres, by day and by night.
func TestSiteText(t *testing.T) {
	balance := func(more ...string) []string {
		return append([]string{"--part", "tube,8,200", "--shaft", "110,380"}, more...)
	}
	for _, c := range []struct {
		name    string
		args    []string
		says    []string
		saysNot []string
	}{
		{"north", siteArgs(), []string{"46.3200 degrees north, 13.0700 degrees east", "latitude scale to 46.3 degrees", "True north by compass", "bearing to true north: 355.5",
			"Polaris", "The Sun is down now", "shadow points to true north", "(UTC+01:00)", "--part, --shaft and --sliding"}, []string{"south by compass", "Octantis"}},
		{"south", []string{"site", "--lat", "-31.4", "--lon", "-70.8", "--date", "2026-03-07 15:00"}, []string{"31.4000 degrees south, 70.8000 degrees west", "latitude scale to 31.4 degrees",
			"True south by compass", "sigma Octantis", "upsilon Octantis", "The Sun is up", "Now the shadow points to", "shadow points to true south"}, []string{"Polaris", "north by compass"}},
		{"true pole", siteArgs("--pole", "true"), []string{"from the true pole now"}, nil},
		{"late year", []string{"site", "--lat", "46", "--lon", "13", "--date", "2031-01-01"}, []string{"covers the years 2025 to 2029", "No bearing"}, []string{"Compass bearing"}},
		{"magnetic pole", []string{"site", "--lat", "86", "--lon", "140", "--date", "2026-01-01"}, []string{"a compass shows nothing", "does not rise"}, []string{"Compass bearing"}},
		{"near it", []string{"site", "--lat", "80", "--lon", "-96", "--date", "2026-07-01"}, []string{"needle is sluggish", "does not set"}, nil},
		{"equator", []string{"site", "--lat", "0", "--lon", "0", "--date", "2026-07-01"}, []string{"behind haze", "shadow points to true south"}, nil},
		{"Earth's pole", []string{"site", "--lat", "-90", "--lon", "0", "--date", "2026-07-01"}, []string{"axis stands upright"}, []string{"leaning by 1 degree"}},
		{"balanced", siteArgs(balance("--sliding", "5")...), []string{"goes 320 mm from", "Declination: balanced as it is"}, []string{"sits to the side"}},
		{"short", siteArgs(balance("--sliding", "3")...), []string{"shaft is too short", "at 533 mm, the shaft ends at 380", "at least 4.21 kg"}, nil},
		{"heavy", siteArgs(balance("--sliding", "30")...), []string{"too heavy"}, nil},
		{"no weight", siteArgs(balance()...), []string{"1600 kg mm", "at least 4.21 kg"}, nil},
		{"fixed", siteArgs("--part", "tube,8,200", "--counterweight", "4,400"), []string{"Right ascension: balanced as it is"}, nil},
		{"tail heavy", siteArgs(balance("--part", "camera,1,200,-450,80", "--sliding", "6")...), []string{"by 50 mm towards its sky end", "0.78 N m about"}, nil},
		{"saddle", siteArgs(balance("--part", "finder,1,200,450", "--sliding", "6", "--saddle", "20")...), []string{"50 mm towards its ground end, the saddle allows 20", "2.65 N m"}, nil},
		{"inside", siteArgs("--telescope", "1000", "--eyepiece", "30"), []string{"Polaris is inside the field"}, nil},
		{"outside", siteArgs("--telescope", "1000", "--eyepiece", "10", "--field-stop", "9"), []string{"Polaris is outside the field", "100 times"}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			status, stdout, stderr := call(t, c.args...)
			if status != exitDone || stderr != "" {
				t.Fatalf("status %d: %s", status, stderr)
			}
			flat := strings.Join(strings.Fields(stdout), " ")
			for _, word := range c.says {
				if !strings.Contains(flat, word) {
					t.Errorf("does not say %q:\n%s", word, stdout)
				}
			}
			for _, word := range append(c.saysNot, "NaN", "%!", "Inf", "-0.0") {
				if strings.Contains(flat, word) {
					t.Errorf("says %q:\n%s", word, stdout)
				}
			}
			// The cautions are there whatever the outcome.
			for _, word := range []string{"manuals", "counterweight", "Tipping", "Pinched", "Cables", "Mains", "The Sun"} {
				if !strings.Contains(flat, word) {
					t.Errorf("no caution of %q", word)
				}
			}
			for line := range strings.Lines(stdout) {
				if n := len([]rune(strings.TrimRight(line, "\n"))); n > lineWidth+2 {
					t.Errorf("line of %d characters: %s", n, line)
				}
			}
		})
	}
}

// Without --date it is computed for now.
func TestSiteNow(t *testing.T) {
	before := time.Now().Add(-time.Second)
	got := siteOf(t, "--lat", "46", "--lon", "13")
	when, err := time.Parse(time.RFC3339, got.TimeUTC)
	if err != nil || when.Before(before.Add(-time.Second)) || when.After(time.Now()) {
		t.Errorf("time %s, %v", got.TimeUTC, err)
	}
}

// The forms of --date; those without a zone mean UTC.
func TestSiteDates(t *testing.T) {
	for text, want := range map[string]string{
		"2026-03-07T21:30:00Z": "2026-03-07T21:30:00Z", "2026-03-07T22:30:00+01:00": "2026-03-07T21:30:00Z", "2026-03-08T08:30+11:00": "2026-03-07T21:30:00Z",
		"2026-03-07T21:30:05": "2026-03-07T21:30:05Z", "2026-03-07 21:30": "2026-03-07T21:30:00Z", "2026-03-07": "2026-03-07T00:00:00Z",
	} {
		if got := siteOf(t, "--lat", "46", "--lon", "13", "--date", text).TimeUTC; got != want {
			t.Errorf("%s is taken as %s", text, got)
		}
	}
}

func TestSiteWrongCalls(t *testing.T) {
	for _, c := range []struct {
		args []string
		says []string
	}{
		{[]string{"site"}, []string{"where the mount stands", "--lat and --lon"}},
		{[]string{"site", "--lat", "46", "--lon", "13", "--mount", "fork", "--shaft", "110,380"}, []string{"a fork has no counterweight shaft", "leave out"}},
		{[]string{"site", "--lat", "46"}, []string{"--lat and --lon go together"}},
		{siteArgs("here"), []string{"takes no argument", `"here"`}},
		{siteArgs("--lat", "91"), []string{"latitude 91"}},
		{siteArgs("--lon", "NaN"), []string{`--lon "NaN"`, "degrees"}},
		{siteArgs("--pole", "magnetic"), []string{"refracted or true"}},
		{siteArgs("--pressure", "5000"), []string{"pressure 5000.0 hPa"}},
		{siteArgs("--date", "tonight"), []string{`--date "tonight"`, "2026-03-07T21:30:00Z"}},
		{siteArgs("--date", ""), []string{`--date ""`}},
		{siteArgs("--date", "2026-02-30"), []string{`--date "2026-02-30"`}},
		{siteArgs("--date", "1900-01-01"), []string{"date 1900-01-01", "1972 to 2099"}},
		{siteArgs("--date", "2100-01-01"), []string{"date 2100-01-01", "1972 to 2099"}},
		{siteArgs("--telescope", "1000"), []string{"--telescope and --eyepiece go together"}},
		{siteArgs("--eyepiece", "25"), []string{"--telescope and --eyepiece go together"}},
		{siteArgs("--field-stop", "25"), []string{"need --telescope and --eyepiece"}},
		{siteArgs("--telescope", "0", "--eyepiece", "25"), []string{"focal length of the telescope is 0 mm"}},
		{siteArgs("--telescope", "1000", "--eyepiece", "NaN"), []string{"focal length of the eyepiece is NaN mm"}},
		{siteArgs("--telescope", "1000", "--eyepiece", "25", "--apparent-field", "0"), []string{"--apparent-field 0", "above 0"}},
		{siteArgs("--telescope", "1000", "--eyepiece", "25", "--apparent-field", "200"), []string{"apparent field is 200"}},
		{siteArgs("--part", "tube"), []string{`--part "tube"`, "tube,7.5,210"}},
		{siteArgs("--part", "tube,8"), []string{`--part "tube,8"`}},
		{siteArgs("--part", ",8,200"), []string{"a name"}},
		{siteArgs("--part", "tube,8,NaN"), []string{"distances in mm"}},
		{siteArgs("--part", "tube,1,2,3,4,5"), []string{"distances in mm"}},
		{siteArgs("--part", "tube,-8,200"), []string{"tube has a mass of -8 kg"}},
		{siteArgs("--part", "tube,8,200", "--counterweight", "5"), []string{`--counterweight "5"`}},
		{siteArgs("--part", "tube,8,200", "--sliding", "5"), []string{"--sliding goes with --shaft"}},
		{siteArgs("--part", "tube,8,200", "--shaft", "380"), []string{`--shaft "380"`, "110,380"}},
		{siteArgs("--part", "tube,8,200", "--shaft", ""), []string{`--shaft ""`, "110,380"}},
		{siteArgs("--part", "tube,8,200", "--shaft", "380,110", "--sliding", "5"), []string{"must be larger"}},
		{siteArgs("--part", "tube,8,200", "--saddle", "-5"), []string{"can be shifted is -5 mm"}},
		{siteArgs("--sliding", "5", "--shaft", "100,300"), []string{"nothing to balance"}},
		{siteArgs("--sliding", "five"), []string{`--sliding "five"`, "number"}},
	} {
		t.Run(strings.Join(c.args, " "), func(t *testing.T) {
			status, stdout, stderr := call(t, c.args...)
			if status != exitUsage || stdout != "" {
				t.Errorf("status %d, prints %q", status, stdout)
			}
			for _, word := range c.says {
				if !strings.Contains(stderr, word) {
					t.Errorf("does not say %q: %s", word, stderr)
				}
			}
			for _, jargon := range []string{"strconv", "syntax", "%!", "<nil>"} {
				if strings.Contains(stderr, jargon) {
					t.Errorf("says %q: %s", jargon, stderr)
				}
			}
		})
	}
}
