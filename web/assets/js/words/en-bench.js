// Telling turns, the practice rig, and pairing in English; part of en.js, which see.

/** @typedef {import("./en.js").Bolt} Bolt */

export const bench = {
  boltReport: {
    open: "I turned",
    /** @type {Record<Bolt, string>} */
    ask: { altitude: "How far did you turn the altitude bolt?", azimuth: "How far did you turn the azimuth bolt?" },
    turns: /** @type {[number, string][]} */ ([[0.125, "⅛"], [0.25, "¼"], [0.5, "½"], [1, "1"]]),
    unit: "turn",
    clockwise: "clockwise",
    anticlockwise: "anticlockwise",
    asked: "As it was asked",
    later: "Not now",
    undo: "Undo",
    takenBack: "Taken back.",
    /** @param {string} bolt @param {string} much @param {string} way */
    kept: (bolt, much, way) => `Told: ${bolt}, ${much} turn ${way}.`,
    /** @param {string} bolt */
    keptAsked: (bolt) => `Told: ${bolt}, as asked.`,
  },

  rig: {
    /** @type {Record<string, string>} by their names; in English the rig's own stand */
    faultText: {},
    title: "Practice rig",
    controls: "Controls",
    step: "Step",
    byTurns: "By turns of the bolt",
    ra: "RA axis, as you face the pole",
    /** @type {{deg: number, key: string}[]} degrees clockwise */
    raButtons: [{ deg: -30, key: "" }, { deg: -15, key: "J" }, { deg: 15, key: "L" }, { deg: 30, key: "" }],
    /** @param {number} deg */
    raName: (deg) => `${deg < 0 ? "↺" : "↻"} ${Math.abs(deg)}°`,
    faults: "Something goes wrong",
    raise: "Raise",
    lower: "Lower",
    east: "East",
    west: "West",
    drive: "Drive",
    expose: "Take a frame",
    repeat: "Repeat",
    exposing: "Shutter open …",
    /** @param {string} ra @param {string} alt @param {string} az */
    stands: (ra, alt, az) => `RA circle ${ra}, altitude bolt ${alt}, azimuth bolt ${az}`,
  },

  pair: {
    title: "Pair this device",
    how: "Open the link, or the picture of squares, that “polard serve --pair”, or “polard overview --pair” for all piers, shows on the computer that runs the service. Or type the code that stands at the end of the link.",
    code: "Code",
    go: "Pair",
    compare: "This machine made its certificate itself, and nobody vouches for it. Look at the certificate in your browser: its SHA-256 fingerprint must be this one.",
    differs: "If it is another, somebody else answers in this machine's place: do not pair.",
    same: "It is the same: pair",
    install: "To be rid of the browser's warning, and to open the page without the service, install this file as a certificate authority in the device's settings. It vouches for this network only.",
    authority: "Certificate",
  },
};
