// Every word that the page shows. A translation is another file like this
// one. Sentences that carry numbers are functions; the numbers come ready
// formatted.

/** @typedef {"altitude"|"azimuth"} Bolt */
/** @typedef {"raise"|"lower"|"east"|"west"} Way */

export const words = {
  title: "polard",
  steps: ["Measure", "Bolts", "Lock", "Watch"],
  stepsLabel: "Where the work stands",

  look: { day: "Night", night: "Day" }, // the look one changes to
  lookLabel: { day: "Change to the night look", night: "Change to the day look" },
  setup: "Set up",
  viewOnly: "Looking on: only a browser on the computer that runs the service can operate.",

  age: {
    /** @param {string} age */ fresh: (age) => `Last frame ${age} ago`,
    /** @param {string} age */ old: (age) => `OLD: last frame ${age} ago`,
    none: "No frame yet",
    connecting: "Connecting …",
    /** @param {number} s */ lost: (s) => s > 0 ? `No connection. Trying again in ${s} s` : "No connection. Trying again …",
    stopped: "The service was stopped. The page comes back with it.",
    unsolved: "and it was not understood",
    /** @param {string} ms */ took: (ms) => `read in ${ms}`,
    clock: "The frame's own time does not fit its arrival: check the camera computer's clock.",
  },

  now: "Now",
  then: "Then",
  fine: "Leave it",
  /** @type {Record<Way, string>} where the axis stands, seen from the pole */
  stands: { raise: "Low by", lower: "High by", east: "West by", west: "East by" },
  bolt: { altitude: "Altitude bolt", azimuth: "Azimuth bolt" },
  /** @type {Record<Way, string>} */
  order: {
    raise: "Raise the axis",
    lower: "Lower the axis",
    east: "Turn the mount east",
    west: "Turn the mount west",
  },
  /** @type {Record<string, string>} */
  side: {
    "clockwise seen from above": "clockwise from above, to your right as you face the pole",
    "anticlockwise seen from above": "anticlockwise from above, to your left as you face the pole",
  },
  /** @param {string} spread */
  giveOrTake: (spread) => `give or take ${spread}`,
  /** @param {string} total @param {string} tolerance @param {string} kind */
  total: (total, tolerance, kind) => `${total} from the ${kind} pole. Good enough: ${tolerance}`,
  /** @type {Record<string, string>} */
  pole: { refracted: "refracted", true: "true" },
  fromPole: "from the pole",

  rule: {
    up: "up",
    down: "down",
    east: "E",
    west: "W",
    pole: "pole",
    /** @param {Bolt} bolt @param {string} amount @param {string} side @param {string} gate */
    label: (bolt, amount, side, gate) =>
      `${bolt === "altitude" ? "Altitude" : "Azimuth"} rule: the axis stands ${amount} ${side} of the pole; the slot lets ${gate} pass on either side.`,
    sides: { altitude: ["below", "above"], azimuth: ["anticlockwise", "clockwise"] },
  },

  /** Where the session has a sentence, it stands in the place of sub, or of head where that is empty.
   * @type {Record<string, {head?: string, sub?: string}>} */
  do: {
    connect: { head: "One moment", sub: "Asking the service where the work stands." },
    place: { head: "Where does the mount stand?", sub: "Type in latitude and longitude; a tenth of a degree will do to begin with, an arcminute to finish." },
    lock: { head: "Lock both bolts" },
    done: { head: "Done" },
    drifted: { head: "Unlock and turn the bolts again" },
    lost: { head: "No connection", sub: "What stands here was true when the connection broke. It comes back by itself." },
    stale: { head: "Take a new frame first", sub: "These numbers are old: something may have moved since." },
  },

  button: {
    place: "Type in the place",
    measured: "Go on to the bolts",
    locked: "Both are locked",
    unlocked: "Back to the bolts",
    startOver: "Start over",
    startOverSure: "Forget all frames? Press again",
  },

  turned: {
    title: "RA axis turned",
    /** @param {string} span @param {number} n */
    span: (span, n) => `${span} over ${n} ${n === 1 ? "frame" : "frames"}`,
    /** @param {[string, string][]} list turn and what it would bring */
    forecast: (list) => `A further turn would fix the axis to ${list.map(([turn, spread]) => `${spread} (${turn})`).join(", ")}.`,
    rule: "Where on the RA axis the frames were taken, in degrees since the first.",
  },

  picture: {
    title: "Frame just read",
    none: "The first frame will show here.",
    /** @param {number} matched @param {number} detected */
    stars: (matched, detected) => `${matched} stars known of ${detected} seen`,
    unsolved: "not understood",
    /** @param {string} w @param {string} h */
    field: (w, h) => `field ${w} × ${h}`,
    /** @param {string} rms */
    rms: (rms) => `fit to ${rms}`,
    /** @param {string} t */
    mid: (t) => `exposed ${t} UTC`,
    /** @param {string} file @param {number} n */
    alt: (file, n) => `Frame ${file}; ${n} known stars marked by two ticks each`,
    marks: "Marks",
  },

  list: {
    title: "Frames and numbers",
    columns: ["Frame", "UTC", "Turn", "Stars", "Left over, or from the pole"],
    empty: "No frames yet.",
    axis: "Axis",
    poleAim: "Pole aimed at",
    offset: "Axis minus pole",
    sure: "Uncertainty (1 σ)",
    fit: "Fit of the rigid model (χ² per degree of freedom)",
    drive: "Drive",
    driveOn: "follows the sky",
    driveOff: "stands still",
    lock: "Locking moved the axis",
    folder: "Watched folder",
    program: "Program",
    /** @param {string} alt @param {string} az */
    altAz: (alt, az) => `altitude ${alt}, azimuth ${az}`,
  },
  /** @type {Record<string, string>} */
  status: {
    measures: "measures",
    "same angle": "same angle",
    adjusts: "bolts",
    unsolved: "not understood",
    unusable: "not usable",
  },

  warnings: "Take note",

  setupPanel: {
    title: "Set up",
    place: "Place",
    lat: "Latitude, degrees",
    latHint: "north +, south −",
    lon: "Longitude, degrees",
    lonHint: "east +, west −",
    elevation: "Elevation, m",
    pressure: "Air pressure, hPa",
    pressureHint: "at the mount, not reduced to sea level; empty: usual for the elevation",
    temperature: "Temperature, °C",
    temperatureHint: "empty: 10",
    pole: "Aim at the",
    poleNames: { refracted: "refracted pole (usual)", true: "true pole" },
    tolerance: "Good enough, arcminutes",
    toleranceHint: "total distance of the axis from the pole",
    save: "Keep",
    close: "Close",
    saved: "Kept.",
    notNumber: "Please write a number, such as 47.25.",
    again: "Begin again",
    cautions: "Before you touch the mount",
    cautionList: [
      "Never point a tube or finder near the Sun, and cover both by day.",
      "Hold tube and counterweight before you open a clutch or the latitude lock: they drop.",
      "Keep fingers out of the altitude hinge and from between bolt and stop.",
      "Watch cables and tripod legs while the axis turns.",
      "The maker's manual and local rules come before anything said here.",
    ],
  },

  rig: {
    title: "Practice rig",
    hide: "Hide",
    show: "Show",
    step: "Step",
    ra: "RA axis",
    raButtons: /** @type {[number, string][]} */ ([[-30, "−30°"], [-15, "−15°"], [15, "+15°"], [30, "+30°"]]),
    raise: "Raise",
    lower: "Lower",
    east: "East",
    west: "West",
    driveOn: "Drive runs",
    driveOff: "Drive stands",
    expose: "Take a frame",
    repeatOn: "Repeating",
    repeatOff: "Repeat",
    exposing: "Shutter open …",
    /** @param {string} ra @param {string} alt @param {string} az */
    stands: (ra, alt, az) => `RA circle ${ra}, altitude bolt ${alt}, azimuth bolt ${az}`,
  },

  unreachable: "The service cannot be reached; nothing was changed.",
};
