package harness

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"polard/cmd/polard/internal/pipeline"
	"polard/fits"
	"polard/mountmodel/rehearsal"
	"polard/mountmodel/sky"
)

// Night is a rehearsed rig whose frames go into a folder, by the hands of the
// test: it turns the RA axis for the first few frames and the bolts from then on.
type Night struct {
	t      testing.TB
	Rig    *rehearsal.Rig
	Folder string
	At     time.Time
	Names  []string   // of the frames written
	Turns  int        // how many of them measure: the RA axis is turned between them
	Rand   *rand.Rand // of the turns
}

// NewNight is a night that begins now, with the northern rig of the rehearsal.
func NewNight(t testing.TB, seed uint64) *Night {
	t.Helper()
	cat, err := pipeline.Catalogue()
	if err != nil {
		t.Fatal(err)
	}
	at := time.Now().UTC().Truncate(time.Millisecond)
	rig, err := rehearsal.NewRig(cat, small(rehearsal.Quillmere(at)))
	if err != nil {
		t.Fatal(err)
	}
	return &Night{t: t, Rig: rig, Folder: t.TempDir(), At: at, Turns: 3, Rand: rand.New(rand.NewPCG(seed, 1))}
}

// small makes a rig's frames quick to draw, write and read: a twelfth of the
// pixels over most of the field.
func small(c rehearsal.Config) rehearsal.Config {
	c.Camera.Width, c.Camera.Height, c.Camera.PixelUm = 400, 300, 4*c.Camera.PixelUm*0.75
	c.Camera.FWHMPx, c.Camera.HotPixels = 2, 20
	c.Night.FaintStars = 0
	return c
}

// Expose writes the next frame, renamed into place, after turning what is to be
// turned at this stage.
func (n *Night) Expose() {
	n.t.Helper()
	switch k := len(n.Names); {
	case k == 0:
	case k < n.Turns:
		if err := n.Rig.TurnRA(25 * sky.Degree); err != nil {
			n.t.Fatal(err)
		}
	default:
		if err := errors.Join(n.Rig.TurnAltitudeBolt(n.Rand.Float64()*0.04-0.02), n.Rig.TurnAzimuthBolt(n.Rand.Float64()*0.04-0.02)); err != nil {
			n.t.Fatal(err)
		}
	}
	n.At = n.At.Add(10 * time.Second)
	frame, err := n.Rig.Expose(n.At)
	if err != nil {
		n.t.Fatal(err)
	}
	var b bytes.Buffer
	if err := fits.Write(&b, frame); err != nil {
		n.t.Fatal(err)
	}
	name := fmt.Sprintf("frame %04d.fits", len(n.Names))
	path := filepath.Join(n.Folder, name)
	if err := os.WriteFile(path+".part", b.Bytes(), 0o644); err != nil {
		n.t.Fatal(err)
	}
	if err := os.Rename(path+".part", path); err != nil {
		n.t.Fatal(err)
	}
	n.Names = append(n.Names, name)
}

// Quick makes a rig's exposures short and its aperture larger, so that its
// frames show the same stars.
func Quick(c rehearsal.Config) rehearsal.Config {
	const shorter = 8
	c.Exposure /= shorter
	c.Camera.ApertureMm *= math.Sqrt(shorter)
	return c
}
