// Are the pages that people read good in a browser: without serious faults for those who use a keyboard or a screen reader, valid
// HTML, no wider than a phone, asking nothing of the network, and does the shelf sort and filter?
//
//     node tests/browser/axe_report.mjs MODULES PAGE...
//
// MODULES is a folder with playwright-core, axe-core and html-validate; PAGE are HTML files. CHROMIUM names the browser.
import { createRequire } from "node:module";
import { readFileSync } from "node:fs";
import { resolve } from "node:path";
import { pathToFileURL } from "node:url";

const [modules, ...pages] = process.argv.slice(2);
const require = createRequire(resolve(modules, "x.js"));
const { chromium } = require("playwright-core");
const { HtmlValidate } = require("html-validate");
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");

let faults = 0;
function fault(text) {
  faults += 1;
  console.log(`  FAULT ${text}`);
}

const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM || "/usr/bin/chromium",
  args: ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
});
const validator = new HtmlValidate({
  extends: ["html-validate:standard"],
  // Self-closing void elements and long titles are valid HTML; inline SVG may carry presentation attributes.
  rules: { "void-style": "off", "long-title": "off", "no-inline-style": "off", "no-implicit-button-type": "error" },
});

for (const page of pages) {
  const html = readFileSync(page, "utf8");
  console.log(`${page}: ${Math.round(html.length / 1000)} kB`);
  const report = await validator.validateString(html, page);
  for (const m of report.results.flatMap((r) => r.messages).slice(0, 20)) fault(`HTML ${m.line}:${m.column} ${m.ruleId}: ${m.message}`);
  for (const [width, colorScheme] of [[390, "light"], [390, "dark"], [1280, "light"], [1280, "dark"]]) {
    // The page's own policy forbids all scripts; axe is one.
    const context = await browser.newContext({ viewport: { width, height: 900 }, colorScheme, bypassCSP: true });
    const tab = await context.newPage();
    tab.on("request", (r) => { if (!r.url().startsWith("file:") && !r.url().startsWith("data:")) fault(`asks the network for ${r.url()}`); });
    tab.on("pageerror", (e) => fault(`script: ${e.message}`));
    await tab.goto(pathToFileURL(resolve(page)).href);
    const wide = await tab.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
    if (wide > 0) fault(`${wide} px wider than ${width} px`);
    await tab.evaluate(axe);
    const { violations } = await tab.evaluate(() => axe.run(document, { resultTypes: ["violations"] }));
    for (const v of violations) {
      const line = `${width} px ${colorScheme}: ${v.impact} ${v.id}: ${v.help} (${v.nodes.length} places, first ${v.nodes[0].target})`;
      if (["serious", "critical"].includes(v.impact)) fault(line);
      else console.log(`  ${line}`);
    }
    await context.close();
  }
  // By keyboard alone: the first stop skips to the findings, and every stop can be seen.
  const context = await browser.newContext({ viewport: { width: 1280, height: 900 } });
  const tab = await context.newPage();
  tab.on("console", (m) => { if (m.type() === "error") fault(`console: ${m.text()}`); });
  await tab.goto(pathToFileURL(resolve(page)).href);
  let unseen = 0;
  for (let i = 0; i < 60; i += 1) {
    await tab.keyboard.press("Tab");
    unseen += await tab.evaluate(() => {
      const e = document.activeElement;
      return e !== document.body && getComputedStyle(e).outlineStyle === "none" ? 1 : 0;
    });
  }
  if (unseen > 0) fault(`${unseen} stops of the keyboard cannot be seen`);
  if (await tab.$("#find")) {
    const rows = () => tab.$$eval("#setups tbody tr:not([hidden]) th", (all) => all.map((e) => e.textContent));
    const first = await rows();
    const word = first[0].split(/[ ,]+/).pop();
    await tab.fill("#find", word);
    const kept = await rows();
    if (kept.length === 0 || !kept.every((t) => t.includes(word))) fault(`filtering by ${word} keeps ${kept}`);
    await tab.fill("#find", "");
    await tab.focus("#setups th button");
    await tab.keyboard.press("Enter");
    const sorted = await rows();
    const wanted = [...sorted].sort((a, b) => a.localeCompare(b, "en", { numeric: true }));
    if (sorted.length !== first.length || sorted.join() !== wanted.join()) fault(`sorting gives ${sorted}`);
  }
  await context.close();
}
await browser.close();
console.log(faults === 0 ? "no serious fault" : `${faults} faults`);
process.exit(faults === 0 ? 0 : 1);
