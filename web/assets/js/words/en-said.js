// The service's sentences in English, by their codes; part of en.js, which see. An entry
// is a sentence, or a heading and a sentence.

/** @type {Record<string, (...args: string[]) => string | [string, string]>} */
export const said = {
  first_frame: () => ["Take a frame", "Point the camera at clear sky, near the pole if you can."],
  take_another: () => ["Take another frame", "The last one could not be used."],
  measure_first: () => ["Take a frame", "It is the first of this measurement."],
  turn: () => ["Turn the RA axis", "Leave the declination alone, then take another frame."],
  turn_on: () => ["Turn the RA axis on", "Leave the declination alone, then take another frame."],
  turn_back: () => ["Turn the RA axis back", "Leave the declination alone, then take another frame. It shows whether anything moved."],
  turn_more: () => ["Turn the RA axis farther", "It has not turned enough. Leave the declination alone, then take another frame."],
  turn_counted: (_deg, n, of) => ["Turn the RA axis", `Then take frame ${n} of ${of}.`],
  newest_aside: () => ["Take one more frame", "The newest does not fit the others. At another angle of the RA axis, one more tells whether something moved."],
  no_fit: () => ["The frames do not fit together", "Touch nothing else, turn the RA axis and take another; or start over."],
  tube_moved: () => ["Lock the declination and start over", "The tube moved on the mount between two frames."],
  mount_moved: () => ["Start over", "The mount itself moved between two frames. Do not touch it while you measure."],
  tube_creeps: () => ["Tighten the tube and start over", "From frame to frame the tube moves on the mount."],
  mount_creeps: () => ["Set the mount on firm ground", "From frame to frame the mount itself moves. Then start over."],
  blind_measuring: () => ["Take another frame first", "The newest could not be used. Turn nothing before it."],
  clocks: () => ["Set the wrong clock right", "The clocks of camera and service disagree. Then start over."],
  clocks_watching: () => ["Set the wrong clock right", "The clocks of camera and service disagree."],
  tube_moved_after: () => ["Lock the declination and start over", "The tube moved on the mount after the measurement."],
  held: () => ["Touch nothing, take one more frame", "The newest does not fit a turn of the bolts."],
  blind_bolts: () => ["Leave the bolts for now", "The newest frame could not be used. Wait for one that can."],
  smeared: () => "An exposure during which a bolt is turned is smeared: wait for the next.",
  know_better: (deg) => `One frame does not know the axis well enough for this tolerance. To know it better, leave the bolts alone, turn the RA axis by some ${deg} and take a frame.`,
  lock: (tolerance) => `The axis is within ${tolerance} of the pole. Then measure once more to confirm.`,
  stands: (total, known) => `The axis stands ${total} from the pole, known to ${known}.`,
  lock_moved: (by) => `Locking moved the axis by ${by}.`,
  pointed_elsewhere: () => ["Done", "The axis was confirmed. The telescope points elsewhere since: ordinary exposures are watched instead."],
  done: (tolerance) => `The axis is within ${tolerance} of the pole.`,
  drifted: (total) => `The axis is ${total} from the pole, outside the tolerance.`,
  watching: () => ["Watching", "Take your exposures as you would, and leave this running."],
  watching_within: (tolerance) => ["Good enough", `The axis is within ${tolerance} of the pole.`],
  watching_unsure: (reach, tolerance) => ["Watching", `The axis is known to ${reach} so far: too little to tell whether it is within ${tolerance} of the pole.`],
  watching_outside: (total) => ["Outside the tolerance", `The axis is ${total} from the pole. To adjust it, start over and measure.`],
};

/** @type {Record<string, string>} by their codes; what has none the service says itself */
export const warning = {
  two_frames: "Two frames do not test each other: a third at another angle shows whether anything moved.",
  little_turn: "The RA axis has turned little: turn it further and take another frame.",
  not_rigid: "The frames do not fit a camera that turns about one line, by more than the stars explain.",
  frame_stands_out: "This frame does not fit the others. If something was bumped or turned then, start over.",
  tube_moved: "The tube or the declination moved between two frames: lock it and start over.",
  mount_moved: "The mount moved as bolts do not move it: was the tripod bumped, or did it settle?",
  tube_creeps: "From frame to frame the tube moves on the mount: tighten clamps and rings, then start over.",
  mount_creeps: "From frame to frame the mount itself moves: set it on firm ground, then start over.",
  flexure: "Mount or tube bends as it turns.",
  low_frame: "The camera looks so low that the air's bending of light is uncertain. Point higher if you can.",
  axis_jumped: "The camera moved in a way that bolts do not.",
  axis_turned: "The RA axis turned while bolts were to be turned: by hand, or the clutch slips.",
  lean: "The base leans, or the latitude is wrong.",
  clock_stands: "The times of the frames stand still: look at the camera computer's clock.",
  near_zenith: "The pole is near the zenith: tip the base instead of turning the azimuth bolt.",
  unsolved: "The newest frame could not be used.",
};

/** @type {Record<string, string>} why a command was refused */
export const refused = {
  not_measured: "The axis is not measured yet: take two frames or more, turning the RA axis between them.",
  not_locked: "The bolts are not locked.",
  frame_needed: "Without this frame the others give no axis. Take another first.",
  turns: "No bolt has that many turns.",
  air_alone: "The air alone moves the stars by more than that: expose for a shorter time, or stay higher.",
  not_steerable: "The guide star is too near the RA axis: take one farther from the pole.",
  not_now: "This does not fit where the work stands.",
  wrong_code: "The link was used, is too old, or is wrong. Ask for another.",
  many_devices: "Too many devices are paired: take the right from one first.",
  too_fast: "Too many tries in a short time. Wait a minute.",
  view_only: "This device may look on but not operate.",
  other: "That is not possible as things stand.",
};
