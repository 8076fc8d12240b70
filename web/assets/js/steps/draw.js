// Strokes that the drawings of the set-up share. Angles are degrees; a bearing
// runs clockwise from straight up on the page.

import { h, svg } from "../dom.js";

/**
 * @param {number} x
 * @param {number} y
 * @param {number} bearing
 * @param {number} length
 * @returns {[number, number]}
 */
export function away(x, y, bearing, length) {
  const a = (bearing * Math.PI) / 180;
  return [x + length * Math.sin(a), y - length * Math.cos(a)];
}

/**
 * @param {number} x1
 * @param {number} y1
 * @param {number} x2
 * @param {number} y2
 * @param {string} [cls]
 */
export function line(x1, y1, x2, y2, cls = "d-line") {
  return svg("line", { x1, y1, x2, y2, class: cls });
}

/**
 * @param {number} x
 * @param {number} y
 * @param {string} text
 * @param {string} [anchor]
 * @param {string} [cls]
 */
export function label(x, y, text, anchor = "middle", cls = "d-text") {
  return svg("text", { x, y, "text-anchor": anchor, class: cls }, text);
}

/**
 * A strip with a flat end, as long as wished, turned about its beginning.
 * @param {number} x
 * @param {number} y
 * @param {number} bearing
 * @param {number} length
 * @param {number} width
 * @param {string} cls
 */
export function strip(x, y, bearing, length, width, cls) {
  return svg("rect", { x: x - width / 2, y: y - length, width, height: length, rx: width / 6, class: cls,
    transform: `rotate(${bearing} ${x} ${y})` });
}

/**
 * A drawing with its words for those who do not see it.
 * @param {number} width
 * @param {number} height
 * @param {string} says
 * @param {(SVGElement|false|null)[]} parts
 */
export function drawing(width, height, says, parts) {
  return h("div", { class: "drawing" }, svg("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": says }, parts));
}
