package alpaca

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"polard/cmd/polard/internal/devices"
	"polard/fits"
	"polard/mountmodel/sky"
)

// readTimeout is how long after its end an exposure's picture may take to be ready.
const readTimeout = 45 * time.Second

// cameraError is the state of a camera that cannot go on (Device API, CameraState).
const cameraError = 5

// Camera is a camera of a server.
type Camera struct {
	c    *Client
	name string
	// readTimeout is how long a picture may take beyond its exposure.
	readTimeout time.Duration
}

// Camera gives the camera of a name; whether there is one shows when it is used.
func (c *Client) Camera(name string) devices.Camera { return &Camera{c, name, readTimeout} }

// Name is what the user chose it by.
func (k *Camera) Name() string { return k.name }

// Info tells what the camera says of itself. What it does not implement is left out.
func (k *Camera) Info(ctx context.Context) (devices.CameraInfo, error) {
	var info devices.CameraInfo
	p, err := k.c.open(ctx, devices.KindCamera, k.name)
	if err != nil {
		return info, err
	}
	var shortest, longest float64
	gain, low, high := math.NaN(), math.NaN(), math.NaN()
	for _, q := range []struct {
		property string
		to       any
	}{
		{"numx", &info.Width}, {"numy", &info.Height}, {"pixelsizex", &info.PixelUm},
		{"exposuremin", &shortest}, {"exposuremax", &longest},
		{"gain", &gain}, {"gainmin", &low}, {"gainmax", &high},
	} {
		var r *refusal
		if err := k.c.get(ctx, p, q.property, q.to); err != nil && !errors.As(err, &r) {
			return info, err
		}
	}
	info.Shortest = time.Duration(shortest * float64(time.Second))
	info.Longest = time.Duration(min(longest, 24*3600) * float64(time.Second))
	for _, x := range []struct {
		to    **float64
		value float64
	}{{&info.Gain, gain}, {&info.LowGain, low}, {&info.HiGain, high}} {
		if !math.IsNaN(x.value) {
			*x.to = &x.value
		}
	}
	return info, nil
}

// Expose takes a picture. When ctx ends, or nothing comes, the exposure is aborted.
func (k *Camera) Expose(ctx context.Context, shot devices.Shot) ([]byte, error) {
	p, err := k.c.open(ctx, devices.KindCamera, k.name)
	if err != nil {
		return nil, err
	}
	if shot.Gain != nil {
		if err := k.c.put(ctx, p, "gain", answerTimeout, url.Values{"Gain": {strconv.Itoa(int(math.Round(*shot.Gain)))}}); err != nil && !missing(err) {
			return nil, err
		}
	}
	began := time.Now()
	err = k.c.put(ctx, p, "startexposure", answerTimeout, url.Values{
		"Duration": {strconv.FormatFloat(shot.Exposure.Seconds(), 'f', -1, 64)}, "Light": {"true"},
	})
	// The order was on its way for this long; the shutter opened somewhere in between.
	start := began.Add(time.Since(began) / 2)
	if err == nil {
		err = k.ready(ctx, p, shot)
	}
	if err != nil {
		if !errors.Is(err, devices.ErrLost) {
			k.abort(p)
		}
		return nil, err
	}
	pic, err := k.fetch(ctx, p)
	if err != nil {
		return nil, err
	}
	return k.file(ctx, p, pic, start, shot.Exposure)
}

// ready waits until there is a picture.
func (k *Camera) ready(ctx context.Context, p place, shot devices.Shot) error {
	limit := time.Now().Add(shot.Exposure + k.readTimeout)
	for {
		if err := devices.Pause(ctx, pollTime); err != nil {
			return err
		}
		done, state := false, 0
		if err := k.c.get(ctx, p, "imageready", &done); err != nil || done {
			return err
		}
		if err := k.c.get(ctx, p, "camerastate", &state); err != nil && !missing(err) {
			return err
		}
		if state == cameraError {
			return sky.Refuse(devices.ErrDevice, "error_state", "%s is in its error state", k.name)
		}
		if time.Now().After(limit) {
			return sky.Refuse(devices.ErrTimeout, "no_picture", "no picture came from %s within %s s after its exposure", k.name, sky.Decimal{Value: k.readTimeout.Seconds()})
		}
	}
}

// abort ends the exposure; cameras that cannot abort run on by themselves.
func (k *Camera) abort(p place) {
	ctx, cancel := context.WithTimeout(context.Background(), answerTimeout)
	defer cancel()
	_ = k.c.put(ctx, p, "abortexposure", answerTimeout, nil) // nobody waits for it any more
}

// fetch brings the picture here.
func (k *Camera) fetch(ctx context.Context, p place) (picture, error) {
	ctx, cancel := context.WithTimeout(ctx, pictureTimeout)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, p.url("imagearray")+"?"+k.c.query().Encode(), nil)
	if err != nil {
		return picture{}, err
	}
	r.Header.Set("Accept", "application/imagebytes, application/json")
	resp, err := k.c.http.Do(r)
	if err != nil {
		return picture{}, unreached(ctx, err)
	}
	defer resp.Body.Close()
	// A pixel takes four bytes at most, in JSON about six letters.
	body, err := io.ReadAll(io.LimitReader(resp.Body, 8*maxPixels))
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF):
		return picture{}, devices.ErrCut
	case err != nil:
		return picture{}, unreached(ctx, err)
	case resp.StatusCode != http.StatusOK:
		return picture{}, decode(resp, body, nil)
	case strings.HasPrefix(strings.ToLower(resp.Header.Get("Content-Type")), "application/imagebytes"):
		return imageBytes(body)
	}
	return imageJSON(body)
}

// sensorRGGB is the type of a sensor under a mosaic of red, green, green and blue (Device API,
// SensorType).
const sensorRGGB = 2

// most16 is the greatest value of a FITS file as it is written here.
const most16 = 65535

// file makes a FITS file of a picture.
func (k *Camera) file(ctx context.Context, p place, pic picture, start time.Time, exposure time.Duration) ([]byte, error) {
	f := &fits.Frame{
		Width: pic.width, Height: pic.height, Pix: pic.pix, Exposure: exposure, Start: start, Mid: start.Add(exposure / 2),
		Instrument: k.name, ImageType: "Light Frame",
	}
	var sensor, offX, offY, maxADU, bin int
	bin = 1
	for _, q := range []struct {
		property string
		to       any
	}{
		{"pixelsizex", &f.PixelUm}, {"binx", &bin}, {"sensortype", &sensor}, {"bayeroffsetx", &offX}, {"bayeroffsety", &offY}, {"maxadu", &maxADU},
	} {
		var r *refusal
		if err := k.c.get(ctx, p, q.property, q.to); err != nil && !errors.As(err, &r) {
			return nil, err
		}
	}
	f.PixelUm *= float64(max(bin, 1))
	if maxADU > 0 {
		f.Saturation = float32(maxADU)
	}
	fit16(f)
	var extra []fits.Card
	if sensor == sensorRGGB && bin <= 1 {
		extra = append(extra, fits.Card{Keyword: "BAYERPAT", Value: "RGGB", Comment: "colour filters"},
			fits.Card{Keyword: "XBAYROFF", Value: offX}, fits.Card{Keyword: "YBAYROFF", Value: offY})
	}
	var b bytes.Buffer
	if err := fits.Write(&b, f, extra...); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// fit16 brings a frame's values between 0 and most16: cameras may send signed numbers, or more bits.
func fit16(f *fits.Frame) {
	lowest, brightest := float32(0), float32(0)
	for i, v := range f.Pix {
		if v != v || math.IsInf(float64(v), 0) {
			f.Pix[i] = float32(math.NaN()) // no value
			continue
		}
		lowest, brightest = min(lowest, v), max(brightest, v)
	}
	scale := float32(1)
	if span := max(brightest, f.Saturation) - lowest; span > most16 && brightest-lowest > most16 {
		scale = most16 / span
	}
	if lowest == 0 && scale == 1 {
		return
	}
	for i := range f.Pix {
		f.Pix[i] = (f.Pix[i] - lowest) * scale
	}
	if f.Saturation > 0 {
		f.Saturation = (f.Saturation - lowest) * scale
	}
}
