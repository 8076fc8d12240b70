// The words about camera and mount that the service operates itself; part of en.js, which see.

export const equipment = {
  title: "Camera and mount",
  camera: "Camera",
  mount: "Mount",
  choose: "Use these",
  change: "Choose others",
  find: "Look for them again",
  /** @param {string} camera @param {string} mount */
  chosen: (camera, mount) => `${camera} on ${mount}`,
  none: "No camera and mount are chosen yet.",
  measure: "Measure",
  again: "Measure again",
  move: "Move it now",
  stop: "STOP",
  forget: "Leave it as it is",
  loop: "Take frames on and on",
  endLoop: "No more frames",
  changed: "Something was changed",
  due: "Something was changed: it is measured as soon as it is dark.",
  rests: "Nothing is measured unattended until somebody has looked at the mount and pressed “Measure” here:",
  byDay: "By day",
  /** @param {string} word */
  byDayHint: (word) => `While the Sun is up nothing moves, unless tube and finder are capped or have certified filters before them and “${word}” is typed here. Makers' manuals come first. Never look at the Sun through any of them.`,
  word: "covered",
  doing: {
    idle: "Nothing moves.",
    finding: "Looking for camera and mount …",
    /** @param {string} s @param {string} of */ exposing: (s, of) => `Exposing ${s}${of}`,
    /** @param {string} of */ reading: (of) => `Reading the stars${of}`,
    /** @param {string} by @param {string} whole */ turning: (by, whole) => `The mount turns: ${by} of ${whole}`,
    waiting: "Waiting",
    stopping: "Told to stop …",
  },
  /** @param {number} n @param {number} all */
  picture: (n, all) => (all > 0 ? `, picture ${n} of ${all}` : ""),
};
