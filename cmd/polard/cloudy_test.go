package main

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/pipeline"
	"polard/cmd/polard/internal/service"
	"polard/fits"
	"polard/mountmodel/logbook"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
)

var (
	cloudyEvery = flag.Duration("cloudy", 0, "time between the frames of TestCloudyNight, which are of full size then; 'make cloudy' takes 2s")
	cloudyKills = flag.Int("cloudy.kills", 2, "how many times TestCloudyNight kills the service")
	cloudySeed  = flag.Uint64("cloudy.seed", 0, "seed of TestCloudyNight; 0 for one of its own")
)

// kinds of frames of a cloudy night
const (
	clearSky  = 'A' // through the camera that measures
	otherSky  = 'B' // through another one of another size
	likeSky   = 'C' // through another one of the same size, whose header names no optics
	scattered = 'l' // lights that are no stars, as many as those
	overcast  = 'c' // a bright sky and a few stars
	capped    = 'k' // the cap is on
)

// cloudyNights are clouds before any frame was solved, three frames that measure, and clouds, the cap and other cameras between
// the frames that follow: in short, and for make cloudy.
const (
	cloudyNightInShort = "lcAAlAlkAcABBlACAlA"
	wholeCloudyNight   = "llcllAcAAllllllAlkkkkAAccccAlllBBlBllAAkkCCllCCAlA"
)

// TestCloudyNight plays a night in the real service, which is killed at random moments meanwhile. No frame is missing in
// the log and none is there twice; what shows the sky is solved and nothing else is. make cloudy plays it with
// full frames at the pace of a night and prints how long the first clear frame after clouds takes from its file to its numbers:
// half a second is asked for.
func TestCloudyNight(t *testing.T) {
	harness.NotUnderRace(t)
	seed := *cloudySeed
	if seed == 0 {
		seed = uint64(time.Now().UnixNano())
	}
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 5))
	night, every, size := wholeCloudyNight, *cloudyEvery, 1
	if every == 0 {
		night, every, size = cloudyNightInShort, 150*time.Millisecond, 3
	}
	begin := time.Now().UTC().Truncate(time.Millisecond)
	files := cloudyFrames(t, rng, night, begin, size, max(every, 2*time.Second))
	folder, state := t.TempDir(), t.TempDir()
	args := []string{"serve", folder, "--state", state, "--measure", "3", "--lat", "46.318", "--lon", "13.072", "--elevation", "640"}
	p := spawn(t, args...)
	var kill []int
	for range *cloudyKills {
		kill = append(kill, rng.IntN(len(files)))
	}
	told := map[string]time.Time{}
	page := listen(t, p.URL)
	drain := func(until time.Time) {
		for {
			select {
			case m, open := <-page.states:
				if !open {
					time.Sleep(time.Until(until))
					return
				}
				if l := m.state.Latest; l != nil && told[l.File].IsZero() {
					told[l.File] = m.at
				}
			case <-time.After(time.Until(until)):
				return
			}
		}
	}
	next := time.Now()
	written := make([]time.Time, len(files))
	for i, data := range files {
		path := filepath.Join(folder, nameOf(i))
		if err := errors.Join(os.WriteFile(path+".part", data, 0o644), os.Rename(path+".part", path)); err != nil {
			t.Fatal(err)
		}
		written[i] = time.Now()
		next = next.Add(every)
		if slices.Contains(kill, i) {
			drain(time.Now().Add(time.Duration(rng.Int64N(int64(every)))))
			p.kill()
			p = spawn(t, args...)
			page = listen(t, p.URL)
		}
		drain(next)
		if kind := night[i]; *cloudyEvery == 0 && (kind == otherSky || kind == likeSky) {
			// Through another camera it takes the deeper search, which ends when a newer frame comes: on a busy machine that is not
			// through by then.
			for end := time.Now().Add(harness.Patience); told[nameOf(i)].IsZero() && time.Now().Before(end); {
				drain(time.Now().Add(20 * time.Millisecond))
			}
			next = time.Now()
		}
	}
	var kept []*logbook.Frame
	harness.Eventually(t, "all frames in the logbook", func() (bool, string) {
		kept = kept[:0]
		b := harness.Book(t, state)
		defer b.Close()
		s, err := b.Last(t.Context(), folder, time.Time{})
		if err != nil || s == nil {
			return false, fmt.Sprint(err)
		}
		if err := b.Entries(t.Context(), s.ID, false, func(e logbook.Entry) error {
			if e.Frame != nil {
				kept = append(kept, e.Frame)
			}
			return nil
		}); err != nil {
			return false, err.Error()
		}
		return len(kept) >= len(files), fmt.Sprintf("%d of %d; log: %s", len(kept), len(files), p.Stderr.String())
	})
	drain(time.Now().Add(10 * time.Millisecond))
	p.kill()
	seen := map[string]*logbook.Frame{}
	for _, f := range kept {
		if seen[f.Sighting.Name] != nil {
			t.Errorf("%s is there twice", f.Sighting.Name)
		}
		seen[f.Sighting.Name] = f
	}
	for i := range files {
		kind := night[i]
		f := seen[nameOf(i)]
		if f == nil {
			t.Errorf("%s (%c) is missing", nameOf(i), kind)
			continue
		}
		clear := kind == clearSky || kind == otherSky || kind == likeSky
		if solved := f.Code == ""; solved != clear && f.Code != service.CodePassedOver {
			t.Errorf("%s (%c): solved %v: %s", nameOf(i), kind, solved, f.Sighting.Refused)
		}
		if at := told[nameOf(i)]; !at.IsZero() && *cloudyEvery > 0 {
			first := ""
			if clear && i > 0 && night[i-1] != kind {
				first = "  <- first clear frame"
			}
			fmt.Printf("%s %c %6.0f ms%s\n", nameOf(i), kind, float64(at.Sub(written[i]).Microseconds())/1000, first)
		}
	}
}

func nameOf(i int) string { return fmt.Sprintf("frame %02d.fits", i) }

// cloudyFrames draws the files of a cloudy night, so many times smaller than full ones.
func cloudyFrames(t *testing.T, rng *rand.Rand, night string, begin time.Time, smaller int, every time.Duration) (files [][]byte) {
	cat, err := pipeline.Catalogue()
	if err != nil {
		t.Fatal(err)
	}
	rigOf := func(change func(*rehearsal.Camera)) *rehearsal.Rig {
		c := rehearsal.Quillmere(begin)
		change(&c.Camera)
		c.Camera.Width /= smaller
		c.Camera.Height /= smaller
		c.Camera.PixelUm *= float64(smaller)
		c.Camera.HotPixels /= smaller * smaller
		c.Camera.FWHMPx = max(1.8, c.Camera.FWHMPx/float64(smaller))
		r, err := rehearsal.NewRig(cat, c)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	rigs := map[byte]*rehearsal.Rig{
		clearSky: rigOf(func(*rehearsal.Camera) {}),
		otherSky: rigOf(func(c *rehearsal.Camera) {
			c.Width, c.Height, c.FocalMm, c.FocalTypedMm, c.Angle = 1920, 1080, 160, 160, 2
		}),
		likeSky: rigOf(func(c *rehearsal.Camera) { c.FocalMm, c.FocalTypedMm, c.Angle = 52, 0, -1 }),
	}
	measured := 0
	for i, kind := range []byte(night) {
		at := begin.Add(time.Duration(i) * every)
		rig := rigs[clearSky]
		if rigs[kind] != nil {
			rig = rigs[kind]
		}
		for _, r := range rigs {
			if kind == clearSky && measured > 0 && measured < 3 {
				err = r.TurnRA(25 * sky.Degree)
			} else if kind == clearSky && measured >= 3 {
				err = r.TurnAltitudeBolt(0.05)
			}
			if err == nil {
				err = r.SetCloud(map[byte]float64{overcast: 7, capped: 50, scattered: 50}[kind])
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		if kind == clearSky {
			measured++
		}
		frame, err := rig.Expose(at)
		if err != nil {
			t.Fatal(err)
		}
		if kind == scattered {
			scatterLights(rng, frame, 30+rng.IntN(200))
		}
		var b bytes.Buffer
		if err := fits.Write(&b, frame); err != nil {
			t.Fatal(err)
		}
		files = append(files, b.Bytes())
	}
	return files
}

// scatterLights draws round lights where no stars are, some bright and most faint.
func scatterLights(rng *rand.Rand, f *fits.Frame, n int) {
	for range n {
		x0, y0 := float64(f.Width)*rng.Float64(), float64(f.Height)*rng.Float64()
		height := 150 / math.Max(0.02, rng.Float64())
		for y := max(0, int(y0)-6); y < min(f.Height, int(y0)+7); y++ {
			for x := max(0, int(x0)-6); x < min(f.Width, int(x0)+7); x++ {
				f.Pix[y*f.Width+x] += float32(height * math.Exp(-(math.Pow(float64(x)-x0, 2)+math.Pow(float64(y)-y0, 2))/2.5))
			}
		}
	}
}
