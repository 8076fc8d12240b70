package setup

import (
	"fmt"

	"polard/mountmodel/sky"
)

// Mount is a kind of equatorial mount.
type Mount string

// The kinds.
const (
	German  Mount = "german"  // a counterweight shaft across the axis
	Fork    Mount = "fork"    // a fork on a wedge
	Tracker Mount = "tracker" // a small drive under a camera, on a ball head or a wedge with play
)

// Mounts are all kinds.
func Mounts() []Mount { return []Mount{German, Fork, Tracker} }

// MountSteps say how a mount of a kind stands before the first frame. All of them are
// common practice; the maker's manual comes first.
func MountSteps(kind Mount, p Place) []string {
	side := poleWord(p.South)
	lat := p.LatitudeScale
	keys := "Without clutches, turn between the frames with the direction keys of right ascension: a slew to coordinates turns the declination too."
	switch kind {
	case Fork:
		steps := []string{
			fmt.Sprintf("The wedge's hinge level, its upper plate leaning towards %s: %.1f degrees from level, which is 90 less the latitude. Then the fork's axis stands at %.1f degrees.", side, (90*sky.Degree - lat).Degrees(), lat.Degrees()),
			"Put the fork on the wedge with two people, and tighten every bolt before you let go: a fork tips the moment it is not held. Many wedges lean over the tripod's edge: one leg below the load.",
			"Turn both axes by hand, slowly: near the pole the camera may meet the fork's base. Stay where it swings free, and lock the declination.",
			"A fork needs no flip. Turn it to both sides of the meridian and back.",
			openSky(p),
			keys,
			"A wedge with play moves as it is locked: lock it, then measure once more.",
		}
		if p.Low() {
			steps = append(steps, fmt.Sprintf("So near the equator the fork lies nearly level, and tube and arms hang far out on the %s side: a pier, or a tripod spread wide with a leg below them, else it tips.", side))
		}
		return steps
	case Tracker:
		return []string{
			fmt.Sprintf("The drive's axis towards true %s, %.1f degrees above the horizon, by its scale or a phone's level.", side, lat.Degrees()),
			"Hold the camera before you loosen the ball head: it drops at once. Hang no more on it than its maker allows, and the load over the tripod, not beside it.",
			"Between the frames turn the drive's plate, or its clutch, and leave the upper ball head alone: it carries the camera, and is to move with the axis as one piece.",
			"Any open patch of sky will do for the frames: point the camera by its ball head, 35 degrees up or higher, and leave it so.",
			"Where there are no two bolts, choose so on the page: it shows which star to put on which place of the frame, with whatever moves the rig.",
			"Wind and a hand on a strap move so light a rig: take each frame with a delay or from afar.",
			keys,
		}
	}
	return append(startingSteps(p), keys)
}
