package indi

import (
	"bytes"
	"compress/zlib"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"polard/cmd/polard/internal/devices"
)

// The examples are of the protocol's own description (Downey 2007) in form; values are ours.
const stream = `<?xml version="1.0" encoding="ISO-8859-1"?>
<defNumberVector device="M" name="EQUATORIAL_EOD_COORD" label="Eq" group="Main" state="Idle" perm="rw" timeout="60" timestamp="2026-11-30T09:00:31">
  <defNumber name="RA" label="RA (hh:mm:ss)" format="%010.6m" min="0" max="24" step="0">
   7:37:34.2
  </defNumber>
  <defNumber name="DEC" label="Dec" format="%010.6m" min="-90" max="90" step="0">-0:30</defNumber>
</defNumberVector>
<defSwitchVector device="M" name="TELESCOPE_PARK" state="Ok" perm="rw" rule="OneOfMany"><defSwitch name="PARK">
Off
</defSwitch><defSwitch name="UNPARK">On</defSwitch></defSwitchVector>
<setNumberVector device="M" name="EQUATORIAL_EOD_COORD" state="Busy" message="slewing"><oneNumber name="RA">8</oneNumber></setNumberVector>
<message device="M" timestamp="2026-11-30T09:00:31" message="Temp 20 ` + "\xb0" + `C"/>
<somethingNew device="M"><part/></somethingNew>
<delProperty device="M" name="TELESCOPE_PARK"/>
`

func TestStream(t *testing.T) {
	for _, name := range []string{"whole", "byte by byte"} {
		var in io.Reader = strings.NewReader(stream)
		if name == "byte by byte" {
			in = iotest.OneByteReader(in)
		}
		r, all := newReader(in), make(tree)
		for {
			m, err := r.next()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(name, err)
			}
			if err := all.take(m, time.Time{}); err != nil {
				t.Fatal(name, err)
			}
		}
		d := all["M"]
		p := d.property("EQUATORIAL_EOD_COORD")
		ra, err := p.number("RA")
		if err != nil || ra != 8 || p.state != stateBusy || !p.writable {
			t.Errorf("%s: RA %v %v, %+v", name, ra, err, p)
		}
		if dec, err := p.number("DEC"); err != nil || dec != -0.5 {
			t.Errorf("%s: Dec %v %v", name, dec, err)
		}
		if d.said != "Temp 20 \ufffdC" {
			t.Errorf("%s: said %q", name, d.said)
		}
		if d.property("TELESCOPE_PARK") != nil {
			t.Errorf("%s: a deleted property is still there", name)
		}
	}
}

func TestHostileStream(t *testing.T) {
	for name, text := range map[string]string{
		"no XML":       "HTTP/1.1 400 Bad Request\r\n\r\n<",
		"unclosed":     "<message device='M'",
		"nested deep":  "<a><b><c/></b></a>",
		"wrong close":  "<a></b>",
		"entity":       "<message message='&bomb;'/>",
		"endless text": "<a>" + strings.Repeat("x", 1<<20),
	} {
		r := newReader(strings.NewReader(text))
		r.most = 1 << 19
		var err error
		for err == nil {
			_, err = r.next()
		}
		if err == io.EOF && name != "no XML" {
			t.Errorf("%s: taken for the end of a whole stream", name)
		}
	}
	all := make(tree)
	var err error
	for i := 0; err == nil && i < 10*maxProperties; i++ {
		err = all.take(message{tag: "defTextVector", device: "M", name: fmt.Sprint(i)}, time.Time{})
	}
	if err == nil {
		t.Error("properties without end are kept")
	}
}

// Sexagesimal numbers as the protocol's section on number formats has them.
func TestNumber(t *testing.T) {
	for text, want := range map[string]float64{
		"1.5": 1.5, "-1.5": -1.5, "10:30": 10.5, "-0:30": -0.5, "10:30:36": 10.51, "10 30 36": 10.51, "-10;30;36": -10.51,
		" 12:00:00.0\n": 12, "1e2": 100, "+3": 3,
	} {
		if x, err := parseNumber(text); err != nil || math.Abs(x-want) > 1e-12 {
			t.Errorf("%q is %v %v, want %v", text, x, err, want)
		}
	}
	for _, text := range []string{"", "x", "1:2:3:4", "NaN", "Inf", "1:-2", "1:99", ":", "1:x"} {
		if x, err := parseNumber(text); err == nil {
			t.Errorf("%q passes for %v", text, x)
		}
	}
}

func packed(data []byte) []byte {
	var b bytes.Buffer
	w := zlib.NewWriter(&b)
	_, _ = w.Write(data) // a buffer takes everything
	_ = w.Close()
	return b.Bytes()
}

func TestUnpack(t *testing.T) {
	data := bytes.Repeat([]byte("SIMPLE  =  picture "), 1000)
	plain := base64.StdEncoding.EncodeToString(data)
	small := packed(data)
	lines := plain[:72] + "\n" + plain[72:144] + "\r\n" + plain[144:]
	for _, c := range []struct {
		name string
		e    element
		want error
	}{
		{"plain", element{format: ".fits", size: int64(len(data)), value: plain}, nil},
		{"lines", element{format: ".fits", size: int64(len(data)), value: lines}, nil},
		{"size not told", element{format: ".fits", size: -1, value: plain}, nil},
		{"packed", element{format: ".fits.z", size: int64(len(data)), value: base64.StdEncoding.EncodeToString(small)}, nil},
		{"cut in base64", element{format: ".fits", size: int64(len(data)), value: plain[:1001]}, devices.ErrCut},
		{"cut between", element{format: ".fits", size: int64(len(data)), value: plain[:1000]}, devices.ErrCut},
		{"packed and cut", element{format: ".fits.z", size: int64(len(data)), value: base64.StdEncoding.EncodeToString(small[:len(small)/2])}, devices.ErrCut},
		{"not packed", element{format: ".fits.z", size: int64(len(data)), value: plain}, devices.ErrCut},
		{"nothing", element{format: ".fits", size: 10}, devices.ErrCut},
		{"a JPEG", element{format: ".jpeg", size: -1, value: plain}, devices.ErrDevice},
		{"huge", element{format: ".fits", size: 1 << 40, value: plain}, devices.ErrDevice},
	} {
		got, err := unpack(c.e)
		if !errors.Is(err, c.want) || c.want == nil && !bytes.Equal(got, data) {
			t.Errorf("%s: %d bytes, %v, want %v", c.name, len(got), err, c.want)
		}
	}
	bomb := packed(make([]byte, maxPictureBytes+1))
	if _, err := unpack(element{format: ".fits.z", size: 100, value: base64.StdEncoding.EncodeToString(bomb)}); !errors.Is(err, devices.ErrDevice) {
		t.Errorf("%d bytes that unfold to %d give %v", len(bomb), maxPictureBytes+1, err)
	}
}

// Any bytes are messages or an error, and what is kept of them stays bounded.
func FuzzStream(f *testing.F) {
	f.Add([]byte(stream))
	f.Add([]byte(`<setBLOBVector device="C" name="CCD1"><oneBLOB name="CCD1" size="3" format=".fits.z">eJw=</oneBLOB></setBLOBVector>`))
	f.Add([]byte(`<a><b><c/></b></a>`))
	f.Fuzz(func(t *testing.T, data []byte) {
		r, all := newReader(bytes.NewReader(data)), make(tree)
		for {
			m, err := r.next()
			if err != nil {
				return
			}
			if all.take(m, time.Time{}) != nil {
				return
			}
			_ = all.found()
			for _, d := range all {
				d.side()
				d.site()
				d.rates()
			}
			for _, e := range m.elements {
				if out, err := unpack(e); err == nil && e.size > int64(len(out)) && !strings.HasSuffix(e.format, "z") {
					t.Errorf("%d bytes pass for %d", len(out), e.size)
				}
			}
		}
	})
}

// Rates stand in growing order (TELESCOPE_SLEW_RATE of libindi-dev 1.9.9: guide, centering, find, max).
func TestRates(t *testing.T) {
	for n, want := range map[int][2]string{0: {"", ""}, 1: {"a", "a"}, 2: {"b", "b"}, 3: {"b", "b"}, 4: {"b", "c"}, 10: {"d", "i"}} {
		d := &device{properties: map[string]*property{propRate: {}}}
		for i := range n {
			d.properties[propRate].elements = append(d.properties[propRate].elements, element{name: string(rune('a' + i))})
		}
		if slow, brisk := d.rates(); slow != want[0] || brisk != want[1] {
			t.Errorf("of %d rates %q and %q, want %q", n, slow, brisk, want)
		}
	}
}

func FuzzNumber(f *testing.F) {
	for _, s := range []string{"1:2:3", "-0:30", "1e9", "NaN"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if x, err := parseNumber(s); err == nil && (math.IsNaN(x) || math.IsInf(x, 0)) {
			t.Errorf("%q is %v", s, x)
		}
	})
}

// BenchmarkPicture reads a picture of 9 million 16-bit pixels off the stream.
func BenchmarkPicture(b *testing.B) {
	data := make([]byte, 18<<20)
	text := fmt.Sprintf(`<setBLOBVector device="C" name="CCD1"><oneBLOB name="CCD1" size="%d" format=".fits">%s</oneBLOB></setBLOBVector>`,
		len(data), base64.StdEncoding.EncodeToString(data))
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		m, err := newReader(strings.NewReader(text)).next()
		if err != nil {
			b.Fatal(err)
		}
		if _, err := unpack(m.elements[0]); err != nil {
			b.Fatal(err)
		}
	}
}
