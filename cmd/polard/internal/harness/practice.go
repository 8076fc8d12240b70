package harness

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// The practice frames below testdata/ were drawn from the published Tycho-2
// with ERFA (atco13) by code that shares nothing with this project.
var PracticeFolder = filepath.Join(top(), "testdata", "practice")

// top is the folder of the module, above the one in which a test runs.
func top() string {
	folder, err := os.Getwd()
	for err == nil {
		if _, err := os.Stat(filepath.Join(folder, "go.mod")); err == nil {
			return folder
		}
		if filepath.Dir(folder) == folder {
			break
		}
		folder = filepath.Dir(folder)
	}
	return "."
}

// PracticeSet is a folder of practice frames and its truth.
type PracticeSet struct {
	Folder string `json:"-"`
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

func Practice(t testing.TB, folder string) PracticeSet {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(folder, "truth.json"))
	if err != nil {
		t.Fatal(err)
	}
	s := PracticeSet{Folder: folder}
	if err := json.Unmarshal(b, &s); err != nil {
		t.Fatal(err)
	}
	return s
}

// SiteArgs are the options for the set's site.
func (s PracticeSet) SiteArgs() []string {
	option := func(name string, v float64) string { return fmt.Sprintf("--%s=%g", name, v) }
	return []string{
		option("lat", s.Site.Lat), option("lon", s.Site.Lon), option("elevation", s.Site.Elev),
		option("pressure", s.Site.HPa), option("temperature", s.Site.Temp),
	}
}

func (s PracticeSet) Paths() []string {
	var paths []string
	for _, f := range s.Frames {
		paths = append(paths, filepath.Join(s.Folder, f.File))
	}
	return paths
}

// WriteFrame copies a frame into a watched folder in two pieces, as a camera's
// program writes it.
func WriteFrame(t testing.TB, from, to string) {
	t.Helper()
	b, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.Create(to)
	if err != nil {
		t.Fatal(err)
	}
	for _, part := range [][]byte{b[:len(b)/3], b[len(b)/3:]} {
		if _, err := f.Write(part); err != nil {
			t.Fatal(err)
		}
		time.Sleep(20 * time.Millisecond)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}
