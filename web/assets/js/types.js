// The wire format of the service (web/state.go), for the type checker. A
// number that is not known comes as null.

/** @typedef {number|null} Num */
/** @typedef {{code: string, message: string, frame?: {number: number, mid_utc?: string}, said?: Said}} Notice */
/** @typedef {{alt_deg: Num, az_deg: Num}} Direction */
/** @typedef {{alt_arcmin: Num, az_arcmin: Num, total_arcmin: Num}} Offset */
/** @typedef {{alt_arcsec: Num, az_arcsec: Num, correlation: Num}} Uncertainty */
/**
 * @typedef {object} Move
 * @property {"altitude"|"azimuth"} bolt
 * @property {"raise"|"lower"|"east"|"west"|"tip_east"|"tip_west"} way
 * @property {Num} amount_arcmin
 * @property {Num} gate_arcmin
 * @property {boolean} done
 * @property {string} text
 * @property {string} [rotation]
 */
/** @typedef {{axis: Direction, offset: Offset, uncertainty: Uncertainty, moves: Move[]}} AxisStatus */
/** @typedef {{lat_deg: Num, lon_deg: Num, elevation_m: Num, pressure_hpa: Num, temperature_c: Num, pressure_uncertainty_hpa: Num, temperature_uncertainty_c: Num}} Site */
/** @typedef {{x_px: number, y_px: number, v_mag: Num}} Star */
/** @typedef {{inside: boolean, x_px: Num, y_px: Num, away_deg: Num, towards_deg: Num}} InFrame */
/** @typedef {{count?: number, text?: string, size_arcsec?: Num, whole_deg?: Num, known_arcsec?: Num, number?: Num, digits?: number, said?: Said}} SaidArg */
/** @typedef {{code: string, args?: SaidArg[], text: string}} Said */
/** @typedef {{by_deg: Num, back: boolean, lowest_deg: Num, against?: string[], other_lowest_deg: Num, other_against?: string[]}} TurnTo */
/** @typedef {{up: boolean, alt_deg: Num, from_frame_deg: Num, near_frame: boolean}} Sun */
/**
 * @typedef {object} Plan
 * @property {boolean} planned
 * @property {Num} focal_mm
 * @property {Num} pixel_um
 * @property {Num} exposure_s
 * @property {Notice} [problem]
 * @property {boolean} good_enough
 * @property {Num} tolerance_arcmin
 * @property {Num} trail_px
 * @property {Num} longest_exposure_s
 * @property {Num} at_refracted_arcsec
 * @property {Num} at_true_arcsec
 * @property {Num} at_best_arcsec
 * @property {Offset} [best]
 * @property {string[]} [sentences]
 * @property {Said[]} [said]
 */
/** @typedef {{until_utc?: string, frames: number, minutes: Num, offset?: Offset, uncertainty?: Uncertainty, sentences: string[], said?: Said[], nights?: {since_utc: string, until_utc: string, frames: number, offset: Offset, uncertainty_arcsec: Num}[]}} Watch */
/** @typedef {{url: string, width_px: number, height_px: number}} Picture */
/**
 * @typedef {object} Latest
 * @property {number} id
 * @property {string} file
 * @property {number} read_ms
 * @property {string} [mid_utc]
 * @property {Num} took_ms
 * @property {Num} exposure_s
 * @property {boolean} solved
 * @property {Notice} [problem]
 * @property {number} detected
 * @property {number} matched
 * @property {Num} rms_arcsec
 * @property {Num} ra_deg
 * @property {Num} dec_deg
 * @property {Num} field_w_deg
 * @property {Num} field_h_deg
 * @property {number} width_px
 * @property {number} height_px
 * @property {Star[]} [stars]
 * @property {Picture} [picture]
 * @property {boolean} clock_suspect
 * @property {Direction} [sight]
 * @property {InFrame} [pole]
 * @property {InFrame} [axis]
 * @property {(Star & {to_x_px: Num, to_y_px: Num, inside: boolean, towards_deg: Num})[]} [put]
 */
/**
 * @typedef {object} Frame
 * @property {number} number
 * @property {string} file
 * @property {string} [mid_utc]
 * @property {string} status
 * @property {string} [message]
 * @property {Said} [said]
 * @property {number} stars
 * @property {Num} turn_deg
 * @property {Num} residual_arcsec
 * @property {Num} total_arcmin
 * @property {Num} alt_arcmin
 * @property {Num} az_arcmin
 */
/**
 * @typedef {object} RigState
 * @property {string} name
 * @property {Num} ra_deg
 * @property {Num} alt_bolt_arcmin
 * @property {Num} az_bolt_arcmin
 * @property {Num} alt_per_turn_arcmin
 * @property {Num} az_per_turn_arcmin
 * @property {boolean} drive
 * @property {boolean} repeating
 * @property {boolean} exposing
 * @property {number} exposure_ms
 * @property {{name: string, text: string, lasts: boolean, on: boolean}[]} [faults]
 */
/**
 * @typedef {object} State
 * @property {string} program
 * @property {{kind: string, folder?: string}} source
 * @property {string} phase
 * @property {{code: string, text: string, details?: string[], said?: Said, said_details?: Said[]}} do
 * @property {Site} [site]
 * @property {Num} tolerance_arcmin
 * @property {{kind: string} & Direction} [pole]
 * @property {AxisStatus} [measured]
 * @property {AxisStatus} [now]
 * @property {boolean} within
 * @property {"altitude"|"azimuth"} [turning]
 * @property {{bolt: string, worse_arcmin: Num}} [wrong_way]
 * @property {{file: string, mid_utc: string, counts: boolean, was_arcmin: Num, is_arcmin: Num}} [choice]
 * @property {boolean} can_end
 * @property {Num} turn_deg
 * @property {Num} [chi2_dof]
 * @property {boolean} [tracking]
 * @property {{alt_arcmin: Num, az_arcmin: Num, total_arcmin: Num, uncertainty_arcsec: Num}} [lock]
 * @property {{least_deg: Num, expected?: {turn_deg: Num, uncertainty_arcsec: Num}[]}} [advice]
 * @property {TurnTo} [turn_to]
 * @property {Sun} [sun]
 * @property {Plan} [plan]
 * @property {Watch} [watch]
 * @property {{verdict: string, frames: number, minutes: Num, said: Said, drift?: {predicted_arcsec_min: Num, sigma_predicted_arcsec_min: Num, seen_arcsec_min: Num, sigma_seen_arcsec_min: Num, sigma_bending_arcsec_min: Num, off_arcsec: Num, sigma_off_arcsec: Num, across: Num, up: Num}}} [proof]
 * @property {{periodic?: {period_s: Num, amplitude_arcsec: Num, sigma_arcsec: Num, rest_arcsec: Num, curve: {phase: Num, error_arcsec: Num}[]}, bends?: (Direction & {from_utc: string, to_utc: string, frames: number, rate_arcsec_h: Num, sigma_arcsec_h: Num})[]}} [habits]
 * @property {boolean} doubt
 * @property {boolean} free_head
 * @property {{bolt: string, learnt: boolean, per_turn_arcmin: Num, per_turn_sigma_arcmin: Num, play_deg: Num, play_sigma_deg: Num, cross: Num, cross_sigma: Num}[]} [bolts]
 * @property {{bolt: string, turn_deg: Num, idle_deg: Num, error_arcsec: Num, text: string}[]} [strokes]
 * @property {Latest} [latest]
 * @property {{stage: string, file?: string, arrived_ms?: number, since_ms?: number, waiting: number}} [reading]
 * @property {Frame[]} [frames]
 * @property {Notice[]} [warnings]
 * @property {{mistake: string, said: Said, lat_deg?: Num, lon_deg?: Num, ahead_s?: Num}} [suggestion]
 * @property {{mistake: string, lat_deg?: Num, lon_deg?: Num, ahead_s?: Num}} [corrected]
 * @property {{by: string, said: Said}} [place_confirmed]
 * @property {RigState} [rig]
 * @property {EquipmentState} [equipment]
 * @property {number} memories
 * @property {{stage: string, file?: string, arrived_ms?: number, since_ms?: number, waiting: number}=} reading
 * @property {string[]} [addresses]
 * @property {number} stale_after_ms
 */
/**
 * @typedef {object} EquipmentState
 * @property {string} protocol
 * @property {string[]} cameras
 * @property {string[]} mounts
 * @property {string} [camera]
 * @property {string} [mount]
 * @property {string} activity
 * @property {boolean} looping
 * @property {number} [number]
 * @property {number} [all]
 * @property {Num} turned_deg
 * @property {Num} of_deg
 * @property {Num} exposure_s
 * @property {Num} [gain]
 * @property {string} [note]
 * @property {Said} [note_said]
 * @property {string} [trouble]
 * @property {Said} [trouble_said]
 * @property {{id: string, text: string, said?: Said, cautions: string[], said_cautions?: Said[]}} [plan]
 * @property {string} [schedule]
 * @property {boolean} [due]
 * @property {string} [rests]
 * @property {Said} [rests_said]
 */
/**
 * @typedef {object} Message
 * @property {"state"|"beat"} type
 * @property {number} seq
 * @property {number} sent_ms
 * @property {string} page
 * @property {boolean} operate
 * @property {State|null} [state]
 */
export {};
