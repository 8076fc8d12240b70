package axis

import (
	"polard/mountmodel/sky"
)

// Fault is a kind of departure from the rigid mount.
type Fault int

// The departures that the frames can tell apart.
const (
	NoFault     Fault = iota
	FrameAlone        // one frame does not fit the others
	TubeStep          // the camera's place on the body changed once: declination or tube moved
	MountStep         // the axis itself moved once: tripod settled, bolts turned
	TubeCreep         // the camera's place on the body changes from frame to frame: declination slips, a tube sags
	MountCreep        // the axis itself moves from frame to frame: a tripod sinks
	Unexplained       // not one of these: flexure, several causes, or too few frames to tell
)

// departure is one way in which a rig is not rigid: in frame i the axis on the
// ground, or the camera on its body, stands share[i] times an unknown shift
// away from where it stands at the newest frame. The shift has a prior, a
// Gaussian about 0.
type departure struct {
	Diagnosis
	share []float64
	prior sky.Angle // standard deviation of the shift, per coordinate
}

// ofCamera tells whether the camera moved on its body rather than the axis on
// the ground.
func (d *departure) ofCamera() bool { return d.Fault == TubeStep || d.Fault == TubeCreep }

// creep is a movement by the same amount from frame to frame. Frames come at a
// steady pace; what sinks does so with time, what slips whenever it is turned.
func creep(fault Fault, count int) departure {
	share := make([]float64, count)
	for i := range share {
		share[i] = float64(i - (count - 1))
	}
	return departure{Diagnosis: Diagnosis{Fault: fault}, share: share}
}

// step is a movement right before frame k.
func step(fault Fault, k, count int) departure {
	share := make([]float64, count)
	for i := range k {
		share[i] = -1
	}
	return departure{Diagnosis: Diagnosis{Fault: fault, Frame: k}, share: share}
}

// alone is a frame that is wrong. A step that leaves a single frame on one
// side is that frame alone, whichever part moved.
func alone(k, count int) departure {
	share := make([]float64, count)
	share[k] = 1
	return departure{Diagnosis: Diagnosis{Fault: FrameAlone, Frame: k}, share: share}
}

// flat is a prior that leaves a shift free.
const flat = 20 * sky.Degree
