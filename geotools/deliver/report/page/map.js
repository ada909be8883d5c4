// The map: layers drawn on a canvas in metres, switched by boxes; for print, the same view as SVG.

const INK = "#17202b";
const BLUE = "#00628f";
const ORANGE = "#c24e00";
const GREY = "#5f6b76";
const PURPLE = "#6a3d78";
const GREEN = "#00795a";
const YELLOW = "#f0a830";

// Looks of a feature: line (color, weight, dash) or area (fill, opacity), or a mark (shape, size).
const HOST = { color: "#a9c3d6", weight: 8 };
const RUN_LOOKS = {
  planned: HOST,
  no_plan: { color: ORANGE, weight: 5 },
  not_suitable: { color: GREY, weight: 3, dash: [7, 5] },
  failed: { color: INK, weight: 5, dash: [2, 4] },
};
const DISTRICT_LOOKS = {
  done: { color: GREEN, weight: 1.5, fill: GREEN, opacity: 0.08 },
  empty: { color: GREY, weight: 1.5, dash: [2, 5], fill: "#ffffff", opacity: 0.1 },
  failed: { color: ORANGE, weight: 3.5, fill: ORANGE, opacity: 0.2 },
  set_aside: { color: INK, weight: 3.5, dash: [10, 6], fill: GREY, opacity: 0.3 },
};
const SHARES = [
  [0.5, "up to 50 % of the allowed force", { color: "#3f95c6", weight: 3 }],
  [0.8, "50 to 80 %", { color: "#00628f", weight: 3.5 }],
  [Infinity, "above 80 %", { color: "#08264a", weight: 5 }],
];
const AMBER = "#a86200";
const VERDICT_LOOKS = {
  suitable: { color: BLUE, weight: 5 },
  doubtful: { color: AMBER, weight: 4, dash: [10, 5] },
  "not suitable": { color: GREY, weight: 3, dash: [3, 5] },
  "not considered": { color: "#aab3bb", weight: 2 },
};
const CATEGORY_LOOKS = [
  { color: BLUE, weight: 4 }, { color: AMBER, weight: 4, dash: [10, 4] },
  { color: GREY, weight: 3, dash: [4, 5] }, { color: PURPLE, weight: 4, dash: [12, 4, 2, 4] },
  { color: GREEN, weight: 4 }, { color: ORANGE, weight: 3, dash: [2, 4] },
];
const GRAVITY = {
  error: { color: INK, fill: ORANGE, opacity: 1, shape: "triangle", size: 7, weight: 1.5 },
  warning: { color: ORANGE, fill: "#ffffff", opacity: 1, shape: "triangle", size: 7, weight: 2 },
  info: { color: GREY, fill: "#ffffff", opacity: 1, shape: "triangle", size: 5, weight: 1.2 },
};
const AVOID = { color: "#8a6d5a", weight: 1, fill: "#cbb9ab", opacity: 0.35, shape: "square", size: 4 };
const SURROUNDINGS = {
  streets: { color: "#c9c9c4", weight: 2 },
  mains: { color: "#8c98a3", weight: 1.5 },
  avoid: AVOID,
  valves: { color: GREY, fill: "#ffffff", opacity: 1, shape: "square", size: 3, weight: 1 },
  hydrants: { color: GREY, fill: GREY, opacity: 1, shape: "triangle", size: 4, weight: 1 },
};
const SMALL = { color: "#8c98a3", fill: "#8c98a3", opacity: 1, shape: "circle", size: 2, weight: 1 };

// In the order drawn. `key` names the column that tells the looks apart, `looks` what they are.
const LAYERS = [
  { table: "context", title: "Surroundings", key: "layer", looks: SURROUNDINGS, other: SMALL },
  { table: "closures", title: "Lane closures", off: true, key: null,
    other: { color: "#8a5a00", weight: 1, fill: YELLOW, opacity: 0.35 } },
  { table: "ranking_mains", title: "Mains ranked", off: true, key: "verdict",
    looks: VERDICT_LOOKS },
  { table: "ranking", title: "Runs ranked", key: "verdict", looks: VERDICT_LOOKS },
  { table: "comparison", title: "Runs compared", key: "status", looks: RUN_LOOKS },
  { table: "district_results", title: "Districts", key: "status", looks: DISTRICT_LOOKS },
  { table: "district_runs", title: "Runs of all districts", key: "status", looks: RUN_LOOKS },
  { table: "runs", title: "Runs", key: "status", looks: RUN_LOOKS },
  { table: "strings", title: "Strings laid out", off: true, key: null,
    other: { color: GREEN, weight: 2, fill: GREEN, opacity: 0.4 } },
  { table: "pulls", title: "Pulls", key: "utilisation", looks: null },
  { table: "pit_footprints", title: "Ground taken by pits", key: null,
    other: { color: INK, weight: 1, fill: YELLOW, opacity: 0.6 } },
  { table: "shutdowns", title: "Valves to close", off: true, key: null,
    other: { color: INK, fill: "#ffffff", opacity: 1, shape: "square", size: 5, weight: 2 } },
  { table: "local_digs", title: "Local digs", off: true, key: null,
    other: { color: INK, fill: "#9aa4ae", opacity: 1, shape: "circle", size: 3, weight: 1 } },
  { table: "bends", title: "Bends", key: "passes", looks: {
    yes: { color: PURPLE, fill: "#ffffff", opacity: 1, shape: "diamond", size: 5, weight: 1.5 },
    no: { color: PURPLE, fill: PURPLE, opacity: 1, shape: "diamond", size: 6, weight: 1.5 },
  }, words: { yes: "passed", no: "not passed, in a pit" }, off: true },
  { table: "pits", title: "Pits", key: "role", looks: {
    receiving: { color: INK, fill: "#ffffff", opacity: 1, shape: "circle", size: 6, weight: 2 },
  }, other: { color: INK, fill: YELLOW, opacity: 1, shape: "square", size: 7, weight: 1.5 },
  otherWord: "insertion" },
  { table: "findings", title: "Findings", off: true, key: "severity", looks: GRAVITY },
];
// Of a layer with more features than this, those in view are drawn once they are fewer.
const MANY = 4000;
const ALWAYS = new Set(["runs", "ranking", "comparison", "district_runs"]);
const LABELLED = 80;

let plane = null;
const drawn = [];
let highlight = null;

function mapReady() {
  return plane !== null;
}

function lookOf(layer, row) {
  const table = REPORT.tables[layer.table];
  if (layer.table === "pulls") {
    const share = valueOf(table, "utilisation", row);
    const found = SHARES.find(([most]) => (share === null ? 0 : share) <= most);
    return { word: found[1], look: found[2] };
  }
  const column = layer.key ? columnOf(table, layer.key) : null;
  if (!column) return { word: "", look: layer.other || CATEGORY_LOOKS[0] };
  const word = column.kind === "flag" ? shownAt(column, row) : String(valueAt(column, row) ?? "");
  if (layer.looks && layer.looks[word]) {
    return { word: (layer.words || {})[word] || word, look: layer.looks[word] };
  }
  if (layer.other) return { word: layer.otherWord || "other", look: layer.other };
  layer.found = layer.found || [];
  if (!layer.found.includes(word)) layer.found.push(word);
  return { word, look: CATEGORY_LOOKS[layer.found.indexOf(word) % CATEGORY_LOOKS.length] };
}

function partsOf(table, row) {
  const step = REPORT.quantum;
  return table.shapes.parts[row].map((steps) => pointsOf(steps, step, step));
}

// Corners of a mark around a point; used for canvas and print alike.
function corners(shape, x, y, size) {
  if (shape === "square") {
    const s = size * 0.88;
    return [[x - s, y - s], [x + s, y - s], [x + s, y + s], [x - s, y + s]];
  }
  if (shape === "diamond") return [[x, y - size], [x + size, y], [x, y + size], [x - size, y]];
  return [[x, y - size], [x + size, y + size * 0.8], [x - size, y + size * 0.8]];
}

L.Canvas.include({
  _updateMark(layer) {
    if (!this._drawing || layer._empty()) return;
    const { x, y } = layer._point;
    const context = this._ctx;
    context.beginPath();
    corners(layer.options.shape, x, y, layer._radius).forEach(([a, b], i) =>
      (i ? context.lineTo(a, b) : context.moveTo(a, b)));
    context.closePath();
    this._fillStroke(context, layer);
  },
});
const Mark = L.CircleMarker.extend({
  _updatePath() {
    if (this.options.shape === "circle") this._renderer._updateCircle(this);
    else this._renderer._updateMark(this);
  },
});

function featureOf(layer, row, look) {
  const table = REPORT.tables[layer.table];
  const kind = table.shapes.kinds[row];
  const parts = partsOf(table, row).map((points) => points.map(([x, y]) => [y, x]));
  if (kind < 0 || !parts.length) return [];
  const style = { color: look.color, weight: look.weight || 1, dashArray: look.dash || null,
    fillColor: look.fill || look.color, fillOpacity: look.opacity || 0.2,
    lineCap: look.dash ? "butt" : "round", smoothFactor: 1 };
  let made;
  if (kind === 0) {
    made = parts.map((points) => new Mark(points[0],
      { ...style, radius: look.size || 4, shape: look.shape || "circle", fillOpacity: look.opacity || 1 }));
  } else if (kind === 1) made = [L.polyline(parts, style)];
  else made = [L.polygon(parts, { ...style, fill: true })];
  for (const one of made) one.place = { table: layer.table, row };
  return made;
}

function drawMap() {
  const used = LAYERS.filter((l) => tableOf(l.table) && tableOf(l.table).shapes);
  const known = new Set(LAYERS.map((l) => l.table));
  for (const [name, table] of Object.entries(REPORT.tables)) {
    if (table.shapes && table.rows && !known.has(name)) {
      used.push({ table: name, title: name.replaceAll("_", " "), off: true, key: null });
    }
  }
  if (!used.length) return;
  document.getElementById("map-section").hidden = false;
  const unplaced = document.getElementById("unplaced");
  unplaced.hidden = !REPORT.unplaced.length;
  unplaced.textContent = "Not on the map: " + REPORT.unplaced.join("; ") + ".";
  const still = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
  plane = L.map("map", { crs: L.CRS.Simple, preferCanvas: true, minZoom: -9, maxZoom: 5,
    zoomSnap: 0.25, zoomDelta: 0.5, attributionControl: false, scrollWheelZoom: false,
    zoomAnimation: !still, fadeAnimation: !still, inertia: !still,
    renderer: L.canvas({ tolerance: 5, padding: 0.2 }) });
  plane.on("focus", () => plane.scrollWheelZoom.enable());
  plane.on("blur", () => plane.scrollWheelZoom.disable());
  const us = REPORT.units === "us";
  L.control.scale({ metric: !us, imperial: us, maxWidth: 140 }).addTo(plane);
  const whole = L.control({ position: "topleft" });
  whole.onAdd = () => {
    const button = el("a", { href: "#map", role: "button", title: "Show everything",
      "aria-label": "Show everything", click: (e) => { e.preventDefault(); fitAll(); } }, "⤢");
    const bar = el("div", { class: "leaflet-bar" }, button);
    L.DomEvent.disableClickPropagation(bar);
    return bar;
  };
  whole.addTo(plane);
  fitAll();
  for (const layer of used) prepareLayer(layer);
  redrawLayers();
  labelRuns();
  tellNothing();
  plane.on("moveend", settled);
  settled();
  const holder = document.getElementById("map");
  // hidden, as in print, it has no size and keeps the last
  new ResizeObserver(() => { if (holder.clientWidth) plane.invalidateSize(); }).observe(holder);
}

let seen = null;
function settled() {
  if (!plane.getContainer().clientWidth) return;
  seen = plane.getBounds();
  if (drawn.some((layer) => layer.large && layer.visible)) redrawLayers();
  spreadLabels();
}

function extent(names) {
  const box = L.latLngBounds([]);
  for (const name of names) {
    const table = tableOf(name);
    if (!table || !table.shapes) continue;
    for (let row = 0; row < table.rows; row += 1) {
      for (const points of partsOf(table, row)) for (const [x, y] of points) box.extend([y, x]);
    }
  }
  return box;
}

function fitAll() {
  let box = extent([...ALWAYS]);
  if (!box.isValid()) box = extent(Object.keys(REPORT.tables));
  if (!box.isValid()) box = L.latLngBounds([0, 0], [100, 100]);
  plane.fitBounds(box.pad(0.03), { animate: false, maxZoom: 2 });
}

function prepareLayer(layer) {
  const table = REPORT.tables[layer.table];
  layer.visible = !layer.off;
  layer.large = table.rows > MANY && !ALWAYS.has(layer.table);
  layer.hint = el("span", { hidden: true }, "zoom in to see them");
  layer.keys = new Map();
  for (let row = 0; row < table.rows; row += 1) {
    if (table.shapes.kinds[row] < 0) continue;
    const { word, look } = lookOf(layer, row);
    if (!layer.keys.has(word)) layer.keys.set(word, [look, table.shapes.kinds[row]]);
  }
  if (!layer.keys.size) return;
  drawn.push(layer);
  layer.group = null;
  const box = el("input", { type: "checkbox", id: freshId("layer"), "data-layer": layer.table,
    change: () => {
      layer.visible = box.checked;
      holder.classList.toggle("off", !layer.visible);
      redrawLayers();
    } });
  box.checked = layer.visible;
  const words = [...layer.keys].filter(([word]) => word);
  if (layer.table === "pulls") {
    words.sort((a, b) => SHARES.findIndex((s) => s[1] === a[0]) - SHARES.findIndex((s) => s[1] === b[0]));
  }
  const single = layer.keys.size === 1 && !words.length ? [...layer.keys.values()][0] : null;
  const holder = el("div", { class: "layer" + (layer.visible ? "" : " off") }, box, el("div", {},
    el("label", { for: box.id, class: "key" }, single ? swatch(...single) : null, layer.title),
    el("div", { class: "keys" }, words.map(([word, [look, kind]]) =>
      el("span", { class: "key" }, swatch(look, kind), word.replaceAll("_", " "))), layer.hint)));
  document.getElementById("layers").prepend(holder);  // what lies on top comes first
}

function swatch(look, kind) {
  const picture = svg("svg", { class: "swatch", viewBox: "0 0 22 14", "aria-hidden": "true" });
  if (kind === 1) {
    picture.append(svg("line", { x1: 1, x2: 21, y1: 7, y2: 7, stroke: look.color,
      "stroke-width": look.weight || 1, "stroke-dasharray": look.dash ? look.dash.join(" ") : null }));
  } else if (kind === 2) {
    picture.append(svg("rect", { x: 2, y: 2, width: 18, height: 10, fill: look.fill || look.color,
      "fill-opacity": look.opacity || 0.2, stroke: look.color, "stroke-width": look.weight || 1,
      "stroke-dasharray": look.dash ? look.dash.join(" ") : null }));
  } else picture.append(markNode(look, 11, 7, Math.min(look.size || 4, 6)));
  return picture;
}

function markNode(look, x, y, size) {
  const style = { fill: look.fill || look.color, stroke: look.color, "stroke-width": look.weight || 1 };
  if ((look.shape || "circle") === "circle") return svg("circle", { cx: x, cy: y, r: size, ...style });
  const path = corners(look.shape, x, y, size).map((p) => p.map((n) => n.toFixed(1)).join(" ")).join("L");
  return svg("path", { d: "M" + path + "Z", ...style });
}

// Layers are laid again in their order, so that one switched on later does not cover the pits.
function redrawLayers() {
  for (const layer of drawn) if (layer.group) layer.group.remove();
  for (const layer of drawn) {
    if (!layer.visible) continue;
    if (!layer.group || layer.large) {
      layer.group = L.featureGroup();
      for (const row of rowsToDraw(layer)) {
        for (const one of featureOf(layer, row, lookOf(layer, row).look)) layer.group.addLayer(one);
      }
      layer.group.on("click", (event) => {
        const one = event.sourceTarget || event.propagatedFrom || event.layer;
        L.DomEvent.stopPropagation(event);
        showOnMap(one.place.table, one.place.row, false);
      });
    }
    layer.group.addTo(plane);
  }
  if (highlight) highlight.remove().addTo(plane);
}

// Rows of a layer to be drawn now: all, or of a large layer those in view unless too many.
function rowsToDraw(layer) {
  const table = REPORT.tables[layer.table];
  const all = [...Array(table.rows).keys()];
  if (!layer.large) return all;
  layer.boxes = layer.boxes || all.map((row) => boxOf(partsOf(table, row).flat()));
  const view = plane.getBounds().pad(0.1);
  const [west, south, east, north] = [view.getWest(), view.getSouth(), view.getEast(), view.getNorth()];
  const rows = all.filter((row) => {
    const box = layer.boxes[row];
    return box && box[0] <= east && box[2] >= west && box[1] <= north && box[3] >= south;
  });
  layer.hint.hidden = rows.length <= MANY;
  return rows.length <= MANY ? rows : [];
}

function boxOf(points) {
  if (!points.length) return null;
  const box = [Infinity, Infinity, -Infinity, -Infinity];
  for (const [x, y] of points) {
    box[0] = Math.min(box[0], x);
    box[1] = Math.min(box[1], y);
    box[2] = Math.max(box[2], x);
    box[3] = Math.max(box[3], y);
  }
  return box;
}

function tellNothing() {
  document.getElementById("details").replaceChildren(
    el("p", { class: "empty" }, "Click a feature on the map, or its name in a table, to see what is known of it."));
}

function showOnMap(name, row, move) {
  const table = REPORT.tables[name];
  const parts = partsOf(table, row).map((points) => points.map(([x, y]) => [y, x]));
  if (highlight) highlight.remove();
  highlight = L.featureGroup(parts.map((points) => (points.length === 1
    ? L.circleMarker(points[0], { radius: 13, color: INK, weight: 3, fill: false, interactive: false })
    : L.polyline(points, { color: INK, weight: 3, dashArray: "2 7", interactive: false })))).addTo(plane);
  if (move && parts.length) {
    const box = L.latLngBounds(parts.flat());
    plane.fitBounds(box.pad(0.15), { maxZoom: 1.5 });
    document.getElementById("map-section").scrollIntoView({ block: "start" });
    document.getElementById("map").focus({ preventScroll: true });
  }
  const run = valueOf(table, "run_id", row);
  const rows = table.columns.map((c) => [c, shownAt(c, row)]).filter(([, text]) => text !== "");
  document.getElementById("details").replaceChildren(...[
    el("h3", {}, LAYERS.some((l) => l.table === name) ? LAYERS.find((l) => l.table === name).title : name),
    el("dl", {}, rows.map(([c, text]) => [el("dt", {}, label(c)),
      el("dd", {}, c.kind === "text" ? text : told(table, c.key, row))])),
    run && runRow(run) !== undefined ? el("button", { type: "button",
      click: () => chooseRun(run, true) }, "Show run " + run) : null,
  ].filter(Boolean));
}

// ---- names of the runs, beside their lines, clear of the pits and of each other
const labels = [];
const PLACES = [0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8, 0.1, 0.9];
const SIDES = { right: [10, 0], left: [-10, 0], top: [0, -8], bottom: [0, 8] };
function labelRuns() {
  const name = ["runs", "ranking", "district_runs"].find((n) => tableOf(n) && tableOf(n).shapes);
  const table = tableOf(name);
  if (!table || !table.shapes || table.rows > LABELLED) return;
  for (let row = 0; row < table.rows; row += 1) {
    const parts = partsOf(table, row);
    const longest = parts.reduce((a, b) => (b.length > a.length ? b : a), parts[0] || []);
    if (!longest.length) continue;
    const one = L.tooltip({ permanent: true, direction: "right", className: "run-label",
      interactive: false, opacity: 1 });
    one.places = PLACES.map((share) => pointAlong(longest, share)).map(([x, y]) => [y, x]);
    one.setLatLng(one.places[0]).setContent(el("span", {}, String(valueOf(table, "run_id", row))));
    one.addTo(plane);
    labels.push(one);
  }
}

function pointAlong(points, share) {
  const lengths = points.map((p, i) => (i ? Math.hypot(p[0] - points[i - 1][0], p[1] - points[i - 1][1]) : 0));
  let left = lengths.reduce((a, b) => a + b, 0) * share;
  for (let i = 1; i < points.length; i += 1) {
    if (left <= lengths[i]) {
      const part = lengths[i] ? left / lengths[i] : 0;
      return [0, 1].map((k) => points[i - 1][k] + (points[i][k] - points[i - 1][k]) * part);
    }
    left -= lengths[i];
  }
  return points[points.length - 1];
}

function spreadLabels() {
  const taken = obstacles();
  for (const one of labels) {
    const node = one.getElement();
    if (!node) continue;
    node.hidden = false;
    const [width, height] = [node.offsetWidth, node.offsetHeight];
    let best = null;
    for (const place of one.places) {
      const at = plane.latLngToContainerPoint(place);
      for (const [side, [dx, dy]] of Object.entries(SIDES)) {
        const left = at.x + dx - (side === "left" ? width : side === "right" ? 0 : width / 2);
        const top = at.y + dy - (side === "top" ? height : side === "bottom" ? 0 : height / 2);
        const box = { left, top, right: left + width, bottom: top + height };
        const hits = taken.filter((o) => box.left < o.right && box.right > o.left
          && box.top < o.bottom && box.bottom > o.top).reduce((sum, o) => sum + o.cost, 0);
        if (!best || hits < best.hits) best = { hits, place, side, box };
      }
      if (best.hits === 0) break;
    }
    one.options.direction = best.side;
    one.options.offset = L.point(SIDES[best.side]);
    one.setLatLng(best.place);
    node.hidden = best.hits >= LABEL_COST;
    if (!node.hidden) taken.push({ ...best.box, cost: LABEL_COST });
  }
}

// Boxes on the screen that a name had better not cover: pits, and points along the runs.
const LABEL_COST = 1000;
function obstacles() {
  const out = [];
  for (const [name, half, cost] of [["pits", 8, 20], ["runs", 3, 1], ["ranking", 3, 1], ["district_runs", 3, 1]]) {
    const table = tableOf(name);
    if (!table || !table.shapes || table.rows > 20 * LABELLED) continue;
    for (let row = 0; row < table.rows; row += 1) {
      for (const points of partsOf(table, row)) {
        const steps = points.length > 1 ? [...Array(60).keys()].map((k) => pointAlong(points, k / 59)) : points;
        for (const [x, y] of steps) {
          const at = plane.latLngToContainerPoint([y, x]);
          out.push({ left: at.x - half, right: at.x + half, top: at.y - half, bottom: at.y + half, cost });
        }
      }
    }
  }
  return out;
}

// ---- print: what the map shows now, as a drawing
const PRINT_WIDTH = 1000;
function printMap() {
  const holder = document.getElementById("map-print");
  holder.replaceChildren();
  if (!plane) return;
  const bounds = seen;
  const [west, east] = [bounds.getWest(), bounds.getEast()];
  const [south, north] = [bounds.getSouth(), bounds.getNorth()];
  const factor = PRINT_WIDTH / (east - west);
  const height = Math.round((north - south) * factor);
  const at = ([x, y]) => [(x - west) * factor, (north - y) * factor];
  const picture = svg("svg", { viewBox: "0 0 " + PRINT_WIDTH + " " + height });
  for (const layer of drawn.filter((l) => l.visible)) {
    const table = REPORT.tables[layer.table];
    for (const row of rowsToDraw(layer)) {
      for (const node of printed(table, row, lookOf(layer, row).look, at, height)) picture.append(node);
    }
  }
  for (const one of labels) {
    if (one.getElement() && one.getElement().hidden) continue;
    const { lat, lng } = one.getLatLng();
    const [x, y] = at([lng, lat]);
    if (x < 0 || x > PRINT_WIDTH || y < 0 || y > height) continue;
    const side = one.options.direction;
    const anchor = { left: "end", right: "start" }[side] || "middle";
    const [dx, dy] = { left: [-12, 5], right: [12, 5], top: [0, -10], bottom: [0, 20] }[side];
    picture.append(svg("text", { x: x + dx, y: y + dy, "text-anchor": anchor, "font-size": 15,
      "font-weight": 700, fill: INK, stroke: "#ffffff", "stroke-width": 4, "paint-order": "stroke" },
    one.getContent().textContent));
  }
  printScale(picture, factor, height);
  holder.append(picture);
}

function printed(table, row, look, at, height) {
  const kind = table.shapes.kinds[row];
  const parts = partsOf(table, row).map((points) => points.map(at));
  const inside = parts.some((points) => {
    const xs = points.map((p) => p[0]);
    const ys = points.map((p) => p[1]);
    return Math.max(...xs) >= 0 && Math.min(...xs) <= PRINT_WIDTH
      && Math.max(...ys) >= 0 && Math.min(...ys) <= height;
  });
  if (kind < 0 || !inside) return [];
  if (kind === 0) return parts.map(([[x, y]]) => markNode(look, x, y, look.size || 4));
  const path = parts.map((points) => "M" + points.map((p) => p.map((n) => n.toFixed(1)).join(" "))
    .join("L") + (kind === 2 ? "Z" : "")).join("");
  return [svg("path", { d: path, stroke: look.color, "stroke-width": look.weight || 1,
    "stroke-dasharray": look.dash ? look.dash.join(" ") : null, "stroke-linejoin": "round",
    fill: kind === 2 ? look.fill || look.color : "none", "fill-rule": "evenodd",
    "fill-opacity": look.opacity || 0.2 })];
}

function printScale(picture, factor, height) {
  const us = REPORT.units === "us";
  const unit = us ? 0.3048 : 1;
  const most = 180 / (factor * unit);
  const power = 10 ** Math.floor(Math.log10(most));
  const length = [5, 2, 1].map((n) => n * power).find((n) => n <= most);
  const width = length * unit * factor;
  const y = height - 16;
  picture.append(
    svg("rect", { x: 8, y: height - 44, width: width + 24, height: 36, fill: "#ffffff", "fill-opacity": 0.85 }),
    svg("path", { d: "M20 " + (y - 6) + "v6h" + width.toFixed(1) + "v-6", fill: "none", stroke: INK, "stroke-width": 2 }),
    svg("text", { x: 20 + width / 2, y: y - 8, "text-anchor": "middle", "font-size": 14, fill: INK },
      number(length, 0) + (us ? " ft" : " m")));
}
