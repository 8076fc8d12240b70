// The page in English; the set-up in en-setup.js, turning bolts and the practice rig in
// en-bench.js, camera and mount in en-equipment.js, the service's sentences in en-sentences.js. A
// translation has all of them in one file. Sentences that carry numbers are functions; the
// numbers come ready formatted.

/** @typedef {"altitude"|"azimuth"} Bolt */
/** @typedef {"raise"|"lower"|"east"|"west"|"tip_east"|"tip_west"} Way */

import { bench } from "./en-bench.js";
import { equipment } from "./en-equipment.js";
import { refused, said, warning } from "./en-sentences.js";
import { setup } from "./en-setup.js";

export const words = {
  title: "polard",
  steps: ["Measure", "Bolts", "Lock", "Watch"],
  toFrames: "Frames",
  stepsLabel: "Where the work stands",

  night: "Night",
  toSetup: "Set-up",
  viewOnly: "Looking on. “polard serve --pair” on the computer that runs the service gives a link to operate.",

  age: {
    label: "Age of the last frame",
    /** @param {string} age */ fresh: (age) => `Last frame ${age} ago`,
    /** @param {string} age */ old: (age) => `OLD: last frame ${age} ago`,
    none: "No frame yet",
    connecting: "Connecting …",
    /** @param {number} s */ lost: (s) => s > 0 ? `No connection. Trying again in ${s} s` : "No connection. Trying again …",
    stopped: "The service was stopped. The page comes back with it.",
    unpaired: "This device is no longer paired",
    unsolved: "and it was not understood",
    /** @param {string} ms */ took: (ms) => `read in ${ms}`,
    clock: "The frame's own time does not fit its arrival: check the camera computer's clock.",
    /** @type {Record<string, (age: string) => string>} what goes on with a frame without numbers yet */
    stage: { waiting: () => "a frame has come", reading: () => "reading a frame", searching: (age) => `searching for ${age}; clouds?` },
    /** @param {number} n */ more: (n) => `${n} waiting`,
  },

  said,
  /** @type {Record<string, (...args: string[]) => string>} on devices, plan and single frames, by their codes; in English the service's own stand */
  service: {},
  stop: ".",
  why: "Why, and more",
  whichBolt: "The bolt to turn now; the other one takes over when it is pressed",
  fine: "Leave",
  /** @param {string} amount */
  wrongWay: (amount) => `That was the wrong way: ${amount} worse.`,
  bumped: "Was the tripod bumped?",
  /** @type {Record<Way, string>} */
  shortly: { raise: "Raise", lower: "Lower", east: "East", west: "West", tip_east: "Tip east", tip_west: "Tip west" },
  /** @type {Record<Way, string>} where the axis stands, seen from the pole */
  stands: { raise: "Low by", lower: "High by", east: "West by", west: "East by", tip_east: "West by", tip_west: "East by" },
  right: "Stands right", // where it stands right to the second of arc
  bolt: { altitude: "Altitude bolt", azimuth: "Azimuth bolt" },
  /** @type {Record<Way, string>} */
  order: {
    raise: "Raise the axis",
    lower: "Lower the axis",
    east: "Turn the mount east",
    west: "Turn the mount west",
    tip_east: "Tip the mount east",
    tip_west: "Tip the mount west",
  },
  side: { right: "To your right as you face the pole", left: "To your left as you face the pole" },
  /** @param {string} turns @param {boolean} clockwise */
  stroke: (turns, clockwise) => `About ${turns} turn ${clockwise ? "clockwise" : "anticlockwise"}`,
  /** @param {string} spread */
  giveOrTake: (spread) => `give or take ${spread}`,
  /** @param {string} total @param {string} tolerance @param {string} kind */
  total: (total, tolerance, kind) => `${total} from the ${kind} pole. Good enough: ${tolerance}.`,
  /** @param {string} times */
  times: (times) => `That is ${times} times what is good enough.`,
  /** @type {Record<string, string>} */
  pole: { refracted: "refracted", true: "true", best: "best" },
  fromPole: "from the pole",

  rule: {
    /** @type {Record<Bolt, (gate: string) => string>} where the error rounds to nothing */
    right: {
      altitude: (gate) => `Altitude rule: the axis is as high as the pole; the slot lets ${gate} pass on either side.`,
      azimuth: (gate) => `Azimuth rule: the axis is in the pole’s direction; the slot lets ${gate} pass on either side.`,
    },
    up: "up",
    down: "down",
    east: "E",
    west: "W",
    pole: "pole",
    /** @type {Record<Bolt, (amount: string, low: boolean, gate: string, south: boolean) => string>} */
    label: {
      altitude: (amount, low, gate) => `Altitude rule: the axis is ${amount} ${low ? "below" : "above"} the pole; the slot lets ${gate} pass on either side.`,
      azimuth: (amount, low, gate, south) => `Azimuth rule: the axis is ${amount} ${low === south ? "east" : "west"} of the pole; the slot lets ${gate} pass on either side.`,
    },
  },

  /** @type {Record<string, {head: string, sub?: string}>} heads of the page's own */
  do: {
    connect: { head: "One moment", sub: "Asking the service where the work stands." },
    unreached: { head: "The service does not answer", sub: "Does polard still run on the computer by the mount, and is this device in the same network? The page tries again by itself." },
    place: { head: "Where does the mount stand?", sub: "The first step of the set-up asks for it." },
    lock: { head: "Lock both bolts" },
    done: { head: "Done" },
    drifted: { head: "Unlock and turn the bolts again" },
    lost: { head: "No connection", sub: "What stands here was true when the connection broke. It comes back by itself." },
    unpaired: { head: "This device is no longer paired", sub: "Its access was taken away on the computer that runs the service. There, “polard serve --pair” gives a new link." },
    stale: { head: "Take a new frame first", sub: "These numbers are old: something may have moved since." },
  },

  unsaved: "What you typed is not kept yet. Press again to leave it.",
  button: {
    place: "Go to the set-up",
    measured: "Go on to the bolts",
    confirmed: "That will do",
    locked: "Both are locked",
    unlocked: "Back to the bolts",
    watch: "Only watch my exposures",
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
    zoomLabel: "The frame's picture: plus and minus enlarge and reduce it, arrows move it, zero shows all of it",
    larger: "Enlarge the picture",
    smaller: "Reduce the picture",
    whole: "Whole frame",
    faint: "Faint stars",
    pole: "pole",
    axis: "axis",
    /** @param {string} name @param {string} deg */
    wayTo: (name, deg) => `${name} ${deg} this way`,
    /** @param {string} deg */
    away: (deg) => `pole ${deg} from the middle`,
    /** @param {string} alt @param {string} az */
    looks: (alt, az) => `looks to altitude ${alt}, azimuth ${az}`,
    /** @param {string} age @param {string} folder */
    silent: (age, folder) => `No frame has come for ${age}. Does the camera expose, and does it write into ${folder}?`,
  },

  list: {
    address: "Opened on other devices at",
    title: "Frames and numbers",
    columns: ["Frame", "UTC", "Turn", "Stars", "Left over, or from the pole", "Counts?"],
    leaveOut: "Leave out",
    takeBack: "Take back",
    /** @param {string} frame @param {string} is @param {string} was */
    without: (frame, is, was) => `Without ${frame}: ${is} from the pole, before that ${was}.`,
    /** @param {string} frame @param {string} is @param {string} was */
    with: (frame, is, was) => `With ${frame}: ${is} from the pole, before that ${was}.`,
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
  /** @param {number} n @param {string} time */
  frame: (n, time) => `frame ${n}, ${time}`,
  /** @type {Record<string, string>} */
  status: {
    "left out": "left out by you",
    measures: "measures",
    "same angle": "same angle",
    adjusts: "bolts",
    watches: "watches",
    "set aside": "does not fit",
    unsolved: "not understood",
    unusable: "not usable",
  },

  warnings: "Take note",
  warning,

  setup,
  equipment,
  correction: {
    title: "Place and clock",
    /** @param {string} lon */ longitude: (lon) => `Set the longitude to ${lon}`,
    /** @param {string} lat @param {string} lon */ place: (lat, lon) => `Set the place to ${lat}, ${lon}`,
    /** @param {string} by */ times: (by) => `Correct the frames’ times by ${by}`,
    undo: "As it was",
    /** @param {string} lat @param {string} lon */ placed: (lat, lon) => `Put right: the place. Before, it was ${lat}, ${lon}.`,
    /** @param {string} by */ timed: (by) => `Put right: the frames’ times, ${by}.`,
    why: "All frames so far are worked out anew; nothing else changes.",
  },
  proof: {
    title: "Proof by the sky",
    begin: "Prove it by the sky",
    again: "Begin the proof again",
    why: "An unguided field of some minutes: what the axis predicts against what the sky does.",
    /** @param {string} predicted @param {string} seen @param {string} sigma */ rates: (predicted, seen, sigma) => `Predicted ${predicted} a minute, seen ${seen}, known to ${sigma}.`,
  },
  habits: {
    title: "The mount’s habits",
    /** @param {string} amp @param {string} period @param {string} sigma */ periodic: (amp, period, sigma) => `The drive runs unevenly: ${amp} either way in ${period}, give or take ${sigma}.`,
    /** @param {string} amp @param {string} period @param {number} n */ chart: (amp, period, n) => `Error of the drive over ${period}, from ${n} frames: ${amp} either way.`,
    bends: "What bends over the sky",
    /** @param {string} alt @param {string} az @param {string} rate @param {string} sigma */ bend: (alt, az, rate, sigma) => `at altitude ${alt}, azimuth ${az}: ${rate} an hour, give or take ${sigma}`,
    /** @param {string} list */ map: (list) => `The sky seen from below, the horizon around it; at each place what bends in an hour: ${list}.`,
  },
  head: { free: "No two bolts here", bolts: "Two bolts here", both: "With two rings: bring both stars to their crosses. Hold the tube before you loosen a ball head or a lock.", keys: "No clutch? Turn with the direction keys of right ascension. A slew to coordinates moves the declination too." },
  kept: "Kept.",
  notNumber: "Please write a number, such as 47.25.",
  care: "Care:",
  marks: {
    title: "For the next night here",
    why: "What stood right this time makes the next time shorter.",
    scale: "Latitude scale reads, degrees",
    bearing: "Compass bearing, degrees",
    words: "Marks on the ground",
    keep: "Keep",
  },
  nights: {
    /** @param {string} d */ first: (d) => `first measured ${d} off`,
    /** @param {string} d */ confirmed: (d) => `confirmed at ${d}`,
    /** @param {string} d */ ended: (d) => `ended at ${d}`,
    /** @param {string} d */ lock: (d) => `the lock moved it by ${d}`,
    nothing: "nothing measured",
  },
  watched: {
    title: "Keeping watch",
    /** @param {number} frames @param {string} minutes */
    span: (frames, minutes) => `${frames} ${frames === 1 ? "frame" : "frames"} over ${minutes} min`,
    nights: "Nights before",
    /** @param {number} n @param {string} first @param {string} last */
    chart: (n, first, last) => `Distance from the pole over ${n} nights: ${first} at first, ${last} now.`,
    /** @param {string} day @param {string} total @param {string} sure @param {number} frames */
    night: (day, total, sure, frames) => `${day}: ${total} from the pole, give or take ${sure}, from ${frames} frames.`,
  },
  planned: {
    /** @param {string} px @param {string} s */
    trail: (px, s) => `As it stands, stars trail by ${px} px in ${s} s.`,
    good: "Good enough for your plan.",
    /** @param {string} s */ longest: (s) => `Good for ${s} s at most.`,
    tooFar: "Too much for your plan.",
  },
  sun: {
    near: "The Sun is up and near where the camera looks. Cap it and turn away now.",
    up: "The Sun is up: caps on tube and finder, point nothing near it.",
  },
  cautions: {
    turn: "Watch counterweight, legs and cables while the axis turns.",
    bolt: "Take the load off before you open a latitude lock; fingers out of the hinge.",
    lock: "Tighten gently and evenly: the lock itself moves the axis.",
  },
  turnTo: {
    clockwise: "clockwise",
    anticlockwise: "anticlockwise",
    back: "Turn the RA axis back",
    /** @param {string} alt */
    keeps: (alt) => `As you face the pole. The camera keeps ${alt} above the horizon or more.`,
    /** @type {Record<string, string>} */
    against: {
      low: "it comes near the horizon",
      high: "the camera end swings down to the legs",
      far: "it leads more than a quarter turn from the start, the counterweight above the tube",
    },
    /** @param {string[]} list */
    other: (list) => `Not the other way: there ${list.join(", and ")}.`,
    /** @param {string[]} list */
    both: (list) => `Either way has its trouble; on this one ${list.join(", and ")}. Look before you turn.`,
    either: "The other way would do as well.",
  },
  sound: {
    name: "Sound",
    label: "Tone while bolts are turned: one knock for the altitude bolt, two for the azimuth bolt, then a note: higher when the axis stands too high or too far right, lower on the other side, nearer as it nears the pole",
  },
  ...bench,
  page: {
    title: "This page",
    language: "Language",
    dim: "Dimmer",
    full: "Full screen",
    awake: "The screen stays on.",
    sleeps: "The browser keeps the screen on only over https: make the lock time longer in the device's settings.",
    share: "Share the result",
    copied: "Copied.",
    save: "Save the night as a table",
    /** @param {string} total @param {string} spread @param {string} tolerance @param {string} when */
    result: (total, spread, tolerance, when) => `Polar alignment: ${total} from the pole, give or take ${spread}; good enough: ${tolerance}. ${when}.`,
  },
  history: {
    title: "Error over time",
    /** @param {number} n @param {string} first @param {string} last */
    chart: (n, first, last) => `Distance from the pole over ${n} frames: ${first} at first, ${last} now.`,
  },

  refused,
  unreachable: "The service cannot be reached; nothing was changed.",
};
