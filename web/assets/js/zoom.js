// Two fingers, the wheel, keys or buttons enlarge what is in a box; one finger moves
// it. Twice enlarged means twice as large as the box shows at first.

const most = 8;

export class Zoom {
  /**
   * @param {HTMLElement} box what the person sees
   * @param {HTMLElement} inner what grows in it
   */
  constructor(box, inner) {
    this.box = box;
    this.inner = inner;
    this.scale = 1;
    this.x = this.y = 0; // of the inner's corner, in parts of the box
    /** @type {Map<number, {x: number, y: number}>} */
    this.fingers = new Map();
    box.addEventListener("pointerdown", (e) => {
      if (this.scale > 1 || this.fingers.size > 0) box.setPointerCapture(e.pointerId);
      this.fingers.set(e.pointerId, this.place(e));
    });
    box.addEventListener("pointermove", (e) => this.move(e));
    for (const end of /** @type {const} */ (["pointerup", "pointercancel", "pointerleave"])) {
      box.addEventListener(end, (e) => { this.fingers.delete(e.pointerId); });
    }
    box.addEventListener("wheel", (e) => {
      if (!e.ctrlKey && this.scale === 1 && e.deltaY > 0) return; // the page may scroll
      e.preventDefault();
      const p = this.place(e);
      this.by(Math.exp(-e.deltaY / 400), p.x, p.y);
    }, { passive: false });
    box.addEventListener("dblclick", (e) => {
      const p = this.place(e);
      if (this.scale > 1) this.reset();
      else this.by(2.5, p.x, p.y);
    });
    box.addEventListener("keydown", (e) => this.key(e));
  }

  /** @param {{clientX: number, clientY: number}} e */
  place(e) {
    const r = this.box.getBoundingClientRect();
    return { x: (e.clientX - r.left) / r.width, y: (e.clientY - r.top) / r.height };
  }

  /** @param {PointerEvent} e */
  move(e) {
    const before = this.fingers.get(e.pointerId);
    if (!before) return;
    const now = this.place(e);
    this.fingers.set(e.pointerId, now);
    const other = [...this.fingers].find(([id]) => id !== e.pointerId)?.[1];
    if (other) {
      const was = Math.hypot(before.x - other.x, before.y - other.y), is = Math.hypot(now.x - other.x, now.y - other.y);
      if (was > 0.01) this.by(is / was, (now.x + other.x) / 2, (now.y + other.y) / 2);
    } else if (this.scale > 1) {
      this.shift(now.x - before.x, now.y - before.y);
    }
  }

  /** @param {KeyboardEvent} e */
  key(e) {
    const step = 0.1;
    /** @type {Record<string, () => void>} */
    const does = {
      "+": () => this.by(1.5), "=": () => this.by(1.5), "-": () => this.by(1 / 1.5), "0": () => this.reset(),
      ...(this.scale > 1 ? { Escape: () => this.reset() } : {}),
      ArrowLeft: () => this.shift(step, 0), ArrowRight: () => this.shift(-step, 0), ArrowUp: () => this.shift(0, step), ArrowDown: () => this.shift(0, -step),
    };
    if (!does[e.key] || e.ctrlKey || e.metaKey || e.altKey) return;
    e.preventDefault();
    does[e.key]();
  }

  /**
   * @param {number} factor
   * @param {number} [x] what stays where it is, in parts of the box
   * @param {number} [y]
   */
  by(factor, x = 0.5, y = 0.5) {
    const scale = Math.max(1, Math.min(most, this.scale * factor));
    const f = scale / this.scale;
    this.x = x - f * (x - this.x);
    this.y = y - f * (y - this.y);
    this.scale = scale;
    this.shift(0, 0);
  }

  /** @param {number} dx @param {number} dy */
  shift(dx, dy) {
    const keep = (/** @type {number} */ v) => Math.min(0, Math.max(1 - this.scale, v));
    this.x = keep(this.x + dx);
    this.y = keep(this.y + dy);
    const s = this.inner.style;
    s.setProperty("--zoom", String(this.scale));
    s.setProperty("--zoom-x", `${100 * this.x}%`);
    s.setProperty("--zoom-y", `${100 * this.y}%`);
    this.box.dataset.zoomed = String(this.scale > 1);
  }

  reset() {
    this.scale = 1;
    this.x = this.y = 0;
    this.shift(0, 0);
  }
}
