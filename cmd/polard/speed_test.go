package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
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

// sessionFrames writes the files of a session: three frames that measure, 30
// degrees apart, then frames after small turns of both bolts. The field stays that of
// the rehearsal whatever the frames' width and height. They lie on the disk: in the memory of this process,
// which is that of the program too, they would take what the program allows itself.
func sessionFrames(b *testing.B, width, height, frames int) (config rehearsal.Config, files []string) {
	b.Helper()
	folder := b.TempDir()
	config = rehearsal.Quillmere(time.Date(2026, 11, 3, 19, 12, 0, 0, time.UTC))
	config.Camera.PixelUm *= float64(config.Camera.Width) / float64(width)
	config.Camera.Width, config.Camera.Height = width, height
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
	for i := range frames {
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
		files = append(files, filepath.Join(folder, fmt.Sprintf("frame%02d.fits", i)))
		if err := os.WriteFile(files[i], data.Bytes(), 0o644); err != nil {
			b.Fatal(err)
		}
	}
	return config, files
}

// copyFile writes a file as a camera's program does: under its name, piece by piece.
func copyFile(b *testing.B, to, from string) {
	b.Helper()
	in, err := os.Open(from)
	if err != nil {
		b.Fatal(err)
	}
	defer in.Close()
	out, err := os.Create(to)
	if err == nil {
		_, err = io.Copy(out, in)
		err = errors.Join(err, out.Close())
	}
	if err != nil {
		b.Fatal(err)
	}
}

// BenchmarkFrameToPage measures the time from the moment at which a camera's
// program has closed a file to the numbers at a page's websocket, through the
// whole service:
//
//	go test -run xxx -bench FrameToPage ./cmd/polard
//
// The requirement is a p95, warm, of 100 ms at 2 megapixels and of 250 ms at 26 on
// two quiet cores: an answer while the hand is still on the bolt.
func BenchmarkFrameToPage(b *testing.B) {
	for _, c := range []struct{ width, height, frames int }{{1600, 1200, 60}, {6240, 4160, 8}} {
		b.Run(fmt.Sprintf("%.0fMpx", float64(c.width*c.height)/1e6), func(b *testing.B) {
			config, files := sessionFrames(b, c.width, c.height, c.frames)
			var first, warm, told []float64
			for b.Loop() {
				took, byPage := frameToPage(b, config, files)
				first, warm, told = append(first, took[0]), append(warm, took[1:]...), append(told, byPage[1:]...)
			}
			b.ReportMetric(quantile(warm, 0.5), "median-ms")
			b.ReportMetric(quantile(warm, 0.95), "p95-ms")
			b.ReportMetric(quantile(told, 0.5), "told-by-page-ms")
			b.ReportMetric(quantile(first, 0.5), "first-ms")
			b.ReportMetric(0, "ns/op") // the sum over all frames and pauses says nothing
		})
	}
}

// frameToPage runs one session and gives for each frame the milliseconds to
// the page, and as many as the page itself tells.
func frameToPage(b *testing.B, config rehearsal.Config, files []string) (took, byPage []float64) {
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
		Folder: watch.Options{Folder: folder}, Ready: func(_ *web.Server, url string) { urls <- url },
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
	for i, file := range files {
		name := filepath.Base(file)
		copyFile(b, filepath.Join(folder, name), file)
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
