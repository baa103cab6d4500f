"use strict";
// Sorts and filters the table; without this script all rows stand, the newest first.
(function () {
  const table = document.getElementById("setups");
  if (!table) return;
  const body = table.tBodies[0];
  const rows = Array.from(body.rows, (row, place) => ({
    row, place, text: row.textContent.toLowerCase(), values: JSON.parse(row.dataset.values),
    name: row.cells[0].textContent, slow: row.dataset.slow, zero: row.dataset.zero, day: row.dataset.day,
  }));
  const form = document.getElementById("filters");
  const find = document.getElementById("find");
  const choices = Array.from(form.querySelectorAll("select"));
  const shown = document.getElementById("shown");

  function filter() {
    const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    let count = 0;
    for (const r of rows) {
      const keep = words.every((w) => r.text.includes(w)) &&
        choices.every((c) => c.value === "" || r.values[c.dataset.column] === c.value);
      r.row.hidden = !keep;
      if (keep) count += 1;
    }
    shown.textContent = count === rows.length ? "all shown" : count + " of " + rows.length + " shown";
  }

  function compare(key, a, b) {
    if (key === "text") return a.name.localeCompare(b.name, "en", { numeric: true });
    if (key === "day") return a.day < b.day ? -1 : a.day > b.day ? 1 : 0;
    return Number(a[key]) - Number(b[key]);
  }

  function sort(head, key) {
    const up = head.getAttribute("aria-sort") !== "ascending";
    for (const h of table.tHead.rows[0].cells) h.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", up ? "ascending" : "descending");
    // Rows without a value stand last either way; equal ones keep their first order.
    const empty = (r) => key !== "text" && r[key] === "";
    rows.sort((a, b) => {
      if (empty(a) !== empty(b)) return empty(a) ? 1 : -1;
      return (up ? 1 : -1) * compare(key, a, b) || a.place - b.place;
    });
    const all = document.createDocumentFragment();
    for (const r of rows) all.appendChild(r.row);
    body.appendChild(all);
  }

  for (const head of table.tHead.rows[0].cells) {
    const key = head.dataset.key;
    if (!key) continue;
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent;
    button.addEventListener("click", () => sort(head, key));
    head.replaceChildren(button);
  }
  form.addEventListener("submit", (e) => e.preventDefault());
  form.addEventListener("input", filter);
  form.hidden = false;
  filter();
})();
