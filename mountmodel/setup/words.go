package setup

import (
	"fmt"

	"polard/mountmodel/sky"
)

// The steps in words. All of them are common practice of the trade; the makers'
// manuals and the rules of the place come first.

func poleWord(south bool) string {
	if south {
		return "south"
	}
	return "north"
}

// GroundSteps say how the tripod stands.
func GroundSteps(site sky.Site, mount Mount) []string {
	side, leans := poleWord(site.South()), "mount, tube and weights lean"
	if mount != German {
		leans = "the load leans"
	}
	legs := fmt.Sprintf("One leg towards %s, the other two evenly to the sides: %s over the %s side. Where the maker's manual says otherwise, do as it says.", side, leans, side)
	if ShaftNearLeg(site, mount) {
		legs = fmt.Sprintf("Two legs towards %s and one away from it, so that the counterweight shaft swings between them: here it hangs %s, where a leg towards the pole would stand. A pier extension, or more weight on a shorter shaft, gives room; turn the axis once around by hand, slowly, and look. Where the maker's manual says otherwise, do as it says.",
			side, nearlyDown(site.Latitude.Abs()))
	}
	return []string{
		"Firm ground: paving, grass pressed down, or a plate under each foot. Soft ground gives way for an hour and takes the axis with it.",
		legs,
		"Legs spread fully and their locks tight, the spreader or tray fixed; legs no longer than needed. Lift and put down once more after the weight is on.",
		fmt.Sprintf("Level the base to within %.0f degree. Level does not change where the axis points once it has been measured. It keeps the bolts apart: on a base that leans, each bolt moves the axis a little in the other's direction too, so that one goes back and forth more often.", LevelNear.Degrees()),
		"A base that leans towards the pole or away from it only makes the latitude scale read wrong by as much.",
	}
}

func nearlyDown(from sky.Angle) string {
	if from < 1.5*sky.Degree {
		return "straight down"
	}
	return fmt.Sprintf("only %.0f degrees from straight down", from.Degrees())
}

// lowScale is the altitude below which the hinges of many mounts do not go (common practice,
// scales end at 15 to 20 degrees), and below which haze, trees and hills stand before the pole.
const lowScale = 20 * sky.Degree

// Low tells whether the pole aimed at stands so low.
func (p Place) Low() bool { return p.LatitudeScale < lowScale }

// LatitudeSteps say what to do with the scale.
func LatitudeSteps(p Place, mount Mount) []string {
	load := "tube and weights are"
	if mount != German {
		load = "the load is"
	}
	steps := []string{
		fmt.Sprintf("Set the latitude scale to %.1f degrees, before %s on if you can.", p.LatitudeScale.Degrees(), load),
		fmt.Sprintf("Within %.0f degrees is near enough for the first frames (common practice): they measure where the axis really points. Few scales are true to a degree.", LatitudeNear.Degrees()),
	}
	if p.Low() {
		steps = append(steps, "The hinges of many mounts end at 15 to 20 degrees (common practice): see in the manual how far down yours goes before you carry it out. Where it does not reach, ask its maker for a wedge or a plate that does. Take out no stop, and do not lean the tripod instead: it tips.")
	}
	return steps
}

// CompassSteps say how to use a compass.
func CompassSteps() []string {
	return []string{
		"Take the bearing two or three steps away from the tripod, looking along it at a far mark, then turn the mount to that mark.",
		"Iron, motors, magnets, loudspeakers, cars, fences, steel in concrete, keys and the phone's own case pull a needle by many degrees. Take it again from another spot: if the two differ, trust neither.",
		"A phone's compass is a magnetometer: turn it about all its axes first, and look whether it is set to show true or magnetic bearings. With true ones, leave the declination out.",
	}
}

// ShadowSteps say how to use the Sun's shadow.
func ShadowSteps() []string {
	return []string{
		"Never look at the Sun, and point no tube, finder or camera near it: the shadow is all you need. Caps stay on.",
		"Hang a weight on a string from the tripod or a branch. Mark the middle of its shadow on level ground at a minute of the list, and read the direction of the mark from the string's foot.",
		"The middle of a thin shadow can be marked to about half a degree.",
	}
}

// BalanceSteps say in which order one balances a mount of a kind.
func BalanceSteps(kind Mount) []string {
	const (
		asUsed = "Everything on as it will be used: camera, guide scope, dew heaters, cables, focus where it will be. While the Sun is up the caps stay on; a heavy one is allowed for afterwards."
		stays  = "It is good when each axis stays where it is put, with its clutch open, at several positions."
		east   = "Some leave the east side a touch heavier, so that the drive pushes against a steady load; ask the maker's manual."
	)
	switch kind {
	case Fork:
		return []string{
			"Hold the tube with one hand whenever a clutch is opened: an unbalanced tube swings down between the arms at once.",
			asUsed,
			"Declination first: there is no shaft to slide a weight on, so weights go under or along the tube, on its maker's rail. Right ascension clutch locked, tube level. Open the declination clutch a little, holding the tube. Camera end sinks: weight towards the sky end, and the other way round.",
			"Tube pointing straight up as well: if it falls to one side, something sits above or below its middle. Put as much on the opposite side.",
			"Then right ascension: turn the fork until one arm is above the other, hold it, open the right ascension clutch a little. One side sinks: what sits beside the tube wants as much beside it on the other side.",
			stays, east,
		}
	case Tracker:
		return []string{
			"Hold the camera with one hand whenever the ball head or the clutch is open: it drops at once.",
			asUsed,
			"Turn the ball head so that the camera's middle is near the drive's axis, and lens and camera hang evenly on either side of the ball head's clamp.",
			"A heavy lens wants a bar with a weight across the axis, where the drive's maker has one. Clutch open a little, holding the camera: slide the weight until it stays where it is put.",
			"Where the drive has no clutch, keep well below the load that its maker allows.",
		}
	}
	return []string{
		"Hold the tube with one hand whenever a clutch is opened: an unbalanced axis swings at once.",
		"Counterweight on before the tube, and off after it. The safety stop at the end of the shaft stays on; keep feet away from below.",
		asUsed,
		"Right ascension first. Declination clutch locked, tube along the axis. Swing the shaft level, hold it, open the right ascension clutch a little. Tube sinks: weights outwards. Shaft sinks: weights inwards. Lock, move, try again.",
		"Then declination. Shaft level, right ascension clutch locked, tube level. Open the declination clutch a little, holding the tube. Camera end sinks: shift the tube towards the sky end, and the other way round. Hold the tube while its clamp is loose.",
		"Then right ascension once more. " + stays, east,
	}
}

// startingSteps say how the mount stands before the first frame.
func startingSteps(p Place) []string {
	return []string{
		fmt.Sprintf("The axis towards true %s, at %.1f degrees above the horizon.", poleWord(p.South), p.LatitudeScale.Degrees()),
		"The tube on top of the mount, along the axis, its sky end towards the pole.",
		"The counterweight straight down, the shaft in the upright plane through the pole. Declination at 90 degrees.",
		"The two azimuth bolts and the altitude bolt in the middle of their travel, the base's clamp screws not yet tight.",
		"Turn the right ascension axis by hand (or with the drive) a third of a turn either way and look: nothing may touch a leg, no cable may tighten.",
		openSky(p),
	}
}

// openSky says where the frames are taken.
func openSky(p Place) string {
	if p.Low() {
		return fmt.Sprintf("The pole stands low, at %.1f degrees, and need not be seen: swing the tube in declination until it looks well up, 35 degrees or higher, then lock the declination and leave it.", p.LatitudeScale.Degrees())
	}
	return "Any open patch of sky will do for the frames: if trees hide the pole, point the tube elsewhere with the declination axis, then lock it and leave it."
}

// Caution is something that hurts people or gear, and when it applies.
type Caution struct {
	Title, Text string
}

// Cautions are those for setting up a mount of a kind. sunUp tells whether the Sun is above the horizon.
func Cautions(sunUp bool, kind Mount) []Caution {
	sun := Caution{"The Sun", "The Sun is down now. If you are still here at sunrise, cap the tube and the finder before it comes up."}
	if sunUp {
		sun.Text = "The Sun is up. Its light in a telescope, finder or camera blinds an eye at once and burns what it falls on. Caps on the tube and on the finder until it has set; point nothing near it."
	}
	falls := Caution{"Falling tube or counterweight", "Opening a clutch, the latitude lock or a saddle clamp sets free what it holds. Keep one hand on the tube, and take the load off the altitude bolt before loosening its lock."}
	pinched := "the latitude hinge, the saddle and the gap between shaft and leg"
	switch kind {
	case Fork:
		falls = Caution{"Falling fork or tube", "A fork is heavy and stands askew: two people lift it onto the wedge, and one holds it until every bolt is tight. An open declination clutch lets the tube swing; take the fork's load off before loosening the wedge."}
		pinched = "the wedge's hinge, and from between tube and arms, camera and base"
	case Tracker:
		falls = Caution{"Falling camera", "An open ball head or clamp lets the camera drop: hold it first, and keep its strap round something that stands."}
		pinched = "the drive, its clutch and the ball heads"
	}
	return []Caution{
		sun,
		falls,
		{"Tipping", "A tripod tips when the load leans outside its feet: spread the legs fully, keep the load between the feet, and never lean on it."},
		{"Pinched fingers", "Keep fingers out of " + pinched + " while anything moves."},
		{"Cables", "Cables wind up as the axis turns. Lead them along the axis, with a loop, and watch a whole turn once before leaving it alone."},
		{"Mains in the dew", "Everything gets wet. Mains parts need a residual-current breaker, covers off the ground and dry hands; a battery is safer."},
		{"Who has the last word", "The makers' manuals and the rules of the place come before anything said here."},
	}
}
