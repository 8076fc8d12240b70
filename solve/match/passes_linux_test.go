package match

import (
	"encoding/json"
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

	"polard/mountmodel/sky"
	"polard/solve/costtest"
	"polard/solve/index"
)

var (
	passLists = flag.Int("passes", 0, "star lists for each field size and kind of hint, by which the passes are measured")
	passFrom  = flag.String("passes.from", "", "folder of lists that the pixel survey has written, to be measured instead")
	givenUp   = flag.Int("passes.nosky", 0, "lists without sky of each kind to be given up")
	passSeed  = flag.Uint64("passes.seed", 1, "seed of the lists and of the hints")
)

// mainPasses solve nearly all frames, and stay whatever others could do; how many they alone solve is not measured.
var mainPasses = []string{"hinted scale", "all scales"}

// listed is what is detected in one frame, with its truth.
type listed struct {
	name   string
	Image  Image
	Epoch  float64
	Scale  sky.Angle
	Centre sky.ICRS
}

// TestPasses measures what each pass is worth: the frames that it solves, those that nothing solves without
// it, what it costs where it is made in vain, and how often it was made. Whole searches of frames that no pass solves
// are counted as a frame without sky would be. make passes runs it.
func TestPasses(t *testing.T) {
	if *passLists == 0 && *passFrom == "" {
		t.Skip("make passes runs it")
	}
	for number := range index.Specs {
		levelNumbered(t, number)
	}
	lists := drawnLists(t)
	for _, hint := range []string{"5 %", "none"} {
		solved, alone, made, cost := map[string]int{}, map[string]int{}, map[string]int{}, map[string]time.Duration{}
		frames, lost, wrong := 0, 0, 0
		rng := rand.New(rand.NewPCG(*passSeed, 3))
		for _, l := range lists {
			h := Hint{Epoch: l.Epoch}
			if hint != "none" {
				h.Scale = l.Scale * sky.Angle(1+0.05*(2*rng.Float64()-1))
			}
			frames++
			by, m := l.search(t, h, "", made, cost)
			if m == nil {
				lost++
				t.Logf("%s, hint %s: unsolved", l.name, hint)
				continue
			}
			if off := sky.Separation(m.ICRS(m.Centre()), l.Centre); float64(off) > wrongBy*float64(l.Image.Width)*float64(l.Scale) {
				wrong++
				t.Errorf("%s, hint %s, %s: %g degrees off", l.name, hint, by, off.Degrees())
			}
			if solved[by]++; slices.Contains(mainPasses, by) {
				continue
			}
			if _, other := l.search(t, h, by, nil, nil); other == nil {
				alone[by]++
				t.Logf("%s, hint %s: by %q alone", l.name, hint, by)
			}
		}
		fmt.Printf("seed %d, hint %s: %d frames, %d unsolved, %d wrong\n%-34s | made | solved | alone | ms each, in vain and not\n", *passSeed, hint, frames, lost, wrong, "pass")
		for _, p := range passes {
			if made[p.name] > 0 {
				fmt.Printf("%-34s | %4d | %6d | %5d | %8.1f\n", p.name, made[p.name], solved[p.name], alone[p.name], costtest.Milliseconds(cost[p.name])/float64(made[p.name]))
			}
		}
	}
}

// search makes all passes but one, and tells which solved the frame.
func (l *listed) search(t *testing.T, h Hint, without string, made map[string]int, cost map[string]time.Duration) (by string, m *Match) {
	s := New(theIndex(), l.Image, h)
	s.without = without
	if len(s.image.At) < FewestStars {
		return "", nil
	}
	var some []*pass
	for _, part := range []bool{true, false} {
		for i := range passes {
			if p := &passes[i]; s.makes(p) && s.isCheap(p) == part {
				some = append(some, p)
			}
		}
	}
	for _, p := range some {
		start := costtest.ProcessorTime(t)
		m, err := s.make(t.Context(), p)
		if err != nil {
			t.Fatal(err)
		}
		if made != nil && len(s.scales.of(p)) > 0 {
			made[p.name]++
			cost[p.name] += costtest.ProcessorTime(t) - start
		}
		if m != nil {
			return p.name, m
		}
	}
	return "", nil
}

// drawnLists are the frames by which the passes are measured.
func drawnLists(t *testing.T) (lists []listed) {
	paths, err := filepath.Glob(filepath.Join(*passFrom, "*.json"))
	if err != nil {
		t.Fatal(err)
	}
	if *passFrom != "" {
		for _, path := range paths {
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			l := listed{name: filepath.Base(path)}
			if err := json.Unmarshal(data, &l); err != nil {
				t.Fatal(err)
			}
			lists = append(lists, l)
		}
		return lists
	}
	for _, degrees := range surveySizes {
		rng := rand.New(rand.NewPCG(*passSeed, math.Float64bits(degrees)))
		for n := 0; n < *passLists; {
			seed := rng.Uint64()
			own := rand.New(rand.NewPCG(seed, 0))
			l := drawList(own, theCatalogue(), surveyField(own, degrees))
			if l.real < surveyedStars {
				continue
			}
			n++
			lists = append(lists, listed{fmt.Sprintf("%g degrees, seed %d", degrees, seed), l.image, l.epoch, l.Scale, l.ICRS(l.Centre())})
		}
	}
	return lists
}

// TestGivingUp measures what lists without sky cost until they are given up: the first answer, and the whole
// search. None may be solved. make passes runs it.
func TestGivingUp(t *testing.T) {
	if *givenUp == 0 {
		t.Skip("make passes runs it")
	}
	for number := range index.Specs {
		levelNumbered(t, number)
	}
	fmt.Printf("seed %d, %d lists of each kind; processor time of all cores, ms\n%-10s | scale | first answer: median | 95 %% | most | whole search: median | 95 %% | most\n", *passSeed, *givenUp, "kind")
	for kind := range withoutSky {
		for _, hinted := range []bool{true, false} {
			rng := rand.New(rand.NewPCG(*passSeed, uint64(kind)<<8+99))
			var first, whole []time.Duration
			for range *givenUp {
				in, scale := listWithoutSky(rng, kind)
				hint := Hint{Epoch: 2025}
				if hinted {
					hint.Scale = scale
				}
				start := costtest.ProcessorTime(t)
				s := New(theIndex(), in, hint)
				m, err := s.Cheap(t.Context())
				first = append(first, costtest.ProcessorTime(t)-start)
				if m == nil && s.More() {
					m, err = s.Rest(t.Context())
				}
				whole = append(whole, costtest.ProcessorTime(t)-start)
				if failure := (*Failure)(nil); m != nil || !errors.As(err, &failure) {
					t.Errorf("%s, %d places, scale %v: %v, %v", withoutSky[kind].name, len(in.Detections), hinted, m, err)
				}
			}
			at := func(d []time.Duration, q float64) float64 {
				slices.Sort(d)
				return costtest.Milliseconds(d[int(q*float64(len(d)-1))])
			}
			fmt.Printf("%-10s | %-5v | %20.0f | %4.0f | %4.0f | %20.0f | %4.0f | %4.0f\n", withoutSky[kind].name, hinted,
				at(first, 0.5), at(first, 0.95), at(first, 1), at(whole, 0.5), at(whole, 0.95), at(whole, 1))
		}
	}
}
