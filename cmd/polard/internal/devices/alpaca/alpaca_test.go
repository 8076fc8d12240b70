package alpaca

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/cmd/polard/internal/devices/devicestest"
	"polard/fits"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
)

func startRig(t *testing.T) *devicestest.Alpaca {
	t.Helper()
	config := rehearsal.Quillmere(time.Now())
	config.Mount.HourAngle = -50 * sky.Degree
	rig, err := devicestest.NewRig(config)
	if err != nil {
		t.Fatal(err)
	}
	return devicestest.StartAlpaca(t, rig)
}

func TestDevices(t *testing.T) {
	a := startRig(t)
	want := []devices.Found{
		{Kind: devices.KindCamera, Name: devicestest.RehearsedCamera, Driver: "Alpaca", Connected: true},
		{Kind: devices.KindMount, Name: devicestest.RehearsedMount, Driver: "Alpaca", Connected: true},
	}
	for name, opt := range map[string]Options{
		"named":      {Addrs: []string{a.Addr}},
		"discovered": {Discover: true, discoverAt: []string{a.Discovery}},
		"both":       {Addrs: []string{a.Addr}, Discover: true, discoverAt: []string{a.Discovery}},
	} {
		found, err := New(opt).Devices(t.Context(), 5*time.Second)
		if err != nil || !slices.Equal(found, want) {
			t.Errorf("%s: %+v, %v", name, found, err)
		}
	}
	_, err := New(Options{Discover: true, discoverAt: []string{"127.0.0.1:9"}}).Devices(t.Context(), 5*time.Second)
	if !errors.Is(err, devices.ErrMissing) {
		t.Errorf("nobody answers: %v", err)
	}
}

func TestCamera(t *testing.T) {
	a := startRig(t)
	c := New(Options{Addrs: []string{a.Addr}})
	k := c.Camera(devicestest.RehearsedCamera)
	info, err := k.Info(t.Context())
	if err != nil || info.Width != 1600 || info.Height != 1200 || info.Longest != time.Hour || info.Gain != nil {
		t.Errorf("%+v %v", info, err)
	}
	var sums []float64
	for _, jsonOnly := range []bool{false, true} {
		a.JSONOnly = jsonOnly
		before := time.Now()
		data, err := k.Expose(t.Context(), devices.Shot{Exposure: 300 * time.Millisecond})
		if err != nil {
			t.Fatalf("JSON %v: %v", jsonOnly, err)
		}
		f, err := fits.Decode("picture.fits", data)
		if err != nil {
			t.Fatal(err)
		}
		if f.Width != 1600 || f.Height != 1200 || f.PixelUm != 3.6 || f.Mid.Sub(before) > 400*time.Millisecond || f.Mid.Before(before) {
			t.Errorf("JSON %v: %d x %d, %g um, %v after the order", jsonOnly, f.Width, f.Height, f.PixelUm, f.Mid.Sub(before))
		}
		sum := 0.0
		for _, v := range f.Pix {
			sum += float64(v)
		}
		sums = append(sums, sum/float64(len(f.Pix)))
	}
	if d := sums[0] - sums[1]; d*d > 1 {
		t.Errorf("mean %g by ImageBytes, %g by JSON", sums[0], sums[1])
	}
	a.JSONOnly = false
	if err := a.Rig.SetFault(devicestest.FaultCut); err != nil {
		t.Fatal(err)
	}
	if _, err := k.Expose(t.Context(), devices.Shot{Exposure: 100 * time.Millisecond}); !errors.Is(err, devices.ErrCut) {
		t.Errorf("a picture cut off: %v", err)
	}
	if err := a.Rig.SetFault(devicestest.FaultMute); err != nil {
		t.Fatal(err)
	}
	k.(*Camera).readTimeout = 300 * time.Millisecond
	if _, err := k.Expose(t.Context(), devices.Shot{Exposure: 100 * time.Millisecond}); !errors.Is(err, devices.ErrTimeout) {
		t.Errorf("a camera that never returns: %v", err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	if _, err := k.Expose(ctx, devices.Shot{Exposure: time.Minute}); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("stopped: %v", err)
	}
	if !slices.Contains(a.Requests(), "abortexposure ") {
		t.Error("exposures are not aborted")
	}
}

// Either sense of MoveAxis turns the way that was asked for, and a mount that only knows
// coordinates keeps its declination.
func TestTurn(t *testing.T) {
	for name, set := range map[string]func(*devicestest.Alpaca){
		"west is positive": func(*devicestest.Alpaca) {},
		"east is positive": func(a *devicestest.Alpaca) { a.EastPositive = true },
		"by coordinates":   func(a *devicestest.Alpaca) { a.CoordinatesOnly = true },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := startRig(t)
			set(a)
			m := New(Options{Addrs: []string{a.Addr}}).Mount(devicestest.RehearsedMount)
			for _, by := range []sky.Angle{4 * sky.Degree, -4 * sky.Degree, 3 * sky.Degree} {
				from, err := m.State(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				if from.Side != devices.SideWest || from.Moving || !from.Tracking || from.Parked || from.Site == nil {
					t.Errorf("before %+v", from)
				}
				if _, err := m.Turn(t.Context(), by); err != nil {
					t.Fatal(err)
				}
				time.Sleep(1500 * time.Millisecond)
				s, err := m.State(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				if turned := (from.RA - s.RA).Signed(); turned*by < 0 || turned.Abs() < sky.Degree || s.Dec != from.Dec {
					t.Errorf("by %.0f degrees: turned %.2f, declination by %g", by.Degrees(), turned.Degrees(), (s.Dec - from.Dec).Degrees())
				}
				if err := m.Stop(t.Context()); err != nil {
					t.Fatal(err)
				}
				s, _ = m.State(t.Context())
				time.Sleep(300 * time.Millisecond)
				if later, err := m.State(t.Context()); err != nil || later.Moving || (later.RA-s.RA).Signed().Abs() > sky.Arcminute {
					t.Errorf("after the stop: %+v, %v", later, err)
				}
			}
		})
	}
}

func TestLost(t *testing.T) {
	a := startRig(t)
	m := New(Options{Addrs: []string{a.Addr}}).Mount(devicestest.RehearsedMount)
	if _, err := m.State(t.Context()); err != nil {
		t.Fatal(err)
	}
	a.CutOff()
	_, err := m.State(t.Context())
	if !errors.Is(err, devices.ErrLost) || strings.Contains(err.Error(), a.Addr) {
		t.Errorf("the server is gone: %v", err)
	}
	if err := m.Stop(t.Context()); !errors.Is(err, devices.ErrLost) || !strings.Contains(err.Error(), "switch it off") {
		t.Errorf("stop without a server: %v", err)
	}
}

// Whatever a server answers, it is told in words, without its address and of bounded length.
func TestOddAnswers(t *testing.T) {
	for name, answer := range map[string]string{
		"no JSON":          "<html>not found</html>",
		"an error":         `{"ErrorNumber":1031,"ErrorMessage":"not connected"}`,
		"no value":         `{"ErrorNumber":0}`,
		"another kind":     `{"Value":{"a":1},"ErrorNumber":0}`,
		"endless":          strings.Repeat("x", 2*maxAnswerBytes),
		"a huge complaint": `{"ErrorNumber":1280,"ErrorMessage":"` + strings.Repeat("x", 100000) + `"}`,
	} {
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte(answer)) }))
		addr := s.Listener.Addr().String()
		_, err := New(Options{Addrs: []string{addr}}).Devices(t.Context(), time.Second)
		if !errors.Is(err, devices.ErrDevice) || strings.Contains(err.Error(), addr) || len(err.Error()) > 1000 {
			t.Errorf("%s: %.200v", name, err)
		}
		s.Close()
	}
}

// header makes the metadata of ImageBytes, section 7.1.
func header(numbers ...int32) []byte {
	var b []byte
	for _, n := range numbers {
		b = binary.LittleEndian.AppendUint32(b, uint32(n))
	}
	return b
}

// The order of elements is that of the pictures in sections 8.1.1 and 8.1.2.
func TestImageBytes(t *testing.T) {
	mono := header(1, 0, 0, 0, 44, 2, 6, 2, 4, 3, 0)
	for x := range 4 {
		for y := range 3 {
			mono = append(mono, byte(10*x+y))
		}
	}
	p, err := imageBytes(mono)
	if err != nil || p.width != 4 || p.height != 3 {
		t.Fatal(p, err)
	}
	for x := range 4 {
		for y := range 3 {
			if v := p.pix[y*4+x]; v != float32(10*x+y) {
				t.Errorf("pixel %d, %d is %g", x, y, v)
			}
		}
	}
	colour := header(1, 0, 0, 0, 44, 2, 8, 3, 1, 2, 3)
	for _, v := range []uint16{3, 6, 9, 10, 20, 60} {
		colour = binary.LittleEndian.AppendUint16(colour, v)
	}
	if p, err = imageBytes(colour); err != nil || !slices.Equal(p.pix, []float32{6, 30}) {
		t.Errorf("colours: %v %v", p, err)
	}
	// Section 8.2: 2,135,263,542 is 36 89 45 7F.
	if v := element(typeInt32)([]byte{0x36, 0x89, 0x45, 0x7F}); v != 2135263542 {
		t.Errorf("%v", v)
	}
	for name, b := range map[string][]byte{
		"nothing":         nil,
		"half a header":   mono[:20],
		"cut":             mono[:len(mono)-1],
		"data before":     header(1, 0, 0, 0, 12, 2, 6, 2, 1, 1, 0),
		"data beyond":     header(1, 0, 0, 0, 4000, 2, 6, 2, 1, 1, 0),
		"unknown type":    header(1, 0, 0, 0, 44, 2, 77, 2, 1, 1, 0),
		"of rank 7":       header(1, 0, 0, 0, 44, 2, 6, 7, 1, 1, 0),
		"huge":            header(1, 0, 0, 0, 44, 2, 6, 2, 1<<30, 1<<30, 0),
		"negative":        header(1, 0, 0, 0, 44, 2, 6, 2, -4, -4, 0),
		"another version": header(2, 0, 0, 0, 44, 2, 6, 2, 1, 1, 0),
	} {
		if p, err := imageBytes(b); err == nil {
			t.Errorf("%s passes for a picture of %d x %d", name, p.width, p.height)
		}
	}
	_, err = imageBytes(append(header(1, 0x407, 0, 0, 44, 0, 0, 0, 0, 0, 0), "not connected"...))
	var r *refusal
	if !errors.As(err, &r) || r.number != 0x407 || r.text != "not connected" {
		t.Errorf("an error comes as %v", err)
	}
}

func FuzzImageBytes(f *testing.F) {
	f.Add(append(header(1, 0, 0, 0, 44, 2, 6, 2, 2, 1, 0), 1, 2))
	f.Add(append(header(1, 0, 0, 0, 44, 2, 8, 3, 1, 1, 3), 1, 2, 3, 4, 5, 6))
	f.Add(append(header(1, 0x407, 0, 0, 44, 0, 0, 0, 0, 0, 0), "no"...))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := imageBytes(b)
		if err == nil && (p.width < 1 || p.height < 1 || len(p.pix) != p.width*p.height || len(p.pix) > len(b)) {
			t.Errorf("%d bytes give %d x %d with %d pixels", len(b), p.width, p.height, len(p.pix))
		}
	})
}

func FuzzImageJSON(f *testing.F) {
	f.Add([]byte(`{"Rank":2,"Value":[[1,2],[3,4]],"ErrorNumber":0}`))
	f.Add([]byte(`{"Rank":3,"Value":[[[1,2,3]]]}`))
	f.Add([]byte(`{"Value":[[],[1]]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := imageJSON(b)
		if err == nil && (len(p.pix) != p.width*p.height || len(p.pix) == 0) {
			t.Errorf("%s gives %d x %d with %d pixels", b, p.width, p.height, len(p.pix))
		}
	})
}

func FuzzDiscoveryAnswer(f *testing.F) {
	f.Add([]byte(`{"AlpacaPort":12345}`)) // API Reference, section 5.6
	f.Add([]byte(`{"alpacaport":0}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		if port, ok := discoveryAnswer(b); ok && (port < 1 || port > 65535) {
			t.Errorf("%s gives port %d", b, port)
		}
	})
}

// BenchmarkImageBytes reads a picture of 9 million 16-bit pixels.
func BenchmarkImageBytes(b *testing.B) {
	f := &fits.Frame{Width: 3000, Height: 3000, Pix: make([]float32, 9e6)}
	data := devicestest.ImageBytes(f)
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		if _, err := imageBytes(bytes.Clone(data)); err != nil {
			b.Fatal(err)
		}
	}
}
