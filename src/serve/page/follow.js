// The page that follows along: asks once a second what was said, and shows the report anew when it was written.
"use strict";

const by = (id) => document.getElementById(id);
let newest = "", report = 0, said = -1;

async function look() {
  try {
    const reply = await fetch("lines");
    if (!reply.ok) throw new Error();
    const now = await reply.json();
    by("title").textContent = now.title || "Untitled session";
    document.title = `${now.title || "Untitled session"} - watching - Pockmark`;
    by("alive").textContent = now.report ? "watching; the report below is up to date" : "watching";
    if (now.lines.length && (now.lines.length !== said || now.lines[0].text !== newest)) {
      newest = now.lines[0].text;
      said = now.lines.length;
      by("newest").textContent = newest;
      by("newest").className = now.lines[0].tone;
      by("lines").replaceChildren(...now.lines.slice(1).map((l) => {
        const li = document.createElement("li");
        li.textContent = l.text;
        li.className = l.tone;
        return li;
      }));
      by("before").hidden = now.lines.length < 2;
    }
    if (now.report !== report) { report = now.report; showReport(); }
  } catch (e) {
    by("alive").textContent = "the program has ended; what stands here is the last it said";
  }
}

/** Loads the report behind the one shown and keeps the place where one was reading. */
function showReport() {
  const old = by("report"), frame = old.cloneNode(false);
  const at = old.contentWindow && old.src ? old.contentWindow.scrollY : 0;
  frame.hidden = true;
  frame.src = `report?${report}`;
  frame.addEventListener("load", () => {
    frame.hidden = false;
    frame.contentWindow.scrollTo(0, at);
    old.remove();
  }, { once: true });
  frame.id = "report";
  old.removeAttribute("id");
  old.after(frame);
}

look();
setInterval(look, 1000);
