// The review page: shows a volley's photo with its marks, sends each step to the program, shows what comes back.
// Nothing is computed here but where things are on the screen.
"use strict";

const by = (id) => document.getElementById(id);
const stage = by("stage"), canvas = by("photo"), overlay = by("marks");
const SVG = "http://www.w3.org/2000/svg";

let state = null;      // what the program says
let order = [];        // volleys as listed, fixed when the page opens: a list that jumps loses one's place
let current = 0;       // volley shown (index into state.volleys)
let chosen = null;     // {rejected: bool, i}
let view = { x: 0, y: 0, s: 1 }; // photo pixel at the stage's corner, screen pixels a photo pixel
let before = false, hidden = false, adding = false, merging = false, blinking = null;
let nudge = null;      // {i, dx, dy, timer}: arrow keys not yet sent
let drag = null;       // a mark under the finger: {i, dx, dy}
let pointer = null;    // last place of the mouse over the stage

const volley = () => state.volleys[current];
const marks = () => volley().marks;

// ---- the program -------------------------------------------------------------------------------------------------

let queue = Promise.resolve();

/** Sends one step after the other; `where` is what to choose afterwards. */
function send(path, body, said, where) {
  queue = queue.then(async () => {
    try {
      const content = typeof body === "function" ? body() : body;
      const reply = await fetch(path, {
        method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(content || {}),
      });
      if (!reply.ok) {
        say(await reply.text(), true);
        const now = await fetch("state");
        if (now.ok) take(await now.json(), null);
        return;
      }
      take(await reply.json(), where);
      const v = volley();
      say(`${said} Volley ${v.volley}: ${v.found} of ${v.shots}, ${v.angle} deg, ${words(v)}.`);
    } catch (e) {
      say("The program does not answer: is it still running in its window? Nothing more is saved until it is.", true);
    }
  });
  return queue;
}

function edit(step, said, where) {
  const index = current;
  return send("edit", () => ({ volley: index, revision: state.revision, ...step }), said, where);
}

const words = (v) => (v.status === "ok" ? (v.checked ? "checked" : "in order") : v.status === "look" ? "needs a look" : "failed");

function say(text, bad) {
  by("said").textContent = text;
  by("said").classList.toggle("bad", Boolean(bad));
}

/** Takes a new state and keeps the choice: the mark nearest to `where`, or to the one chosen before. */
function take(next, where) {
  const was = state && chosen && place(chosen);
  state = next;
  const aim = where === undefined ? was : where;
  if (where === null && !was) chosen = null;
  else if (aim) chosen = nearest(aim);
  else chosen = null;
  render();
}

function nearest(p, but) {
  let best = null;
  const look = (list, rejected) => list.forEach((m, i) => {
    if (but && but.rejected === rejected && but.i === i) return;
    const d = Math.hypot(m.x_px - p.x, m.y_px - p.y) + (rejected ? 0.5 : 0);
    if (!best || d < best.d) best = { d, rejected, i };
  });
  look(marks(), false);
  if (!but) look(volley().rejected, true);
  return best && { rejected: best.rejected, i: best.i };
}

function place(c) {
  const m = c && (c.rejected ? volley().rejected : marks())[c.i];
  if (!m) return null;
  const d = moved(c);
  return { x: m.x_px + d.x, y: m.y_px + d.y };
}

/** How far a mark is shown from where the program has it. */
function moved(c) {
  const t = [nudge, drag].find((t) => t && !c.rejected && t.i === c.i);
  return t ? { x: t.dx, y: t.dy } : { x: 0, y: 0 };
}

// ---- photos: decoded once, then only drawn -----------------------------------------------------------------------

const photos = new Map(); // file name -> Promise of bitmaps, finest first
const KEPT = 4;

function photo(index, which) {
  const v = state.volleys[index], name = which === "before" ? v.before : v.photo;
  if (!name) return null;
  let p = photos.get(name);
  if (p) photos.delete(name);
  else p = read(`photo/${index}/${which}`);
  photos.set(name, p); // the newest last
  while (photos.size > KEPT) {
    const [old, bitmaps] = photos.entries().next().value;
    photos.delete(old);
    bitmaps.then((b) => b.forEach((x) => x.close()), () => {});
  }
  return p;
}

async function read(address) {
  const reply = await fetch(address);
  if (!reply.ok) throw new Error(await reply.text());
  const levels = [await createImageBitmap(await reply.blob())];
  // Smaller copies, so that a photo shown small neither flickers nor costs twelve million pixels a frame.
  while (levels[levels.length - 1].width > 1200) {
    const b = levels[levels.length - 1];
    levels.push(await createImageBitmap(b, {
      resizeWidth: b.width >> 1, resizeHeight: b.height >> 1, resizeQuality: "medium",
    }));
  }
  return levels;
}

let shown = { after: null, before: null, of: -1 };

async function showPhotos() {
  const index = current;
  if (shown.of !== index) shown = { after: null, before: null, of: index };
  by("wait").hidden = Boolean(shown.after);
  for (const which of ["after", "before"]) {
    try {
      const levels = await photo(index, which);
      if (index !== current) return;
      shown[which] = levels;
      by("wait").hidden = true;
      draw();
    } catch (e) {
      if (index === current) { say(e.message, true); by("wait").hidden = true; }
    }
  }
  // The next volley's photos, while the person looks at these.
  const next = order[order.indexOf(index) + 1];
  if (next !== undefined && index === current) for (const which of ["before", "after"]) await Promise.resolve(photo(next, which)).catch(() => {});
}

let asked = false;
function draw() {
  if (asked) return;
  asked = true;
  requestAnimationFrame(() => { asked = false; paint(); });
}

function paint() {
  const w = stage.clientWidth, h = stage.clientHeight, dpr = window.devicePixelRatio || 1;
  if (canvas.width !== Math.round(w * dpr) || canvas.height !== Math.round(h * dpr)) {
    canvas.width = Math.round(w * dpr); canvas.height = Math.round(h * dpr);
  }
  const g = canvas.getContext("2d", { alpha: false });
  g.setTransform(1, 0, 0, 1, 0, 0);
  g.fillStyle = "#2b2c2f";
  g.fillRect(0, 0, canvas.width, canvas.height);
  const levels = before ? shown.before : shown.after, v = state && volley();
  if (levels && v) {
    let k = 0;
    while (k + 1 < levels.length && view.s * dpr * (2 << k) <= 1.001) k++;
    const b = levels[k], fx = b.width / levels[0].width, fy = b.height / levels[0].height;
    // Only what is seen is drawn.
    const x0 = Math.max(0, Math.floor(view.x)), y0 = Math.max(0, Math.floor(view.y));
    const x1 = Math.min(levels[0].width, Math.ceil(view.x + w / view.s)), y1 = Math.min(levels[0].height, Math.ceil(view.y + h / view.s));
    if (x1 > x0 && y1 > y0) {
      g.imageSmoothingEnabled = view.s * dpr < 3;
      g.imageSmoothingQuality = "low";
      const s = view.s * dpr;
      g.drawImage(b, x0 * fx, y0 * fy, (x1 - x0) * fx, (y1 - y0) * fy, (x0 - view.x) * s, (y0 - view.y) * s, (x1 - x0) * s, (y1 - y0) * s);
    }
  }
  placeMarks();
}

// ---- marks as handles --------------------------------------------------------------------------------------------

const make = (name, attributes, parent) => {
  const e = document.createElementNS(SVG, name);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  if (parent) parent.appendChild(e);
  return e;
};

function markElements() {
  const focused = document.activeElement && document.activeElement.closest(".mark");
  overlay.replaceChildren();
  const put = (m, i, rejected) => {
    const g = make("g", { class: "mark", tabindex: 0, role: "button" }, overlay);
    const d = m.ring.length ? `M${m.ring.map((p) => p.join(" ")).join("L")}Z` : "M-8 0H8M0 -8V8";
    for (const c of ["hit", "under", "over"]) make("path", { class: c, d, "vector-effect": "non-scaling-stroke" }, g);
    make("path", { class: "cross", d: "M-9 0H-2M2 0H9M0 -9V-2M0 2V9" }, g);
    const label = make("text", {}, g);
    label.textContent = rejected ? "×" : m.count > 1 ? `${m.mark} ×${m.count}` : m.mark;
    g.classList.toggle("decided", Boolean(m.decided));
    g.classList.toggle("gone", rejected);
    const is = rejected ? "rejected mark" : `mark ${m.mark}, ${m.angle} deg${m.count > 1 ? `, ${m.count} balls` : ""}${m.decided ? `, ${m.decided}` : ""}`;
    g.setAttribute("aria-label", is);
    g.dataset.i = i; g.dataset.rejected = rejected ? "1" : "";
    g.addEventListener("focus", () => { if (!chosen || chosen.i !== i || chosen.rejected !== rejected) choose({ rejected, i }); });
  };
  volley().rejected.forEach((m, i) => put(m, i, true));
  marks().forEach((m, i) => put(m, i, false));
  placeMarks(); // a click or a reader that comes before the next frame finds them where they belong
  if (focused && chosen) { const e = element(chosen); if (e) e.focus({ preventScroll: true }); }
}

const element = (c) => overlay.querySelector(`.mark[data-i="${c.i}"][data-rejected="${c.rejected ? "1" : ""}"]`);

function placeMarks() {
  overlay.style.visibility = hidden ? "hidden" : "";
  const all = state ? [...marks(), ...volley().rejected] : [], n = all.length || 1;
  const middle = { x: all.reduce((t, m) => t + m.x_px / n, 0), y: all.reduce((t, m) => t + m.y_px / n, 0) };
  for (const g of overlay.children) {
    const c = { rejected: g.dataset.rejected === "1", i: Number(g.dataset.i) }, p = place(c);
    if (!p) continue;
    // (0, 0) is the centre of the photo's first pixel.
    const x = (p.x + 0.5 - view.x) * view.s, y = (p.y + 0.5 - view.y) * view.s;
    g.setAttribute("transform", `translate(${x.toFixed(2)} ${y.toFixed(2)})`);
    for (const path of g.querySelectorAll(".hit, .under, .over")) path.setAttribute("transform", `scale(${view.s})`);
    // Its name stands outwards from the middle of all, where it covers the least.
    const r = (c.rejected ? volley().rejected : marks())[c.i].ring.reduce((r, q) => Math.max(r, Math.hypot(q[0], q[1])), 8);
    let dx = p.x - middle.x, dy = p.y - middle.y;
    const d = Math.hypot(dx, dy);
    if (d < 1) { dx = 0; dy = -1; } else { dx /= d; dy /= d; }
    const label = g.querySelector("text");
    label.setAttribute("x", (dx * (r * view.s + 14)).toFixed(1));
    label.setAttribute("y", (dy * (r * view.s + 12) + 5).toFixed(1));
    g.classList.toggle("chosen", Boolean(chosen) && chosen.i === c.i && chosen.rejected === c.rejected);
    g.classList.toggle("other", Boolean(merging) && !(chosen && chosen.i === c.i && chosen.rejected === c.rejected) && !c.rejected);
  }
}

function choose(c) {
  if (merging && c && !c.rejected && chosen && !chosen.rejected && c.i !== chosen.i) { merge(c.i); return; }
  flush();
  chosen = c;
  if (c) { const e = element(c); if (e && document.activeElement !== e && document.activeElement.closest("#stage, #list")) e.focus({ preventScroll: true }); keepInView(c); }
  renderList();
  draw();
}

function keepInView(c) {
  const p = place(c), w = stage.clientWidth, h = stage.clientHeight;
  if (!p) return;
  const x = (p.x - view.x) * view.s, y = (p.y - view.y) * view.s, m = 40;
  if (x < m || y < m || x > w - m || y > h - m) { view.x = p.x - w / view.s / 2; view.y = p.y - h / view.s / 2; }
}

// ---- what stands around the photo --------------------------------------------------------------------------------

const text = (tag, content, cls) => { const e = document.createElement(tag); e.textContent = content; if (cls) e.className = cls; return e; };

function render() {
  by("title").textContent = state.title || "Untitled session";
  document.title = `${state.title || "Untitled session"} - marks - Pockmark`;
  const open = state.volleys.filter((v) => v.status !== "ok").length;
  const all = state.volleys.length;
  const volleys = all === 1 ? "1 volley" : `${all} volleys`;
  by("tally").textContent = open ? `${open} of ${volleys} ${open === 1 ? "needs" : "need"} a look` : all === 1 ? "the volley is in order" : `all ${volleys} are in order`;
  by("undo").disabled = !state.can_undo;
  by("redo").disabled = !state.can_redo;
  renderVolleys();
  renderVolley();
  renderList();
  by("verdicts").replaceChildren(...state.verdicts.map((v) => text("li", v)));
  markElements();
  draw();
}

function renderVolleys() {
  const list = by("volleys"), focus = document.activeElement && list.contains(document.activeElement);
  list.replaceChildren(...order.map((i) => {
    const v = state.volleys[i], b = document.createElement("button");
    b.className = v.status;
    b.append(text("b", v.volley), text("span", `${words(v)} · ${v.found} of ${v.shots}`), text("span", v.setup || v.speed));
    if (i === current) b.setAttribute("aria-current", "true");
    b.addEventListener("click", () => go(i));
    return b;
  }));
  if (focus) list.querySelector("[aria-current]").focus();
}

function renderVolley() {
  const v = volley(), box = by("volley");
  const head = document.createElement("p");
  head.append(text("b", `Volley ${v.volley} `), text("span", words(v), `badge ${v.status}`));
  const parts = [head, text("p", [v.setup, v.speed].filter(Boolean).join(" · "), "muted")];
  parts.push(text("p", `${v.angle} deg`, "angle"), text("p", `${v.found} of ${v.shots} balls · ± at 95 %`, "small"));
  if (v.note) parts.push(text("p", v.note, "note"));
  const settled = v.flags.filter(([w]) => w !== "reviewed" && w !== "crowded");
  if (settled.length && v.status !== "failed") parts.push(text("p", settled.map(([w]) => w.replaceAll("_", " ")).join(", "), "small"));
  box.replaceChildren(...parts);
  const check = by("check");
  check.disabled = !v.can_decide;
  check.firstChild.textContent = v.checked ? "Checked: on to the next " : "All right ";
  for (const b of by("deeds").querySelectorAll("button")) if (!["blink", "rings"].includes(b.dataset.do)) b.disabled = !v.can_decide;
}

function renderList() {
  const rows = marks().map((m, i) => {
    const b = document.createElement("button"), line = text("span", "", "row");
    line.append(text("b", m.count > 1 ? `${m.mark} (×${m.count})` : `${m.mark}`), text("span", `${m.angle} deg`));
    b.append(line, text("span", [m.decided, ...m.words].filter(Boolean).join(", ").replaceAll("_", " ") || m.place, "small"));
    if (chosen && !chosen.rejected && chosen.i === i) b.setAttribute("aria-current", "true");
    b.addEventListener("click", () => choose({ rejected: false, i }));
    return b;
  });
  volley().rejected.forEach((m, i) => {
    const b = text("button", "rejected", "muted");
    if (chosen && chosen.rejected && chosen.i === i) b.setAttribute("aria-current", "true");
    b.addEventListener("click", () => choose({ rejected: true, i }));
    rows.push(b);
  });
  by("list").replaceChildren(...rows.map((b) => { const li = document.createElement("li"); li.append(b); return li; }));
  for (const name of ["accept", "reject", "split", "merge", "fewer", "more"]) {
    const b = document.querySelector(`#deeds [data-do="${name}"]`);
    b.disabled = !volley().can_decide || !chosen || (chosen.rejected && name !== "accept");
  }
}

function go(index) {
  flush();
  stopModes();
  current = index;
  const first = marks().findIndex((m) => !m.decided);
  chosen = null;
  fitMarks();
  if (first >= 0 && volley().status !== "ok") chosen = { rejected: false, i: first };
  before = false;
  showBefore();
  render();
  showPhotos();
  const button = by("volleys").querySelector("[aria-current]");
  if (button) button.scrollIntoView({ block: "nearest", inline: "nearest" });
}

function step(by_) {
  const at = order.indexOf(current) + by_;
  if (order[at] !== undefined) go(order[at]);
}

// ---- the view ----------------------------------------------------------------------------------------------------

function limits(box, most) {
  const w = stage.clientWidth || 1, h = stage.clientHeight || 1;
  view.s = Math.min(w / (box.x1 - box.x0), h / (box.y1 - box.y0), most);
  view.x = (box.x0 + box.x1) / 2 - w / view.s / 2;
  view.y = (box.y0 + box.y1) / 2 - h / view.s / 2;
}

function fitMarks() {
  const v = volley(), all = [...v.marks, ...v.rejected];
  if (!all.length) { fitAll(); return; }
  const r = Math.max(20, ...all.flatMap((m) => m.ring.map((p) => Math.hypot(p[0], p[1]))));
  const xs = all.map((m) => m.x_px), ys = all.map((m) => m.y_px), pad = 3.5 * r;
  limits({ x0: Math.min(...xs) - pad, x1: Math.max(...xs) + pad, y0: Math.min(...ys) - pad, y1: Math.max(...ys) + pad }, 6);
}

function fitAll() {
  const v = volley(), b = shown.after && shown.after[0];
  limits({ x0: 0, y0: 0, x1: v.width || (b && b.width) || 100, y1: v.height || (b && b.height) || 100 }, 6);
}

function zoom(factor, cx = stage.clientWidth / 2, cy = stage.clientHeight / 2) {
  const s = Math.min(Math.max(view.s * factor, 0.02), 24);
  view.x += cx / view.s - cx / s;
  view.y += cy / view.s - cy / s;
  view.s = s;
  draw();
}

const toPhoto = (x, y) => ({ x: view.x + x / view.s - 0.5, y: view.y + y / view.s - 0.5 });

function showBefore() {
  by("which").textContent = before ? `before: ${volley().before || ""}` : `after: ${volley().photo}`;
  document.querySelector('[data-do="blink"]').setAttribute("aria-pressed", String(before));
  draw();
}

function stopModes() {
  adding = merging = false;
  if (blinking) { clearInterval(blinking); blinking = null; }
  showModes();
}

function showModes() {
  stage.classList.toggle("pointing", adding);
  document.querySelector('[data-do="add"]').setAttribute("aria-pressed", String(adding));
  document.querySelector('[data-do="merge"]').setAttribute("aria-pressed", String(Boolean(merging)));
  draw();
}

// ---- steps -------------------------------------------------------------------------------------------------------

/** Sends what the arrow keys did. */
function flush() {
  if (!nudge) return;
  clearTimeout(nudge.timer);
  const t = nudge, m = marks()[t.i];
  if (!m || (t.dx === 0 && t.dy === 0)) { nudge = null; return; }
  const to = { x: m.x_px + t.dx, y: m.y_px + t.dy };
  m.x_px = to.x; m.y_px = to.y; // shown there until the program answers
  nudge = null;
  edit({ do: "move", mark: t.i, x_px: to.x, y_px: to.y }, `Mark ${m.mark} moved.`, to);
}

function nudged(dx, dy) {
  if (!chosen || chosen.rejected) { view.x += (60 * dx) / view.s; view.y += (60 * dy) / view.s; draw(); return; }
  if (nudge && nudge.i !== chosen.i) flush();
  if (!nudge) nudge = { i: chosen.i, dx: 0, dy: 0 };
  nudge.dx += dx; nudge.dy += dy;
  clearTimeout(nudge.timer);
  nudge.timer = setTimeout(flush, 400);
  keepInView(chosen);
  draw();
}

/** The next mark that nobody decided on, after this one. */
function next(i) {
  const all = marks();
  for (let k = 1; k <= all.length; k++) {
    const m = all[(i + k) % all.length];
    if (!m.decided && (i + k) % all.length !== i) return { x: m.x_px, y: m.y_px };
  }
  return undefined;
}

function merge(into) {
  const i = chosen.i, a = marks()[i], b = marks()[into];
  stopModes();
  edit({ do: "merge", mark: i, into }, `Marks ${a.mark} and ${b.mark} merged.`, { x: (a.x_px + b.x_px) / 2, y: (a.y_px + b.y_px) / 2 });
}

function addAt(p) {
  stopModes();
  edit({ do: "add", x_px: p.x, y_px: p.y }, "Mark added.", p);
}

const deeds = {
  accept() {
    if (!chosen) return;
    if (chosen.rejected) { edit({ do: "restore", rejected: chosen.i }, "Mark taken back."); return; }
    const m = marks()[chosen.i];
    edit({ do: "accept", mark: chosen.i }, `Mark ${m.mark} accepted.`, next(chosen.i));
  },
  reject() {
    if (!chosen || chosen.rejected) return;
    const m = marks()[chosen.i];
    edit({ do: "reject", mark: chosen.i }, `Mark ${m.mark} rejected.`, next(chosen.i));
  },
  add(fromKey) {
    if (fromKey) { addAt(pointer || toPhoto(stage.clientWidth / 2, stage.clientHeight / 2)); return; }
    const on = !adding;
    stopModes();
    adding = on;
    showModes();
    if (on) say("Point at the middle of the mark.");
  },
  merge() {
    if (!chosen || chosen.rejected) return;
    if (merging) {
      const other = nearest(place(chosen), chosen);
      if (other) merge(other.i);
      return;
    }
    stopModes();
    merging = true;
    showModes();
    say("Choose the mark that belongs to this one; M again takes the nearest.");
  },
  split() {
    if (!chosen || chosen.rejected) return;
    const m = marks()[chosen.i], reach = Math.max(...m.ring.map((p) => p[0]), 4);
    edit({ do: "split", mark: chosen.i }, `Mark ${m.mark} split: move the two where they belong.`, { x: m.x_px - 0.4 * reach, y: m.y_px });
  },
  count(n) {
    if (!chosen || chosen.rejected || n < 1) return;
    const m = marks()[chosen.i];
    edit({ do: "count", mark: chosen.i, count: n }, `Mark ${m.mark}: ${n} ball${n > 1 ? "s" : ""}.`);
  },
  fewer() { if (chosen && !chosen.rejected) deeds.count(marks()[chosen.i].count - 1); },
  more() { if (chosen && !chosen.rejected) deeds.count(marks()[chosen.i].count + 1); },
  async check() {
    if (!volley().can_decide) return;
    const name = volley().volley;
    if (!volley().checked) await edit({ do: "check" }, `Volley ${name} checked.`, null);
    if (!volley().checked) return;
    const at = order.indexOf(current), open = (i) => state.volleys[i].status !== "ok" && state.volleys[i].can_decide;
    const later = order.slice(at + 1).find(open) ?? order.find(open) ?? order[at + 1];
    if (later !== undefined) go(later);
  },
  undo() { send("undo", null, "Step taken back.", undefined); },
  redo() { send("redo", null, "Step done again.", undefined); },
  blink() { before = !before; showBefore(); },
  rings() {
    hidden = !hidden;
    document.querySelector('[data-do="rings"]').setAttribute("aria-pressed", String(hidden));
    draw();
  },
  in() { zoom(1.4); },
  out() { zoom(1 / 1.4); },
  fit() { const s = view.s, x = view.x; fitMarks(); if (Math.abs(view.s - s) < 1e-9 && Math.abs(view.x - x) < 1e-6) fitAll(); draw(); },
  help() { by("keys").showModal(); },
  async finish() {
    await queue;
    const reply = await fetch("finish", { method: "POST", headers: { "Content-Type": "application/json" }, body: "{}" }).catch(() => null);
    if (reply && reply.ok) {
      say("Done: the results are being written. This page can be closed.");
      document.querySelectorAll("button").forEach((b) => { b.disabled = true; });
    } else say("The program does not answer: was it ended already?", true);
  },
};

document.addEventListener("click", (e) => {
  const b = e.target.closest("[data-do]");
  if (!b || b.disabled) return;
  if (!["in", "out", "fit", "blink", "rings", "help"].includes(b.dataset.do)) flush();
  deeds[b.dataset.do](false);
});

document.addEventListener("keydown", (e) => {
  if (!state || by("keys").open) return;
  const onButton = e.target.closest("button, summary");
  if (onButton && (e.key === "Enter" || e.key === " ")) return;
  if (e.altKey || ((e.ctrlKey || e.metaKey) && !["z", "y"].includes(e.key.toLowerCase()))) return;
  const key = e.key.length === 1 ? e.key.toLowerCase() : e.key, far = e.shiftKey ? 10 : 1;
  const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  if (arrows[key]) {
    const [x, y] = arrows[key];
    nudged(x * far, y * far);
    e.preventDefault();
    return;
  }
  if (/^[1-9]$/.test(key)) { flush(); later(() => deeds.count(Number(key))); e.preventDefault(); return; }
  const deed = {
    a: "accept", x: "reject", Delete: "reject", n: "add", m: "merge", s: "split", Enter: "check", y: "redo",
    z: e.shiftKey ? "redo" : "undo", b: "blink", h: "rings", f: "fit", "+": "in", "=": "in", "-": "out", "?": "help",
  }[key];
  if (deed) {
    e.preventDefault();
    if (["blink", "rings", "fit", "in", "out", "help"].includes(deed)) { deeds[deed](true); return; }
    flush();
    later(() => deeds[deed](true));
  } else if (key === "j" || key === "k") {
    e.preventDefault();
    flush();
    later(() => step(key === "j" ? 1 : -1));
  } else if (key === "v") {
    e.preventDefault();
    const on = !blinking;
    stopModes();
    if (on) blinking = setInterval(() => { before = !before; showBefore(); }, 600);
  } else if (key === "Escape") {
    stopModes();
    choose(null);
  }
});

/** After the steps under way are answered, so that each key sees what the one before it did. */
function later(f) { queue = queue.then(() => new Promise((done) => { setTimeout(() => { f(); done(); }, 0); })); }

// ---- start -----------------------------------------------------------------------------------------------------------

new ResizeObserver(draw).observe(stage);

fetch("state").then(async (reply) => {
  if (!reply.ok) throw new Error(await reply.text());
  state = await reply.json();
  order = state.order;
  if (!order.length) { say("There are no volleys with shots to look at.", true); return; }
  go(order[0]);
  stage.focus({ preventScroll: true });
  say("Volleys that need a look come first. Every step is saved at once; Z takes it back.");
}).catch((e) => say(`The program does not answer: ${e.message}`, true));
