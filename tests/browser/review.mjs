// Can marks be reviewed by keyboard alone, by mouse, by finger on a phone's width, and does a large photo move smoothly?
// node review.mjs PROGRAM SESSION SESSION_OF_12_MP PICTURES; POCKMARK_BROWSER: a node_modules folder that holds playwright-core.

import { spawn } from "node:child_process";
import { existsSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";
import assert from "node:assert/strict";

const [program, session, large, pictures] = process.argv.slice(2);
const { chromium } = createRequire(join(process.env.POCKMARK_BROWSER, "x.js"))("playwright-core");
const executablePath = process.env.CHROMIUM || ["/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"].find(existsSync);
const browser = await chromium.launch({
  executablePath,
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
});

/** Starts the program on a session; its page's link, and a promise of its exit code and words. */
function review(dir) {
  const child = spawn(program, ["review", dir, "--no-open"], { stdio: ["ignore", "pipe", "inherit"] });
  let said = "";
  const link = new Promise((found) => child.stdout.on("data", (d) => {
    said += d;
    const m = said.match(/http:\S+/);
    if (m) found(m[0]);
  }));
  const ended = new Promise((done) => child.on("exit", (code) => done({ code, said })));
  return { link, ended };
}

async function page(link, options) {
  const context = await browser.newContext(options);
  const p = await context.newPage();
  p.setDefaultTimeout(60000);
  const wrong = [];
  p.on("pageerror", (e) => wrong.push(e.message));
  p.on("console", (m) => { if (m.type() === "error" && !/409/.test(m.text())) wrong.push(m.text()); });
  await p.addInitScript(() => {
    window.decoded = 0;
    const whole = window.createImageBitmap.bind(window);
    window.createImageBitmap = (...a) => { window.decoded++; return whole(...a); };
  });
  await p.goto(link);
  await p.waitForFunction(() => document.getElementById("wait").hidden && document.querySelectorAll("#volleys button").length);
  return { p, context, wrong };
}

const rows = () => (existsSync(join(session, "review.csv")) ? readFileSync(join(session, "review.csv"), "utf8").trim().split("\n").slice(1) : []);
const count = (p) => p.locator("#list button:not(.muted)").count();
const says = (part) => document.getElementById("said").textContent.includes(part);
/** Waits for the page's words; what it says instead is part of the error. */
const said = (p, part) => p.waitForFunction(says, part).catch(async (e) => {
  throw new Error(`the page does not say "${part}", but "${await p.locator("#said").textContent()}"; ${e.message}`);
});
const angle = (p) => p.locator("#volley .angle").textContent();
/** A step: it is over when the page shows the program's answer to it. */
const step = async (p, deed, part) => {
  const was = await p.evaluate(() => state.revision);
  await deed();
  await said(p, part);
  await p.waitForFunction((r) => state.revision > r, was);
};
/** Waits until all steps are answered and what is to be drawn is drawn. */
const quiet = (p) => p.evaluate(async () => {
  await queue;
  await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
});
/** Waits until `get` gives what `right` takes, for ten seconds at most; the last value, right or not. */
const until = async (get, right) => {
  for (const end = Date.now() + 10000; ;) {
    const value = await get();
    if (right(value) || Date.now() > end) return value;
    await new Promise((done) => setTimeout(done, 50));
  }
};
/** A deed after which `told` (of `part`) has to be true in the page; a made-up touch can get lost in a busy browser, so it is made three times at most. */
const insist = async (p, deed, told, part = null) => {
  for (let k = 0; ; k++) {
    await deed();
    const answered = p.waitForFunction(told, part, { timeout: k < 2 ? 10000 : 60000 }).then(() => true, (e) => { if (k === 2) throw e; });
    if (await answered) return;
  }
};
/** Where a mark is seen, once all that is to be drawn is drawn. */
const middle = async (p, i) => {
  await quiet(p);
  return p.evaluate((k) => {
    const r = [...document.querySelectorAll(".mark:not(.gone)")][k].querySelector(".over").getBoundingClientRect();
    return { x: r.x + r.width / 2, y: r.y + r.height / 2, r: r.width / 2 };
  }, i);
};

// ---- keyboard alone, first volley to last ------------------------------------------------------------------------
{
  const r = review(session), { p, context, wrong } = await page(await r.link, { viewport: { width: 1400, height: 900 } });
  await p.screenshot({ path: join(pictures, "keyboard-first.png") });
  const volleys = await p.locator("#volleys button").count();
  const ranks = await p.locator("#volleys button").evaluateAll((b) => b.map((x) => ({ look: 0, failed: 1, ok: 2 })[x.className]));
  assert.deepEqual(ranks, [...ranks].sort(), "volleys that need a look come first");

  const marks = await count(p), before = await angle(p);
  await p.keyboard.press("Escape");
  await p.keyboard.press("Tab");
  await p.waitForSelector(".mark.chosen");
  await step(p, () => p.keyboard.press("a"), "accepted");
  for (let k = 0; k < 4; k++) await p.keyboard.press("ArrowUp");
  await step(p, () => p.keyboard.press("Shift+ArrowUp"), "moved");
  const after = await angle(p);
  assert.notEqual(after, before, "a mark moved up turns the angle");
  assert.equal(rows().length, 2);
  await step(p, () => p.keyboard.press("n"), "added");
  assert.equal(await count(p), marks + 1);
  for (let k = 0; k < 3; k++) await p.keyboard.press("Shift+ArrowLeft");
  await said(p, "moved");
  await step(p, () => p.keyboard.press("2"), "2 balls");
  await step(p, () => p.keyboard.press("s"), "split");
  assert.equal(await count(p), marks + 2);
  await p.screenshot({ path: join(pictures, "keyboard-split.png") });
  await p.keyboard.press("m");
  await step(p, () => p.keyboard.press("m"), "merged");
  assert.equal(await count(p), marks + 1);
  const steps = [];
  while (await p.locator("#undo").isEnabled()) {
    steps.push(rows().length);
    const was = readFileSync(join(session, "review.csv"), "utf8");
    await step(p, () => p.keyboard.press("z"), "taken back");
    assert.notEqual(readFileSync(join(session, "review.csv"), "utf8"), was, "what the page shows is in the file");
  }
  assert.equal(rows().length, 0, "every step can be taken back");
  assert.equal(await angle(p), before);
  assert.ok(steps.length >= 7, `${steps.length} steps`);
  await step(p, () => p.keyboard.press("y"), "done again");

  await p.keyboard.press("b");
  assert.match(await p.locator("#which").textContent(), /^before/);
  await p.screenshot({ path: join(pictures, "keyboard-before.png") });
  await p.keyboard.press("b");
  // Every volley is checked, from the first to the last.
  for (let k = 0; k < volleys; k++) {
    const at = await p.locator("#volleys [aria-current] b").textContent();
    await step(p, () => p.keyboard.press("Enter"), `Volley ${at} checked`);
    if (k + 1 < volleys) await p.waitForFunction((was) => document.querySelector("#volleys [aria-current] b").textContent !== was, at);
  }
  const checked = rows().filter((x) => x.includes(",checked,")).map((x) => x.split(",")[0]);
  const all = await p.locator("#volleys b").allTextContents();
  assert.deepEqual([...checked].sort(), [...all].sort(), "every volley was checked");
  assert.deepEqual(await p.locator("#volleys button").evaluateAll((b) => [...new Set(b.map((x) => x.className))]), ["ok"]);
  await p.screenshot({ path: join(pictures, "keyboard-last.png") });
  await p.keyboard.press("?");
  await p.screenshot({ path: join(pictures, "keys.png") });
  await p.keyboard.press("Escape");
  const shown = await angle(p), name = await p.locator("#volleys [aria-current] b").textContent();
  await p.locator('[data-do="finish"]').focus();
  await p.keyboard.press("Enter");
  const { code, said: words } = await r.ended;
  assert.equal(code, 0, words);
  assert.deepEqual(wrong, []);
  const table = readFileSync(join(session, "results", "volleys.csv"), "utf8");
  const line = table.split("\n").find((l) => l.startsWith(`${name},`));
  assert.ok(line && Math.abs(Number(line.split(",")[8]) - Number(shown.replace("\u2212", "-").split(" ")[0])) < 0.006, `${shown}: ${line}`);
  await context.close();
  console.log(`keyboard: ${volleys} volleys reviewed, ${steps.length} steps taken back`);
}

// ---- mouse -------------------------------------------------------------------------------------------------------
{
  const r = review(session), { p, context, wrong } = await page(await r.link, { viewport: { width: 1280, height: 800 } });
  const marks = await count(p), had = rows().length;
  const m = await middle(p, 0);
  await p.mouse.move(m.x, m.y);
  await p.mouse.down();
  await p.mouse.move(m.x + 20, m.y - 12, { steps: 5 });
  await p.mouse.up();
  await said(p, "moved");
  await p.click('[data-do="add"]');
  const box = await p.locator("#stage").boundingBox();
  await p.mouse.click(box.x + 60, box.y + box.height - 60);
  await said(p, "added");
  assert.equal(await count(p), marks + 1);
  await quiet(p);
  const where = await p.locator(".mark.chosen .cross").boundingBox();
  assert.ok(Math.hypot(where.x + where.width / 2 - box.x - 60, where.y + where.height / 2 - box.y - box.height + 60) < 2, "the mark is where the mouse was");
  await p.click('[data-do="more"]');
  await said(p, "2 balls");
  await p.click('[data-do="reject"]');
  await said(p, "rejected");
  assert.equal(await count(p), marks);
  await p.click("#list button:nth-child(1)");
  await p.click('[data-do="merge"]');
  const other = await middle(p, 2);
  await p.mouse.click(other.x + other.r * 0.5, other.y);
  await said(p, "merged");
  await p.click("#undo");
  await said(p, "taken back");
  // The wheel enlarges about the pointer.
  const a = await middle(p, 1);
  await p.mouse.move(a.x, a.y);
  await p.mouse.wheel(0, -400);
  await until(() => middle(p, 1), (b) => b.r > 1.5 * a.r);
  const b = await middle(p, 1);
  assert.ok(b.r > 1.5 * a.r && Math.hypot(a.x - b.x, a.y - b.y) < 2, JSON.stringify([a, b]));
  await p.screenshot({ path: join(pictures, "mouse.png") });
  assert.ok(rows().length !== had);
  assert.deepEqual(wrong, []);
  await p.click('[data-do="finish"]');
  await r.ended;
  await context.close();
  console.log("mouse: moved, added, counted, rejected, merged, undone, enlarged");
}

// ---- fingers on a phone's width ----------------------------------------------------------------------------------
{
  const r = review(session);
  const { p, context, wrong } = await page(await r.link, { viewport: { width: 390, height: 844 }, hasTouch: true, isMobile: true, deviceScaleFactor: 2 });
  const wide = await p.evaluate(() => document.documentElement.scrollWidth);
  assert.ok(wide <= 390, `nothing sticks out sideways: ${wide}`);
  await p.screenshot({ path: join(pictures, "phone.png") });
  const marks = await count(p);
  const small = await p.locator("#deeds button, .tools button, #check").evaluateAll((b) => b.map((x) => x.getBoundingClientRect()).filter((x) => x.height < 36).length);
  assert.equal(small, 0, "every button can be hit with a thumb");
  const cdp = await context.newCDPSession(p);
  const touch = (type, points) => cdp.send("Input.dispatchTouchEvent", { type, touchPoints: points.map(([x, y], id) => ({ x, y, id })) });
  const swipe = async (from, to) => {
    await touch("touchStart", [from]);
    for (let k = 1; k <= 6; k++) await touch("touchMove", [[from[0] + ((to[0] - from[0]) * k) / 6, from[1] + ((to[1] - from[1]) * k) / 6]]);
    await touch("touchEnd", []);
  };
  await p.evaluate(() => window.scrollTo(0, 0));
  // A swipe over the wall moves the view, no mark.
  const a = await middle(p, 0), box = await p.locator("#stage").boundingBox(), had = rows().length;
  await swipe([box.x + 30, box.y + box.height - 40], [box.x + 70, box.y + box.height - 60]);
  const followed = (b) => Math.hypot(b.x - a.x - 40, b.y - a.y + 20) < 3;
  const b = await until(() => middle(p, 0), followed);
  assert.ok(followed(b), JSON.stringify([a, b]));
  await quiet(p);
  assert.equal(rows().length, had);
  // Two fingers enlarge.
  const cx = box.x + box.width / 2, cy = box.y + box.height / 2;
  await touch("touchStart", [[cx - 40, cy], [cx + 40, cy]]);
  for (let k = 1; k <= 8; k++) await touch("touchMove", [[cx - 40 - 5 * k, cy], [cx + 40 + 5 * k, cy]]);
  await touch("touchEnd", []);
  const enlarged = (c) => c.r > 1.6 * b.r && c.r < 2.4 * b.r;
  await until(() => middle(p, 0), enlarged);
  const c = await middle(p, 0);
  assert.ok(enlarged(c), JSON.stringify([b, c]));
  await p.evaluate(() => { window.scale = view.s; });
  await insist(p, () => p.tap('[data-do="fit"]'), () => view.s !== window.scale);
  assert.ok((await middle(p, 0)).r < 0.9 * c.r, "all marks are shown again");
  // A tap chooses; only then a drag moves the mark.
  await insist(p, async () => { const m = await middle(p, 0); await p.touchscreen.tap(m.x, m.y); }, () => document.querySelector(".mark:not(.gone)").matches(".chosen"));
  await insist(p, async () => { const m = await middle(p, 0); await swipe([m.x, m.y], [m.x + 25, m.y + 10]); }, says, "moved");
  await insist(p, () => p.tap('[data-do="add"]'), () => document.querySelector('[data-do="add"]').getAttribute("aria-pressed") === "true");
  const wall = await p.locator("#stage").boundingBox();
  await insist(p, () => p.touchscreen.tap(wall.x + 60, wall.y + wall.height - 60), says, "added");
  assert.equal(await count(p), marks + 1);
  await insist(p, () => p.tap('[data-do="reject"]'), says, "rejected");
  await quiet(p);
  assert.equal(await count(p), marks);
  await p.screenshot({ path: join(pictures, "phone-after.png"), fullPage: true });
  assert.deepEqual(wrong, []);
  await p.tap('[data-do="finish"]');
  await r.ended;
  await context.close();
  console.log("fingers: swiped, pinched, chosen, moved, added, rejected at 390 px");
}

// ---- a photo of twelve megapixels --------------------------------------------------------------------------------
{
  const r = review(large), { p, context } = await page(await r.link, { viewport: { width: 1400, height: 900 } });
  await p.waitForFunction(() => shown.after && shown.before);
  const size = await p.evaluate(() => `${shown.after[0].width} x ${shown.after[0].height}`);
  assert.equal(size, "4000 x 3000");
  for (const [name, scale] of [["the whole photo", 0.3], ["one to one", 1], ["four times", 4]]) {
    await p.evaluate((s) => { zoom(s / view.s); }, scale);
    const decoded = await p.evaluate(() => window.decoded);
    const box = await p.locator("#stage").boundingBox();
    await p.evaluate(() => {
      window.frames_ms = [];
      let last = null;
      window.counting = true;
      const tick = (t) => { if (last !== null) window.frames_ms.push(t - last); last = t; if (window.counting) requestAnimationFrame(tick); };
      requestAnimationFrame(tick);
      // What a frame costs by itself, whatever else the machine does.
      window.paints_ms = [];
      const whole = window.paint;
      window.paint = () => { const t = performance.now(); whole(); window.paints_ms.push(performance.now() - t); };
    });
    await p.mouse.move(box.x + 250, box.y + 40);
    await p.mouse.down();
    for (let k = 1; k <= 90; k++) await p.mouse.move(box.x + 250 + 3 * k, box.y + 40 + 2 * k);
    await p.mouse.up();
    const { frames, paints } = await p.evaluate(() => { window.counting = false; return { frames: window.frames_ms, paints: window.paints_ms }; });
    const at = (list, q) => [...list].sort((x, y) => x - y)[Math.min(list.length - 1, Math.floor(q * list.length))];
    console.log(`panning 12 MP, ${name}: ${frames.length} frames, ${at(frames, 0.5).toFixed(1)} ms in the middle, ${at(frames, 0.95).toFixed(1)} ms at 95 %; the script's share ${at(paints, 0.5).toFixed(1)} ms, ${at(paints, 0.95).toFixed(1)} ms`);
    assert.equal(await p.evaluate(() => window.decoded), decoded, "panning decodes nothing anew");
    assert.ok(at(paints, 0.5) < 16, `a frame takes ${at(paints, 0.5)} ms to draw`);
  }
  await p.screenshot({ path: join(pictures, "large.png") });
  await p.click('[data-do="finish"]');
  await r.ended;
  await context.close();
}

await browser.close();
