package main

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/pipeline"
	"polard/cmd/polard/internal/service"
	"polard/fits"
	"polard/fits/watch"
	"polard/mountmodel"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
	"polard/web"
)

// speedFrames is how many frames of 2 megapixels make the median.
const speedFrames = 20

// sessionFrames are the files of a session: three frames that measure, 30
// degrees apart, then frames after small turns of both bolts.
func sessionFrames(b *testing.B) (config rehearsal.Config, files [][]byte) {
	b.Helper()
	config = rehearsal.Quillmere(time.Date(2026, 11, 3, 19, 12, 0, 0, time.UTC))
	cat, err := pipeline.Catalogue()
	if err != nil {
		b.Fatal(err)
	}
	rig, err := rehearsal.NewRig(cat, config)
	if err != nil {
		b.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	at := config.Start
	for i := range speedFrames {
		switch {
		case i == 0:
		case i < mountFrames:
			err = rig.TurnRA(mountTurn)
		default:
			turnBolts(rng, rig, config)
		}
		if err != nil {
			b.Fatal(err)
		}
		at = at.Add(betweenFrames)
		frame, err := rig.Expose(at)
		if err != nil {
			b.Fatal(err)
		}
		var data bytes.Buffer
		if err := fits.Write(&data, frame); err != nil {
			b.Fatal(err)
		}
		files = append(files, data.Bytes())
	}
	return config, files
}

// BenchmarkFrameToPage measures the time from the moment at which a camera's
// program has closed a file of 2 megapixels to the numbers at a page's
// websocket, through the whole service:
//
//	go test -run xxx -bench FrameToPage ./cmd/polard
//
// The watcher leaves a file alone for its quiet time before it reads it; the
// second measurement does nearly without.
func BenchmarkFrameToPage(b *testing.B) {
	config, files := sessionFrames(b)
	for _, c := range []struct {
		name  string
		quiet time.Duration
	}{
		{fmt.Sprintf("quiet=%v", watch.DefaultQuiet), watch.DefaultQuiet},
		{"quiet=1ms", time.Millisecond},
	} {
		b.Run(c.name, func(b *testing.B) {
			var first, all, told []float64
			for b.Loop() {
				took, byPage := frameToPage(b, config, files, c.quiet)
				first, all, told = append(first, took[0]), append(all, took...), append(told, byPage...)
			}
			b.ReportMetric(quantile(all, 0.5), "median-ms")
			b.ReportMetric(quantile(all, 0.95), "p95-ms")
			b.ReportMetric(quantile(told, 0.5), "told-by-page-ms")
			b.ReportMetric(quantile(first, 0.5), "first-ms")
			b.ReportMetric(0, "ns/op") // the sum over all frames and pauses says nothing
		})
	}
}

// frameToPage runs one session and gives for each frame the milliseconds to
// the page, and as many as the page itself tells.
func frameToPage(b *testing.B, config rehearsal.Config, files [][]byte, quiet time.Duration) (took, byPage []float64) {
	b.Helper()
	folder := b.TempDir()
	p, err := pipeline.New()
	if err != nil {
		b.Fatal(err)
	}
	var log harness.Output
	urls := make(chan string, 1)
	cfg := mountmodel.Config{Site: config.Site, Air: config.Air, Tolerance: sky.Arcminute, MeasureFrames: mountFrames}
	s := service.New(service.Options{
		Pipeline: p, Config: cfg, Placed: true, Log: newLogger(&log), Page: web.Options{Addr: "127.0.0.1:0"},
		Folder: watch.Options{Folder: folder, Quiet: quiet}, Ready: func(_ *web.Server, url string) { urls <- url },
	})
	ctx, end := context.WithCancel(b.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	defer func() {
		end()
		if err := <-ended; err != nil {
			b.Error(err)
		}
	}()
	page := listen(b, <-urls)
	for i, data := range files {
		name := fmt.Sprintf("frame%02d.fits", i)
		if err := os.WriteFile(filepath.Join(folder, name), data, 0o644); err != nil {
			b.Fatal(err)
		}
		complete := time.Now()
		for arrived := false; !arrived; {
			select {
			case m := <-page.states:
				if l := m.state.Latest; l != nil && l.File == name {
					if !l.Solved || i >= 1 && m.state.Now == nil {
						b.Fatalf("%s gave no numbers: %+v\n%s", name, l, log.String())
					}
					byPage = append(byPage, float64(l.TookMs))
					took = append(took, float64(m.at.Sub(complete).Microseconds())/1000)
					arrived = true
				}
			case <-time.After(harness.Patience):
				b.Fatalf("%s did not reach the page\n%s", name, log.String())
			}
		}
		// The picture follows; the next frame comes when it is done.
		time.Sleep(200 * time.Millisecond)
	}
	return took, byPage
}
