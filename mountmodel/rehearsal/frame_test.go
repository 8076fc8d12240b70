package rehearsal_test

import (
	"bytes"
	"math"
	"slices"
	"testing"
	"time"

	"polard/catalogs"
	"polard/fits"
	"polard/mountmodel/observed"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
)

// observedPixels places stars by the Observer and the pinhole formula alone.
func observedPixels(t *testing.T, rig *rehearsal.Rig, stars fewStars, mid time.Time) map[int32]sky.Pixel {
	t.Helper()
	c := rig.Config()
	o, err := observed.NewObserver(c.Site, c.Air, mid, 0)
	if err != nil {
		t.Fatal(err)
	}
	toCamera := rig.Truth(mid).Camera.Transpose()
	places := map[int32]sky.Pixel{}
	for _, s := range stars {
		v := toCamera.Apply(sky.Vec(o.Observed(s.At(2000 + mid.Sub(time.Date(2000, 1, 1, 12, 0, 0, 0, time.UTC)).Hours()/8766))))
		f := c.Camera.FocalMm * 1000 / c.Camera.PixelUm
		x, y := f*v.X/v.Z, f*v.Y/v.Z
		corner := math.Hypot(float64(c.Camera.Width-1)/2, float64(c.Camera.Height-1)/2)
		k := 1 + c.Camera.Distortion*(x*x+y*y)/(corner*corner)
		places[s.ID] = sky.Pixel{X: float64(c.Camera.Width-1)/2 + k*x, Y: float64(c.Camera.Height-1)/2 + k*y}
	}
	return places
}

// starsAround puts bright stars on a ring about the boresight and one near
// its middle.
func starsAround(t *testing.T, c rehearsal.Config, ring sky.Angle) fewStars {
	t.Helper()
	rig := newRig(t, fewStars{}, c)
	mid := c.Start.Add(c.Exposure / 2)
	o, err := observed.NewObserver(c.Site, c.Air, mid, 0)
	if err != nil {
		t.Fatal(err)
	}
	camera := rig.Truth(mid).Camera
	var stars fewStars
	for i := range 9 {
		r, a := ring, sky.Angle(i)*40*sky.Degree
		if i == 0 {
			r = ring / 20
		}
		d := sky.Local(camera.Apply(sky.Vec{X: r.Sin() * a.Cos(), Y: r.Sin() * a.Sin(), Z: r.Cos()}))
		stars = append(stars, catalogs.Star{ID: int32(i), Dir: o.ICRS(d), V: 4 + float32(i)/20})
	}
	return stars
}

// centroid is the centre of light within a Gaussian window on the star,
// iterated (Bertin's windowed position, in the SExtractor manual): unbiased for
// a symmetric image.
func centroid(f *fits.Frame, near sky.Pixel, background float64) sky.Pixel {
	const sigma, radius, rounds = 2.0, 8, 30
	p := near
	for range rounds {
		sum, sx, sy := 0.0, 0.0, 0.0
		for y := int(p.Y) - radius; y <= int(p.Y)+radius; y++ {
			for x := int(p.X) - radius; x <= int(p.X)+radius; x++ {
				if x < 0 || y < 0 || x >= f.Width || y >= f.Height {
					continue
				}
				dx, dy := float64(x)-p.X, float64(y)-p.Y
				w := math.Exp(-(dx*dx+dy*dy)/(2*sigma*sigma)) * (float64(f.Pix[y*f.Width+x]) - background)
				sum, sx, sy = sum+w, sx+w*dx, sy+w*dy
			}
		}
		p.X += 2 * sx / sum
		p.Y += 2 * sy / sum
	}
	return p
}

// quiet is a rig on a dark night, without faults. The stars of starsAround give
// it a million electrons and more, so that their middle is known to FWHM / (2.35
// sqrt(electrons)), a thousandth of a pixel.
func quiet(c rehearsal.Config) rehearsal.Config {
	c.Camera.HotPixels = 0
	c.Camera.ReadE, c.Camera.DarkE = 4, 0
	c.Camera.GainE, c.Camera.FullWellE = 4, 260000
	c.Camera.ApertureMm = 60
	c.Camera.FWHMPx = 3
	c.Night = rehearsal.Night{SkyMag: 28}
	return c
}

// In the drawn frame the stars are where Observer and pinhole formula put them.
func TestStarsAreWhereObserved(t *testing.T) {
	const within = 0.01 // pixels
	distorted := quiet(rehearsal.Quillmere(evening))
	distorted.Camera.Distortion = -0.05
	bent := quiet(rehearsal.Karrabine(evening))
	bent.Camera.Distortion = 0.03
	low := quiet(rehearsal.Quillmere(evening))
	low.Mount.PolarDistance, low.Mount.HourAngle = 35*sky.Degree, 170*sky.Degree // altitude near 12 degrees
	off := quiet(rehearsal.Quillmere(evening))
	off.Mount.Tracking = false
	fast := off
	fast.Mount.PolarDistance = 85 * sky.Degree
	for name, c := range map[string]rehearsal.Config{
		"north": quiet(rehearsal.Quillmere(evening)), "south, mirrored": quiet(rehearsal.Karrabine(evening)),
		"barrel": distorted, "pincushion": bent, "low": low, "drive off": off, "trailed": fast,
	} {
		stars := starsAround(t, c, 1*sky.Degree)
		rig := newRig(t, stars, c)
		frame, err := rig.Expose(c.Start)
		if err != nil {
			t.Fatal(err)
		}
		want := observedPixels(t, rig, stars, frame.Mid)
		told, err := rig.Stars(c.Start)
		if err != nil {
			t.Fatal(err)
		}
		if len(told) != len(stars) {
			t.Errorf("%s: the rig tells of %d stars, want %d", name, len(told), len(stars))
		}
		worst := 0.0
		for id, w := range want {
			got := centroid(frame, w, c.Camera.BiasADU)
			d := math.Hypot(got.X-w.X, got.Y-w.Y)
			worst = max(worst, d)
			if !(d < within) {
				t.Errorf("%s: star %d at %.4f, %.4f, want %.4f, %.4f", name, id, got.X, got.Y, w.X, w.Y)
			}
			i := slices.IndexFunc(told, func(s rehearsal.ImagedStar) bool { return s.ID == id })
			if i < 0 || math.Hypot(told[i].Pixel.X-w.X, told[i].Pixel.Y-w.Y) > 1e-4 {
				t.Errorf("%s: the rig tells another place of star %d", name, id)
			}
		}
		t.Logf("%s: worst %.4f px", name, worst)
	}
}

// A mirror swaps columns and nothing else.
func TestMirror(t *testing.T) {
	c := quiet(rehearsal.Quillmere(evening))
	stars := starsAround(t, c, 1*sky.Degree)
	plain := observedStars(t, stars, c)
	c.Camera.Mirrored = true
	for id, m := range observedStars(t, stars, c) {
		p := plain[id]
		if math.Abs(m.X-(float64(c.Camera.Width-1)-p.X)) > 1e-6 || math.Abs(m.Y-p.Y) > 1e-6 {
			t.Errorf("star %d: %v mirrored is %v", id, p, m)
		}
	}
	// Turning the camera by half a turn swaps both.
	c.Camera.Mirrored = false
	c.Camera.Angle += 180 * sky.Degree
	for id, r := range observedStars(t, stars, c) {
		p := plain[id]
		if math.Abs(r.X-(float64(c.Camera.Width-1)-p.X)) > 1e-6 || math.Abs(r.Y-(float64(c.Camera.Height-1)-p.Y)) > 1e-6 {
			t.Errorf("star %d: %v turned is %v", id, p, r)
		}
	}
}

// With the camera's rows towards the pole and no mirror, an image with row 0
// at the bottom has north up and east left.
func TestHandedness(t *testing.T) {
	for _, c := range []rehearsal.Config{quiet(rehearsal.Quillmere(evening)), quiet(rehearsal.Karrabine(evening))} {
		c.Mount.OffsetAlt, c.Mount.OffsetAz = 0, 0
		c.Camera.Angle, c.Camera.Mirrored = 0, false
		c.Mount.PolarDistance = 50 * sky.Degree
		rig := newRig(t, fewStars{}, c)
		mid := c.Start.Add(c.Exposure / 2)
		o, err := observed.NewObserver(c.Site, c.Air, mid, 0)
		if err != nil {
			t.Fatal(err)
		}
		ra, dec := sky.RADecFromICRS(o.ICRS(rig.Truth(mid).Boresight()))
		step := 0.3 * sky.Degree
		places := observedStars(t, fewStars{
			{ID: 0, Dir: sky.ICRSFromRADec(ra, dec), V: 5},
			{ID: 1, Dir: sky.ICRSFromRADec(ra, dec+step), V: 5},                               // north of it
			{ID: 2, Dir: sky.ICRSFromRADec(ra+sky.Angle(float64(step)/dec.Cos()), dec), V: 5}, // east of it
		}, c)
		up := places[1].Y > places[0].Y
		left := places[2].X < places[0].X
		if north := !c.Site.South(); up != north || left != north {
			t.Errorf("%s: north up %v, east left %v", c.Place, up, left)
		}
	}
}

func observedStars(t *testing.T, stars fewStars, c rehearsal.Config) map[int32]sky.Pixel {
	t.Helper()
	told, err := newRig(t, stars, c).Stars(c.Start)
	if err != nil {
		t.Fatal(err)
	}
	places := map[int32]sky.Pixel{}
	for _, s := range told {
		places[s.ID] = s.Pixel
	}
	if len(places) != len(stars) {
		t.Fatalf("%d of %d stars in the field", len(places), len(stars))
	}
	return places
}

// With the drive off a star leaves a trail as long as the sky turns: 15.041
// arcsec a second times cos(declination), its middle at mid-exposure. An even
// trail of length L has the variance L^2/12 along itself.
func TestTrail(t *testing.T) {
	c := quiet(rehearsal.Quillmere(evening))
	c.Mount.Tracking = false
	c.Mount.OffsetAlt, c.Mount.OffsetAz = 0, 0
	c.Mount.PolarDistance, c.Mount.HourAngle = 80*sky.Degree, 0
	c.Camera.Angle = 0 // rows run along the hour circle
	c.Exposure = 8 * time.Second
	c.Camera.ApertureMm = 30
	stars := starsAround(t, c, 1*sky.Degree)[:1]
	along, across := spread(t, c, stars)
	c.Mount.Tracking = true
	roundAlong, roundAcross := spread(t, c, stars)

	length := 15.041 * 8 * sky.Angle(c.Mount.PolarDistance.Sin()) * sky.Arcsecond / c.Camera.Scale()
	got := math.Sqrt(12 * (along - roundAlong))
	t.Logf("trail of %.2f px, want %.2f", got, float64(length))
	// 1 %: cut wings and the steps of the trail each change the variance by less.
	if math.Abs(got/float64(length)-1) > 0.01 {
		t.Errorf("a trail of %.3f px, want %.3f", got, float64(length))
	}
	if math.Abs(across-roundAcross) > 0.01*roundAcross+0.02 {
		t.Errorf("across the trail the variance is %.3f, tracked %.3f", across, roundAcross)
	}
	if math.Abs(roundAlong-roundAcross) > 0.02*roundAlong {
		t.Errorf("the tracked star is not round: %.3f along, %.3f across", roundAlong, roundAcross)
	}
}

// spread is the variance of a lone star's light along columns and rows, in
// square pixels, within a box that holds all of the trail.
func spread(t *testing.T, c rehearsal.Config, stars fewStars) (along, across float64) {
	t.Helper()
	rig := newRig(t, stars, c)
	f, err := rig.Expose(c.Start)
	if err != nil {
		t.Fatal(err)
	}
	told, err := rig.Stars(c.Start)
	if err != nil || len(told) != 1 {
		t.Fatalf("%d stars, %v", len(told), err)
	}
	p := told[0].Pixel
	sum := 0.0
	for y := int(p.Y) - 25; y <= int(p.Y)+25; y++ {
		for x := int(p.X) - 25; x <= int(p.X)+25; x++ {
			v := float64(f.Pix[y*f.Width+x]) - c.Camera.BiasADU
			sum += v
			along += v * (float64(x) - p.X) * (float64(x) - p.X)
			across += v * (float64(y) - p.Y) * (float64(y) - p.Y)
		}
	}
	return along / sum, across / sum
}

func TestSameSeedSameFrames(t *testing.T) {
	catalogue := bundled(t)
	c := rehearsal.Worn(rehearsal.Quillmere(evening))
	c.Camera.Width, c.Camera.Height = 400, 300
	run := func(seed uint64) [][]float32 {
		c.Seed = seed
		rig := newRig(t, catalogue, c)
		var frames [][]float32
		for i := range 3 {
			if err := rig.TurnRA(10 * sky.Degree); err != nil {
				t.Fatal(err)
			}
			if err := rig.TurnAzimuthBolt(0.3); err != nil {
				t.Fatal(err)
			}
			f, err := rig.Expose(evening.Add(time.Duration(i) * time.Minute))
			if err != nil {
				t.Fatal(err)
			}
			frames = append(frames, f.Pix)
		}
		return frames
	}
	a, b, other := run(5), run(5), run(6)
	for i := range a {
		if !slices.Equal(a[i], b[i]) {
			t.Errorf("frame %d differs under one seed", i)
		}
		if slices.Equal(a[i], other[i]) {
			t.Errorf("frame %d is the same under two seeds", i)
		}
	}
	rig := newRig(t, catalogue, c)
	first, err := rig.Expose(evening)
	if err != nil {
		t.Fatal(err)
	}
	second, err := rig.Expose(evening)
	if err != nil {
		t.Fatal(err)
	}
	if slices.Equal(first.Pix, second.Pix) {
		t.Error("two frames of one moment have the same noise")
	}
}

// What a camera program writes: time, exposure, optics; no pointing.
func TestHeader(t *testing.T) {
	c := rehearsal.Quillmere(evening)
	c.Camera.Width, c.Camera.Height = 64, 48
	c.ClockError = -90 * time.Second
	rig := newRig(t, bundled(t), c)
	at := evening.Add(1234 * time.Millisecond)
	f, err := rig.Expose(at)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := fits.Write(&b, f); err != nil {
		t.Fatal(err)
	}
	got, err := fits.Decode("frame.fits", b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	if want := at.Add(c.ClockError); !got.Start.Equal(want) || !got.Mid.Equal(want.Add(time.Second)) || got.Exposure != 2*time.Second {
		t.Errorf("start %v, middle %v, exposure %v", got.Start, got.Mid, got.Exposure)
	}
	if got.PixelUm != 3.6 || got.FocalMm != 100 || got.Instrument != "Lapwing C2" || got.ImageType != "Light Frame" || got.Position != nil {
		t.Errorf("header reads %+v", got)
	}
	if !slices.Equal(got.Pix, f.Pix) {
		t.Error("the pixels did not survive the file")
	}
}

// Stars too faint for the catalogue stand still on the sky.
func TestFaintStarsStayOnTheSky(t *testing.T) {
	c := rehearsal.Quillmere(evening)
	c.Camera.ApertureMm = 80
	rig := newRig(t, bundled(t), c)
	faint := func(at time.Time) []float64 {
		stars, err := rig.Stars(at)
		if err != nil {
			t.Fatal(err)
		}
		var v []float64
		for _, s := range stars {
			// Away from the edges, over which the field creeps by the offset.
			inside := s.Pixel.X > 100 && s.Pixel.X < 1500 && s.Pixel.Y > 100 && s.Pixel.Y < 1100
			if s.ID < 0 && inside {
				v = append(v, s.V)
			}
		}
		slices.Sort(v)
		return v
	}
	one, two := faint(evening), faint(evening.Add(time.Minute))
	common := 0
	for _, v := range one {
		if _, ok := slices.BinarySearch(two, v); ok {
			common++
		}
	}
	if len(one) < 100 || common < len(one)*95/100 {
		t.Errorf("%d of %d faint stars are there a minute later", common, len(one))
	}
}

// Below the horizon there are no stars, and nothing else goes wrong.
func TestBelowTheHorizon(t *testing.T) {
	c := rehearsal.Quillmere(evening)
	c.Mount.PolarDistance, c.Mount.HourAngle = 80*sky.Degree, 180*sky.Degree
	rig := newRig(t, bundled(t), c)
	stars, err := rig.Stars(evening)
	if err != nil || len(stars) != 0 {
		t.Errorf("%d stars, %v", len(stars), err)
	}
	if _, err := rig.Expose(evening); err != nil {
		t.Error(err)
	}
}
