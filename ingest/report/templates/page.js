"use strict";
// Search, grouping, order and filters of the clip list. Without it everything is there, in order.
(function () {
  const byId = (id) => document.getElementById(id);
  const list = byId("list");
  const rows = Array.from(list.querySelectorAll("tr.clip"));
  if (!rows.length) return;
  const columns = list.tHead.rows[0].cells.length;
  const told = new Map();
  const text = (row) => {
    if (!told.has(row)) told.set(row, row.textContent.normalize("NFC").toLowerCase());
    return told.get(row);
  };
  const number = (row, key) => Number(row.dataset[key]);
  const byRank = (a, b) => number(a, "rank") - number(b, "rank");
  const orders = {
    name: byRank,
    take: (a, b) => number(a, "takeRank") - number(b, "takeRank"),
    timecode: (a, b) => {
      const one = a.dataset.timecode || "~", other = b.dataset.timecode || "~";
      return one < other ? -1 : one > other ? 1 : byRank(a, b);
    },
    camera: (a, b) => (a.dataset.camera < b.dataset.camera ? -1 : a.dataset.camera > b.dataset.camera ? 1 : byRank(a, b)),
    seconds: (a, b) => number(b, "seconds") - number(a, "seconds") || byRank(a, b),
    bytes: (a, b) => number(b, "bytes") - number(a, "bytes") || byRank(a, b),
  };
  const groups = {
    scene: { key: (row) => row.dataset.sceneRank, title: (row) => row.dataset.scene },
    roll: { key: (row) => row.dataset.roll, title: (row) => "Roll " + row.dataset.roll },
  };
  const clips = (n) => n.toLocaleString("en") + (n === 1 ? " clip" : " clips");

  function heading(title, its) {
    const row = document.createElement("tr");
    row.className = "group";
    row.setAttribute("role", "row");
    const cell = document.createElement("th");
    cell.colSpan = columns;
    cell.scope = "rowgroup";
    cell.setAttribute("role", "rowheader");
    const name = document.createElement("bdi");
    name.textContent = title;
    const count = document.createElement("span");
    const circled = its.filter((each) => each.dataset.rating.split(" ").includes("circled")).length;
    count.textContent = clips(its.length) + (circled ? ", " + circled + " circled" : "");
    cell.append(name, " ", count);
    row.append(cell);
    return row;
  }

  function draw() {
    const words = byId("search").value.normalize("NFC").toLowerCase().split(/\s+/).filter(Boolean);
    const camera = byId("camera").value, rating = byId("rating").value;
    const wanted = rows.filter((row) =>
      (!camera || row.dataset.camera === camera) &&
      (!rating || row.dataset.rating.split(" ").includes(rating)) &&
      words.every((word) => text(row).includes(word)));
    const order = byId("order").value;
    wanted.sort(orders[order]);
    if (turned) wanted.reverse();
    for (const head of heads) {
      const up = (order === "seconds" || order === "bytes") === turned;
      if (head.dataset.order === order) head.setAttribute("aria-sort", up ? "ascending" : "descending");
      else head.removeAttribute("aria-sort");
    }
    const by = groups[byId("group").value];
    const held = new Map();
    for (const row of wanted) {
      const key = by ? by.key(row) : "";
      if (!held.has(key)) held.set(key, []);
      held.get(key).push(row);
    }
    const keys = Array.from(held.keys());
    if (byId("group").value === "scene") keys.sort((a, b) => a - b);
    const bodies = keys.map((key) => {
      const body = document.createElement("tbody");
      body.setAttribute("role", "rowgroup");
      const its = held.get(key);
      if (by) body.append(heading(by.title(its[0]), its));
      body.append(...its);
      return body;
    });
    Array.from(list.tBodies).forEach((body) => body.remove());
    list.append(...bodies);
    byId("shown").textContent = wanted.length === rows.length
      ? clips(rows.length) + "."
      : clips(wanted.length) + " of " + rows.length.toLocaleString("en") + " shown.";
  }

  // A column's heading puts the clips in its order, and turns it round when pressed again.
  let turned = false;
  const heads = Array.from(list.querySelectorAll("th[data-order]"));
  for (const head of heads) {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      turned = byId("order").value === head.dataset.order && !turned;
      byId("order").value = head.dataset.order;
      draw();
    });
  }

  const controls = byId("controls");
  controls.hidden = false;
  controls.addEventListener("submit", (event) => event.preventDefault());
  controls.addEventListener("input", (event) => {
    if (event.target.id === "order") turned = false;
    draw();
  });
})();
