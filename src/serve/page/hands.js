// Mouse and fingers on the review page's photo: they move the view, choose marks and drag them. What a deed does, review.js says.
"use strict";

const fingers = new Map();
let gesture = null; // {x, y, moved, mark, add}

const at = (e) => { const r = stage.getBoundingClientRect(); return { x: e.clientX - r.left, y: e.clientY - r.top }; };

stage.addEventListener("pointerdown", (e) => {
  if (!state || e.target.closest("#zoom") || (e.pointerType === "mouse" && e.button !== 0)) return;
  const p = at(e);
  // The first finger on the glass: none that the browser forgot to lift is still there, nor what it was about to do.
  if (e.isPrimary) {
    fingers.clear();
    gesture = drag = null;
    stage.classList.remove("panning");
    draw();
  }
  fingers.set(e.pointerId, p);
  stage.setPointerCapture(e.pointerId);
  if (fingers.size === 1) {
    const g = e.target.closest(".mark"), c = g && { rejected: g.dataset.rejected === "1", i: Number(g.dataset.i) };
    const same = c && chosen && c.i === chosen.i && c.rejected === chosen.rejected;
    // A finger moves only the mark that was chosen before: otherwise every swipe would move one.
    gesture = { x: p.x, y: p.y, moved: false, mark: c, grab: c && !c.rejected && !adding && (e.pointerType === "mouse" || same) };
  } else {
    if (drag) drag = null;
    gesture = { pinch: true };
  }
});

stage.addEventListener("pointermove", (e) => {
  const p = at(e);
  if (e.pointerType === "mouse") pointer = toPhoto(p.x, p.y);
  const was = fingers.get(e.pointerId);
  if (!was || !gesture) return;
  if (fingers.size === 2) {
    const other = [...fingers].find(([id]) => id !== e.pointerId)[1];
    const d0 = Math.hypot(was.x - other.x, was.y - other.y), d1 = Math.hypot(p.x - other.x, p.y - other.y);
    view.x -= (p.x - was.x) / 2 / view.s;
    view.y -= (p.y - was.y) / 2 / view.s;
    if (d0 > 5 && d1 > 5) zoom(d1 / d0, (p.x + other.x) / 2, (p.y + other.y) / 2);
  } else if (!gesture.pinch) {
    const far = Math.hypot(p.x - gesture.x, p.y - gesture.y) > (e.pointerType === "mouse" ? 3 : 8);
    // Once it is a swipe, the wall catches up with the finger.
    const from = gesture.moved ? was : { x: gesture.x, y: gesture.y };
    if (far && !gesture.moved) { gesture.moved = true; if (gesture.grab) { flush(); choose(gesture.mark); } else stage.classList.add("panning"); }
    if (gesture.moved && gesture.grab) drag = { i: gesture.mark.i, dx: (p.x - gesture.x) / view.s, dy: (p.y - gesture.y) / view.s };
    else if (gesture.moved) { view.x -= (p.x - from.x) / view.s; view.y -= (p.y - from.y) / view.s; }
    draw();
  }
  fingers.set(e.pointerId, p);
});

function lifted(e, dropped) {
  if (!fingers.delete(e.pointerId) || !gesture) return;
  stage.classList.remove("panning");
  if (fingers.size) return;
  const g = gesture, t = drag;
  gesture = drag = null;
  if (dropped || g.pinch) { draw(); return; }
  if (t) {
    const m = marks()[t.i], to = { x: m.x_px + t.dx, y: m.y_px + t.dy };
    m.x_px = to.x; m.y_px = to.y;
    edit({ do: "move", mark: t.i, x_px: to.x, y_px: to.y }, `Mark ${m.mark} moved.`, to);
  } else if (!g.moved && adding) addAt(toPhoto(at(e).x, at(e).y));
  else if (!g.moved) { choose(g.mark || null); if (!g.mark) stage.focus({ preventScroll: true }); }
  draw();
}
stage.addEventListener("pointerup", (e) => lifted(e, false));
stage.addEventListener("pointercancel", (e) => lifted(e, true));
stage.addEventListener("pointerleave", (e) => { if (e.pointerType === "mouse") pointer = null; });
stage.addEventListener("wheel", (e) => {
  e.preventDefault();
  const p = at(e), unit = e.deltaMode === 1 ? 20 : 1;
  zoom(Math.exp(-0.0016 * unit * e.deltaY), p.x, p.y);
}, { passive: false });
