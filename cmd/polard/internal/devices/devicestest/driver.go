package devicestest

import (
	"bufio"
	"bytes"
	"compress/zlib"
	"context"
	"encoding/base64"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
)

// Names of the rehearsed rig's devices, and of properties on its mount: one gives it a fault, one
// turns its bolts, which no real mount does by itself.
const (
	RehearsedMount  = "Rehearsed Mount"
	RehearsedCamera = "Rehearsed Camera"
	FaultProperty   = "FAULT"
	BoltsProperty   = "BOLTS"
)

// rigVariable hands the rig to the driver's process.
const rigVariable = "POLARD_TEST_RIG"

// driverOptions say what the driver drives.
type driverOptions struct {
	Config rehearsal.Config
	// ByCoordinates leaves out the motion switches: the mount knows coordinates only.
	ByCoordinates bool
	// Packed sends pictures compressed (".fits.z").
	Packed bool
	// NorthReversed turns the sense of the declination switches round.
	NorthReversed bool
	// PierSide tells which side of the pier the tube is on.
	PierSide bool
}

// Main is a TestMain for packages that need nothing else in it. A catalogue that whoever runs the tests has added
// for themselves is out of its sight.
func Main(m *testing.M) {
	DriveIfAsked()
	for _, name := range []string{"XDG_DATA_HOME", "XDG_DATA_DIRS", "LOCALAPPDATA"} {
		os.Setenv(name, filepath.Join(os.TempDir(), "polard-tests-no-data"))
	}
	os.Exit(m.Run())
}

// DriveIfAsked is for TestMain: where this process was started as a driver it is one and never
// returns.
func DriveIfAsked() {
	text := os.Getenv(rigVariable)
	if text == "" {
		return
	}
	var opt driverOptions
	err := json.Unmarshal([]byte(text), &opt)
	if err == nil {
		err = drive(opt, os.Stdin, os.Stdout)
	}
	if err != nil {
		tell("driver: %v", err)
		os.Exit(1)
	}
	os.Exit(0)
}

// MidnightRig is a rig at a place where it is about midnight now, its tube 50 degrees east of the
// meridian, some 48 degrees high.
func MidnightRig(now time.Time) rehearsal.Config {
	c := rehearsal.Quillmere(now)
	day := now.UTC().Sub(now.UTC().Truncate(24 * time.Hour))
	c.Site.Longitude = (sky.Turn - sky.Angle(day.Hours())*sky.Hour).Signed()
	c.Mount.HourAngle, c.Mount.PolarDistance = -50*sky.Degree, 60*sky.Degree
	return c
}

// RigServer starts an INDI server with a rehearsed rig behind it. The test's package needs [Main].
func RigServer(t testing.TB, config rehearsal.Config, change ...func(*driverOptions)) *Server {
	t.Helper()
	opt := driverOptions{Config: config}
	for _, f := range change {
		f(&opt)
	}
	text, err := json.Marshal(opt)
	if err != nil {
		t.Fatal(err)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	// The server wants a driver's name without a path's surprises.
	link := filepath.Join(t.TempDir(), "indi_rehearsed_rig")
	if err := os.Symlink(self, link); err != nil {
		t.Fatal(err)
	}
	return StartServer(t, []string{rigVariable + "=" + string(text)}, link)
}

// ByCoordinates makes the rig's mount one that knows coordinates only.
func ByCoordinates(o *driverOptions) { o.ByCoordinates = true }

// Packed makes the camera send compressed pictures.
func Packed(o *driverOptions) { o.Packed = true }

// NorthReversed turns the sense of the declination switches round.
func NorthReversed(o *driverOptions) { o.NorthReversed = true }

// PierSide makes the mount tell which side of the pier the tube is on.
func PierSide(o *driverOptions) { o.PierSide = true }

// driver speaks INDI to the server.
type driver struct {
	rig *Rig
	opt driverOptions

	mu  sync.Mutex
	out *bufio.Writer

	abort context.CancelFunc // of the exposure that is going on; nil when none
}

// order is anything that comes in.
type order struct {
	XMLName  xml.Name
	Device   string `xml:"device,attr"`
	Name     string `xml:"name,attr"`
	Elements []struct {
		Name  string `xml:"name,attr"`
		Value string `xml:",chardata"`
	} `xml:",any"`
}

func (o order) value(name string) string {
	for _, e := range o.Elements {
		if e.Name == name {
			return strings.TrimSpace(e.Value)
		}
	}
	return ""
}

func (o order) on(name string) bool { return o.value(name) == "On" }

func drive(opt driverOptions, in io.Reader, out io.Writer) error {
	rig, err := NewRig(opt.Config)
	if err != nil {
		return err
	}
	d := &driver{rig: rig, opt: opt, out: bufio.NewWriter(out)}
	done := make(chan struct{})
	defer close(done)
	go func() {
		for {
			select {
			case <-done:
				return
			case <-time.After(200 * time.Millisecond):
				d.report("set")
			}
		}
	}()
	words := xml.NewDecoder(in)
	for {
		token, err := words.Token()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		start, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		var o order
		if err := words.DecodeElement(&o, &start); err != nil {
			return err
		}
		d.obey(o)
	}
}

func (d *driver) send(format string, args ...any) {
	d.mu.Lock()
	defer d.mu.Unlock()
	fmt.Fprintf(d.out, format+"\n", args...)
	_ = d.out.Flush() // without a server the driver ends by its input
}

// vector writes a property; members are name and value in turn.
func (d *driver) vector(tag, kind, device, name, state, perm string, members ...string) {
	var b strings.Builder
	one := "one"
	extra := ""
	if tag == "def" {
		one = "def"
		extra = fmt.Sprintf(` perm=%q label=%q group="Main"`, perm, name)
		if kind == "Switch" {
			extra += ` rule="AtMostOne"`
		}
	}
	fmt.Fprintf(&b, `<%s%sVector device=%q name=%q state=%q timeout="60"%s>`, tag, kind, device, name, state, extra)
	for i := 0; i+1 < len(members); i += 2 {
		bounds := ""
		if tag == "def" && kind == "Number" {
			bounds = ` label="x" format="%g" min="0" max="3600" step="0"`
		}
		fmt.Fprintf(&b, `<%s%s name=%q%s>%s</%s%s>`, one, kind, members[i], bounds, members[i+1], one, kind)
	}
	fmt.Fprintf(&b, `</%s%sVector>`, tag, kind)
	d.send("%s", b.String())
}

func onOff(on bool) string {
	if on {
		return "On"
	}
	return "Off"
}

func number(x float64) string { return strconv.FormatFloat(x, 'g', 12, 64) }

// define says all there is.
func (d *driver) define() {
	for device, bits := range map[string]string{RehearsedMount: "1", RehearsedCamera: "2"} {
		d.vector("def", "Text", device, "DRIVER_INFO", "Idle", "ro", "DRIVER_NAME", device, "DRIVER_EXEC", "rehearsed_rig", "DRIVER_VERSION", "1.0", "DRIVER_INTERFACE", bits)
		d.vector("def", "Switch", device, "CONNECTION", "Ok", "rw", "CONNECT", "On", "DISCONNECT", "Off")
	}
	c := d.rig.Config()
	d.vector("def", "Number", RehearsedMount, "GEOGRAPHIC_COORD", "Ok", "rw", "LAT", number(c.Site.Latitude.Degrees()), "LONG", number(c.Site.Longitude.Positive().Degrees()), "ELEV", number(c.Site.ElevationM))
	if !d.opt.ByCoordinates {
		d.vector("def", "Switch", RehearsedMount, "TELESCOPE_MOTION_WE", "Idle", "rw", "MOTION_WEST", "Off", "MOTION_EAST", "Off")
		d.vector("def", "Switch", RehearsedMount, "TELESCOPE_MOTION_NS", "Idle", "rw", "MOTION_NORTH", "Off", "MOTION_SOUTH", "Off")
		d.vector("def", "Switch", RehearsedMount, "TELESCOPE_SLEW_RATE", "Idle", "rw", "1x", "Off", "2x", "Off", "3x", "On", "4x", "Off")
	}
	d.vector("def", "Switch", RehearsedMount, "TELESCOPE_ABORT_MOTION", "Idle", "rw", "ABORT", "Off")
	d.vector("def", "Switch", RehearsedMount, "ON_COORD_SET", "Idle", "rw", "TRACK", "On", "SLEW", "Off", "SYNC", "Off")
	d.vector("def", "Switch", RehearsedMount, "TELESCOPE_PARK", "Ok", "rw", "PARK", "Off", "UNPARK", "On")
	d.vector("def", "Text", RehearsedMount, FaultProperty, "Ok", "rw", "NAME", "")
	d.vector("def", "Number", RehearsedMount, BoltsProperty, "Ok", "rw", "ALTITUDE", "0", "AZIMUTH", "0")
	d.report("def")
	d.vector("def", "Number", RehearsedCamera, "CCD_EXPOSURE", "Idle", "rw", "CCD_EXPOSURE_VALUE", "1")
	d.vector("def", "Switch", RehearsedCamera, "CCD_ABORT_EXPOSURE", "Idle", "rw", "ABORT", "Off")
	d.vector("def", "Number", RehearsedCamera, "CCD_INFO", "Ok", "ro", "CCD_MAX_X", number(float64(c.Camera.Width)), "CCD_MAX_Y", number(float64(c.Camera.Height)), "CCD_PIXEL_SIZE_X", number(c.Camera.PixelUm))
	d.vector("def", "BLOB", RehearsedCamera, "CCD1", "Idle", "ro", "CCD1", "")
}

// report says where the mount is.
func (d *driver) report(tag string) {
	r, err := d.rig.Report()
	if err != nil {
		tell("report: %v", err)
		return
	}
	state := "Idle"
	switch {
	case r.Moving:
		state = "Busy"
	case r.Tracking:
		state = "Ok"
	}
	d.vector(tag, "Number", RehearsedMount, "EQUATORIAL_EOD_COORD", state, "rw", "RA", number(r.RA.Hours()), "DEC", number(r.Dec.Degrees()))
	d.vector(tag, "Switch", RehearsedMount, "TELESCOPE_TRACK_STATE", "Ok", "rw", "TRACK_ON", onOff(r.Tracking), "TRACK_OFF", onOff(!r.Tracking))
	if d.opt.PierSide {
		d.vector(tag, "Switch", RehearsedMount, "TELESCOPE_PIER_SIDE", "Ok", "ro", "PIER_EAST", onOff(r.EastSide), "PIER_WEST", onOff(!r.EastSide))
	}
}

func (d *driver) obey(o order) {
	var err error
	switch {
	case o.XMLName.Local == "getProperties":
		d.define()
	case o.Device == RehearsedMount:
		err = d.obeyMount(o)
	case o.Device == RehearsedCamera && o.Name == "CCD_EXPOSURE":
		seconds, _ := strconv.ParseFloat(o.value("CCD_EXPOSURE_VALUE"), 64)
		d.expose(time.Duration(seconds * float64(time.Second)))
	case o.Device == RehearsedCamera && o.Name == "CCD_ABORT_EXPOSURE":
		d.mu.Lock()
		if d.abort != nil {
			d.abort()
		}
		d.mu.Unlock()
	}
	if err != nil {
		tell("%s: %v", o.Name, err)
	}
}

func (d *driver) obeyMount(o order) error {
	switch o.Name {
	case "TELESCOPE_MOTION_WE":
		return d.motion(o, "MOTION_WEST", "MOTION_EAST", d.rig.Move)
	case "TELESCOPE_MOTION_NS":
		return d.motion(o, "MOTION_NORTH", "MOTION_SOUTH", func(rate float64) error {
			if d.opt.NorthReversed {
				rate = -rate
			}
			return d.rig.Lift(rate)
		})
	case "TELESCOPE_ABORT_MOTION":
		tell("abort")
		d.vector("set", "Switch", RehearsedMount, o.Name, "Ok", "", "ABORT", "Off")
		return d.rig.Halt()
	case "TELESCOPE_TRACK_STATE":
		err := d.rig.SetTracking(o.on("TRACK_ON"))
		d.report("set")
		return err
	case "EQUATORIAL_EOD_COORD":
		hours, err := strconv.ParseFloat(o.value("RA"), 64)
		if err != nil {
			return err
		}
		return d.rig.Goto(sky.Angle(hours) * sky.Hour)
	case FaultProperty:
		return d.rig.SetFault(o.value("NAME"))
	case BoltsProperty:
		altitude, _ := strconv.ParseFloat(o.value("ALTITUDE"), 64)
		azimuth, _ := strconv.ParseFloat(o.value("AZIMUTH"), 64)
		return d.rig.Bolts(altitude, azimuth)
	}
	return nil
}

// motion obeys the two switches of an axis.
func (d *driver) motion(o order, plus, minus string, move func(rate float64) error) error {
	rate := 0.0
	if o.on(plus) {
		rate = float64(Speed)
	} else if o.on(minus) {
		rate = -float64(Speed)
	}
	err := move(rate)
	state := "Idle"
	if rate != 0 {
		state = "Busy"
	}
	d.vector("set", "Switch", RehearsedMount, o.Name, state, "", plus, onOff(rate > 0), minus, onOff(rate < 0))
	tell("%s %g", strings.TrimPrefix(o.Name, "TELESCOPE_"), rate)
	return err
}

func (d *driver) expose(exposure time.Duration) {
	ctx, cancel := context.WithCancel(context.Background())
	d.mu.Lock()
	if d.abort != nil {
		d.abort()
	}
	d.abort = cancel
	d.mu.Unlock()
	d.vector("set", "Number", RehearsedCamera, "CCD_EXPOSURE", "Busy", "", "CCD_EXPOSURE_VALUE", number(exposure.Seconds()))
	go func() {
		defer cancel()
		frame, err := d.rig.Expose(ctx, exposure)
		if err != nil {
			d.vector("set", "Number", RehearsedCamera, "CCD_EXPOSURE", "Idle", "", "CCD_EXPOSURE_VALUE", "0")
			return
		}
		data, err := FITS(frame)
		if err != nil {
			tell("picture: %v", err)
			return
		}
		size, format := len(data), ".fits"
		if d.opt.Packed {
			var b bytes.Buffer
			z := zlib.NewWriter(&b)
			_, _ = z.Write(data) // a buffer takes everything
			_ = z.Close()
			data, format = b.Bytes(), ".fits.z"
		}
		if d.rig.Cutting() {
			data = data[:len(data)/2]
		}
		d.send(`<setBLOBVector device=%q name="CCD1" state="Ok"><oneBLOB name="CCD1" size="%d" format=%q>%s</oneBLOB></setBLOBVector>`,
			RehearsedCamera, size, format, base64.StdEncoding.EncodeToString(data))
		d.vector("set", "Number", RehearsedCamera, "CCD_EXPOSURE", "Ok", "", "CCD_EXPOSURE_VALUE", "0")
	}()
}
