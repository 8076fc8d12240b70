package main

import (
	"bytes"
	"flag"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/fits"
	"polard/mountmodel"
	"polard/mountmodel/logbook"
)

var soaked = flag.Int("soak", 150, "how many frames TestSoak sends through the service; 'make soak' takes 20000")

// soakBatch is how many frames lie in the folder at a time, between two
// readings of the curve.
const soakBatch = 50

// taking is what a process takes of the machine.
type taking struct {
	frames            int
	residentKB, files int
	goroutines        int
	logbookKB         int64
	elapsed           time.Duration
}

// Frames without end through the service as a process of its own: a measurement,
// locked and confirmed, then a mount that tracks, a frame every five seconds of its
// time.
// The curve of memory, goroutines and open files is logged; after the first
// fifth it must be flat.
func TestSoak(t *testing.T) {
	harness.NotUnderRace(t)
	if _, err := os.Stat("/proc/self/status"); err != nil {
		t.Skip("what a process takes is read from /proc")
	}
	n := harness.NewNight(t, 3)
	state := t.TempDir()
	p := spawn(t, "serve", n.Folder, "--state", state, "--measure", "3", "--lat", "46.318", "--lon", "13.072", "--elevation", "640")
	listen(t, p.URL) // a page that is open all night
	n.Turns = 6
	for k := range n.Turns {
		if k == 3 {
			if status, answer := p.Post(t, "event", `{"event":"locked"}`); status != http.StatusNoContent {
				t.Fatal(status, answer)
			}
		}
		n.Expose()
		p.After(t, n.Names[k])
	}
	if s := p.State(t); s.Phase != string(mountmodel.Done) {
		t.Fatalf("phase %s: %+v", s.Phase, s.Warnings)
	}
	base, err := n.Rig.Expose(n.At)
	if err != nil {
		t.Fatal(err)
	}
	begin := time.Now()
	var curve []taking
	for sent := 0; sent < *soaked; {
		var last string
		var written []string
		for range min(soakBatch, *soaked-sent) {
			sent++
			f := *base
			f.Start, f.Mid = base.Start.Add(time.Duration(sent)*5*time.Second), base.Mid.Add(time.Duration(sent)*5*time.Second)
			f.Pix[0] = float32(500 + sent%100)
			var b bytes.Buffer
			if err := fits.Write(&b, &f); err != nil {
				t.Fatal(err)
			}
			last = fmt.Sprintf("soak %06d.fits", sent)
			path := filepath.Join(n.Folder, last)
			if err := os.WriteFile(path+".part", b.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
			if err := os.Rename(path+".part", path); err != nil {
				t.Fatal(err)
			}
			written = append(written, path)
		}
		// All of them, not only the last: one may be noticed late.
		harness.Eventually(t, "all frames up to "+last, func() (bool, string) {
			l := p.State(t).Latest
			if !l.Solved {
				t.Fatalf("%s: %+v", l.File, l.Problem)
			}
			return l.ID == int64(sent+n.Turns), fmt.Sprintf("%d frames, %s", l.ID, l.File)
		})
		for _, path := range written {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
		}
		r := p.takes(t, state)
		r.frames, r.elapsed = sent, time.Since(begin)
		curve = append(curve, r)
		if every := max(1, *soaked/soakBatch/20); len(curve)%every == 0 || sent == *soaked {
			t.Logf("%6d frames, %v: %d kB resident, %d goroutines, %d open files, logbook %d kB", r.frames, r.elapsed.Round(time.Second), r.residentKB, r.goroutines, r.files, r.logbookKB)
		}
	}
	early, late := curve[len(curve)/5], curve[len(curve)-1]
	// A leak of one goroutine or file a frame would show as thousands, and so
	// would one of a kilobyte a frame beside a heap that breathes by some tens of
	// megabytes.
	const breath = 64 << 10 // kB
	if late.goroutines > early.goroutines+10 || late.files > early.files+10 || late.residentKB > early.residentKB+breath {
		t.Errorf("from %+v to %+v", early, late)
	}
	b := harness.Book(t, state)
	s, err := b.Last(t.Context(), n.Folder, time.Time{})
	if err != nil || s == nil {
		t.Fatal(s, err)
	}
	harness.Eventually(t, "all frames in the logbook", func() (bool, string) {
		count := 0
		if err := b.Entries(t.Context(), s.ID, false, func(e logbook.Entry) error {
			if e.Frame != nil {
				count++
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		return count == *soaked+n.Turns, fmt.Sprint(count)
	})
	// And a restart behind so many frames.
	p.kill()
	again := time.Now()
	p = spawn(t, "serve", n.Folder, "--state", state, "--measure", "3", "--lat", "46.318", "--lon", "13.072", "--elevation", "640")
	harness.Eventually(t, "the session", func() (bool, string) {
		s := p.State(t)
		return s != nil && s.Latest != nil && s.Latest.ID == int64(*soaked+n.Turns), p.Stderr.String()
	})
	t.Logf("going on after a kill: %v", time.Since(again).Round(time.Millisecond))
}

var (
	residentLine  = regexp.MustCompile(`VmRSS:\s+(\d+) kB`)
	goroutineLine = regexp.MustCompile(`(?m)^go_goroutines (\d+)`)
)

// takes reads what the process takes.
func (p *process) takes(t *testing.T, state string) (r taking) {
	t.Helper()
	proc := fmt.Sprintf("/proc/%d/", p.cmd.Process.Pid)
	status, err := os.ReadFile(proc + "status")
	if err != nil {
		t.Fatal(err)
	}
	number := func(re *regexp.Regexp, text string) int {
		m := re.FindStringSubmatch(text)
		if m == nil {
			t.Fatalf("no %v in %s", re, text)
		}
		v, _ := strconv.Atoi(m[1])
		return v
	}
	r.residentKB = number(residentLine, string(status))
	open, err := os.ReadDir(proc + "fd")
	if err != nil {
		t.Fatal(err)
	}
	r.files = len(open)
	answer, err := http.Get(p.URL + "metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	var b bytes.Buffer
	if _, err := b.ReadFrom(answer.Body); err != nil {
		t.Fatal(err)
	}
	r.goroutines = number(goroutineLine, b.String())
	for _, suffix := range []string{"", "-wal"} {
		if info, err := os.Stat(filepath.Join(state, logbook.FileName+suffix)); err == nil {
			r.logbookKB += info.Size() >> 10
		}
	}
	return r
}
