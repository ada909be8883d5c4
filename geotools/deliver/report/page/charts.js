// Profiles and force charts, drawn for the width they get.

function ticks(low, high, most) {
  const span = high - low || 1;
  const rough = span / Math.max(most, 1);
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((n) => n * power).find((s) => s >= rough);
  const out = [];
  for (let k = Math.ceil(low / step - 1e-9) + 0; k * step <= high + 1e-9 * span; k += 1) {
    out.push(k * step);
  }
  out.digits = Math.max(0, Math.min(3, -Math.floor(Math.log10(step) + 1e-9)));
  return out;
}

function scaleOf(low, high, from, to) {
  const factor = (to - from) / (high - low || 1);
  const scale = (value) => from + (value - low) * factor;
  scale.low = low;
  scale.high = high;
  return scale;
}

function pathOf(points, x, y, close) {
  const at = points.map(([a, b]) => x(a).toFixed(1) + " " + y(b).toFixed(1));
  return at.length ? "M" + at.join("L") + (close ? "Z" : "") : "";
}

// Value of lines at a place; null between the lines.
function levelAt(lines, at) {
  for (const line of lines) {
    if (at < line[0][0] || at > line[line.length - 1][0]) continue;
    for (let i = 1; i < line.length; i += 1) {
      const [x1, y1] = line[i];
      if (at > x1) continue;
      const [x0, y0] = line[i - 1];
      return x1 === x0 ? y1 : y0 + ((y1 - y0) * (at - x0)) / (x1 - x0);
    }
    return line[line.length - 1][1];
  }
  return null;
}

function clipped(line, from, to, lines) {
  const inside = line.filter(([at]) => at > from && at < to);
  const ends = [from, to].map((at) => [at, levelAt(lines, at)]);
  return [ends[0], ...inside, ends[1]].filter(([, level]) => level !== null);
}

function shiftedBy(points, by) {
  return points.map(([x, y]) => [x, y + by]);
}

function frameOf(width, height, words) {
  return svg("svg", { class: "chart", width, height, viewBox: "0 0 " + width + " " + height,
    role: "img", "aria-label": words });
}

function axes(chart, x, y, box, unitX, unitY, options) {
  const { left, right, top, bottom } = box;
  const count = Math.max(2, Math.floor((bottom - top) / 34));
  const across = Math.max(2, Math.floor((right - left) / 75));
  const levels = ticks(y.low, y.high, options.rows || count);
  for (const level of levels) {
    chart.append(
      svg("line", { class: "grid", x1: left, x2: right, y1: y(level), y2: y(level) }),
      svg("text", { x: left - 6, y: y(level) + 4, "text-anchor": "end" }, number(level, levels.digits)));
  }
  chart.append(svg("line", { class: "axis", x1: left, x2: right, y1: bottom, y2: bottom }));
  chart.append(svg("text", { x: 2, y: options.titleAt || top - 9, class: "quiet" }, options.title + ", " + unitY));
  if (options.bare) return;
  const places = ticks(x.low, x.high, across);
  for (const at of places) {
    const last = right - x(at) < 4;
    chart.append(
      svg("line", { class: "axis", x1: x(at), x2: x(at), y1: bottom, y2: bottom + 5 }),
      svg("text", { x: last ? right : x(at), y: bottom + 18, "text-anchor": last ? "end" : "middle" },
        number(at, places.digits)));
  }
  chart.append(svg("text", { x: right, y: bottom + 34, class: "quiet", "text-anchor": "end" },
    options.across + ", " + unitX));
}

// ---- the profile of a run
function profileData(run) {
  const packed = REPORT.profiles[run];
  if (!packed) return null;
  const decode = (lines) => lines.map((steps) => pointsOf(steps, 0.1, 0.01));
  const data = { ground: decode(packed.ground), axis: decode(packed.axis),
    radius: packed.radius, sunk: packed.sunk, assumed: packed.assumed };
  const points = [...data.ground, ...data.axis].flat();
  if (!points.length) return null;
  // the run may be longer than its levels are known
  data.low = Math.min(0, ...points.map((p) => p[0]));
  data.high = Math.max(...points.map((p) => p[0]), valueOf(tableOf("runs"), "length", runRow(run)) || 0);
  const reach = (lines) => lines.reduce((sum, line) => sum + line[line.length - 1][0] - line[0][0], 0);
  data.gaps = reach(data.axis) < 0.98 * (data.high - data.low)
    || reach(data.ground) < 0.98 * (data.high - data.low);
  return data;
}

function depthAt(data, at) {
  const ground = levelAt(data.ground, at);
  const axis = levelAt(data.axis, at);
  return ground === null || axis === null ? null : ground - axis + data.radius;
}

function profileChart(run, width, print) {
  const data = profileData(run);
  if (!data) return null;
  const unit = REPORT.units === "us" ? "ft" : "m";
  const narrow = width < 560;
  const box = { left: 52, right: width - 12, top: 64, bottom: narrow ? 270 : print ? 240 : 310 };
  const low = { left: 52, right: width - 12, top: box.bottom + 62, bottom: box.bottom + 122 };
  const height = low.bottom + 42;
  const levels = [...data.ground, ...data.axis].flat().map((p) => p[1]);
  const bottom = Math.min(...levels) - data.radius;
  const top = Math.max(...levels);
  const room = Math.max((top - bottom) * 0.08, 0.3);
  const spare = 0.012 * (data.high - data.low);
  const x = scaleOf(data.low - spare, data.high + spare, box.left, box.right);
  const y = scaleOf(bottom - room, top + room, box.bottom, box.top);
  const words = "Profile of run " + run + ": ground, host main, pits and pulls along the chainage; "
    + "below it the depth to invert. The tables hold the same values.";
  const chart = frameOf(width, height, words);
  axes(chart, x, y, box, unit, unit, { title: data.sunk ? "Below ground" : "Level", bare: true, titleAt: 12 });
  for (const line of data.ground) {
    chart.append(svg("path", { class: "soil", d: pathOf(
      [...line, [line[line.length - 1][0], y.low], [line[0][0], y.low]], x, y, true) }));
  }
  for (const line of data.axis) {
    const band = [...shiftedBy(line, data.radius), ...shiftedBy(line, -data.radius).reverse()];
    chart.append(svg("path", { class: "host", d: pathOf(band, x, y, true) }));
  }
  drawPits(chart, run, data, x, y, box);
  for (const line of data.axis) chart.append(svg("path", { class: "host-axis", d: pathOf(line, x, y) }));
  for (const line of data.ground) chart.append(svg("path", { class: "ground", d: pathOf(line, x, y) }));
  drawBends(chart, run, data, x, y);
  drawPulls(chart, run, x, box);
  drawDepth(chart, data, x, low, unit);
  return { chart, data, x, box, low, unit };
}

function drawPits(chart, run, data, x, y, box) {
  const table = tableOf("pits");
  let free = -Infinity;
  for (const row of sortedRows("pits", run, "chainage")) {
    const at = valueOf(table, "chainage", row);
    const from = Math.max(at - (valueOf(table, "before", row) || 0), data.low);
    const to = Math.min(at + (valueOf(table, "after", row) || 0), data.high);
    const ground = levelAt(data.ground, Math.min(Math.max(at, data.low), data.high));
    const axis = levelAt(data.axis, Math.min(Math.max(at, data.low), data.high));
    const depth = valueOf(table, "depth", row);
    const dug = valueOf(table, "dig_depth", row) ?? depth;
    // without a ground level the pit is shown from the host's crown
    const top = ground ?? (axis === null ? null : axis + data.radius);
    const bottom = ground === null ? axis - data.radius - (dug - depth) : ground - dug;
    const role = valueOf(table, "role", row);
    const wide = Math.max(x(to) - x(from), 5);
    const middle = (x(from) + x(to)) / 2;
    if (top !== null && depth !== null) chart.append(svg("rect", { class: "pit" + (role === "receiving" ? "" : " insertion"),
      x: middle - wide / 2, width: wide, y: y(top), height: Math.max(y(bottom) - y(top), 3) }));
    const name = shortName(valueOf(table, "pit_id", row), run);
    const half = 3.6 * name.length + 2;
    const place = Math.min(Math.max(middle, box.left + half), box.right - half);
    if (place - half < free) continue;
    free = place + half;
    chart.append(
      svg("line", { class: "grid", x1: middle, x2: middle, y1: box.top - 2, y2: top === null ? box.bottom : y(top) }),
      svg("text", { x: place, y: box.top - 24, "text-anchor": "middle", "font-weight": 600 }, name));
  }
}

function shortName(id, run) {
  return id && id.startsWith(run + "-") ? id.slice(run.length + 1) : id || "";
}

function sortedRows(name, run, key) {
  const table = tableOf(name);
  return [...rowsWhere(name, "run_id", run)].sort(
    (a, b) => valueOf(table, key, a) - valueOf(table, key, b));
}

function drawBends(chart, run, data, x, y) {
  const table = tableOf("bends");
  for (const row of rowsWhere("bends", "run_id", run)) {
    const at = valueOf(table, "chainage", row);
    const level = levelAt(data.axis, at);
    if (level === null) continue;
    const passes = valueOf(table, "passes", row);
    const [cx, cy] = [x(at), y(level)];
    chart.append(svg("path", { class: "bend" + (passes ? "" : " stops"),
      d: "M" + cx + " " + (cy - 6) + "l6 6l-6 6l-6 -6Z" }));
  }
}

// Pulls above the ground: an arrow from the pit the string goes in by to the other.
function drawPulls(chart, run, x, box) {
  const table = tableOf("pulls");
  const level = box.top - 10;
  for (const row of rowsWhere("pulls", "run_id", run)) {
    const ends = [x(valueOf(table, "start", row)), x(valueOf(table, "end", row))];
    if (valueOf(table, "direction", row) === "behind") ends.reverse();
    const [from, to] = ends;
    const sign = Math.sign(to - from) || 1;
    if (Math.abs(to - from) < 8) continue;
    chart.append(
      svg("line", { class: "pull", x1: from, x2: to - 6 * sign, y1: level, y2: level }),
      svg("path", { class: "arrow", d: "M" + to + " " + level + "l" + -9 * sign + " -4.5v9Z" }));
    const text = shortName(valueOf(table, "pull_id", row), run) + "  " + told(table, "length", row);
    if (Math.abs(to - from) > 6.4 * text.length) {
      chart.append(svg("text", { class: "quiet", x: (from + to) / 2, y: level - 30, "text-anchor": "middle" }, text));
    }
  }
}

function drawDepth(chart, data, x, box, unit) {
  const lines = [];
  for (const ground of data.ground) {
    for (const axis of data.axis) {
      const places = [...new Set([...ground, ...axis].map((p) => p[0]))].sort((a, b) => a - b);
      const line = places.map((at) => [at, depthAt({ ...data, ground: [ground], axis: [axis] }, at)])
        .filter(([, depth]) => depth !== null);
      if (line.length > 1) lines.push(line);
    }
  }
  const deepest = Math.max(...lines.flat().map((p) => p[1]), 1);
  const y = scaleOf(0, deepest * 1.05, box.top, box.bottom);
  axes(chart, x, y, box, unit, unit, { title: "Depth to invert", across: "Chainage", rows: 3 });
  for (const line of lines) {
    const area = [[line[0][0], 0], ...line, [line[line.length - 1][0], 0]];
    chart.append(svg("path", { class: "depth-area", d: pathOf(area, x, y, true) }),
      svg("path", { class: "depth", d: pathOf(line, x, y) }));
  }
}

function keyOf(text, ...marks) {
  return el("li", {}, svg("svg", { class: "chart swatch", viewBox: "0 0 22 14", "aria-hidden": "true" }, marks), text);
}

function profileKeys(data) {
  const line = (kind) => svg("line", { class: kind, x1: 1, x2: 21, y1: 7, y2: 7 });
  const box = (kind) => svg("rect", { class: kind, x: 5, y: 1, width: 12, height: 12 });
  const rhomb = (kind) => svg("path", { class: kind, d: "M11 1l6 6l-6 6l-6 -6Z" });
  return el("ul", { class: "chart-keys" },
    keyOf("ground", line("ground")),
    keyOf("host main and its axis", svg("rect", { class: "host", x: 1, y: 4, width: 20, height: 6 }), line("host-axis")),
    keyOf("receiving pit", box("pit")),
    keyOf("insertion pit", box("pit insertion")),
    keyOf("bend the string passes", rhomb("bend")),
    keyOf("bend it does not pass, in a pit", rhomb("bend stops")),
    keyOf("pull, arrow at the pulling machine", line("pull"), svg("path", { class: "arrow", d: "M22 7l-9 -4.5v9Z" })),
    data.sunk ? el("li", {}, "No ground levels: drawn below a level ground.") : null,
    data.assumed ? el("li", {}, "The depth rests on an assumed cover, on all of the run or on parts of it: see the findings, and the column \"depth source\" of pits.") : null,
    data.gaps ? el("li", {}, "Where the lines are missing, no level is known.") : null);
}

// A place along the run can be read off with pointer or keys.
function profileReader(drawn, run) {
  const { chart, data, x, box, low, unit } = drawn;
  const cursor = svg("line", { class: "cursor", y1: box.top, y2: low.bottom, x1: -9, x2: -9 });
  chart.append(cursor);
  const output = el("output", {});
  const slider = el("input", { type: "range", id: freshId("at"), min: data.low, max: data.high,
    step: "any", value: data.low, input: () => read(Number(slider.value)), keydown: (event) => {
      const steps = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 };
      if (!(event.key in steps)) return;
      event.preventDefault();
      slider.value = Number(slider.value) + (steps[event.key] * (data.high - data.low)) / 200;
      read(Number(slider.value));
    } });
  function read(at) {
    const ground = levelAt(data.ground, at);
    const axis = levelAt(data.axis, at);
    const depth = depthAt(data, at);
    const parts = ["chainage " + number(at, 1) + " " + unit];
    if (ground !== null && !data.sunk) parts.push("ground " + number(ground, 2));
    if (axis !== null && !data.sunk) parts.push("axis " + number(axis, 2));
    if (depth !== null) parts.push("depth to invert " + number(depth, 2) + " " + unit);
    output.textContent = parts.join(", ");
    slider.setAttribute("aria-valuetext", output.textContent);
    cursor.setAttribute("x1", x(at));
    cursor.setAttribute("x2", x(at));
  }
  chart.addEventListener("pointermove", (event) => {
    const rect = chart.getBoundingClientRect();
    const place = ((event.clientX - rect.left) * chart.viewBox.baseVal.width) / rect.width;
    const at = data.low + ((place - box.left) / (box.right - box.left)) * (data.high - data.low);
    if (at < data.low || at > data.high) return;
    slider.value = at;
    read(at);
  });
  output.textContent = "Move along the profile to read it.";
  return el("div", { class: "reader screen" }, el("label", { for: slider.id }, "Read at"), slider, output);
}

// ---- the programme of a run: what each crew does when, and the lanes shut meanwhile
const CREWS_HEAD = 92;
const CREW_ROW = 22;

function programmeData(run) {
  const table = tableOf("schedule");
  if (!columnOf(table, "start_day") || !columnOf(table, "days")) return null;
  const crews = new Map();
  for (const row of sortedRows("schedule", run, "start_day")) {
    const [from, days] = ["start_day", "days"].map((key) => valueOf(table, key, row));
    if (from === null || days === null) continue;
    for (const crew of (valueOf(table, "crew", row) || "").split(" and ")) {
      if (!crews.has(crew)) crews.set(crew, []);
      crews.get(crew).push({ from, to: from + days, row });
    }
  }
  if (!crews.size) return null;
  const lanes = lanesByDay(run);
  const last = Math.max(...[...crews.values()].flat().map((task) => task.to), ...lanes.map((s) => s.to));
  return { crews, lanes, last };
}

// Stretches of days with the same number of lanes shut, of all closures of a run together.
function lanesByDay(run) {
  const table = tableOf("closures");
  const shut = rowsWhere("closures", "run_id", run).map((row) => ({
    from: valueOf(table, "first_day", row), to: valueOf(table, "last_day", row),
    lanes: valueOf(table, "lanes_closed", row) })).filter((c) => c.from !== null && c.to > c.from && c.lanes > 0);
  const days = [...new Set(shut.flatMap((c) => [c.from, c.to]))].sort((a, b) => a - b);
  const out = [];
  for (let k = 1; k < days.length; k += 1) {
    const [from, to] = [days[k - 1], days[k]];
    const lanes = shut.reduce((sum, c) => sum + (c.from <= from && c.to >= to ? c.lanes : 0), 0);
    if (out.length && out[out.length - 1].lanes === lanes) out[out.length - 1].to = to;
    else out.push({ from, to, lanes });
  }
  return out.filter((stretch) => stretch.lanes > 0);
}

function programmeChart(run, width) {
  const data = programmeData(run);
  if (!data) return null;
  const rows = data.crews.size + (data.lanes.length ? 1 : 0);
  const box = { left: CREWS_HEAD, right: width - 12, top: 8, bottom: 8 + rows * CREW_ROW };
  const x = scaleOf(0, data.last, box.left, box.right);
  const chart = frameOf(width, box.bottom + 40, "Programme of run " + run + ": what each crew does on which "
    + "working day of the run" + (data.lanes.length ? ", and the lanes shut" : "")
    + ". The table below holds the same tasks.");
  const places = ticks(0, data.last, Math.max(2, Math.floor((box.right - box.left) / 60)));
  for (const at of places) {
    chart.append(svg("line", { class: "grid", x1: x(at), x2: x(at), y1: box.top, y2: box.bottom }),
      svg("text", { x: x(at), y: box.bottom + 16, "text-anchor": box.right - x(at) < 8 ? "end" : "middle" }, number(at, places.digits)));
  }
  chart.append(svg("text", { class: "quiet", x: box.right, y: box.bottom + 33, "text-anchor": "end" },
    "Working days from the start of the run"));
  [...data.crews].forEach(([crew, tasks], k) => drawCrew(chart, run, crew, tasks, x, box, box.top + k * CREW_ROW));
  if (data.lanes.length) drawLanes(chart, data.lanes, x, box, box.bottom - CREW_ROW);
  chart.append(svg("line", { class: "axis", x1: box.left, x2: box.left, y1: box.top, y2: box.bottom }));
  return chart;
}

function crewName(chart, text, box, top) {
  chart.append(
    svg("text", { x: box.left - 6, y: top + 15, "text-anchor": "end" }, text),
    svg("line", { class: "grid", x1: 0, x2: box.right, y1: top + CREW_ROW, y2: top + CREW_ROW }));
}

function drawCrew(chart, run, crew, tasks, x, box, top) {
  const table = tableOf("schedule");
  crewName(chart, crew === "none" ? "rest, no crew" : crew, box, top);
  for (const { from, to, row } of tasks) {
    const wide = Math.max(x(to) - x(from), 1.5);
    const bar = svg("rect", { class: "task" + (valueOf(table, "critical", row) ? " critical" : ""),
      x: x(from), y: top + 4, width: wide, height: CREW_ROW - 7 },
    svg("title", {}, [valueOf(table, "task", row), valueOf(table, "ref", row),
      "day " + number(from, 1) + " to " + number(to, 1)].join(", ")));
    chart.append(bar);
    const name = shortName(valueOf(table, "ref", row), run);
    if (name !== run && wide > 7 * name.length + 4) {
      chart.append(svg("text", { class: "task-name", x: x(from) + wide / 2, y: top + 15.5, "text-anchor": "middle" }, name));
    }
  }
}

function drawLanes(chart, lanes, x, box, top) {
  crewName(chart, "lanes shut", box, top);
  const most = Math.max(...lanes.map((stretch) => stretch.lanes));
  for (const { from, to, lanes: count } of lanes) {
    const high = ((CREW_ROW - 6) * count) / most;
    const wide = Math.max(x(to) - x(from), 1);
    const text = number(count, 0);
    chart.append(svg("rect", { class: "lanes", x: x(from), y: top + CREW_ROW - 1 - high, width: wide, height: high },
      svg("title", {}, text + " lanes shut, day " + number(from, 1) + " to " + number(to, 1))));
    if (wide > 14) chart.append(svg("text", { class: "task-name", x: x(from) + wide / 2, y: top + CREW_ROW - 5, "text-anchor": "middle" }, text));
  }
}

function programmeKeys(data) {
  const box = (kind) => svg("rect", { class: kind, x: 1, y: 2, width: 20, height: 10 });
  return el("ul", { class: "chart-keys" },
    keyOf("task, named by its pit or pull", box("task")),
    keyOf("critical: a day lost here is a day lost on the run (strings are fused late, and could be sooner)", box("task critical")),
    data.lanes.length ? keyOf("lanes shut, all closures of the run together", box("lanes")) : null);
}

function programmeFigure(run, width) {
  const chart = programmeChart(run, width);
  if (!chart) return null;
  const data = programmeData(run);
  // as priced: the days of the closures on the page are rounded, and those of strings that lie in
  // several streets are each counted there
  const items = tableOf("run_quantities");
  const priced = rowsWhere("run_quantities", "run_id", run)
    .filter((row) => valueOf(items, "unit", row) === "lane-days");
  const worked = priced.reduce((sum, row) => sum + (valueOf(items, "quantity", row) || 0), 0);
  const words = number(data.last, 1) + " working days"
    + (worked > 0 ? "; lanes shut for " + number(worked, 1) + " lane-days, as priced; drawn from the first "
      + "to the last day of each closure, though shored pits are plated between" : "") + ".";
  return el("figure", {}, el("figcaption", {}, el("h3", {}, "Programme"), el("p", { class: "hint" }, words)),
    chart, programmeKeys(data));
}

// ---- the force of a pull
function forceChart(pull, row, width) {
  const packed = (REPORT.forces.pulls || {})[pull];
  const table = tableOf("pulls");
  if (!packed) return null;
  const decode = (lines) => lines.map((steps) => pointsOf(steps, 0.1, REPORT.forces.step)).flat();
  const [low, force, high] = ["low", "force", "high"].map((name) => decode(packed[name]));
  if (force.length < 2) return null;
  const column = columnOf(table, "head_force");
  const unitY = column ? column.unit : "";
  const unitX = REPORT.units === "us" ? "ft" : "m";
  const allowed = valueOf(table, "allowable", row);
  const longest = force[force.length - 1][0];
  const most = Math.max(allowed || 0, ...high.map((p) => p[1]), ...force.map((p) => p[1]),
    ...packed.bends.map((b) => b[1]).filter((limit) => limit < 3 * (allowed || Infinity)));
  const box = { left: 62, right: width - 10, top: 26, bottom: 176 };
  const x = scaleOf(0, longest, box.left, box.right);
  const y = scaleOf(0, most * 1.12 || 1, box.bottom, box.top);
  const words = "Force at the head of pull " + pull + ", up to " + told(table, "head_force", row)
    + " of " + told(table, "allowable", row) + " allowed.";
  const chart = frameOf(width, 214, words);
  axes(chart, x, y, box, unitX, unitY, { title: "Force at the head", across: "Length pulled in" });
  if (low.length && high.length) {
    chart.append(svg("path", { class: "band", d: pathOf([...low, ...[...high].reverse()], x, y, true) }));
  }
  chart.append(svg("path", { class: "force", d: pathOf(force, x, y) }));
  if (allowed) {
    chart.append(
      svg("line", { class: "limit", x1: box.left, x2: box.right, y1: y(allowed), y2: y(allowed) }),
      svg("text", { class: "limit-text", x: box.left + 4, y: y(allowed) - 5 },
        "allowed " + told(table, "allowable", row)));
  }
  drawLimits(chart, packed.bends.filter((b) => b[1] <= y.high), x, y);
  return chart;
}

// A curve has a limit at every station of it: one line, with one mark where it is lowest.
const NEAR = 24;
function drawLimits(chart, bends, x, y) {
  const groups = [];
  let last = -Infinity;
  for (const [at, limit] of bends) {
    if (x(at) - last > NEAR) groups.push([]);
    groups[groups.length - 1].push([at, limit]);
    last = x(at);
  }
  for (const group of groups) {
    const [at, limit] = group.reduce((a, b) => (b[1] < a[1] ? b : a));
    chart.append(svg("path", { class: "bend-limit", d: pathOf(group, x, y) }),
      svg("path", { class: "bend stops", d: "M" + x(at) + " " + y(limit) + "l-5 -8h10Z" }));
  }
}

function forceKeys() {
  const line = (kind) => svg("line", { class: kind, x1: 1, x2: 21, y1: 7, y2: 7 });
  return el("ul", { class: "chart-keys" },
    keyOf("force, friction planned with", line("force")),
    keyOf("band from least to greatest friction", svg("rect", { class: "band", x: 1, y: 2, width: 20, height: 10 })),
    keyOf("force that may not be passed", line("limit")),
    keyOf("force allowed in a bend", svg("path", { class: "bend stops", d: "M11 12l-5 -9h10Z" })));
}
