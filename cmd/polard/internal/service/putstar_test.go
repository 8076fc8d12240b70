package service

import (
	"math"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/pipeline"
	"polard/mountmodel"
	"polard/mountmodel/axis"
	"polard/mountmodel/observed"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
	"polard/web"

	"gonum.org/v1/gonum/spatial/r3"
)

// A rig that is moved so that the stars stand on their marks has its axis at the pole: the
// simulated rig is turned as a whole by the shortest way from its axis to the pole, and its
// own camera then has the stars on the marks, to a pixel.
func TestStarsToPut(t *testing.T) {
	harness.NotUnderRace(t)
	start := time.Date(2026, 3, 7, 21, 30, 0, 0, time.UTC)
	p, err := pipeline.New()
	if err != nil {
		t.Fatal(err)
	}
	cat, err := pipeline.Catalogue()
	if err != nil {
		t.Fatal(err)
	}
	for name, config := range map[string]rehearsal.Config{"north": rehearsal.Quillmere(start), "south, mirrored": rehearsal.Karrabine(start)} {
		t.Run(name, func(t *testing.T) {
			rig, err := rehearsal.NewRig(cat, harness.Quick(config))
			if err != nil {
				t.Fatal(err)
			}
			frame, err := rig.Expose(start)
			if err != nil {
				t.Fatal(err)
			}
			o := p.Read(t.Context(), frame.Name, frame, nil)
			if o.Problem != nil {
				t.Fatal(o.Problem.Message)
			}
			truth := rig.Truth(frame.Mid)
			view := mountmodel.View{Site: config.Site, Air: config.Air, Pole: truth.Pole, Phase: mountmodel.Adjusting, Free: true,
				Now: &axis.Status{Axis: axis.Axis{Dir: truth.Axis}}}
			var l web.Latest
			locate(&l, o.Solution, o.Frame.Mid, view)
			if len(l.Put) != 2 {
				t.Fatalf("%d stars to put", len(l.Put))
			}
			about := sky.Unit(r3.Cross(sky.Vec(truth.Axis), sky.Vec(truth.Pole)))
			if err := rig.Bump(r3.Scale(float64(sky.Separation(truth.Axis, truth.Pole)), about)); err != nil {
				t.Fatal(err)
			}
			after := rig.Truth(frame.Mid)
			if off := sky.Separation(after.Axis, after.Pole); off > 0.01*sky.Arcsecond {
				t.Fatalf("the axis is still %.2f arcsec from the pole", off.Arcseconds())
			}
			observer, err := observed.NewObserver(config.Site, config.Air, frame.Mid, 0)
			if err != nil {
				t.Fatal(err)
			}
			scale := sky.Atan2(config.Camera.PixelUm/1000, config.Camera.FocalMm).Radians()
			for _, put := range l.Put {
				for _, pair := range o.Solution.Pairs {
					if float64(put.X) != pair.Pixel.X || float64(put.Y) != pair.Pixel.Y {
						continue
					}
					c := after.Camera.Transpose().Apply(sky.Vec(observer.Observed(pair.ICRS)))
					x := float64(config.Camera.Width-1)/2 + c.X/c.Z/scale
					y := float64(config.Camera.Height-1)/2 + c.Y/c.Z/scale
					if math.Hypot(float64(put.ToX)-x, float64(put.ToY)-y) > 1 || !put.Inside {
						t.Errorf("to %.1f %.1f, want %.1f %.1f", put.ToX, put.ToY, x, y)
					}
				}
			}
			view.Within = true
			var done web.Latest
			locate(&done, o.Solution, o.Frame.Mid, view)
			if len(done.Put) > 0 {
				t.Error("stars to put though the axis is within")
			}
		})
	}
}
