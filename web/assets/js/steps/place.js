// The first step: where the mount stands, and what its latitude scale is to read.

import { confirmed } from "../correction.js";
import { h } from "../dom.js";
import { AngleField, NumberField, readAll } from "../fields.js";
import { number, sentenceLike, side } from "../format.js";
import { send } from "../link.js";
import { lastTime, note } from "../notes.js";
import { words } from "../words.js";
import { markField } from "./marks.js";

/** @typedef {import("./view.js").Context} Context */

export class PlaceStep {
  constructor() {
    const w = words.setup.place;
    this.key = "place";
    this.fields = [
      new AngleField("lat_deg", w.lat, w.latHint, w.letters.north, w.letters.south), new AngleField("lon_deg", w.lon, w.lonHint, w.letters.east, w.letters.west),
      new NumberField("elevation_m", w.elevation), new NumberField("pressure_hpa", w.pressure, w.pressureHint),
      new NumberField("temperature_c", w.temperature, w.temperatureHint),
    ];
    this.pole = h("select", { id: "f-pole" }, Object.entries(w.poleNames).map(([v, name]) => h("option", { value: v }, name)));
    this.note = h("p", { class: "form-note", role: "status" });
    this.from = h("div", { class: "row" });
    this.form = h("form", { class: "card", novalidate: true, hidden: true },
      this.from,
      h("div", { class: "fields" }, this.fields.map((f) => f.root),
        h("div", { class: "field" }, h("label", { for: "f-pole" }, w.pole), this.pole)),
      this.note, h("button", { type: "submit", hidden: true }));
    this.form.addEventListener("submit", (e) => { e.preventDefault(); this.ctx?.goOn(); });
    this.began = "";
    this.change = h("button", { type: "button", onclick: () => this.edit() }, w.change);
    this.mark = markField("scale_deg", w.mark, w.markHint);
    this.extra = h("div", { class: "step-extra" }, this.form, h("div", { class: "row" }, this.change), this.mark.root);
    /** @type {Context|null} */
    this.ctx = null;
    this.changing = false; // the person asked for another place
  }

  /** What is typed, to tell whether it was changed. */
  typed() {
    return JSON.stringify([...this.fields.map((f) => f.input.value.trim()), this.pole.value]);
  }

  unsaved() {
    return this.editing && this.typed() !== this.began;
  }

  /** Whether the place is being typed. */
  get editing() {
    return this.changing || !this.ctx?.state?.site;
  }

  /** @param {Context} ctx */
  update(ctx) {
    const was = this.editing;
    this.ctx = ctx;
    if (this.editing && (!was || this.from.childElementCount === 0)) this.open();
    this.form.hidden = !this.editing || !ctx.operate;
    this.change.hidden = this.editing || !ctx.operate;
    this.mark.update(!this.editing, ctx.operate);
  }

  /** Another place, or none yet: the form begins with what is known. */
  open() {
    const w = words.setup.place;
    const state = this.ctx?.state;
    const last = note("place");
    // The air is the person's only where they typed it: the usual one is not made theirs.
    const typed = last && last.lat_deg === state?.site?.lat_deg && last.lon_deg === state?.site?.lon_deg ? last : {};
    this.fill(state?.site ? { ...state.site, pressure_hpa: typed.pressure_hpa, temperature_c: typed.temperature_c } : {});
    if (state?.pole) this.pole.value = state.pole.kind;
    this.began = this.typed();
    this.from.replaceChildren(
      canLocate() ? h("button", { type: "button", onclick: () => this.locate() }, w.locate) : "",
      last && !state?.site ? h("button", { type: "button", onclick: () => this.fill(last) },
        w.last(`${side(last.lat_deg, 2, w.letters.north, w.letters.south)}, ${side(last.lon_deg, 2, w.letters.east, w.letters.west)}`)) : "");
  }

  edit() {
    this.changing = true;
    this.open();
    this.ctx?.redraw();
    this.fields[0].input.focus();
  }

  /** @param {Record<string, any>} site */
  fill(site) {
    for (const f of this.fields) f.put(site[f.input.name]);
    if (site.pole) this.pole.value = site.pole;
    this.note.textContent = "";
  }

  /** Asks the browser where it is. */
  locate() {
    const w = words.setup.place;
    this.note.textContent = w.locating;
    navigator.geolocation.getCurrentPosition(({ coords }) => {
      this.note.textContent = w.located(number(coords.accuracy, 0));
      this.fields[0].put(coords.latitude);
      this.fields[1].put(coords.longitude);
      // A receiver's height may be above the ellipsoid: 50 m either way move the
      // pole by less than an arcsecond.
      if (coords.altitude !== null) this.fields[2].put(Math.round(coords.altitude));
    }, (e) => { this.note.textContent = e.code === 1 ? w.refused : w.notLocated; }, { enableHighAccuracy: true, timeout: 20000 });
  }

  async save() {
    const values = readAll(this.fields, this.note);
    if (!values) return false;
    const problem = await send("site", { ...values, pole: this.pole.value });
    this.note.textContent = problem === null ? "" : sentenceLike(problem ?? words.unreachable);
    if (problem !== null) return false;
    this.changing = false;
    this.began = this.typed();
    return true;
  }

  /** @param {Context} ctx @returns {import("./view.js").Shown} */
  show({ setup, state }) {
    const w = words.setup.place;
    if (!state?.site || this.editing) return { head: w.ask, lines: [w.askWhy, ...(canLocate() ? [] : [w.insecure])] };
    if (!setup) return { head: w.wait, lines: [] };
    const s = setup.latitude_scale;
    // What would confirm the place later is no step of the set-up.
    const confirms = state.place_confirmed?.said.code === "confirmed_nothing" ? "" : confirmed(state);
    const last = lastTime("scale");
    return {
      head: w.head, figure: number(last?.deg ?? s.set_deg, 1, "°"),
      lines: [
        ...(last ? [w.lastTime(number(last.deg, 1, "°"), last.nights), w.true(number(s.set_deg, 1, "°"))] : []),
        w.near(number(s.near_deg, 0, "°")),
        w.at(side(setup.site.lat_deg, 3, w.letters.north, w.letters.south), side(setup.site.lon_deg, 3, w.letters.east, w.letters.west), number(setup.site.elevation_m, 0)),
        w.air(number(setup.air.usual_pressure_hpa, 0), number(s.refraction_arcmin, 1, "′"), number(s.refraction_uncertainty_arcsec, 0, "″")),
        ...(confirms ? [confirms] : []),
      ],
      more: setup.steps.latitude_scale,
    };
  }
}

/** A browser tells its place only to pages over https or from the same machine. */
function canLocate() {
  return isSecureContext && "geolocation" in navigator;
}
