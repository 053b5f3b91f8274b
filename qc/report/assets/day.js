// What the page of a day can do beyond being read: filter, sort, go from take to take.
// Without this file nothing is missing from it.
"use strict";
(function () {
  const table = document.querySelector("table.takes");
  const body = table && table.tBodies[0];
  const keys = document.getElementById("keys");
  const section = table && table.closest("section");
  const filter = section && section.querySelector(".filter");

  // ---- one entry a take, read from the page once
  let entries = null;
  function takes() {
    if (!entries) {
      entries = Array.from(body ? body.rows : [], (row) => ({
        row,
        grade: row.dataset.grade,
        rules: row.dataset.faults.split(" "),
        text: "",
        keys: [],
      }));
    }
    return entries;
  }
  const folded = (text) => text.normalize("NFKC").toLowerCase();
  function textOf(entry) {
    if (!entry.text) {
      const said = entry.row.querySelectorAll(".no, .name, .start, .cam, .faults");
      entry.text = folded(Array.from(said, (cell) => cell.textContent).join(" "));
    }
    return entry.text;
  }

  // ---- filtering: one pass, and only rows that change are touched
  const wanted = new Set();
  const input = filter && filter.querySelector("input");
  const select = filter && filter.querySelector("select");
  function apply() {
    const words = folded(input.value).split(/\s+/).filter(Boolean);
    const rule = select ? select.value : "";
    const all = takes();
    let shown = 0;
    for (const entry of all) {
      const show =
        (!wanted.size || wanted.has(entry.grade)) &&
        (!rule || entry.rules.includes(rule)) &&
        (!words.length || words.every((word) => textOf(entry).includes(word)));
      if (show) shown += 1;
      if (entry.row.hidden === show) entry.row.hidden = !show;
    }
    for (const button of document.querySelectorAll("[aria-pressed][data-grade]")) {
      button.setAttribute("aria-pressed", String(wanted.has(button.dataset.grade)));
    }
    const narrowed = Boolean(wanted.size || rule || words.length);
    section.classList.toggle("filtered", narrowed);
    filter.querySelector(".all-again").hidden = !narrowed;
    section.querySelector(".nothing").hidden = shown > 0;
    filter.querySelector("output").textContent = `${shown} of ${all.length} ${all.length === 1 ? "take" : "takes"} shown`;
  }
  function showAll() {
    wanted.clear();
    input.value = "";
    if (select) select.value = "";
    apply();
  }
  function toggle(grade) {
    if (!wanted.delete(grade)) wanted.add(grade);
    apply();
  }

  // ---- sorting
  const collator = new Intl.Collator(document.documentElement.lang, { numeric: true });
  function keyOf(entry, column) {
    if (!(column in entry.keys)) {
      const text = entry.row.cells[column].dataset.key;
      const number = Number(text);
      entry.keys[column] = text === "" ? null : Number.isNaN(number) ? text : number;
    }
    return entry.keys[column];
  }
  function compare(x, y) {
    if (typeof x === "number" && typeof y === "number") return x - y;
    return collator.compare(String(x), String(y));
  }
  function sortBy(heading) {
    const column = heading.cellIndex;
    const up = heading.getAttribute("aria-sort") !== "ascending";
    for (const other of table.tHead.rows[0].cells) {
      if (other.hasAttribute("aria-sort")) other.setAttribute("aria-sort", "none");
    }
    heading.setAttribute("aria-sort", up ? "ascending" : "descending");
    const all = takes();
    all.sort((a, b) => {
      const [x, y] = [keyOf(a, column), keyOf(b, column)];
      // What was not measured stays at the end, whichever way.
      const order = x === null || y === null ? (x === null) - (y === null) : up ? compare(x, y) : compare(y, x);
      return order || keyOf(a, 0) - keyOf(b, 0);
    });
    const focused = document.activeElement;
    body.replaceChildren(...all.map((entry) => entry.row));
    if (body.contains(focused)) focused.focus({ preventScroll: true });
  }

  // ---- from take to take
  function step(by) {
    const rows = takes().map((entry) => entry.row).filter((row) => !row.hidden);
    if (!rows.length) return;
    const focused = document.activeElement && document.activeElement.closest("table.takes tbody tr");
    const at = rows.indexOf(focused || table.querySelector("tr:target"));
    const next = at < 0 ? (by > 0 ? 0 : rows.length - 1) : Math.min(Math.max(at + by, 0), rows.length - 1);
    location.replace("#" + rows[next].id);
    rows[next].focus({ preventScroll: true });
  }
  function goTo(id) {
    const target = document.getElementById(id);
    if (target) target.scrollIntoView();
  }
  function toFilter() {
    if (!input) return;
    input.focus();
    input.select();
  }
  function showKeys() {
    if (keys.open) keys.close();
    else keys.showModal();
  }
  const actions = {
    n: () => step(1),
    p: () => step(-1),
    "/": toFilter,
    s: () => goTo("line"),
    t: () => window.scrollTo(0, 0),
    "?": showKeys,
  };

  // ---- words that become buttons
  function button(from, classes) {
    const made = document.createElement("button");
    made.type = "button";
    made.className = classes;
    made.append(...from.childNodes);
    return made;
  }
  if (body) {
    for (const link of document.querySelectorAll("a.count[data-grade]")) {
      const count = button(link, link.className);
      count.dataset.grade = link.dataset.grade;
      count.setAttribute("aria-pressed", "false");
      link.replaceWith(count);
    }
    for (const heading of table.tHead.rows[0].cells) {
      if (!heading.dataset.sort) continue;
      heading.append(button(heading, ""));
      heading.setAttribute("aria-sort", heading.dataset.sort === "number" ? "ascending" : "none");
    }
    filter.hidden = false;
    apply();
    input.addEventListener("input", apply);
    if (select) select.addEventListener("change", apply);
  }

  document.addEventListener("click", (event) => {
    const pressed = event.target.closest("button");
    if (!pressed) return;
    if (pressed.dataset.grade) {
      toggle(pressed.dataset.grade);
      if (pressed.classList.contains("count") && wanted.size) goTo("takes");
    } else if (pressed.dataset.shortcut) actions[pressed.dataset.shortcut]();
    else if (pressed.classList.contains("all-again")) showAll();
    else if (pressed.closest("table.takes thead")) sortBy(pressed.closest("th"));
  });
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.defaultPrevented) return;
    if (event.key === "Escape" && filter && filter.contains(event.target)) {
      showAll();
      return;
    }
    if (event.target.closest("input, select, textarea, [contenteditable]")) return;
    if (keys.open && event.key !== "?") return;
    if (event.key === "Enter" && event.target.matches("table.takes tbody tr")) {
      const link = event.target.querySelector(".name a");
      if (link) link.click();
      return;
    }
    const action = actions[event.key];
    if (action) {
      event.preventDefault();
      action();
    }
  });
  const tools = document.querySelector(".tools");
  tools.hidden = false;
  for (const tool of tools.querySelectorAll("button")) {
    if (!body && tool.dataset.shortcut !== "?") tool.hidden = true;
  }
})();
