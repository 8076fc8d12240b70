// The words of the set-up for mounts that are no German ones, and for poles that stand low;
// part of words.js, which see.

/** @typedef {{south: boolean, scale: string, near: string, level: string, wedge: string}} Amounts */

export const mounts = {
  ask: "Kind of mount",
  /** @type {Record<string, string>} */
  names: { german: "German equatorial, with a counterweight", fork: "Fork on a wedge", tracker: "Star tracker on a ball head" },
  /** @param {string} alt */
  low: (alt) => `The pole stands low, at ${alt}, and need not be seen: swing the tube in declination until it looks well up, 35° or higher, lock it, and leave it.`,
  /** @param {string} alt */
  starLow: (alt) => `It stands only ${alt} above the horizon now: haze, trees or hills may hide it.`,
  starDown: "It is below the horizon now.",
  fork: {
    balance: {
      head: "Balance: declination, then right ascension",
      order: ["Everything on as it will be used. No shaft here: weights go along or beside the tube. Tube level, then straight up; then the fork on its side."],
      hold: "Hold the tube whenever a clutch is open: it swings down between the arms at once.",
    },
    start: {
      head: "Fork towards the pole",
      /** @param {string} wedge */
      lines: (wedge) => [`The wedge's plate leans by ${wedge} from level, towards the pole. Both bolts in the middle of their travel.`,
        "A fork needs no flip. Any open sky will do for the frames: swing the tube in declination, lock it, and leave it."],
      watch: "Two people lift the fork onto the wedge, and one holds it until every bolt is tight. Then turn both axes slowly by hand and look: the camera may meet the base, and fingers the arms.",
      arms: "fork",
      /** @param {string} alt @param {boolean} south */
      drawn: (alt, south) => `The mount from the side: the fork on its wedge rises ${alt} towards the ${south ? "southern" : "northern"} pole, the tube between its arms.`,
    },
  },
  tracker: {
    balance: {
      head: "Balance: the camera over the axis",
      order: ["Turn the ball head so that the camera's middle is near the drive's axis. Keep below the load that its maker allows."],
      hold: "Hold the camera before a clamp or the ball head is opened: it drops at once.",
    },
    start: {
      head: "The drive's axis towards the pole",
      /** @param {string} _ */
      lines: (_) => ["By its scale or a phone's level. The load over the tripod, not beside it.",
        "Any open sky will do for the frames: point the camera by its ball head, and leave that alone; between the frames turn the drive.",
        "Without two bolts, choose so on the page: it shows which star to put on which place of the frame."],
      watch: "Hold the camera before you loosen the ball head. Wind and a hand on a strap move so light a rig: take each frame with a delay.",
      arms: "drive",
      /** @param {string} alt @param {boolean} south */
      drawn: (alt, south) => `The rig from the side: the drive's axis rises ${alt} towards the ${south ? "southern" : "northern"} pole, the camera on its ball head.`,
    },
  },
  /**
   * In place of the service's own sentences, which are English: null there.
   * @type {null|{between: (a: Amounts) => string, load: (a: Amounts) => string, scale: (a: Amounts) => string, hinges: string, keys: string,
   *   balance: {fork: (asUsed: string, east: string) => string[], tracker: (asUsed: string) => string[]},
   *   start: {fork: (a: Amounts, sky: string, keys: string) => string[], tracker: (a: Amounts, keys: string) => string[]}, forkLow: (a: Amounts) => string, falls: Record<string, [string, string]>, fingers: Record<string, string>}}
   */
  steps: null,
};
