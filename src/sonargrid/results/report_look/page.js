"use strict";
document.querySelectorAll("th button").forEach((button) => button.addEventListener("click", () => {
  const head = button.closest("th"), body = head.closest("table").tBodies[0], at = head.cellIndex;
  const up = head.getAttribute("aria-sort") !== "ascending";
  head.parentNode.querySelectorAll("th").forEach((other) => other.removeAttribute("aria-sort"));
  head.setAttribute("aria-sort", up ? "ascending" : "descending");
  const value = (row) => row.cells[at].dataset.value ?? row.cells[at].textContent.trim();
  [...body.rows].sort((one, other) => {
    const a = value(one), b = value(other);
    if (a === "" || b === "") return (a === "") - (b === "");
    const order = isNaN(a) || isNaN(b) ? a.localeCompare(b) : a - b;
    return up ? order : -order;
  }).forEach((row) => body.append(row));
}));
document.querySelectorAll("article").forEach((part) => {
  const rows = new Map([...part.querySelectorAll("tr[data-thing]")].map((row) => [row.dataset.thing, row]));
  const hits = new Map([...part.querySelectorAll(".hit")].map((hit) => [hit.dataset.thing, hit]));
  const status = part.querySelector("output");
  let chosen = null;

  const choose = (thing) => {
    chosen = chosen === thing ? null : thing;
    hits.forEach((hit, name) => {
      hit.classList.toggle("on", name === chosen);
      hit.setAttribute("aria-pressed", String(name === chosen));
    });
    rows.forEach((row, name) => {
      row.classList.toggle("on", name === chosen);
      row.querySelector(".pick").setAttribute("aria-pressed", String(name === chosen));
    });
    tell(chosen);
  };
  const tell = (thing) => {
    const hit = hits.get(thing);
    if (status) status.textContent = hit ? hit.getAttribute("aria-label") : "";
  };
  hits.forEach((hit, thing) => {
    hit.addEventListener("click", () => choose(thing));
    hit.addEventListener("keydown", (event) => {
      if (event.key === "Enter" || event.key === " ") { event.preventDefault(); choose(thing); }
    });
    hit.addEventListener("focus", () => tell(thing));
    hit.addEventListener("mouseenter", () => tell(thing));
    hit.addEventListener("mouseleave", () => tell(chosen));
  });
  rows.forEach((row, thing) => row.querySelector(".pick").addEventListener("click", () => choose(thing)));

  part.querySelectorAll("input[data-layers]").forEach((box) => {
    const apply = () => box.dataset.layers.split(" ").forEach((name) =>
      part.querySelectorAll("svg.map g." + name).forEach((group) => group.classList.toggle("off", !box.checked)));
    box.addEventListener("change", apply);
    apply();
  });

  const svg = part.querySelector("svg.map");
  if (!svg) return;
  const whole = svg.getAttribute("viewBox").split(" ").map(Number);
  let view = [...whole];
  const show = () => svg.setAttribute("viewBox", view.join(" "));
  const zoom = (factor, x, y) => {
    const wide = Math.min(whole[2], Math.max(whole[2] / 12, view[2] * factor)), part_ = wide / view[2];
    view = [x - (x - view[0]) * part_, y - (y - view[1]) * part_, wide, view[3] * part_];
    move(0, 0);
  };
  const move = (dx, dy) => {
    view[0] = Math.min(whole[2] - view[2], Math.max(0, view[0] + dx));
    view[1] = Math.min(whole[3] - view[3], Math.max(0, view[1] + dy));
    show();
  };
  const middle = () => [view[0] + view[2] / 2, view[1] + view[3] / 2];
  const at = (event) => new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
  const act = {
    in: () => zoom(0.7, ...middle()), out: () => zoom(1 / 0.7, ...middle()), all: () => { view = [...whole]; show(); },
    left: () => move(-view[2] / 8, 0), right: () => move(view[2] / 8, 0),
    up: () => move(0, -view[3] / 8), down: () => move(0, view[3] / 8),
  };
  part.querySelectorAll("button[data-act]").forEach((button) =>
    button.addEventListener("click", () => act[button.dataset.act]()));
  const keys = { "+": "in", "=": "in", "-": "out", "0": "all",
    ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down" };
  svg.addEventListener("keydown", (event) => {
    if (keys[event.key] && !event.ctrlKey && !event.metaKey && !event.altKey) {
      event.preventDefault(); act[keys[event.key]]();
    }
  });
  svg.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && !event.metaKey) return;
    event.preventDefault();
    const place = at(event);
    zoom(event.deltaY < 0 ? 0.85 : 1 / 0.85, place.x, place.y);
  }, { passive: false });
  let held = null;
  svg.addEventListener("pointerdown", (event) => { if (event.pointerType === "mouse") held = at(event); });
  window.addEventListener("pointerup", () => { held = null; });
  const box = svg.dataset.box.split(" ").map(Number), where = part.querySelector(".where");
  svg.addEventListener("pointermove", (event) => {
    const place = at(event);
    if (held) { move(held.x - place.x, held.y - place.y); return; }
    const inside = place.x >= box[0] && place.y >= box[1] && place.x <= box[2] && place.y <= box[3];
    where.textContent = inside ? "x " + ((place.x - svg.dataset.x0) / svg.dataset.scale).toFixed(2) +
      " m, y " + ((svg.dataset.y0 - place.y) / svg.dataset.scale).toFixed(2) + " m" : "";
  });
});
window.addEventListener("beforeprint", () =>
  document.querySelectorAll("details").forEach((part) => { part.open = true; }));
