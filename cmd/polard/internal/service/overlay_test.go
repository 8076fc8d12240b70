package service

import (
	"math"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/cmd/polard/internal/pipeline"
	"polard/fits/watch"
	"polard/mountmodel"
	"polard/mountmodel/axis"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
	"polard/web"
)

// Where the pole and the way to it lie in a frame, against the simulated rig's own
// knowledge of where its camera looks; the frame itself is drawn and solved.
func TestPoleInFrame(t *testing.T) {
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
	for _, c := range []struct {
		name     string
		config   rehearsal.Config
		distance sky.Angle
		inside   bool
	}{
		{"north, inside", rehearsal.Quillmere(start), 0.9 * sky.Degree, true},
		{"north, far", rehearsal.Quillmere(start), 14 * sky.Degree, false},
		{"south, mirrored, inside", rehearsal.Karrabine(start), 0.8 * sky.Degree, true},
		{"south, mirrored, far", rehearsal.Karrabine(start), 60 * sky.Degree, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.config.Mount.PolarDistance = c.distance
			rig, err := rehearsal.NewRig(cat, harness.Quick(c.config))
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
			view := mountmodel.View{Site: c.config.Site, Air: c.config.Air, Pole: truth.Pole,
				Now: &axis.Status{Axis: axis.Axis{Dir: truth.Axis}}}
			l := web.Latest{Sight: sightOf(FrameEntry(o, watch.Arrival{}, 0), view)}
			locate(&l, o.Solution, o.Frame.Mid, view)

			// One pixel of this camera is 8 arcsec; a solution is better than half of one.
			const within = 0.5
			scale := sky.Atan2(c.config.Camera.PixelUm/1000, c.config.Camera.FocalMm)
			alt, az := sky.AltAzFromLocal(truth.Boresight())
			seen := sky.LocalFromAltAz(sky.Angle(l.Sight.AltDeg)*sky.Degree, sky.Angle(l.Sight.AzDeg)*sky.Degree)
			if away := sky.Separation(seen, truth.Boresight()); away > within*scale {
				t.Errorf("the frame looks %s from where the camera does (altitude %.3f, azimuth %.3f)", sky.AngleWords(away), alt.Degrees(), az.Degrees())
			}
			for name, d := range map[string]struct {
				got  *web.InFrame
				true sky.Local
			}{"pole": {l.Pole, truth.Pole}, "axis": {l.Axis, truth.Axis}} {
				camera := truth.Camera.Transpose().Apply(sky.Vec(d.true))
				if d.got.Inside != c.inside {
					t.Fatalf("%s: %+v", name, d.got)
				}
				away := sky.Separation(d.true, truth.Boresight()).Degrees()
				if math.Abs(float64(d.got.AwayDeg)-away) > within*scale.Degrees() {
					t.Errorf("%s: %.4f degrees from the middle, want %.4f", name, d.got.AwayDeg, away)
				}
				way := sky.Atan2(camera.Y, camera.X)
				// The way is as sharp as the roll of the camera and the pixels over the distance.
				if off := (sky.Angle(d.got.TowardsDeg)*sky.Degree - way).Signed().Abs(); off > 0.2*sky.Degree {
					t.Errorf("%s: on the way %.2f degrees, want %.2f", name, d.got.TowardsDeg, way.Degrees())
				}
				if !c.inside {
					continue
				}
				x := float64(c.config.Camera.Width-1)/2 + camera.X/camera.Z/scale.Radians()
				y := float64(c.config.Camera.Height-1)/2 + camera.Y/camera.Z/scale.Radians()
				if math.Hypot(float64(d.got.X)-x, float64(d.got.Y)-y) > within {
					t.Errorf("%s at %.2f %.2f, want %.2f %.2f", name, d.got.X, d.got.Y, x, y)
				}
			}
		})
	}
}
