package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/fits"
	"polard/mountmodel"
	"polard/mountmodel/sky"
	"polard/web"
)

// sameArcsec is how far two runs over the same frames may differ, in
// arcseconds: they do the same sums, and the page shows tenths at its finest.
const sameArcsec = 1e-3

// sameStanding compares what the page is told with what the axis command
// prints.
func sameStatus(t *testing.T, what string, got *web.AxisStatus, axis directionJSON, o offsetJSON, m moveJSON, u uncertaintyJSON) {
	t.Helper()
	if got == nil {
		t.Fatalf("%s: the page has no numbers", what)
	}
	for _, c := range []struct {
		name      string
		got, want float64 // arcseconds
	}{
		{"axis altitude", float64(got.Axis.AltDeg) * 3600, axis.AltDeg * 3600},
		{"axis azimuth", float64(got.Axis.AzDeg) * 3600, axis.AzDeg * 3600},
		{"altitude offset", float64(got.Offset.AltArcmin) * 60, o.AltArcmin * 60},
		{"azimuth offset", float64(got.Offset.AzArcmin) * 60, o.AzArcmin * 60},
		{"total offset", float64(got.Offset.TotalArcmin) * 60, o.TotalArcmin * 60},
		{"altitude uncertainty", float64(got.Uncertainty.AltArcsec), u.AltArcsec},
		{"azimuth uncertainty", float64(got.Uncertainty.AzArcsec), u.AzArcsec},
		{"correlation", float64(got.Uncertainty.Correlation), u.Correlation},
	} {
		if !(math.Abs(c.got-c.want) <= sameArcsec) {
			t.Errorf("%s: %s is %.4f on the page, polard axis prints %.4f", what, c.name, c.got, c.want)
		}
	}
	told := map[string]string{}
	for _, move := range got.Moves {
		told[move.Bolt] = move.Text
	}
	if told["altitude"] != m.Altitude || told["azimuth"] != m.Azimuth {
		t.Errorf("%s: the page tells %v, polard axis %q and %q", what, told, m.Altitude, m.Azimuth)
	}
}

// A service that comes late to a folder, or falls behind the camera: as soon as a
// frame shows that the bolts are being turned, only the newest of those that wait
// is read, and stands where it stands without the others. Each is kept as dealt
// with, also over a restart; until then each one measures.
func TestNewestWhileTurning(t *testing.T) {
	harness.NotUnderRace(t)
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder, state := t.TempDir(), t.TempDir()
	for i, f := range set.Frames {
		harness.WriteFrame(t, set.Paths()[i], filepath.Join(folder, f.File))
	}
	args := append([]string{"serve", folder, "--state", state, "--measure", strconv.Itoa(set.Measure)}, set.SiteArgs()...)
	r := start(t, args...)
	last := len(set.Frames) - 1
	s := r.After(t, set.Frames[last].File)
	turned := set.Measure // the first frame that shows the bolts turned
	read := append(append([]string{}, set.Paths()[:turned+1]...), set.Paths()[last])
	a := axisOf(t, append(append([]string{"--measure", strconv.Itoa(set.Measure)}, set.SiteArgs()...), read...)...)
	if len(a.Adjust) != 2 || s.Latest.ID != int64(len(read)) {
		t.Fatalf("%d frames read on the page, %d after the measurement by polard axis", s.Latest.ID, len(a.Adjust))
	}
	sameStatus(t, "the newest", s.Now, a.Adjust[1].Axis, a.Adjust[1].Offset, a.Adjust[1].Move, a.Adjust[1].Uncertainty)
	for _, again := range []string{"", "after a restart"} {
		if again != "" {
			r.Stop(t)
			r = start(t, args...)
			r.After(t, set.Frames[last].File)
			harness.WriteFrame(t, harness.PracticeFolder+"/solve_000/f0.fits", filepath.Join(folder, "further.fits"))
			r.After(t, "further.fits") // whatever was to be taken again was so before
		}
		var want []string
		for _, f := range set.Frames {
			want = append(want, f.File)
		}
		if again != "" {
			want = append(want, "further.fits")
		}
		var kept []string
		b := harness.Book(t, state)
		harness.Eventually(t, "what is shown is kept", func() (bool, string) { // a slow disk may come after the page
			kept = framesKept(t, b, folder)
			return len(kept) >= len(want), strings.Join(kept, " ")
		})
		slices.Sort(kept) // the newest came before those that it was taken in place of
		slices.Sort(want)
		if strings.Join(kept, " ") != strings.Join(want, " ") {
			t.Errorf("%s kept %v, want %v", again, kept, want)
		}
	}
	status, stdout, stderr := call(t, "log", "--state", state, "--json", "1")
	if n := strings.Count(stdout, "newer frames were waiting"); status != exitDone || n != last-turned-1 {
		t.Errorf("status %d, %d passed over: %s%s", status, n, stdout, stderr)
	}
}

// The service, given the frames one by one, shows the numbers that polard axis
// prints for the same frames.
func TestServeShowsWhatAxisPrints(t *testing.T) {
	t.Run("measuring", func(t *testing.T) {
		set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
		folder := t.TempDir()
		r := start(t, append([]string{"serve", folder}, set.SiteArgs()...)...)
		var s *web.State
		for i, f := range set.Frames[:set.Measure] {
			harness.WriteFrame(t, set.Paths()[i], filepath.Join(folder, f.File))
			s = r.After(t, f.File)
			if i < 1 {
				continue
			}
			a := axisOf(t, append(set.SiteArgs(), set.Paths()[:i+1]...)...)
			what := fmt.Sprintf("%d frames", i+1)
			sameStatus(t, what, s.Measured, *a.Axis, *a.Offset, *a.Move, *a.Uncertainty)
			if math.Abs(float64(s.TurnDeg)-a.TurnDeg)*3600 > sameArcsec || (s.Chi2Dof == nil) != (a.Chi2Dof == nil) {
				t.Errorf("%s: turn %v and %v, chi-square %v and %v", what, s.TurnDeg, a.TurnDeg, s.Chi2Dof, a.Chi2Dof)
			}
			if len(s.Frames) != len(a.Frames) {
				t.Fatalf("%s: %d frames on the page, %d printed", what, len(s.Frames), len(a.Frames))
			}
			for j, f := range a.Frames {
				g := s.Frames[j]
				if g.File != filepath.Base(f.File) || g.Status != f.Status || f.ResidualArcsec == nil || math.Abs(float64(g.ResidualArcsec)-*f.ResidualArcsec) > sameArcsec {
					t.Errorf("%s: the page shows %+v, polard axis %+v", what, g, f)
				}
			}
			if s.Pole.Kind != a.Pole.Kind || math.Abs(float64(s.Pole.AltDeg)-a.Pole.AltDeg)*3600 > sameArcsec {
				t.Errorf("%s: pole %+v and %+v", what, s.Pole, a.Pole)
			}
		}
		if s.Latest.Matched == 0 || len(s.Latest.Stars) == 0 || !s.Latest.Solved {
			t.Errorf("the last frame's stars are not shown: %+v", s.Latest)
		}
	})
	t.Run("adjusting", func(t *testing.T) {
		set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
		folder := t.TempDir()
		measure := []string{"--measure", strconv.Itoa(set.Measure)}
		r := start(t, append(append([]string{"serve", folder}, measure...), set.SiteArgs()...)...)
		a := axisOf(t, append(append(measure, set.SiteArgs()...), set.Paths()...)...)
		for i, f := range set.Frames {
			harness.WriteFrame(t, set.Paths()[i], filepath.Join(folder, f.File))
			s := r.After(t, f.File)
			if k := i - set.Measure; k >= 0 {
				sameStatus(t, f.File, s.Now, a.Adjust[k].Axis, a.Adjust[k].Offset, a.Adjust[k].Move, a.Adjust[k].Uncertainty)
				if s.Tracking == nil || *s.Tracking != a.Adjust[k].Tracking {
					t.Errorf("%s: tracking %v, polard axis %v", f.File, s.Tracking, a.Adjust[k].Tracking)
				}
			}
			if i >= set.Measure-1 {
				sameStatus(t, "measured", s.Measured, *a.Axis, *a.Offset, *a.Move, *a.Uncertainty)
			}
		}
	})
}

// A folder that holds frames already: those written within --since are taken,
// older ones passed over, also behind a symbolic link; one that is written
// again is taken after all.
func TestServeFolderWithOldFrames(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	real := t.TempDir()
	folder := filepath.Join(t.TempDir(), "link")
	if err := os.Symlink(real, folder); err != nil {
		t.Skip(err)
	}
	hours := func(h time.Duration) time.Time { return time.Now().Add(-h * time.Hour) }
	for i, age := range []time.Duration{5, 1} {
		path := filepath.Join(real, set.Frames[i].File)
		harness.WriteFrame(t, set.Paths()[i], path)
		if err := os.Chtimes(path, hours(age), hours(age)); err != nil {
			t.Fatal(err)
		}
	}
	r := start(t, append([]string{"serve", folder, "--since", "2h"}, set.SiteArgs()...)...)
	r.After(t, "f1.fits")
	// An old file that comes later is a new frame here.
	late := filepath.Join(t.TempDir(), "f2.fits")
	harness.WriteFrame(t, set.Paths()[2], late)
	if err := os.Chtimes(late, hours(5), hours(5)); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(late, filepath.Join(real, "f2.fits")); err != nil {
		t.Skip("the temporary folders lie on two file systems")
	}
	s := r.After(t, "f2.fits")
	if len(s.Frames) != 2 || s.Frames[0].File != "f1.fits" {
		t.Errorf("frames taken: %+v, want f1 and f2", s.Frames)
	}
	harness.WriteFrame(t, set.Paths()[0], filepath.Join(real, "f0.fits"))
	r.After(t, "f0.fits")
	if status, _ := r.Stop(t); status != exitDone {
		t.Errorf("status %d", status)
	}
}

// Without a place the page asks for it. Frames wait for it; what the command
// line says of air and pole stays.
func TestServeWithoutPlace(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder := t.TempDir()
	r := start(t, "serve", folder)
	if s := r.State(t); s == nil || s.Phase != web.PhasePlace || s.Site != nil {
		t.Fatalf("state before anything: %+v", s)
	}
	for i := range 2 {
		harness.WriteFrame(t, set.Paths()[i], filepath.Join(folder, set.Frames[i].File))
		if s := r.After(t, set.Frames[i].File); s.Phase != web.PhasePlace || !s.Latest.Solved {
			t.Errorf("with a frame but no place: %+v", s)
		}
	}
	// What cannot be is refused, and nothing changes.
	for _, c := range []struct{ path, body string }{
		{"tolerance", `{"arcmin":-1}`},
		{"site", `{"lat_deg":91,"lon_deg":0}`},
		{"event", `{"event":"measured"}`},
	} {
		if status, answer := r.Post(t, c.path, c.body); status < 400 || !strings.Contains(answer, `"detail":"`) {
			t.Errorf("%s %s: status %d: %s", c.path, c.body, status, answer)
		}
	}
	if s := r.State(t); s.Phase != web.PhasePlace {
		t.Errorf("a wrong command left the phase %s", s.Phase)
	}
	if status, answer := r.Post(t, "tolerance", `{"arcmin":2.5}`); status != http.StatusNoContent {
		t.Errorf("tolerance: %d %s", status, answer)
	}
	place := fmt.Sprintf(`{"lat_deg":%g,"lon_deg":%g,"elevation_m":%g,"pressure_hpa":%g,"temperature_c":%g}`,
		set.Site.Lat, set.Site.Lon, set.Site.Elev, set.Site.HPa, set.Site.Temp)
	if status, answer := r.Post(t, "site", place); status != http.StatusNoContent {
		t.Fatalf("site: %d %s", status, answer)
	}
	s := r.State(t)
	a := axisOf(t, append(set.SiteArgs(), set.Paths()[:2]...)...)
	sameStatus(t, "frames from before", s.Measured, *a.Axis, *a.Offset, *a.Move, *a.Uncertainty)
	if s.ToleranceArcmin != 2.5 || s.Site == nil || float64(s.Site.LatDeg) != set.Site.Lat {
		t.Errorf("tolerance %v, site %+v", s.ToleranceArcmin, s.Site)
	}
}

// Latitude and longitude 0 are a place like any other.
func TestServeAtZero(t *testing.T) {
	r := start(t, "serve", t.TempDir())
	if status, answer := r.Post(t, "site", `{"lat_deg":0,"lon_deg":0}`); status != http.StatusNoContent {
		t.Fatalf("site: %d %s", status, answer)
	}
	if s := r.State(t); s.Site == nil || s.Phase != string(mountmodel.Waiting) {
		t.Errorf("state: %+v", s)
	}
}

// writeWithSite writes a frame anew with a place in its header.
func writeWithSite(t *testing.T, from, to string, site sky.Site) {
	t.Helper()
	frame, err := fits.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	frame.Site = &site
	var b bytes.Buffer
	if err := fits.Write(&b, frame); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}

// The place may come from a frame's header; what the command line says of the
// air and the pole is laid over it, for the page as for polard axis.
func TestPlaceFromHeader(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	site := sky.Site{Latitude: sky.Angle(set.Site.Lat) * sky.Degree, Longitude: sky.Angle(set.Site.Lon) * sky.Degree, ElevationM: set.Site.Elev}
	from, folder := t.TempDir(), t.TempDir()
	var paths []string
	for i := range 2 {
		paths = append(paths, filepath.Join(from, set.Frames[i].File))
		writeWithSite(t, set.Paths()[i], paths[i], site)
	}
	options := []string{fmt.Sprintf("--pressure=%g", set.Site.HPa), fmt.Sprintf("--temperature=%g", set.Site.Temp), "--pole=true"}
	r := start(t, append([]string{"serve", folder}, options...)...)
	a := axisOf(t, append(options, paths...)...)
	// The axis does not depend on the pole aimed at; the truth knows it.
	checkAxis(t, "place from the header", *a.Axis, uncertaintyJSON{AltArcsec: sharp, AzArcsec: sharp}, set.Start.AxisAlt, set.Start.AxisAz, axisWithin)
	var s *web.State
	for i, path := range paths {
		harness.WriteFrame(t, path, filepath.Join(folder, set.Frames[i].File))
		s = r.After(t, set.Frames[i].File)
	}
	sameStatus(t, "page", s.Measured, *a.Axis, *a.Offset, *a.Move, *a.Uncertainty)
	if s.Pole.Kind != "true" || a.Pole.Kind != "true" || float64(s.Site.PressureHPa) != set.Site.HPa || float64(s.Site.TemperatureC) != set.Site.Temp {
		t.Errorf("pole %+v and %+v, site %+v", s.Pole, a.Pole, s.Site)
	}
}

// What is no frame is told by name and reason, and the next frame is read.
func TestServeBadFiles(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder := t.TempDir()
	r := start(t, append([]string{"serve", folder}, set.SiteArgs()...)...)
	if err := os.WriteFile(filepath.Join(folder, "text.fits"), bytes.Repeat([]byte("hello "), 2000), 0o644); err != nil {
		t.Fatal(err)
	}
	s := r.After(t, "text.fits")
	if s.Latest.Solved || s.Latest.Problem == nil || s.Latest.Problem.Code != "malformed" || strings.Contains(s.Latest.Problem.Message, "text.fits") {
		t.Errorf("a text file: %+v", s.Latest.Problem)
	}
	harness.WriteFrame(t, set.Paths()[1], filepath.Join(folder, "f1.fits"))
	if s := r.After(t, "f1.fits"); !s.Latest.Solved || len(s.Frames) != 2 {
		t.Errorf("the frame behind it: %+v", s)
	}
	// The very same frame under another name is passed over.
	harness.WriteFrame(t, set.Paths()[1], filepath.Join(folder, "again.fits"))
	harness.Eventually(t, "the repeated frame", func() (bool, string) {
		return strings.Contains(r.Stderr.String(), "passed over"), r.Stderr.String()
	})
	if s := r.State(t); s.Latest.File != "f1.fits" || len(s.Frames) != 2 {
		t.Errorf("after the same frame again: %+v", s.Frames)
	}
}

func TestServePortInUse(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	status, stdout, stderr := call(t, "serve", t.TempDir(), "--addr", l.Addr().String())
	if status != exitNot || stdout != "" || !strings.Contains(stderr, l.Addr().String()+" is in use") || !strings.Contains(stderr, "--addr") {
		t.Errorf("status %d: %s%s", status, stdout, stderr)
	}
}

// The service ends within two seconds, with a page open, while frames come in.
func TestServeStops(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder := t.TempDir()
	r := start(t, append([]string{"serve", folder}, set.SiteArgs()...)...)
	live := listen(t, r.URL)
	harness.WriteFrame(t, set.Paths()[1], filepath.Join(folder, "f1.fits"))
	r.After(t, "f1.fits")
	harness.WriteFrame(t, set.Paths()[2], filepath.Join(folder, "f2.fits"))
	status, took := r.Stop(t)
	if status != exitDone || took > harness.StopsWithin() {
		t.Errorf("status %d after %v, want %d within %v", status, took, exitDone, harness.StopsWithin())
	}
	for range live.states { // the service closes it
	}
	if conn, err := net.DialTimeout("tcp", strings.Trim(strings.TrimPrefix(r.URL, "http:"), "/"), time.Second); err == nil {
		conn.Close()
		t.Error("the port is still open")
	}
}

// A command that is interrupted says so and ends with status 1.
func TestInterrupted(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	for _, args := range [][]string{
		append([]string{"solve", "--json"}, set.Paths()...),
		append(append([]string{"axis", "--json"}, set.SiteArgs()...), set.Paths()...),
	} {
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		var stdout, stderr harness.Output
		if status := execute(ctx, args, &stdout, &stderr); status != exitNot || !strings.Contains(stderr.String(), "stopped before") {
			t.Errorf("%s: status %d: %s", args[0], status, stderr.String())
		}
		if stdout.String() != "" {
			t.Errorf("%s: prints %s", args[0], stdout.String())
		}
	}
}

// brokenPipe fails like standard output whose reader has gone.
type brokenPipe struct{}

func (brokenPipe) Write([]byte) (int, error) { return 0, io.ErrClosedPipe }

func TestOutputThatCannotBeWritten(t *testing.T) {
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	for _, args := range [][]string{
		{"solve", set.Paths()[1]}, {"solve", "--json", set.Paths()[1]},
		append(append([]string{"axis"}, set.SiteArgs()...), set.Paths()[1:3]...),
		append(append([]string{"axis", "--json"}, set.SiteArgs()...), set.Paths()[1:3]...),
		{"version"},
	} {
		if status := execute(t.Context(), args, brokenPipe{}, io.Discard); status != exitNot {
			t.Errorf("%s: status %d, want %d", args[0], status, exitNot)
		}
	}
}

// What is printed as JSON can always be read: there is no NaN in JSON.
func TestAxisReportWithoutNumbers(t *testing.T) {
	var b bytes.Buffer
	r := axisReport{failure: mountmodel.ErrNotMeasured}
	if err := r.print(&b, true); err != nil {
		t.Fatal(err)
	}
	if !json.Valid(b.Bytes()) {
		t.Errorf("not JSON: %s", b.String())
	}
}
