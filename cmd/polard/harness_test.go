package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"polard/web"
)

// testPatience is how long a test waits for what takes a second or so on an
// idle machine: a busy one under the race detector takes thirty times that, and
// one that is emulated longer still.
var testPatience = 2 * time.Minute

func init() {
	flag.DurationVar(&testPatience, "patience", testPatience, "how long a test waits for what takes a second on an idle machine")
}

// notUnderRace skips a test under the race detector, which makes sums many times
// slower, where it has nothing to find: no goroutines meet, or they do so in
// another test already.
func notUnderRace(t *testing.T) {
	t.Helper()
	if underRace {
		t.Skip("nothing for the race detector here")
	}
}

// output takes what a command prints, from any goroutine.
type output struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.String()
}

// call runs a command to its end.
func call(t *testing.T, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, err output
	status = execute(t.Context(), args, &out, &err)
	return status, out.String(), err.String()
}

// running is a service that was started by a command.
type running struct {
	url            string
	stdout, stderr output
	end            context.CancelFunc
	ended          chan int
}

// start runs a command that serves the page, on a free port unless it says another.
func start(t *testing.T, args ...string) *running {
	t.Helper()
	return startWith(t, func(ctx context.Context, r *running) int {
		return execute(ctx, slices.Insert(slices.Clone(args), 1, "--addr", "127.0.0.1:0"), &r.stdout, &r.stderr)
	})
}

var pageAddress = regexp.MustCompile(`https?://[0-9.:\[\]]+/`)

// startWith runs a service until the test ends.
func startWith(t *testing.T, run func(context.Context, *running) int) *running {
	t.Helper()
	ctx, end := context.WithCancel(context.WithoutCancel(t.Context()))
	r := &running{end: end, ended: make(chan int, 1)}
	go func() { r.ended <- run(ctx, r) }()
	t.Cleanup(func() {
		r.end()
		select {
		case <-r.ended:
		case <-time.After(testPatience):
			t.Error("the service did not end")
		}
	})
	eventually(t, "the page's address", func() (bool, string) {
		r.url = pageAddress.FindString(r.stdout.String())
		select {
		case status := <-r.ended:
			r.ended <- status
			t.Fatalf("ended with status %d: %s", status, r.stderr.String())
		default:
		}
		return r.url != "", r.stdout.String()
	})
	return r
}

// stop ends the service as Ctrl-C does, and gives its status and how long
// that took.
func (r *running) stop(t *testing.T) (status int, took time.Duration) {
	t.Helper()
	begin := time.Now()
	r.end()
	select {
	case status = <-r.ended:
		r.ended <- status
	case <-time.After(testPatience):
		t.Fatal("the service did not end")
	}
	return status, time.Since(begin)
}

// eventually waits until something holds; what it tells meanwhile goes into
// the failure.
func eventually(t *testing.T, what string, holds func() (bool, string)) {
	t.Helper()
	var told string
	for end := time.Now().Add(testPatience); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		var yes bool
		if yes, told = holds(); yes {
			return
		}
	}
	t.Fatalf("waited in vain for %s; last: %s", what, told)
}

// state asks the state endpoint.
func (r *running) state(t *testing.T) *web.State {
	t.Helper()
	answer, err := http.Get(r.url + "api/v1/state")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	var envelope struct {
		State *web.State `json:"state"`
	}
	if err := json.NewDecoder(answer.Body).Decode(&envelope); err != nil {
		t.Fatal(err)
	}
	return envelope.State
}

// after waits until a file was dealt with and its numbers are published.
func (r *running) after(t *testing.T, file string) *web.State {
	t.Helper()
	var s *web.State
	eventually(t, "the numbers of "+file, func() (bool, string) {
		s = r.state(t)
		if s == nil || s.Latest == nil {
			return false, "no frame yet; log: " + r.stderr.String()
		}
		return s.Latest.File == file, s.Latest.File + "; log: " + r.stderr.String()
	})
	return s
}

// post sends a command as the page does.
func (r *running) post(t *testing.T, path, body string) (status int, answer string) {
	t.Helper()
	resp, err := http.Post(r.url+"api/v1/"+path, "application/json", strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(b)
}

// The practice frames below testdata/ were drawn from the published Tycho-2
// with ERFA (atco13) by code that shares nothing with this project.
const practiceFolder = top + "/testdata/practice"

// practiceSet is a folder of practice frames and its truth.
type practiceSet struct {
	folder string
	Kind   string `json:"kind"`
	// The first Measure frames were taken before the bolts were turned.
	Measure int `json:"n_measure"`
	Site    struct {
		Lat  float64 `json:"lat"`
		Lon  float64 `json:"lon"`
		Elev float64 `json:"elev"`
		HPa  float64 `json:"hpa"`
		Temp float64 `json:"temp"`
	} `json:"site"`
	Start struct {
		PoleAlt float64 `json:"pole_alt_deg"`
		PoleAz  float64 `json:"pole_az_deg"`
		AxisAlt float64 `json:"axis_alt_deg"`
		AxisAz  float64 `json:"axis_az_deg"`
		Alt     float64 `json:"axis_minus_pole_alt_arcmin"`
		Az      float64 `json:"axis_minus_pole_az_arcmin"`
		Total   float64 `json:"total_arcmin"`
	} `json:"start"`
	Frames []struct {
		File    string  `json:"file"`
		AxisAlt float64 `json:"axis_alt_deg"`
		AxisAz  float64 `json:"axis_az_deg"`
		Theta   float64 `json:"theta_deg"`
	} `json:"frames"`
	Tracking bool `json:"tracking"`
}

func practice(t testing.TB, folder string) practiceSet {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(folder, "truth.json"))
	if err != nil {
		t.Fatal(err)
	}
	s := practiceSet{folder: folder}
	if err := json.Unmarshal(b, &s); err != nil {
		t.Fatal(err)
	}
	return s
}

// practiceSets are the sets of a kind below testdata/, and in the folder that
// POLARD_PRACTICE names, if it does.
func practiceSets(t *testing.T, kind string) []practiceSet {
	t.Helper()
	var sets []practiceSet
	for _, root := range []string{practiceFolder, os.Getenv("POLARD_PRACTICE")} {
		if root == "" {
			continue
		}
		folders, err := filepath.Glob(filepath.Join(root, kind+"_*"))
		if err != nil || len(folders) == 0 {
			t.Fatalf("no %s frames below %s (%v)", kind, root, err)
		}
		for _, folder := range folders {
			sets = append(sets, practice(t, folder))
		}
	}
	return sets
}

// siteArgs are the options for the set's site.
func (s practiceSet) siteArgs() []string {
	option := func(name string, v float64) string { return fmt.Sprintf("--%s=%g", name, v) }
	return []string{
		option("lat", s.Site.Lat), option("lon", s.Site.Lon), option("elevation", s.Site.Elev),
		option("pressure", s.Site.HPa), option("temperature", s.Site.Temp),
	}
}

func (s practiceSet) paths() []string {
	var paths []string
	for _, f := range s.Frames {
		paths = append(paths, filepath.Join(s.folder, f.File))
	}
	return paths
}

// axisOf runs polard axis --json and reads what it prints.
func axisOf(t *testing.T, args ...string) axisJSON {
	t.Helper()
	status, stdout, stderr := call(t, append([]string{"axis", "--json"}, args...)...)
	if status != exitDone {
		t.Fatalf("polard axis: status %d: %s%s", status, stdout, stderr)
	}
	var a axisJSON
	if err := json.Unmarshal([]byte(stdout), &a); err != nil {
		t.Fatalf("%v: %s", err, stdout)
	}
	return a
}

// Differences of directions in arcseconds: of altitude, and of azimuth as seen
// on the sky and around the horizon.
func differ(got directionJSON, altDeg, azDeg float64) (alt, sky, az float64) {
	alt = (got.AltDeg - altDeg) * 3600
	az = (math.Mod(got.AzDeg-azDeg+540, 360) - 180) * 3600
	return alt, az * math.Cos(altDeg*math.Pi/180), az
}
