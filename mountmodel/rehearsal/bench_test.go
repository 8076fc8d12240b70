package rehearsal_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"polard/catalogs"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/rehearsal/rehearsaltest"
)

func bundled(tb testing.TB) *catalogs.Catalogue {
	tb.Helper()
	c, err := catalogs.Open()
	if err != nil {
		tb.Fatal(err)
	}
	return c
}

var evening = time.Date(2026, 11, 3, 19, 12, 0, 0, time.UTC)

func BenchmarkExpose(b *testing.B) {
	catalogue := bundled(b)
	untracked := rehearsal.Quillmere(evening)
	untracked.Mount.Tracking = false
	for _, c := range []struct {
		name   string
		config rehearsal.Config
	}{
		{"quillmere", rehearsal.Quillmere(evening)},
		{"quillmere-drive-off", untracked},
		{"karrabine", rehearsal.Karrabine(evening)},
	} {
		b.Run(c.name, func(b *testing.B) {
			rig, err := rehearsal.NewRig(catalogue, c.config)
			if err != nil {
				b.Fatal(err)
			}
			stars, err := rig.Stars(evening)
			if err != nil {
				b.Fatal(err)
			}
			for b.Loop() {
				if _, err := rig.Expose(evening); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(len(stars)), "stars")
		})
	}
	b.Run("random", func(b *testing.B) {
		rng := rand.New(rand.NewPCG(1, 2))
		for b.Loop() {
			config := rehearsaltest.RandomRig(rng)
			rig, err := rehearsal.NewRig(catalogue, config)
			if err != nil {
				b.Fatal(err)
			}
			if _, err := rig.Expose(config.Start); err != nil {
				b.Fatal(err)
			}
		}
	})
}
