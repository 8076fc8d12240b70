package indi

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/mountmodel/sky"
)

// Times of the adapters.
const (
	// readTimeout is how long after its end an exposure's picture may take to arrive: reading out
	// and sending takes large cameras on slow cables about half a minute (common practice).
	readTimeout = 45 * time.Second
	// answerTimeout is how long a device may take to obey or to report.
	answerTimeout = 5 * time.Second
	// settle is how long nothing new may be defined before a device that was just connected has
	// defined all it has.
	settle = 300 * time.Millisecond
	// connectTimeout: connecting to hardware looks through its ports.
	connectTimeout = 20 * time.Second
)

// Names of standard properties and their members (indistandardproperty.h, indiccd.cpp).
const (
	propExposure = "CCD_EXPOSURE"
	propPicture  = "CCD1"
	propAbort    = "CCD_ABORT_EXPOSURE"
)

// Camera is a camera of a server.
type Camera struct {
	c    *Client
	name string
}

// Camera gives the camera of a name; whether there is one shows when it is used.
func (c *Client) Camera(name string) *Camera { return &Camera{c, name} }

// Name is what the user chose it by.
func (k *Camera) Name() string { return k.name }

// open has the server connect to the hardware if it is not, and waits for a property that only
// connected devices have; fresh tells that it was not connected before.
func (c *Client) open(ctx context.Context, name, needed string) (fresh bool, err error) {
	if err := c.Connected(ctx, connectTimeout); err != nil {
		return false, err
	}
	err = c.await(ctx, answerTimeout, func() (bool, error) {
		d := c.tree[name]
		return d.property("CONNECTION") != nil || d.property(needed) != nil, nil
	})
	if errors.Is(err, devices.ErrTimeout) {
		return false, sky.Refuse(devices.ErrMissing, "none_called", "the server has none that is called “%s”", name)
	} else if err != nil {
		return false, err
	}
	c.mu.Lock()
	p := c.tree[name].property("CONNECTION")
	asked := p != nil && !p.on("CONNECT")
	c.mu.Unlock()
	if asked {
		if err := c.set("Switch", name, "CONNECTION", value{"CONNECT", switchOn}); err != nil {
			return false, err
		}
	}
	err = c.await(ctx, connectTimeout, func() (bool, error) {
		d := c.tree[name]
		if p := d.property("CONNECTION"); asked && p != nil && p.state == stateAlert {
			return false, sky.Refuse(devices.ErrDevice, "no_hardware", "%s cannot be connected to its hardware%s", name, d.words())
		}
		return d.property(needed) != nil, nil
	})
	if errors.Is(err, devices.ErrTimeout) {
		return false, sky.Refuse(devices.ErrMissing, "lacks", "%s has no %s: switch it on, or choose another", name, needed)
	}
	if err == nil && asked {
		err = c.settled(ctx, settle)
	}
	return asked, err
}

// words is what the device said last, behind a colon.
func (d *device) words() string {
	if d == nil || d.said == "" {
		return ""
	}
	return ": " + d.said
}

// Info tells what the camera says of itself.
func (k *Camera) Info(ctx context.Context) (devices.CameraInfo, error) {
	var info devices.CameraInfo
	if _, err := k.c.open(ctx, k.name, propExposure); err != nil {
		return info, err
	}
	k.c.mu.Lock()
	defer k.c.mu.Unlock()
	d := k.c.tree[k.name]
	size := d.property("CCD_INFO")
	width, _ := size.number("CCD_MAX_X") // 0 where it is unknown
	height, _ := size.number("CCD_MAX_Y")
	info.Width, info.Height = int(width), int(height)
	info.PixelUm, _ = size.number("CCD_PIXEL_SIZE_X")
	if e := d.property(propExposure).element("CCD_EXPOSURE_VALUE"); e != nil {
		shortest, _ := parseNumber(e.min)
		longest, _ := parseNumber(e.max)
		info.Shortest = time.Duration(shortest * float64(time.Second))
		info.Longest = time.Duration(min(longest, 24*3600) * float64(time.Second))
	}
	if _, e := d.gain(); e != nil {
		for _, x := range []struct {
			to   **float64
			text string
		}{{&info.Gain, e.value}, {&info.LowGain, e.min}, {&info.HiGain, e.max}} {
			if v, err := parseNumber(x.text); err == nil {
				*x.to = &v
			}
		}
	}
	return info, nil
}

// gain finds the gain among the places where drivers have it.
func (d *device) gain() (property string, e *element) {
	for _, place := range []struct{ property, member string }{{"CCD_GAIN", "GAIN"}, {"CCD_CONTROLS", "Gain"}} {
		if e := d.property(place.property).element(place.member); e != nil {
			return place.property, e
		}
	}
	return "", nil
}

// Expose takes a picture. When ctx ends, or nothing comes, the exposure is aborted.
func (k *Camera) Expose(ctx context.Context, shot devices.Shot) ([]byte, error) {
	if _, err := k.c.open(ctx, k.name, propExposure); err != nil {
		return nil, err
	}
	if err := k.prepare(shot); err != nil {
		return nil, err
	}
	key := blobKey{k.name, propPicture}
	k.c.mu.Lock()
	epoch, before := k.c.epoch, k.c.blobs[key].number
	k.c.mu.Unlock()
	seconds := strconv.FormatFloat(shot.Exposure.Seconds(), 'f', -1, 64)
	if err := k.c.set("Number", k.name, propExposure, value{"CCD_EXPOSURE_VALUE", seconds}); err != nil {
		return nil, err
	}
	var picture element
	busy := false
	err := k.c.await(ctx, shot.Exposure+readTimeout, func() (bool, error) {
		if k.c.epoch != epoch {
			return false, devices.ErrLost
		}
		p := k.c.tree[k.name].property(propExposure)
		switch {
		case p == nil:
			return false, sky.Refuse(devices.ErrLost, "taken_away", "%s was taken away during the exposure", k.name)
		case k.c.blobs[key].number > before:
			picture = k.c.blobs[key].element
			delete(k.c.blobs, key)
			return true, nil
		case busy && p.state == stateAlert:
			return false, sky.Refuse(devices.ErrDevice, "not_exposed", "%s did not expose%s", k.name, k.c.tree[k.name].words())
		}
		busy = busy || p.state == stateBusy
		return false, nil
	})
	if err != nil {
		if !errors.Is(err, devices.ErrLost) {
			// Nobody waits for it any more; if this fails the connection is gone, which is reported next.
			_ = k.c.set("Switch", k.name, propAbort, value{"ABORT", switchOn})
		}
		if errors.Is(err, devices.ErrTimeout) {
			return nil, sky.Refuse(devices.ErrTimeout, "no_picture", "no picture came from %s within %s s after its exposure", k.name, sky.Decimal{Value: readTimeout.Seconds()})
		}
		return nil, err
	}
	return unpack(picture)
}

// prepare has pictures sent here, as FITS, of the open shutter, with the gain asked for.
func (k *Camera) prepare(shot devices.Shot) error {
	if err := k.c.send(fmt.Sprintf(`<enableBLOB device="%s">Also</enableBLOB>`+"\n", escape(k.name))); err != nil {
		return err
	}
	k.c.mu.Lock()
	d := k.c.tree[k.name]
	type order struct {
		kind, property string
		value
	}
	var orders []order
	for _, s := range []struct{ property, member string }{
		{"UPLOAD_MODE", "UPLOAD_CLIENT"}, {"CCD_TRANSFER_FORMAT", "FORMAT_FITS"}, {"CCD_FRAME_TYPE", "FRAME_LIGHT"},
	} {
		if p := d.property(s.property); p.element(s.member) != nil && !p.on(s.member) {
			orders = append(orders, order{"Switch", s.property, value{s.member, switchOn}})
		}
	}
	if property, e := d.gain(); e != nil && shot.Gain != nil {
		orders = append(orders, order{"Number", property, value{e.name, strconv.FormatFloat(*shot.Gain, 'f', -1, 64)}})
	}
	k.c.mu.Unlock()
	for _, o := range orders {
		if err := k.c.set(o.kind, k.name, o.property, o.value); err != nil {
			return err
		}
	}
	return nil
}
