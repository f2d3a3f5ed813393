// A mark that is moved by pointer or arrow keys, on a foot or on its plan.

import { make } from "./common.js";

const IDLE = 900; // ms after the last arrow key: the place is taken as it is

/**
 * Make an element movable.
 *   begin()        its place in pixels of `place`, at the start of a move
 *   to(x, y)       what lies under a pixel; null where the mark cannot go
 *   scale()        pixels per mm, for the arrow keys: 1 mm, with Shift 5
 *   moved(at, done)  while it moves, and once more when it stays; at is null when it goes back
 */
export function movable(element, { begin, to, scale, moved, place }) {
  let drag = null, keys = null, waiting = 0;
  const pixel = (e) => { const box = place.getBoundingClientRect(); return [e.clientX - box.left, e.clientY - box.top]; };
  const go = (state, x, y) => {
    const at = to(x, y);
    if (!at) return;
    Object.assign(state, { x, y, at });
    moved(at, false);
  };
  const end = (state, keep) => { if (state?.at) moved(keep ? state.at : null, true); };

  element.addEventListener("pointerdown", (e) => {
    e.stopPropagation();
    const [x, y] = begin(), [px, py] = pixel(e);
    drag = { dx: x - px, dy: y - py, sx: px, sy: py, at: null };
    element.setPointerCapture(e.pointerId);
    element.focus();
    e.preventDefault();
  });
  element.addEventListener("pointermove", (e) => {
    if (!drag) return;
    const [px, py] = pixel(e);
    if (!drag.at && Math.hypot(px - drag.sx, py - drag.sy) < 3) return; // a click is no move
    go(drag, px + drag.dx, py + drag.dy);
  });
  element.addEventListener("pointerup", () => { const was = drag; drag = null; end(was, true); });
  element.addEventListener("pointercancel", () => { const was = drag; drag = null; end(was, false); });

  const settle = (keep) => { clearTimeout(waiting); const was = keys; keys = null; end(was, keep); };
  element.addEventListener("keydown", (e) => {
    const by = e.shiftKey ? 5 : 1, step = { ArrowUp: [0, -by], ArrowDown: [0, by], ArrowLeft: [-by, 0], ArrowRight: [by, 0] }[e.key];
    if (e.key === "Escape" && (keys || drag)) { const was = drag; drag = null; end(was, false); settle(false); }
    if (e.key === "Enter" && keys) { e.preventDefault(); settle(true); }
    if (!step) return;
    e.preventDefault();
    if (!keys) { const [x, y] = begin(); keys = { x, y, at: null }; }
    go(keys, keys.x + step[0] * scale(), keys.y + step[1] * scale());
    clearTimeout(waiting);
    waiting = setTimeout(() => settle(true), IDLE);
  });
  element.addEventListener("blur", () => settle(true));
}

/**
 * Return a pin {...p, element} put on `place`: with `p.moved` one that is moved, else a mere sign.
 *   at             under which name the pin carries where it is
 *   pixel(at)      its place in pixels; to, scale as for `movable`
 *   draw()         after it moved
 */
export function pinned(p, place, { at, pixel, to, scale, draw }) {
  const element = make(p.moved ? "button" : "span", `pin ${p.kind || ""}`, p.text), pin = { ...p, element };
  if (p.moved) {
    element.type = "button";
    element.setAttribute("aria-label", p.label);
    element.tabIndex = p.chosen ? 0 : -1; // one stop for the keyboard: the list chooses which
    movable(element, {
      begin: () => { p.begin?.(); return pixel(pin[at]); },
      to, scale, place,
      moved: (there, done) => { if (there) { pin[at] = there; draw(); } p.moved(there, done); },
    });
  } else element.setAttribute("aria-hidden", "true");
  place.append(element);
  return pin;
}
