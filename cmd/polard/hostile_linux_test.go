package main

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
)

var (
	hostileImages = flag.Int("hostile", 5, "how many images that no camera takes TestHostileImages reads; 'make hostile' takes 500")
	hostileSeed   = flag.Uint64("hostile.seed", uint64(time.Now().UnixNano()), "of those images")
	hostileOne    = flag.Int("hostile.one", -1, "the only one of them to be read, as a failure told it")
)

// What a process may have that reads one frame, in bytes: its program with catalogue and index,
// the pixels as they are stored, and so much for each of them; and in all for a frame of
// 60 megapixels of 16 bits.
const (
	hostileBase     = 256 << 20
	hostilePerPixel = 12
	mostAt60        = 700e6
)

// Images that no camera takes, at random: what stands out, joins, is full or is missing in them is without bound. Each is
// read by a process that may have the memory stated for its pixels and no more, and is refused with a reason. The process is
// the program, or for most of them, to spare the deeper search, what it is made of.
func TestHostileImages(t *testing.T) {
	harness.NotUnderRace(t)
	t.Logf("seed %d, %d images", *hostileSeed, *hostileImages)
	path := filepath.Join(t.TempDir(), "image.fits")
	long := *hostileImages > 100
	var slowest time.Duration
	most := 0.0
	for i := range *hostileImages {
		if *hostileOne >= 0 && i != *hostileOne {
			continue
		}
		rng := rand.New(rand.NewPCG(*hostileSeed, uint64(i)))
		img := randomImage(rng, long)
		stored := img.write(t, path, rng)
		limit := int64(hostileBase + stored + hostilePerPixel*img.width*img.height)
		if 60e6 >= img.width*img.height && img.bitpix == 16 && img.planes == 1 && !img.packed {
			limit = min(limit, mostAt60)
		}
		begin := time.Now()
		as := asReader
		if long && rng.IntN(16) == 0 {
			as = asProgram
		}
		told, residentMB, err := solveWithin(t, limit, path, as)
		took := time.Since(begin)
		slowest, most = max(slowest, took), max(most, residentMB*1e6/float64(limit))
		if long {
			t.Logf("%d: %s: %.0f of %d MB, %v: %s", i, img, residentMB, limit/1e6, took.Round(10*time.Millisecond), told)
		}
		if err != nil {
			t.Errorf("image %d of seed %d, %s: %v; %.0f of %d MB, %v", i, *hostileSeed, img, err, residentMB, limit/1e6, took.Round(time.Millisecond))
		}
	}
	t.Logf("the slowest took %v, the largest %.0f %% of what it may", slowest.Round(10*time.Millisecond), 100*most)
}

// solveWithin has a process solve a frame that may have so many bytes, and gives what it says and the most memory that
// it had. It is an error when it ends otherwise than by saying why there is no solution.
func solveWithin(t *testing.T, limit int64, path, as string) (told string, residentMB float64, err error) {
	t.Helper()
	words := append(memoryGroup(t, limit), os.Args[0], "solve", "--json", path)
	c := exec.Command(words[0], words[1:]...)
	c.Env = append(os.Environ(), as+"=1")
	var out, said bytes.Buffer
	c.Stdout, c.Stderr = &out, &said
	if err := c.Start(); err != nil {
		return "", 0, err
	}
	ended := make(chan error, 1)
	go func() { ended <- c.Wait() }()
	residentMB, err = mostResident(c.Process.Pid, ended)
	var exit *exec.ExitError
	var u unsolvedJSON
	switch {
	case !errors.As(err, &exit) || exit.ExitCode() != exitNot:
		return "", residentMB, fmt.Errorf("%w: %.500s%.500s", err, out.String(), said.String())
	case json.Unmarshal(out.Bytes(), &u) != nil || u.Error.Message == "" || u.Error.Code == "internal":
		return "", residentMB, fmt.Errorf("no reason: %.500s", out.String())
	case residentMB*1e6 > float64(limit):
		return u.Error.Code, residentMB, errors.New("too much memory")
	}
	return u.Error.Code, residentMB, nil
}

// mostResident waits for a process and gives the most memory that it had, in MB. Its usage at the end would not do: there
// counts what the process had that started it (getrusage(2), of ru_maxrss over an execve).
func mostResident(pid int, ended <-chan error) (mb float64, err error) {
	for {
		if status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid)); err == nil {
			_, rest, _ := strings.Cut(string(status), "VmHWM:")
			var kB float64
			if n, _ := fmt.Sscan(rest, &kB); n == 1 { // none once it has ended
				mb = max(mb, kB*1024/1e6)
			}
		}
		select {
		case err := <-ended:
			return mb, err
		case <-time.After(2 * time.Millisecond):
		}
	}
}

// hostileImage is one of them.
type hostileImage struct {
	kind          string
	draw          func(x, y int) float64
	width, height int
	planes        int
	bitpix        int
	packed        bool
	cut           float64 // part of the file that is there
	cards         []string
}

func (h hostileImage) String() string {
	return fmt.Sprintf("%s, %d x %d x %d of %d bits, packed %t, %.0f %% there, %q", h.kind, h.width, h.height, h.planes, h.bitpix, h.packed, 100*h.cut, h.cards)
}

// randomImage has up to 2 megapixels or, of a long survey, up to 60.
func randomImage(rng *rand.Rand, long bool) hostileImage {
	megapixels := 0.05 * math.Pow(40, rng.Float64())
	if long {
		megapixels = 0.05 * math.Pow(1200, rng.Float64())
	}
	h := hostileImage{planes: 1, bitpix: []int{8, 16, 16, 16, 16, 32, 64, -32, -32, -64}[rng.IntN(10)], packed: rng.IntN(3) == 0, cut: 1}
	ratio := math.Exp(0.4 * rng.NormFloat64())
	h.width = max(16, int(math.Sqrt(megapixels*1e6*ratio)))
	h.height = max(16, int(megapixels*1e6/float64(h.width)))
	if rng.IntN(10) == 0 {
		h.planes = 3
	}
	if rng.IntN(12) == 0 {
		h.cut = rng.Float64()
	}
	for card, chance := range map[string]int{"BAYERPAT= 'RGGB    '": 6, "SATURATE= 40000.0": 6, "BZERO   = 32768.0": 3, "BSCALE  = -1.0": 12} {
		if rng.IntN(chance) == 0 {
			h.cards = append(h.cards, card)
		}
	}
	all := hostileKinds(rng, h.width, h.height)
	k := all[rng.IntN(len(all))]
	h.kind, h.draw = k.name, k.draw
	return h
}

type hostileKind struct {
	name string
	draw func(x, y int) float64
}

// hostileKinds are the images of a size, with sizes and levels of what is in them at random.
func hostileKinds(rng *rand.Rand, w, h int) []hostileKind {
	size := 1 + int(math.Exp(5*rng.Float64())) // of what repeats, pixels
	level, noise := 100*math.Exp(5*rng.Float64()), math.Exp(4*rng.Float64())
	rows := 1 + rng.IntN(h)
	part := rng.Float64()
	fx, fy := 20*rng.Float64(), 20*rng.Float64()
	gauss := func() float64 { return noise * rng.NormFloat64() }
	one := func(yes bool) float64 {
		if yes {
			return level
		}
		return 0
	}
	at := func(x, y int) (u, v float64) { return float64(x) / float64(w), float64(y) / float64(h) }
	cell := func(x, y int) uint32 { // a number of a cell's own
		k := uint32(x/size)*2654435761 ^ uint32(y/size)*40503*65537
		return (k ^ k>>15) * 2246822519
	}
	waves := func(x, y int) float64 {
		u, v := at(x, y)
		return math.Sin(fx*u)*math.Cos(fy*v) + 0.5*math.Sin(3.1*fx*v+1)*math.Sin(2.7*fy*u)
	}
	return []hostileKind{
		{"noise in the first rows", func(_, y int) float64 { return one(y < rows) + max(0, one(y < rows)*gauss()/level) }},
		{"anything in the first rows", func(_, y int) float64 {
			if y < rows {
				return float64(rng.IntN(1 << 16))
			}
			return level
		}},
		{"a transfer cut off", func(x, y int) float64 {
			if y*w+x < rows*w+w/3 {
				return level + gauss()
			}
			return 65535
		}},
		{"one huge object", func(x, y int) float64 {
			u, v := at(x, y)
			return 100 + one(math.Hypot(u-0.5, v-0.5) < part/2) + gauss()
		}},
		{"clouds", func(x, y int) float64 { return level*(1+waves(x, y)) + gauss() }},
		{"patches at the edge of joining", func(x, y int) float64 { return 50 + one(cell(x, y)%1000 < 593) + gauss() }},
		{"a maze", func(x, y int) float64 {
			d := x%size - y%size
			if cell(x, y)&1024 == 0 {
				d = x%size + y%size - size
			}
			return 50 + one(d*d < size) + gauss()
		}},
		{"a comb", func(x, y int) float64 { return 50 + one(x < size || y%2 == 0 && x%w < int(part*float64(w))) + gauss() }},
		{"steps", func(x, y int) float64 {
			u, v := at(x, y)
			return level * math.Floor(fx*u+fy*v)
		}},
		{"rings", func(x, y int) float64 {
			u, v := at(x, y)
			return level*(1+math.Sin(2000*part*(u*u+v*v))) + gauss()
		}},
		{"a checkerboard", func(x, y int) float64 { return 50 + one((x/size+y/size)%2 == 0) + gauss() }},
		{"stripes", func(x, y int) float64 { return 50 + one(int(fx*float64(x)+fy*float64(y))/10%(2*size) < size) + gauss() }},
		{"a gradient", func(x, y int) float64 {
			u, v := at(x, y)
			return level*(fx*u+fy*v*v) + gauss()
		}},
		{"numbers missing", func(int, int) float64 {
			if rng.Float64() < part {
				return math.NaN()
			}
			return level + gauss()
		}},
		{"no numbers but islands", func(x, y int) float64 {
			if cell(x, y)%16 > 1 {
				return []float64{math.NaN(), math.Inf(1), math.Inf(-1)}[cell(x, y)%3]
			}
			return level + gauss()
		}},
		{"any number at all", func(int, int) float64 { return math.Float64frombits(rng.Uint64()) }},
		{"long tails", func(int, int) float64 { return level * rng.NormFloat64() / rng.NormFloat64() }},
		{"salt and pepper", func(int, int) float64 { return 65535*float64(rng.IntN(2))*math.Floor(rng.Float64()+part) + gauss() }},
		{"dots without end", func(x, y int) float64 { return 100 + one(rng.IntN(3+size) == 0) + gauss() }},
		{"plateaus", func(x, y int) float64 { return float64(cell(x, y) % uint32(2+size)) }},
		{"nothing", func(int, int) float64 { return level }},
		{"nearly nothing", func(x, y int) float64 { return level + math.Floor(float64(x*y%(7*size+1))/float64(7*size+1)+part/2) }},
	}
}

// write puts the image into a file and tells how many bytes its pixels have there, those of the file itself with it where it is packed.
func (h hostileImage) write(t *testing.T, path string, rng *rand.Rand) (stored int) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	buffer := bufio.NewWriterSize(f, 1<<20)
	var to io.Writer = buffer
	var z *gzip.Writer
	if h.packed {
		if z, err = gzip.NewWriterLevel(buffer, gzip.BestSpeed); err != nil {
			t.Fatal(err)
		}
		to = z
	}
	cards := []string{"SIMPLE  =                    T", fmt.Sprintf("BITPIX  = %20d", h.bitpix), fmt.Sprintf("NAXIS   = %20d", map[int]int{1: 2, 3: 3}[h.planes]),
		fmt.Sprintf("NAXIS1  = %20d", h.width), fmt.Sprintf("NAXIS2  = %20d", h.height)}
	if h.planes > 1 {
		cards = append(cards, fmt.Sprintf("NAXIS3  = %20d", h.planes))
	}
	var header bytes.Buffer
	for _, card := range append(append(cards, h.cards...), "END") {
		fmt.Fprintf(&header, "%-80s", card)
	}
	fmt.Fprintf(&header, "%*s", (2880-header.Len()%2880)%2880, "")
	_, err = to.Write(header.Bytes())
	var row []byte
	for y := 0; y < h.height*h.planes && err == nil; y++ {
		row = row[:0]
		for x := range h.width {
			row = appendPixel(row, h.bitpix, h.draw(x, y%h.height))
		}
		_, err = to.Write(row)
		stored += len(row)
	}
	if err == nil {
		_, err = to.Write(make([]byte, (2880-stored%2880)%2880))
	}
	if z != nil {
		err = errors.Join(err, z.Close())
	}
	err = errors.Join(err, buffer.Flush())
	size, err2 := f.Seek(0, io.SeekCurrent)
	if h.cut < 1 {
		err = errors.Join(err, f.Truncate(int64(h.cut*float64(size))))
	}
	if err = errors.Join(err, err2, f.Close()); err != nil {
		t.Fatal(err)
	}
	if h.packed {
		stored += int(size)
	}
	return stored
}

// appendPixel adds a number as FITS stores it; those beyond the type's end at its ends.
func appendPixel(to []byte, bitpix int, v float64) []byte {
	whole := func(least, most float64) int64 {
		if v != v {
			v = 0
		}
		return int64(max(least, min(most, v)))
	}
	switch bitpix {
	case 8:
		return append(to, byte(whole(0, math.MaxUint8)))
	case 16:
		return binary.BigEndian.AppendUint16(to, uint16(whole(math.MinInt16, math.MaxInt16)))
	case 32:
		return binary.BigEndian.AppendUint32(to, uint32(whole(math.MinInt32, math.MaxInt32)))
	case 64:
		return binary.BigEndian.AppendUint64(to, uint64(whole(-1<<62, 1<<62)))
	case -32:
		return binary.BigEndian.AppendUint32(to, math.Float32bits(float32(v)))
	}
	return binary.BigEndian.AppendUint64(to, math.Float64bits(v))
}
