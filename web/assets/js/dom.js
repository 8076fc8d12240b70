// Building elements without markup in strings.

/** @typedef {Node|string|number|null|undefined|false} Child */

/**
 * An element with attributes and children. A class goes by "class", listeners
 * by "on..." functions, CSS variables by "--name"; false and null leave out.
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag
 * @param {Record<string, any>} [attrs]
 * @param {...(Child|Child[])} children
 * @returns {HTMLElementTagNameMap[K]}
 */
export function h(tag, attrs = {}, ...children) {
  const e = document.createElement(tag);
  setAttributes(e, attrs);
  append(e, children);
  return e;
}

/**
 * The same for SVG.
 * @param {string} tag
 * @param {Record<string, any>} [attrs]
 * @param {...(Child|Child[])} children
 * @returns {SVGElement}
 */
export function svg(tag, attrs = {}, ...children) {
  const e = /** @type {SVGElement} */ (document.createElementNS("http://www.w3.org/2000/svg", tag));
  setAttributes(e, attrs);
  append(e, children);
  return e;
}

/**
 * @param {HTMLElement|SVGElement} e
 * @param {Record<string, any>} attrs
 */
function setAttributes(e, attrs) {
  for (const [key, value] of Object.entries(attrs)) {
    if (value === false || value === null || value === undefined) continue;
    if (key.startsWith("on")) e.addEventListener(key.slice(2), value);
    else if (key.startsWith("--")) e.style.setProperty(key, String(value));
    else e.setAttribute(key, value === true ? "" : String(value));
  }
}

/**
 * @param {Element} e
 * @param {(Child|Child[])[]} children
 */
function append(e, children) {
  for (const c of children.flat()) {
    if (c === false || c === null || c === undefined) continue;
    e.append(typeof c === "number" ? String(c) : c);
  }
}

/**
 * The element with this id; the page is broken without it.
 * @param {string} id
 * @returns {HTMLElement}
 */
export function byId(id) {
  const e = document.getElementById(id);
  if (!e) throw new Error(`no element ${id}`);
  return e;
}

/**
 * Sets text only when it changed, so that a screen reader and a selection are
 * left alone.
 * @param {Element} e
 * @param {string} text
 */
export function setText(e, text) {
  if (e.textContent !== text) e.textContent = text;
}

/**
 * Makes the children of an element like new ones, and keeps those that are alike: what
 * has the focus keeps it, what is open stays open, what moves glides, and nothing
 * jumps. New elements must not carry listeners of their own.
 * @param {Element} parent
 * @param {Child[]} children
 */
export function morph(parent, children) {
  const next = h("div", {}, ...children);
  become(parent, next);
}

/**
 * What tells an element of a list from the others; empty where its place does.
 * @param {Node} n
 */
function keyOf(n) {
  return n instanceof Element ? n.getAttribute("data-id") ?? "" : "";
}

/**
 * @param {Element} old
 * @param {Element} next
 */
function become(old, next) {
  const wanted = [...next.childNodes];
  const kept = new Set(wanted.map(keyOf));
  wanted.forEach((n, i) => {
    const key = keyOf(n);
    if (key !== "") {
      while (old.childNodes[i] && !kept.has(keyOf(old.childNodes[i]))) old.childNodes[i].remove();
      const same = [...old.childNodes].slice(i).find((c) => keyOf(c) === key);
      if (!same) {
        old.insertBefore(n, old.childNodes[i] ?? null);
        return;
      }
      // What stands before its place goes behind it: what has the focus would lose it if it were moved.
      while (old.childNodes[i] !== same) old.append(old.childNodes[i]);
    }
    const o = old.childNodes[i];
    if (!o) {
      old.append(n);
    } else if (!(n instanceof Element) || !(o instanceof Element)) {
      if (n.nodeType === o.nodeType) {
        if (o.nodeValue !== n.nodeValue) o.nodeValue = n.nodeValue;
      } else {
        o.replaceWith(n);
      }
    } else if (o.tagName !== n.tagName || o.getAttribute("data-kind") !== n.getAttribute("data-kind") || o.classList[0] !== n.classList[0]) {
      o.replaceWith(n);
    } else {
      for (const { name } of [...o.attributes]) if (!n.hasAttribute(name) && name !== "open") o.removeAttribute(name);
      for (const { name, value } of n.attributes) {
        if (o.getAttribute(name) === value) continue;
        // The content policy lets styles be set by code only.
        if (name === "style") /** @type {HTMLElement} */ (o).style.cssText = value;
        else o.setAttribute(name, value);
      }
      become(o, n);
    }
  });
  while (old.childNodes.length > wanted.length) old.lastChild?.remove();
}

/**
 * A part of the page that is there when it has something to say.
 * @param {string} id
 * @param {Node[]|null} parts
 */
export function showParts(id, parts) {
  byId(id).hidden = !parts;
  if (parts) morph(byId(id), parts);
}

/**
 * A sentence in which a command to be typed is not broken into two lines.
 * @param {string} text
 * @returns {Child[]}
 */
export function unbroken(text) {
  return text.split(/(polard serve --[a-z]+)/).map((part, i) => (i % 2 ? h("span", { class: "command" }, part) : part));
}
