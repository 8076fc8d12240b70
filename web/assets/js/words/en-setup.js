// The words of the set-up; part of words.js, which see.

import { mounts } from "./en-mounts.js";

export const setup = {
  mounts,
  /** @type {null|Record<string, (a: {south: boolean, scale: string, near: string, level: string}) => string[]>} one by one; in English the service's own */
  steps: null,
  title: "Set-up, step by step",
  names: ["Place", "Ground", "Direction", "Balance", "Starting position", "Pole star", "Planned use"],
  /** @param {number} i @param {number} n */
  of: (i, n) => `set-up, step ${i} of ${n}`,
  how: { done: "done", skipped: "left out", open: "to do" },
  done: "Done, go on",
  keepAndGo: "Keep it, go on",
  skip: "Leave out",
  back: "Back",
  straight: "To the frames",
  backToFrames: "Back to the frames",
  more: "Step by step, and why",
  cautions: "Take care",
  nights: "Earlier nights here",
  needsPlace: "Say first where the mount stands",
  /** @param {string} age */
  computed: (age) => `Computed for this place ${age} ago.`,
  tolerance: "Good enough, arcminutes",
  toleranceHint: "total distance of the axis from the pole",

  /** @type {[string, string][]} in place of the set-up data's own, which say more in English */
  cautionList: [],

  place: {
    ask: "Where does the mount stand?",
    askWhy: "Latitude and longitude to a tenth of a degree will do to begin with, to an arcminute to finish.",
    insecure: "The browser tells its own position only to a page opened as localhost or by https.",
    wait: "One moment",
    head: "Set the latitude scale",
    /** @param {string} deg @param {number} n */
    lastTime: (deg, n) => `By ${n === 1 ? "the last night" : `${n} earlier nights`} here, your scale should read ${deg}.`,
    /** @param {string} deg */
    true: (deg) => `A true scale would read ${deg}.`,
    /** @param {string} deg */
    near: (deg) => `Within ${deg} is near enough for the first frames: they measure where the axis really points.`,
    /** @param {string} lat @param {string} lon @param {string} m */
    at: (lat, lon, m) => `${lat}, ${lon}, ${m} m above the sea.`,
    /** @param {string} hpa @param {string} lift @param {string} known */
    air: (hpa, lift, known) => `Usual air pressure there: ${hpa} hPa. The air lifts the pole by ${lift} ± ${known}.`,
    lat: "Latitude",
    latHint: "such as 47.25, 47 15 00 N or −30°12′",
    lon: "Longitude",
    lonHint: "east +, west −, or with E or W",
    /** The letters of the sides, as people of this language write them. */
    letters: { north: "N", south: "S", east: "E", west: "W" },
    elevation: "Elevation, m",
    pressure: "Air pressure, hPa",
    pressureHint: "at the mount, not reduced to sea level; empty: usual for the elevation",
    temperature: "Temperature, °C",
    temperatureHint: "empty: 10",
    pole: "Aim at the",
    poleNames: { refracted: "refracted pole (usual)", true: "true pole", best: "best for the plan" },
    change: "Another place",
    locate: "Use this device's position",
    locating: "Asking the device for its position …",
    /** @param {string} m */
    located: (m) => `The device says so, give or take ${m} m. Look whether it can be right, then keep it.`,
    refused: "The browser may not tell its position. Type it in.",
    notLocated: "The device does not know where it is. Type it in.",
    /** @param {string} where */
    last: (where) => `As last time: ${where}`,
    mark: "What your scale reads now, degrees",
    markHint: "kept for the next night here",
  },

  ground: {
    between: { north: "Two legs towards north", south: "Two legs towards south" }, shaft: "So near the equator the counterweight shaft hangs nearly straight down, where a leg towards the pole would stand. Turn the axis once around by hand, slowly, and look.",
    head: { north: "One leg towards north", south: "One leg towards south" },
    /** @param {string} text */
    lastTime: (text) => `Last time you noted: ${text}`,
    /** @param {string} deg */
    level: (deg) => `Level the base to within ${deg}. Level does not change where the axis points once it is measured; it keeps each bolt from moving the other's adjustment.`,
    /** @param {string} up @param {string} across */
    couples: (up, across) => `A degree off level here: turning the mount by 1° tips the axis by ${up}, raising it by 1° moves it ${across} sideways.`,
    mark: "Marks on the ground, for the next night",
    sides: { north: "N", east: "E", south: "S", west: "W" },
    /** @param {string[]} legs */
    drawn: (legs) => `The tripod from above: the legs point to ${legs.join(", ")} true.`,
  },

  direction: {
    head: { north: "True north by compass", south: "True south by compass" },
    noCompass: "A compass does not help here",
    /** @param {string} east @param {string} doubt @param {string} model */
    declination: (east, doubt, model) => `The needle points ${east} of true north here, known to ${doubt} (${model}).`,
    iron: "Take it two or three steps away from the mount: iron, motors and cars pull the needle.",
    /** @param {string} deg @param {number} n */
    lastTime: (deg, n) => `By ${n === 1 ? "the last night" : `${n} earlier nights`} here, your compass should read ${deg}.`,
    /** @param {string} deg */
    true: (deg) => `A true compass without iron about would read ${deg}.`,
    lastShort: "as last time",
    /** @param {string} deg */
    drawn: (deg) => `A piece of the compass scale, with ${deg} marked.`,
    mark: "What your compass reads now, degrees",
    markHint: "kept for the next night here",
    shadowTitle: "By day: the shadow of a string",
    shadowNever: "Never look at the Sun, and point nothing at it. The shadow is all you need.",
    when: "At this minute (your clock)",
    /** @param {string} t @param {string} az */
    shadowAt: (t, az) => `At ${t} the shadow points to ${az}.`,
    /** @param {string} rate @param {string} length */
    shadowTurns: (rate, length) => `It turns by ${rate} a minute and is ${length} times as long as the string is high.`,
    /** @param {string} t */
    noShadowUntil: (t) => `No shadow now. The Sun rises at ${t}.`,
    noShadow: "No shadow now.",
    /** @param {string} t @param {string} where */
    highest: (t, where) => `At ${t} the Sun is highest: the shadow then points to true ${where}.`,
    north: "north",
    south: "south",
    n: "N",
    s: "S",
    string: "string",
    table: "Every half hour",
    columns: ["Time", "Shadow points to", "Length for 1 m"],
    /** @param {string} az */
    shadowDrawn: (az) => `From above: the shadow lies from the string's foot towards ${az}.`,
  },

  balance: {
    head: "Balance: right ascension, then declination",
    order: ["Everything on as it will be used. Shaft level: slide the weights. Then tube level: slide the tube."],
    hold: "Hold the tube whenever a clutch or clamp is open: it swings at once. Weight on before the tube, off after it; the safety stop stays on.",
    title: "Where does the weight go?",
    law: "Law of the lever: mass × distance from the right ascension axis, the same on both sides. Kilograms and millimetres; 1 kg mm left over is 0.0098 N m about a level axis, and the cosine of the latitude times that about this one.",
    partNames: ["Tube", "Camera", "Guide scope", "Something else"],
    kg: "kg",
    shaftMm: "mm from the RA axis",
    tubeMm: "mm along the tube, sky end +",
    shaftTitle: "Shaft and weights",
    sliding: "Sliding weight, kg",
    nearest: "can sit from, mm",
    farthest: "to, mm",
    shaftKg: "Shaft itself, kg",
    fixedKg: "Weight that stays, kg",
    fixedMm: "at, mm",
    saddle: "Tube can slide by ±, mm",
    work: "Work it out",
    axis: "RA axis",
    tubeSide: "tube",
    weightSide: "weight",
    /** @param {string} mm */
    goes: (mm) => `Middle of the weight ${mm} mm from the right ascension axis.`,
    already: "Right ascension: balanced as it is.",
    /** @param {string} want @param {string} end @param {string} left @param {string} least */
    short: (want, end, left, least) => `The shaft is too short: the weight would sit at ${want} mm, the shaft ends at ${end}. ${left} N m are left over. At least ${least} kg would do.`,
    /** @param {string} left */
    heavy: (left) => `The weights are too heavy: ${left} N m are left over even at the near end. Take a lighter one.`,
    /** @param {string} left @param {string} least */
    noWeight: (left, least) => `${left} N m are left over on the tube's side.${least ? ` A sliding weight of ${least} kg or more would do.` : ""}`,
    sky: "sky",
    ground: "ground",
    /** @param {string} mm @param {string} end */
    shift: (mm, end) => `Then slide the tube with all on it ${mm} mm towards its ${end} end.`,
    decFine: "Declination: balanced as it is.",
    /** @param {string} mm @param {string} end @param {string} left */
    saddleShort: (mm, end, left) => `The tube would have to slide ${mm} mm towards its ${end} end, farther than its saddle allows. ${left} N m are left over.`,
    /** @param {string} nm */
    sideways: (nm) => `Something sits to the side: ${nm} N m that no sliding takes away.`,
    then: "Sums only get near: try by hand with the clutch a little open, and hold on.",
    /** @param {string} mm */
    drawn: (mm) => `A lever on the right ascension axis: the tube's parts on one side, the weight ${mm} mm away on the other.`,
  },

  start: {
    head: "Tube on top, counterweight down",
    lines: ["The tube lies along the axis, its sky end towards the pole. Both bolts in the middle of their travel.",
      "Any open sky will do for the frames: if trees hide the pole, swing the tube in declination, lock it, and leave it."],
    watch: "Turn the axis a third of a turn either way once and look: nothing may touch a leg, no cable may tighten. Keep fingers out of the hinge.",
    north: "north",
    south: "south",
    pole: "pole",
    tube: "tube",
    weight: "counterweight",
    /** @param {string} alt @param {boolean} south */
    drawn: (alt, south) => `The mount from the side: the axis rises ${alt} towards the ${south ? "southern" : "northern"} pole, the tube lies on top along it, the counterweight hangs down.`,
  },

  star: {
    /** @param {string} name @param {string} clock */
    head: (name, clock) => `${name} at ${clock}`,
    /** @param {number} hour @param {number} minute */
    dial: (hour, minute) => {
      const names = ["twelve", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"];
      const parts = { 5: "five", 10: "ten", 15: "a quarter", 20: "twenty", 25: "twenty-five", 30: "half" };
      if (minute === 0) return `${names[hour]} o’clock`;
      const late = minute > 30;
      return `${parts[/** @type {5} */ (late ? 60 - minute : minute)]} ${late ? "to" : "past"} ${names[late ? (hour % 12) + 1 : hour]}`;
    },
    /** @param {string} clock */
    dialDrawn: (clock) => `A clock’s face about the pole; its hand points to the star, at ${clock}.`,
    /** @param {string} d */
    centred: (d) => `Like the hand of a clock about the pole, as you face it. An axis simply pointed at the star is ${d} off.`,
    turns: "The sky turns by 1° in four minutes; this page follows it.",
    faint: "It takes a dark sky or binoculars; its neighbours help to find it. The sky turns by 1° in four minutes.",
    optional: "Not needed for the frames. It helps to turn the tripod the right way, or to begin with a finder or an eyepiece. A star diagonal is meant with the eyepiece on top and your head upright; turned aside, it turns the picture with it.",
    /** @param {string} field @param {string} times @param {string} name */
    inside: (field, times, name) => `Your eyepiece shows ${field}, ${times} times enlarged: with the pole in its middle, ${name} is inside.`,
    /** @param {string} field @param {string} times @param {string} name */
    outside: (field, times, name) => `Your eyepiece shows ${field}, ${times} times enlarged: with the pole in its middle, ${name} is outside.`,
    /** @type {Record<string, string>} */
    through: { "naked eye": "Naked eye", "upright finder": "Upright finder", "inverting finder": "Inverting finder", "mirrored eyepiece": "Mirrored eyepiece" },
    /** @type {Record<string, string>} of stars, where the language has its own */
    names: {},
    /** @type {Record<string, string>} */
    starNames: { "sigma Octantis": "σ", "chi Octantis": "χ", "tau Octantis": "τ", "upsilon Octantis": "υ" },
    /** @param {string} c */
    clock: (c) => `at ${c}`,
    pole: "pole",
    horizon: "horizon",
    /** @param {string} through @param {string} clock @param {string} field */
    drawn: (through, clock, field) => `${through}: the star stands at ${clock} from the pole${field ? `; the dashed line is your eyepiece's field of ${field} about the pole` : ""}.`,
    eyepieceTitle: "Your finder or eyepiece",
    telescope: "Focal length of telescope or finder, mm",
    eyepiece: "Focal length of eyepiece, mm",
    apparent: "Apparent field, degrees",
    apparentHint: "empty: 50",
    stop: "Field stop, mm",
    stopHint: "if known, instead of the apparent field",
    work: "Draw its field",
    notAField: "These numbers give no field: both focal lengths are wanted, in millimetres.",
    /** @param {string} t */
    numbers: (t) => `Numbers for ${t}`,
    numbersLabel: "Where the stars stand, in numbers",
    columns: ["Star", "Hour angle", "From refracted pole", "angle", "From true pole", "angle"],
  },

  plan: {
    ask: "What will you photograph?",
    why: "How good the axis has to be follows from it: no star may trail by more than the limit. Without a plan the distance above is good enough.",
    head: "What your plan allows",
    unit: "from the pole",
    /** @param {string} total */
    standsGood: (total) => `The axis stands ${total} from the pole: good enough.`,
    /** @param {string} total */
    standsFar: (total) => `The axis stands ${total} from the pole: too far.`,
    notYet: "Where the axis stands is not measured yet.",
    camera: "The camera and telescope you will photograph with",
    /** @param {string} mm @param {string} um */
    ofFrames: (mm, um) => `The frames here are of ${mm} mm and ${um} µm pixels. Empty: the same.`,
    sameCamera: "Empty: as in the frames here.",
    what: "What and how long",
    exposure: "One exposure, seconds",
    dec: "Declination of the target, degrees",
    decHint: "north +, south −",
    from: "Hour angle at the start, degrees",
    hourHint: "east of the meridian −, west +; 15° an hour",
    to: "Hour angle at the end, degrees",
    limit: "Longest trail allowed, pixels",
    limitHint: "usual: 1",
    guided: "A guide star is followed",
    guide: "Guide star from the middle of the frame, arcminutes",
    focal: "Focal length, mm",
    pixel: "Pixel, micrometres",
    width: "Frame width, pixels",
    height: "Frame height, pixels",
    work: "Work out what is good enough",
    orTyped: "Or say it yourself",
    keep: "Keep",
  },
};
