package devicestest

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"polard/fits"
	"polard/mountmodel/sky"
)

// Alpaca is a rehearsed rig behind an Alpaca server, written from the published descriptions
// (Device API v1, Management API v1, ImageBytes 1.0, API Reference 12).
type Alpaca struct {
	Rig  *Rig
	Addr string // HOST:PORT
	// Discovery is where it answers to discovery, ADDRESS:PORT.
	Discovery string

	// EastPositive is the sense of MoveAxis; the protocol leaves it open.
	EastPositive bool
	// CoordinatesOnly: it does not implement MoveAxis.
	CoordinatesOnly bool
	// JSONOnly: it does not know ImageBytes.
	JSONOnly bool
	// SouthPositive turns the sense of the secondary axis round.
	SouthPositive bool
	// Rates are the least and the greatest of each range of rates, in degrees a second.
	Rates [][2]float64
	// Alignment is the AlignmentMode: 0 altitude-azimuth, 1 polar, 2 German polar.
	Alignment int
	// ConnectsAfter is how many times it still answers that it is not connected.
	ConnectsAfter int

	mu       sync.Mutex
	parked   bool
	deaf     bool // refuses whatever moves or stops
	frame    *fits.Frame
	state    int // CameraState: 0 idle, 2 exposing, 5 error
	abort    context.CancelFunc
	requests []string
	server   *httptest.Server
	count    uint32
}

// StartAlpaca serves a rig until the test ends.
func StartAlpaca(t testing.TB, rig *Rig) *Alpaca {
	t.Helper()
	a := &Alpaca{Rig: rig, Rates: [][2]float64{{0.001, 0.01}, {0.5, 4}}, Alignment: 2}
	a.server = httptest.NewServer(http.HandlerFunc(a.serve))
	a.Addr = a.server.Listener.Addr().String()
	t.Cleanup(a.server.Close)
	conn, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	a.Discovery = conn.LocalAddr().String()
	t.Cleanup(func() { conn.Close() })
	go a.answerDiscovery(conn)
	return a
}

func (a *Alpaca) answerDiscovery(conn *net.UDPConn) {
	_, port, _ := net.SplitHostPort(a.Addr)
	buffer := make([]byte, 100)
	for {
		n, from, err := conn.ReadFromUDP(buffer)
		if err != nil {
			return
		}
		if string(buffer[:n]) == "alpacadiscovery1" {
			_, _ = fmt.Fprintf(udpTo{conn, from}, `{"AlpacaPort":%s}`, port)
		}
	}
}

type udpTo struct {
	*net.UDPConn
	to *net.UDPAddr
}

func (u udpTo) Write(p []byte) (int, error) { return u.WriteToUDP(p, u.to) }

// CutOff closes all connections and refuses new ones, as a server does that is killed.
func (a *Alpaca) CutOff() { a.server.CloseClientConnections(); a.server.Listener.Close() }

// Requests are the methods called so far, with their values.
func (a *Alpaca) Requests() []string {
	a.mu.Lock()
	defer a.mu.Unlock()
	return append([]string(nil), a.requests...)
}

// Park parks the mount.
func (a *Alpaca) Park() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.parked = true
}

// SetDeaf makes the mount refuse whatever moves or stops it.
func (a *Alpaca) SetDeaf(on bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.deaf = on
}

// isDeaf tells that.
func (a *Alpaca) isDeaf() bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.deaf
}

// connected counts the answers until it is.
func (a *Alpaca) connected() bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.ConnectsAfter--
	return a.ConnectsAfter < 0
}

// alpacaError is an error by number.
type alpacaError struct {
	number int
	text   string
}

func (e alpacaError) Error() string { return e.text }

var notImplemented = alpacaError{0x400, "not implemented"}

func (a *Alpaca) serve(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	parts := strings.Split(strings.Trim(r.URL.Path, "/"), "/")
	var value any
	var err error
	switch {
	case r.URL.Path == "/management/v1/configureddevices":
		value = []map[string]any{
			{"DeviceName": RehearsedCamera, "DeviceType": "Camera", "DeviceNumber": 0, "UniqueID": "c0ffee000001"},
			{"DeviceName": RehearsedMount, "DeviceType": "Telescope", "DeviceNumber": 0, "UniqueID": "c0ffee000002"},
			{"DeviceName": "A focuser", "DeviceType": "Focuser", "DeviceNumber": 0, "UniqueID": "c0ffee000003"},
		}
	case len(parts) == 5 && parts[0] == "api" && parts[1] == "v1" && parts[3] == "0" && r.Method == http.MethodGet:
		if parts[4] == "imagearray" {
			a.sendImage(w, r)
			return
		}
		value, err = a.read(parts[2], parts[4])
	case len(parts) == 5 && parts[0] == "api" && parts[1] == "v1" && parts[3] == "0" && r.Method == http.MethodPut:
		a.mu.Lock()
		a.requests = append(a.requests, parts[4]+" "+r.PostForm.Get("Rate"))
		a.mu.Unlock()
		err = a.write(parts[2], parts[4], func(key string) string { return r.PostForm.Get(key) })
	default:
		http.Error(w, "there is no such device or method", http.StatusBadRequest)
		return
	}
	a.answer(w, value, err)
}

func (a *Alpaca) answer(w http.ResponseWriter, value any, err error) {
	a.mu.Lock()
	a.count++
	out := map[string]any{"ServerTransactionID": a.count, "ErrorNumber": 0, "ErrorMessage": ""}
	a.mu.Unlock()
	if value != nil {
		out["Value"] = value
	}
	if err != nil {
		number := 0x500
		if e, ok := err.(alpacaError); ok {
			number = e.number
		}
		out["ErrorNumber"], out["ErrorMessage"] = number, err.Error()
	}
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(out) // a client that went away needs no answer
}

func (a *Alpaca) read(kind, property string) (any, error) {
	if property == "connected" {
		return a.connected(), nil
	}
	if kind == "camera" {
		return a.readCamera(property)
	}
	return a.readMount(property)
}

func (a *Alpaca) readCamera(property string) (any, error) {
	c := a.Rig.Config()
	a.mu.Lock()
	defer a.mu.Unlock()
	switch property {
	case "numx":
		return c.Camera.Width, nil
	case "numy":
		return c.Camera.Height, nil
	case "pixelsizex":
		return c.Camera.PixelUm, nil
	case "exposuremin":
		return 0.001, nil
	case "exposuremax":
		return 3600.0, nil
	case "binx":
		return 1, nil
	case "sensortype":
		return 0, nil
	case "maxadu":
		return 65535, nil
	case "imageready":
		return a.frame != nil, nil
	case "camerastate":
		return a.state, nil
	}
	return nil, notImplemented
}

func (a *Alpaca) readMount(property string) (any, error) {
	c := a.Rig.Config()
	r, err := a.Rig.Report()
	if err != nil {
		return nil, err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	switch property {
	case "rightascension":
		return r.RA.Hours(), nil
	case "declination":
		return r.Dec.Degrees(), nil
	case "slewing":
		return r.Moving, nil
	case "tracking":
		return r.Tracking, nil
	case "atpark":
		return a.parked, nil
	case "equatorialsystem":
		return 1, nil
	case "sideofpier":
		if r.EastSide {
			return 0, nil
		}
		return 1, nil
	case "sitelatitude":
		return c.Site.Latitude.Degrees(), nil
	case "sitelongitude":
		return c.Site.Longitude.Degrees(), nil
	case "siteelevation":
		return c.Site.ElevationM, nil
	case "canmoveaxis":
		return !a.CoordinatesOnly, nil
	case "axisrates":
		out := []map[string]float64{}
		for _, r := range a.Rates {
			out = append(out, map[string]float64{"Minimum": r[0], "Maximum": r[1]})
		}
		return out, nil
	case "alignmentmode":
		return a.Alignment, nil
	}
	return nil, notImplemented
}

func (a *Alpaca) write(kind, method string, form func(string) string) error {
	switch kind + "/" + method {
	case "camera/startexposure":
		seconds, err := strconv.ParseFloat(form("Duration"), 64)
		if err != nil || form("Light") == "" {
			return alpacaError{0x401, "invalid value"}
		}
		a.expose(time.Duration(seconds * float64(time.Second)))
		return nil
	case "camera/abortexposure":
		a.mu.Lock()
		defer a.mu.Unlock()
		if a.abort != nil {
			a.abort()
		}
		return nil
	case "telescope/moveaxis":
		return a.moveAxis(form("Axis"), form("Rate"))
	case "telescope/abortslew":
		if a.isDeaf() {
			return alpacaError{0x40B, "invalid operation"}
		}
		return a.Rig.Halt()
	case "camera/connected", "telescope/connected":
		return nil
	case "telescope/tracking":
		return a.Rig.SetTracking(form("Tracking") == "true")
	case "telescope/slewtocoordinatesasync":
		hours, err := strconv.ParseFloat(form("RightAscension"), 64)
		if err != nil {
			return alpacaError{0x401, "invalid value"}
		}
		return a.Rig.Goto(sky.Angle(hours) * sky.Hour)
	}
	return notImplemented
}

// moveAxis moves an axis at a rate in degrees a second, which has to be 0 or one of Rates.
func (a *Alpaca) moveAxis(axis, text string) error {
	rate, err := strconv.ParseFloat(text, 64)
	allowed := rate == 0
	for _, r := range a.Rates {
		allowed = allowed || math.Abs(rate) >= r[0] && math.Abs(rate) <= r[1]
	}
	if err != nil || !allowed || axis != "0" && axis != "1" {
		return alpacaError{0x401, "invalid value"}
	}
	if a.CoordinatesOnly {
		return notImplemented
	}
	if a.isDeaf() {
		return alpacaError{0x40B, "invalid operation"}
	}
	move, reversed := a.Rig.Move, a.EastPositive
	if axis == "1" {
		move, reversed = a.Rig.Lift, a.SouthPositive
	}
	if reversed {
		rate = -rate
	}
	return move(rate * float64(sky.Degree))
}

func (a *Alpaca) expose(d time.Duration) {
	ctx, cancel := context.WithCancel(context.Background())
	a.mu.Lock()
	a.frame, a.state, a.abort = nil, 2, cancel
	a.mu.Unlock()
	go func() {
		defer cancel()
		frame, err := a.Rig.Expose(ctx, d)
		a.mu.Lock()
		defer a.mu.Unlock()
		if a.state = 0; err == nil {
			a.frame = frame
		}
	}()
}

// sendImage sends the picture as ImageBytes (UInt16) or JSON.
func (a *Alpaca) sendImage(w http.ResponseWriter, r *http.Request) {
	a.mu.Lock()
	f, jsonOnly := a.frame, a.JSONOnly
	a.mu.Unlock()
	if f == nil {
		a.answer(w, nil, alpacaError{0x40B, "there is no picture"})
		return
	}
	if jsonOnly || !strings.Contains(r.Header.Get("Accept"), "application/imagebytes") {
		columns := make([][]int, f.Width)
		for x := range columns {
			columns[x] = make([]int, f.Height)
			for y := range f.Height {
				columns[x][y] = int(f.Pix[y*f.Width+x])
			}
		}
		w.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(w).Encode(map[string]any{"Type": 2, "Rank": 2, "Value": columns, "ErrorNumber": 0, "ErrorMessage": ""})
		return
	}
	b := ImageBytes(f)
	if a.Rig.Cutting() {
		b = b[:len(b)/2]
	}
	w.Header().Set("Content-Type", "application/imagebytes")
	_, _ = w.Write(b)
}

// ImageBytes is a frame in that form: 16-bit numbers.
func ImageBytes(f *fits.Frame) []byte {
	const uint16Type, int32Type = 8, 2
	var b []byte
	for _, n := range []int32{1, 0, 0, 0, 44, int32Type, uint16Type, 2, int32(f.Width), int32(f.Height), 0} {
		b = binary.LittleEndian.AppendUint32(b, uint32(n))
	}
	for x := range f.Width {
		for y := range f.Height {
			b = binary.LittleEndian.AppendUint16(b, uint16(math.Round(float64(f.Pix[y*f.Width+x]))))
		}
	}
	return b
}
