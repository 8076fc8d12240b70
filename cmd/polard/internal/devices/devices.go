package devices

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"time"

	"polard/mountmodel/sky"
)

// Kind is what a device is for.
type Kind string

// Kinds of device that are of use here. One device may be both.
const (
	KindCamera Kind = "camera"
	KindMount  Kind = "mount"
)

// Found is a device that a server offers.
type Found struct {
	Kind Kind
	// Name is what the user chooses it by. It holds no address.
	Name string
	// Driver is the driver's own name and version, as far as it tells.
	Driver string
	// Connected tells whether the server is connected to the hardware.
	Connected bool
}

// Kinds of failure. They follow what the measurement does next: in each case motion has been
// stopped, or could not be.
var (
	// ErrLost: the connection to the server or the device is gone. It is taken up again by itself.
	ErrLost = sky.Refuse(nil, "devices_lost", "the connection to the devices was lost")
	// ErrDevice: the device says that it cannot do what it was asked.
	ErrDevice = sky.Refuse(nil, "device_problem", "the device reports a problem")
	// ErrTimeout: the device did not answer in time.
	ErrTimeout = sky.Refuse(nil, "device_timeout", "the device did not answer in time")
	// ErrRunsOn: the mount does not stop.
	ErrRunsOn = sky.Refuse(nil, "mount_runs_on", "the mount goes on moving after it was told to stop: switch it off")
	// ErrCut: a picture arrived incomplete.
	ErrCut = sky.Refuse(nil, "picture_cut", "the picture arrived incomplete")
	// ErrMissing: the server does not offer such a device, or the device lacks what is needed.
	ErrMissing = sky.Refuse(nil, "device_missing", "no such device")
)

// WithoutAddress keeps what happened in the network and drops to whom: addresses are never shown
// in a log. known tells whether it was an error of the network.
func WithoutAddress(err error) (plain error, known bool) {
	var dns *net.DNSError
	var op *net.OpError
	var call *os.SyscallError
	switch {
	case errors.As(err, &dns):
		return sky.Refuse(nil, "server_unknown", "the name of the server is not known"), true
	case errors.As(err, &call):
		return call.Err, true
	case errors.As(err, &op):
		return fmt.Errorf("%s: %v", op.Op, op.Err), true
	case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
		return sky.Refuse(nil, "server_closed", "the server closed it"), true
	}
	return err, false
}

// Shot is an exposure to be taken.
type Shot struct {
	Exposure time.Duration
	// Gain is the camera's own gain setting; nil leaves it as it is.
	Gain *float64
}

// CameraInfo is what a camera tells of itself. What it does not tell is zero, or nil.
type CameraInfo struct {
	Width, Height         int     // pixels
	PixelUm               float64 // size of a pixel along a row
	Shortest, Longest     time.Duration
	Gain, LowGain, HiGain *float64
}

// Camera takes pictures.
type Camera interface {
	Name() string
	Info(ctx context.Context) (CameraInfo, error)
	// Expose takes one picture and gives the bytes of a whole FITS file. When ctx ends the
	// exposure is aborted. Errors are of the kinds above.
	Expose(ctx context.Context, shot Shot) ([]byte, error)
}

// PierSide is the side of the pier on which the tube of a German mount stands.
type PierSide string

// Sides of the pier. Mounts that have none report unknown.
const (
	SideUnknown PierSide = ""
	SideEast    PierSide = "east"
	SideWest    PierSide = "west"
)

// MountState is what a mount reports of itself.
type MountState struct {
	// At is when the report arrived.
	At time.Time
	// RA and Dec are where it believes to point: of the equinox of date, or of J2000 if so marked.
	RA, Dec  sky.Angle
	J2000    bool
	Moving   bool // slewing or being moved; tracking does not count
	Tracking bool
	Parked   bool
	Side     PierSide
	// FreeAxes tells that each axis can be turned by itself, so that declination may be turned
	// without right ascension.
	FreeAxes bool
	// Trouble is what it complains of, such as a limit that was reached; without words when nothing.
	Trouble sky.Saying
	// Site is where it believes to stand; nil when it does not tell.
	Site *sky.Site
}

// Mount turns about its two axes, one at a time.
type Mount interface {
	Name() string
	// State is the newest report.
	State(ctx context.Context) (MountState, error)
	// Turn begins to turn the right ascension axis alone, towards growing hour angle (west) when
	// by is positive, and returns once that has begun. selfStops tells whether the mount ends the
	// turn by itself; otherwise it goes on until Stop. Declination is never commanded.
	Turn(ctx context.Context, by sky.Angle) (selfStops bool, err error)
	// TurnDeclination begins to turn the declination axis alone, towards the declination that grows
	// (north) when by is positive, and returns once that has begun. It goes on until Stop, over the
	// pole too: there the declination that is reported begins to fall. Only of mounts with FreeAxes.
	TurnDeclination(ctx context.Context, by sky.Angle) error
	// Stop ends all motion, also where none is known to go on. Tracking may end with it.
	Stop(ctx context.Context) error
	// SetTracking switches the drive that follows the stars.
	SetTracking(ctx context.Context, on bool) error
}

// Server offers devices over one protocol.
type Server interface {
	// Run keeps the connection until ctx ends.
	Run(ctx context.Context) error
	// Devices lists cameras and mounts; it fails when nothing answers within a time.
	Devices(ctx context.Context, within time.Duration) ([]Found, error)
	Camera(name string) Camera
	Mount(name string) Mount
}
