// The keyboard's focus where what holds it is drawn anew: it is never lost. Where its button is
// gone it goes to what is to be done now, not to another button, which a second press would work.

const refuge = () => document.getElementById("now");

/**
 * Puts new buttons in place of others; one of the same name has the focus again.
 * @param {HTMLElement} root
 * @param {...Node} children
 */
export function refill(root, ...children) {
  const held = root.contains(document.activeElement) ? document.activeElement?.textContent : null;
  root.replaceChildren(...children);
  if (held === null) return;
  const same = [...root.querySelectorAll("button")].find((b) => b.textContent === held);
  (same ?? refuge())?.focus({ preventScroll: true });
}

/**
 * Draws something that may take away or hide what has the focus.
 * @param {() => void} draw
 */
export function keepFocus(draw) {
  const held = document.activeElement;
  draw();
  if (!held || held === document.body || held.isConnected && held.getClientRects().length > 0) return;
  if (document.activeElement === held || document.activeElement === document.body) refuge()?.focus({ preventScroll: true });
}
