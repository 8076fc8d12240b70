package rehearsal_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"polard/fits"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Empty frames against the exact distribution of a Poisson number of electrons
// with normal read noise, from a sky that hardly shows to one that shines.
func TestNoise(t *testing.T) {
	c := rehearsal.Quillmere(evening)
	c.Camera.HotPixels = 0
	c.Camera.DarkE = 0
	c.Camera.GainE = 1
	c.Night = rehearsal.Night{}
	c.Camera.Width, c.Camera.Height = 800, 600
	c.Exposure = time.Second
	for i, tt := range []struct{ skyMag, readE float64 }{
		{23, 1}, {21, 2.4}, {20, 1}, {19, 1.5}, {17, 3}, {14, 5},
	} {
		c.Seed = uint64(i)
		c.Night.SkyMag, c.Camera.ReadE = tt.skyMag, tt.readE
		c.Camera.FullWellE = 1e6
		// The sky's electrons from the documented formula.
		area := math.Pi / 4 * 3.2 * 3.2
		scale := c.Camera.Scale().Arcseconds()
		mean := 1.35e6 * area * math.Pow(10, -0.4*tt.skyMag) * scale * scale
		frame, err := newRig(t, fewStars{}, c).Expose(evening)
		if err != nil {
			t.Fatal(err)
		}
		v := make([]float64, len(frame.Pix))
		for i, p := range frame.Pix {
			v[i] = float64(p) - c.Camera.BiasADU
		}
		n := float64(len(v))
		variance := mean + tt.readE*tt.readE + 1.0/12 // rounding to whole counts
		gotMean, gotVariance := stat.MeanVariance(v, nil)
		const sigmas = 4.5 // one false alarm in 10^5
		if d := math.Abs(gotMean - mean); d > sigmas*math.Sqrt(variance/n) {
			t.Errorf("sky %g: mean %.4f electrons, want %.4f", tt.skyMag, gotMean, mean)
		}
		// The sample variance scatters by sqrt((2 + excess)/n) of itself, and
		// the fourth moment of the bend differs a little.
		if d := math.Abs(gotVariance/variance - 1); d > sigmas*math.Sqrt(2.3/n) {
			t.Errorf("sky %g: variance %.4f, want %.4f", tt.skyMag, gotVariance, variance)
		}
		skew := mean / math.Pow(variance, 1.5)
		if d := math.Abs(stat.Skew(v, nil) - skew); d > sigmas*math.Sqrt(6/n)+0.02*skew {
			t.Errorf("sky %g: skewness %.4f, want %.4f", tt.skyMag, stat.Skew(v, nil), skew)
		}
		worst := worstCDF(v, mean, tt.readE)
		t.Logf("sky %g: %.2f e, variance %.3f (%.3f), skewness %.4f (%.4f), distribution function off by %.4f", tt.skyMag, mean, gotVariance, variance, stat.Skew(v, nil), skew, worst)
		if worst > cdfTolerance {
			t.Errorf("sky %g: the distribution function is off by %.4f", tt.skyMag, worst)
		}
	}
}

// cdfTolerance: the scatter of half a million draws is 0.002 (Kolmogorov, one
// in a thousand: 1.95/sqrt(n) = 0.0028); the first neglected Edgeworth term,
// from the fourth cumulant, is below 0.55/24 times the excess, at most 0.15
// here.
const cdfTolerance = 0.0028 + 0.55/24*0.15

func worstCDF(v []float64, mean, readE float64) float64 {
	sorted := slices.Clone(v)
	slices.Sort(sorted)
	poisson, normal := distuv.Poisson{Lambda: mean}, distuv.Normal{Sigma: readE}
	exact := func(x float64) float64 { // P(poisson + normal <= x)
		lo := max(0, math.Floor(mean-8*math.Sqrt(mean)-2))
		hi := math.Ceil(mean + 8*math.Sqrt(mean) + 12)
		p := 0.0
		for k := lo; k <= hi; k++ {
			p += poisson.Prob(k) * normal.CDF(x-k)
		}
		return p
	}
	worst := 0.0
	sd := math.Sqrt(mean + readE*readE)
	for z := -4.0; z <= 4; z += 0.25 {
		x := math.Round(mean+z*sd) + 0.5 // whole counts: all up to x round to at most x-0.5
		i, _ := slices.BinarySearch(sorted, x)
		worst = max(worst, math.Abs(float64(i)/float64(len(v))-exact(x)))
	}
	return worst
}

// Hot pixels stay where they are; a pixel never goes above its full well nor
// 16 bits.
func TestHotPixelsAndSaturation(t *testing.T) {
	c := rehearsal.Quillmere(evening)
	c.Camera.Width, c.Camera.Height, c.Camera.HotPixels = 300, 200, 50
	c.Camera.FWHMPx = 4
	stars := starsAround(t, c, 0.05*sky.Degree)
	for i := range stars {
		stars[i].V = -1
	}
	hot := func(f *fits.Frame) (places []int) {
		for i, p := range f.Pix {
			if float64(p) > c.Camera.BiasADU+2000 {
				places = append(places, i)
			}
		}
		return places
	}
	rig := newRig(t, fewStars{}, c)
	one, err := rig.Expose(evening)
	if err != nil {
		t.Fatal(err)
	}
	if err := rig.TurnRA(30 * sky.Degree); err != nil {
		t.Fatal(err)
	}
	two, err := rig.Expose(evening.Add(time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	if n := len(hot(one)); n < 5 || n > c.Camera.HotPixels {
		t.Errorf("%d hot pixels of %d stand out", n, c.Camera.HotPixels)
	}
	common := 0
	for _, p := range hot(one) {
		if slices.Contains(hot(two), p) {
			common++
		}
	}
	if common < len(hot(one))*8/10 { // those near the limit come and go
		t.Errorf("%d of %d hot pixels stayed", common, len(hot(one)))
	}

	for _, tt := range []struct{ fullWell, want float64 }{
		{15500, c.Camera.BiasADU + 15500/c.Camera.GainE}, {1e6, 65535},
	} {
		c.Camera.FullWellE = tt.fullWell
		f, err := newRig(t, stars, c).Expose(evening)
		if err != nil {
			t.Fatal(err)
		}
		if got := slices.Max(f.Pix); float64(got) != tt.want {
			t.Errorf("full well %g: the brightest pixel is %g, want %g", tt.fullWell, got, tt.want)
		}
	}
}

// Light of a star: 1.35e6 electrons a second and square centimetre at V = 0,
// less extinction by Rozenberg's air mass and cloud.
func TestStarLight(t *testing.T) {
	c := quiet(rehearsal.Quillmere(evening))
	c.Mount.PolarDistance, c.Mount.HourAngle = 44*sky.Degree, 0 // near the zenith: air mass 1.00
	c.Night.Extinction = 0.3
	stars := starsAround(t, c, 0.5*sky.Degree)
	rig := newRig(t, stars, c)
	if err := rig.SetCloud(0.5); err != nil {
		t.Fatal(err)
	}
	f, err := rig.Expose(c.Start)
	if err != nil {
		t.Fatal(err)
	}
	p := observedPixels(t, rig, stars, f.Mid)[3]
	sum := 0.0
	for y := int(p.Y) - 30; y <= int(p.Y)+30; y++ {
		for x := int(p.X) - 30; x <= int(p.X)+30; x++ {
			sum += (float64(f.Pix[y*f.Width+x]) - c.Camera.BiasADU) * c.Camera.GainE
		}
	}
	want := 1.35e6 * math.Pi / 4 * 6 * 6 * math.Pow(10, -0.4*(float64(stars[3].V)+0.8)) * c.Exposure.Seconds()
	if math.Abs(sum/want-1) > 0.005 { // outside 30 pixels: (a/30)^4 and noise below 0.3 %
		t.Errorf("%.0f electrons, want %.0f", sum, want)
	}
	if err := rig.SetCloud(30); err != nil {
		t.Fatal(err)
	}
	told, err := rig.Stars(c.Start)
	if err != nil || len(told) != 0 {
		t.Errorf("through 30 magnitudes of cloud: %d stars, %v", len(told), err)
	}
}
