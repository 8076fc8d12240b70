package alpaca

import (
	"bytes"
	"encoding/binary"
	"io"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"testing"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/cmd/polard/internal/devices/devicestest"
	"polard/fits"
	"polard/mountmodel/sky"
)

// behind stands before a server and changes its answers; it gives HOST:PORT.
func behind(t *testing.T, server, at string, change func(*http.Response, []byte) []byte) string {
	t.Helper()
	p := httputil.NewSingleHostReverseProxy(&url.URL{Scheme: "http", Host: server})
	p.ModifyResponse = func(r *http.Response) error {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			return err
		}
		r.ContentLength = int64(len(body))
		body = change(r, body)
		r.Body = io.NopCloser(bytes.NewReader(body))
		if r.ContentLength >= 0 {
			r.ContentLength = int64(len(body))
			r.Header.Set("Content-Length", strconv.Itoa(len(body)))
		}
		return nil
	}
	s := httptest.NewUnstartedServer(p)
	if at != "" {
		ln, err := net.Listen("tcp", at)
		if err != nil {
			t.Skipf("this machine has no %s: %v", at, err)
		}
		s.Listener.Close()
		s.Listener = ln
	}
	s.Start()
	t.Cleanup(s.Close)
	return s.Listener.Addr().String()
}

var wholeValue = regexp.MustCompile(`"Value":(-?\d+)([,}])`)

// oddity is something that a server may do.
type oddity struct {
	at     string // where it listens
	set    func(*devicestest.Alpaca)
	change func(*http.Response, []byte) []byte
}

func lawfulOddities() map[string]oddity {
	same := func(_ *http.Response, b []byte) []byte { return b }
	isJSON := func(r *http.Response) bool { return r.Header.Get("Content-Type") == "application/json" }
	only := func(change func(*http.Response, []byte) []byte) func(*http.Response, []byte) []byte {
		return func(r *http.Response, b []byte) []byte {
			if isJSON(r) {
				return change(r, b)
			}
			return b
		}
	}
	return map[string]oddity{
		"a mark of byte order": {change: only(func(_ *http.Response, b []byte) []byte { return append([]byte("\ufeff"), b...) })},
		"a C string's end":     {change: only(func(_ *http.Response, b []byte) []byte { return append(b, 0, 0) })},
		"whole numbers with a point": {change: only(func(_ *http.Response, b []byte) []byte {
			return wholeValue.ReplaceAll(b, []byte(`"Value":$1.0$2`))
		})},
		"what is not there answered with 400": {change: only(func(r *http.Response, b []byte) []byte {
			if bytes.Contains(b, []byte(`"ErrorNumber":1024`)) {
				r.StatusCode, r.Status = http.StatusBadRequest, "400 Bad Request"
				r.Header.Set("Content-Type", "text/plain")
				return []byte("there is no such method")
			}
			return b
		})},
		"numbers of the older interface": {change: only(func(_ *http.Response, b []byte) []byte {
			return bytes.ReplaceAll(b, []byte(`"ErrorNumber":1024`), []byte(`"ErrorNumber":-2147220480`))
		})},
		"of unknown length": {change: func(r *http.Response, b []byte) []byte {
			r.ContentLength = -1
			r.Header.Del("Content-Length")
			return b
		}},
		"closed after each answer": {change: func(r *http.Response, b []byte) []byte { r.Header.Set("Connection", "close"); return b }},
		"another case and character set": {change: func(r *http.Response, b []byte) []byte {
			if isJSON(r) {
				r.Header.Set("Content-Type", "Application/JSON; charset=utf-8")
			} else {
				r.Header.Set("Content-Type", "application/ImageBytes")
			}
			return b
		}},
		"numbers of transactions that say nothing": {change: only(func(_ *http.Response, b []byte) []byte {
			return bytes.Replace(b, []byte(`{`), []byte(`{"ClientTransactionID":0,"DriverException":null,`), 1)
		})},
		"IPv6":                      {at: "[::1]:0", change: same},
		"rates beyond those wanted": {set: func(a *devicestest.Alpaca) { a.Rates = [][2]float64{{3, 3}, {4, 4}} }, change: same},
		"a fork":                    {set: func(a *devicestest.Alpaca) { a.Alignment = 1 }, change: same},
		"connects meanwhile":        {set: func(a *devicestest.Alpaca) { a.ConnectsAfter = 3 }, change: same},
	}
}

// Whatever the published descriptions let a server do, or their robustness principle (API Reference, section
// 6.1) has a client bear: a picture is taken and the mount turned all the same.
func TestLawfulOddities(t *testing.T) {
	for name, c := range lawfulOddities() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := startRig(t)
			if c.set != nil {
				c.set(a)
			}
			cl := New(Options{Addrs: []string{behind(t, a.Addr, c.at, c.change)}})
			found, err := cl.Devices(t.Context(), 5*time.Second)
			if err != nil || len(found) != 2 {
				t.Fatalf("%v, %v", found, err)
			}
			k, m := cl.Camera(devicestest.RehearsedCamera), cl.Mount(devicestest.RehearsedMount)
			if info, err := k.Info(t.Context()); err != nil || info.Width != 1600 {
				t.Errorf("%+v, %v", info, err)
			}
			data, err := k.Expose(t.Context(), devices.Shot{Exposure: 50 * time.Millisecond})
			if err != nil {
				t.Fatal(err)
			}
			if f, err := fits.Decode("picture.fits", data); err != nil || f.Width != 1600 {
				t.Errorf("a picture that cannot be read: %v", err)
			}
			from, err := m.State(t.Context())
			if err != nil || !from.FreeAxes || (from.Side == devices.SideUnknown) != (a.Alignment == 1) {
				t.Fatalf("%+v, %v", from, err)
			}
			if _, err := m.Turn(t.Context(), -3*sky.Degree); err != nil {
				t.Fatal(err)
			}
			time.Sleep(300 * time.Millisecond)
			if err := m.Stop(t.Context()); err != nil {
				t.Fatal(err)
			}
			if s, err := m.State(t.Context()); err != nil || s.Moving || devices.Westward(from, s) > -0.1*sky.Degree {
				t.Errorf("turned %.2f degrees: %+v, %v", devices.Westward(from, s).Degrees(), s, err)
			}
		})
	}
}

// An altitude-azimuth mount has no axis to measure, and a stop that a moving mount refuses by number
// is no stop.
func TestNoStopNoAxis(t *testing.T) {
	a := startRig(t)
	a.Alignment = 0
	m := New(Options{Addrs: []string{a.Addr}}).Mount(devicestest.RehearsedMount)
	if s, err := m.State(t.Context()); err != nil || s.Trouble.Text == "" {
		t.Errorf("%+v, %v", s, err)
	}
	a = startRig(t)
	m = New(Options{Addrs: []string{a.Addr}}).Mount(devicestest.RehearsedMount)
	if _, err := m.Turn(t.Context(), 5*sky.Degree); err != nil {
		t.Fatal(err)
	}
	a.SetDeaf(true)
	if err := m.Stop(t.Context()); err == nil {
		t.Error("a mount that goes on turning passes for stopped")
	}
	a.SetDeaf(false)
	if err := m.Stop(t.Context()); err != nil {
		t.Error(err)
	}
}

// Declination is turned by the secondary axis, whatever its sense, and over the pole.
func TestTurnDeclination(t *testing.T) {
	for name, reversed := range map[string]bool{"north is positive": false, "south is positive": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := startRig(t)
			a.SouthPositive = reversed
			m := New(Options{Addrs: []string{a.Addr}}).Mount(devicestest.RehearsedMount)
			for _, by := range []sky.Angle{4 * sky.Degree, -4 * sky.Degree} {
				from, err := m.State(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				if err := m.TurnDeclination(t.Context(), by); err != nil {
					t.Fatal(err)
				}
				time.Sleep(time.Second)
				if err := m.Stop(t.Context()); err != nil {
					t.Fatal(err)
				}
				s, err := m.State(t.Context())
				if moved := devices.Northward(from, s); err != nil || s.Moving || moved*by < 0 || moved.Abs() < sky.Degree || devices.Westward(from, s).Abs() > 0.1*sky.Degree {
					t.Errorf("by %.0f degrees: declination by %.2f, right ascension by %.2f; %v", by.Degrees(), moved.Degrees(), devices.Westward(from, s).Degrees(), err)
				}
			}
		})
	}
}

// The elements of a picture may travel as any of nine types (ImageBytes, section 7.2).
func TestImageElements(t *testing.T) {
	le := binary.LittleEndian
	for kind, encode := range map[int32]func([]byte, float64) []byte{
		typeInt16:  func(b []byte, v float64) []byte { return le.AppendUint16(b, uint16(int16(v))) },
		typeInt32:  func(b []byte, v float64) []byte { return le.AppendUint32(b, uint32(int32(v))) },
		typeDouble: func(b []byte, v float64) []byte { return le.AppendUint64(b, math.Float64bits(v)) },
		typeSingle: func(b []byte, v float64) []byte { return le.AppendUint32(b, math.Float32bits(float32(v))) },
		typeUInt64: func(b []byte, v float64) []byte { return le.AppendUint64(b, uint64(v)) },
		typeByte:   func(b []byte, v float64) []byte { return append(b, byte(v)) },
		typeInt64:  func(b []byte, v float64) []byte { return le.AppendUint64(b, uint64(int64(v))) },
		typeUInt16: func(b []byte, v float64) []byte { return le.AppendUint16(b, uint16(v)) },
		typeUInt32: func(b []byte, v float64) []byte { return le.AppendUint32(b, uint32(v)) },
	} {
		want := []float32{0, 1, 200, 255}
		switch kind {
		case typeInt16, typeInt32, typeInt64, typeDouble, typeSingle:
			want[1] = -7
		}
		if kind == typeInt32 || kind == typeUInt32 {
			want[3] = 1 << 20
		}
		b := header(1, 0, 5, 6, 44, typeInt32, kind, 2, 4, 1, 0)
		for _, v := range want {
			b = encode(b, float64(v))
		}
		p, err := imageBytes(b)
		if err != nil || !slices.Equal(p.pix, want) {
			t.Errorf("type %d: %v, %v; want %v", kind, p.pix, err, want)
		}
	}
}

// What does not fit into 16 bits without a sign is shifted and scaled, so that no star is lost.
func TestFit16(t *testing.T) {
	nan := float32(math.NaN())
	for name, c := range map[string]struct {
		pix        []float32
		saturation float32
		want       []float32
		saturates  float32
	}{
		"as it is":           {[]float32{0, 100, 65535}, 65535, []float32{0, 100, 65535}, 65535},
		"signed":             {[]float32{-32768, 0, 32767}, 32767, []float32{0, 32768, 65535}, 65535},
		"20 bits":            {[]float32{0, 524280, 1048560}, 1048560, []float32{0, 32767.5, 65535}, 65535},
		"20 bits, faint":     {[]float32{0, 100, 65000}, 1048560, []float32{0, 100, 65000}, 1048560},
		"infinite, no value": {[]float32{float32(math.Inf(1)), nan, 5}, 0, []float32{nan, nan, 5}, 0},
	} {
		f := &fits.Frame{Pix: slices.Clone(c.pix), Saturation: c.saturation}
		fit16(f)
		for i, v := range f.Pix {
			if v != c.want[i] && !(v != v && c.want[i] != c.want[i]) {
				t.Errorf("%s: %v, want %v", name, f.Pix, c.want)
				break
			}
		}
		if f.Saturation != c.saturates {
			t.Errorf("%s: it saturates at %g, want %g", name, f.Saturation, c.saturates)
		}
	}
}

// The zone of a link's address is escaped in a URL, and not sent as the host's name.
func TestBase(t *testing.T) {
	u, err := url.Parse(base("[fe80::2%eth0]:11111") + "/api")
	if err != nil || u.Hostname() != "fe80::2%eth0" || u.Port() != "11111" {
		t.Errorf("%v %v", u, err)
	}
}
