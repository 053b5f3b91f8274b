// What the page can do beyond being read: sort, filter, and go from finding to finding.
// Without this file nothing is missing from it.
"use strict";
(function () {
  const table = document.querySelector("table.findings");
  const body = table && table.tBodies[0];
  const keys = document.getElementById("keys");

  // ---- sorting: the words in the header become buttons
  function sortBy(heading, column) {
    const up = heading.getAttribute("aria-sort") !== "ascending";
    for (const other of table.tHead.rows[0].cells) {
      if (other.hasAttribute("aria-sort")) other.setAttribute("aria-sort", "none");
    }
    heading.setAttribute("aria-sort", up ? "ascending" : "descending");
    const compare = new Intl.Collator(document.documentElement.lang, { numeric: true }).compare;
    const key = (row) => row.cells[column].dataset.key;
    const number = (row) => Number(row.cells[0].dataset.key);
    const rows = Array.from(body.rows).sort((a, b) => {
      const [x, y] = [Number(key(a)), Number(key(b))];
      const order = Number.isNaN(x) || Number.isNaN(y) ? compare(key(a), key(b)) : x - y;
      return (up ? order : -order) || number(a) - number(b);
    });
    body.append(...rows);
  }
  if (table) {
    Array.from(table.tHead.rows[0].cells).forEach((heading, column) => {
      if (!heading.dataset.sort) return;
      const button = document.createElement("button");
      button.type = "button";
      button.append(...heading.childNodes);
      heading.append(button);
      heading.setAttribute("aria-sort", heading.dataset.sort === "number" ? "ascending" : "none");
      button.addEventListener("click", () => sortBy(heading, column));
    });
  }

  // ---- filtering, once there is more than fits on a screen
  const filter = document.querySelector(".filter");
  if (filter && body.rows.length > 8) {
    filter.hidden = false;
    const selects = Array.from(filter.querySelectorAll("select"));
    const apply = () => {
      let [shown, all] = [0, 0];
      for (const row of body.rows) {
        row.hidden = selects.some((s) => s.value && row.dataset[s.dataset.filter] !== s.value);
        const count = Number(row.dataset.count); // a row may stand for many findings
        all += count;
        if (!row.hidden) shown += count;
      }
      filter.querySelector("output").textContent = `${shown} of ${all} shown`;
    };
    selects.forEach((select) => select.addEventListener("change", apply));
    apply();
  }

  // ---- from finding to finding
  function current(rows) {
    const focused = document.activeElement && document.activeElement.closest("table.findings tbody tr");
    return rows.indexOf(focused || document.querySelector("table.findings tr:target"));
  }
  function step(by) {
    const rows = body ? Array.from(body.rows).filter((row) => !row.hidden) : [];
    if (!rows.length) return;
    const at = current(rows);
    const next = at < 0 ? (by > 0 ? 0 : rows.length - 1) : Math.min(Math.max(at + by, 0), rows.length - 1);
    location.replace("#" + rows[next].id);
    rows[next].focus({ preventScroll: true });
  }
  function goTo(id) {
    const target = document.getElementById(id);
    if (target) target.scrollIntoView();
  }

  // ---- a link opens the part that it leads to
  function unfold() {
    const target = document.getElementById(location.hash.slice(1));
    for (let at = target; at; at = at.parentElement) {
      if (at.localName === "details") at.open = true;
    }
    return target;
  }
  addEventListener("hashchange", unfold);
  document.querySelector("nav").addEventListener("click", (event) => {
    const link = event.target.closest("a");
    if (!link || link.hash !== location.hash) return; // else the hash changes
    const target = unfold(); // closed by hand since it was last followed
    if (target) target.scrollIntoView();
  });
  unfold();

  // ---- paper cannot be opened: what belongs on it is open while printing
  let opened = [];
  addEventListener("beforeprint", () => {
    opened = Array.from(document.querySelectorAll("details.paper:not([open])"));
    for (const part of opened) part.open = true;
  });
  addEventListener("afterprint", () => {
    for (const part of opened) part.open = false;
    opened = [];
  });

  function showKeys() {
    if (keys.open) keys.close();
    else keys.showModal();
  }
  const actions = {
    n: () => step(1),
    p: () => step(-1),
    s: () => goTo("strip"),
    t: () => window.scrollTo(0, 0),
    "?": showKeys,
  };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.defaultPrevented) return;
    if (event.target.closest("input, select, textarea, [contenteditable]")) return;
    if (keys.open && event.key !== "?") return;
    const action = actions[event.key];
    if (action) {
      event.preventDefault();
      action();
    }
  });
  const tools = document.querySelector(".tools");
  tools.hidden = false;
  for (const button of tools.querySelectorAll("button")) {
    button.addEventListener("click", actions[button.dataset.shortcut]);
    if (!body && button.dataset.shortcut !== "?") button.hidden = true;
  }
})();
