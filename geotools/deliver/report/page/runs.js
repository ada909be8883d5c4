// One run at a time: what is planned, its profile, its pulls and what else was tried.

let chosenRun = null;

function runRow(run) {
  return rowsWhere("runs", "run_id", run)[0];
}

function chooseRun(run, move) {
  chosenRun = run;
  const select = document.getElementById("run-select");
  if (select) select.value = String(runRow(run));
  const holder = document.getElementById("run");
  const width = Math.max(Math.floor(holder.getBoundingClientRect().width) || 900, 280);
  holder.replaceChildren(runSheet(run, { width, print: false }));
  if (!move) return;
  const head = document.getElementById("run-head");
  head.setAttribute("tabindex", "-1");
  head.focus({ preventScroll: true });
  document.getElementById("run-section").scrollIntoView({ block: "start" });
}

function drawChooser() {
  const table = tableOf("runs");
  if (!table) return;
  document.getElementById("run-section").hidden = false;
  const names = columnOf(table, "run_id");
  const select = el("select", { id: "run-select", change: () => chooseRun(valueAt(names, Number(select.value)), false) });
  for (let row = 0; row < table.rows; row += 1) {
    const status = valueOf(table, "status", row);
    const note = status && status !== "planned" ? " (" + status.replaceAll("_", " ") + ")" : "";
    select.append(el("option", { value: row }, valueAt(names, row) + note));
  }
  const step = (by) => () => {
    const row = (Number(select.value) + by + table.rows) % table.rows;
    chooseRun(valueAt(names, row), false);
  };
  fill(document.getElementById("chooser"), {}, [
    el("label", { for: "run-select" }, "Run", select),
    el("button", { type: "button", click: step(-1) }, "Previous"),
    el("button", { type: "button", click: step(1) }, "Next"),
    mapReady() ? el("button", { type: "button",
      click: () => showOnMap("runs", runRow(chosenRun), true) }, "Show on the map") : null]);
  const status = columnOf(table, "status");
  let first = 0;
  for (let row = table.rows - 1; row >= 0; row -= 1) {
    if (valueAt(status, row) === "planned") first = row;
  }
  chooseRun(valueAt(names, first), false);
}

function runSheet(run, { width, print }) {
  const sheet = el("div", { class: print ? "print-run" : "" });
  const table = tableOf("runs");
  const row = runRow(run);
  sheet.append(el("h3", {}, "Run " + run), aboutRun(table, row));
  const profile = profileChart(run, width, print);
  if (profile) {
    sheet.append(el("figure", {}, el("figcaption", {}, el("h4", {}, "Profile")), profile.chart,
      profileKeys(profile.data), print ? null : profileReader(profile, run)));
  } else sheet.append(el("p", { class: "empty" }, "No profile: the file holds no stations of this run."));
  const forces = forceFigures(run, width, print);
  if (forces) sheet.append(forces);
  const programme = programmeFigure(run, width);
  if (programme) sheet.append(programme);
  const about = [
    ["pits", "Pits of run " + run + "."], ["pulls", "Pulls of run " + run + "."],
    ["alternatives", "Other carriers and plans of run " + run + "."],
    ["run_quantities", "Quantities of run " + run + ", " + REPORT.currency + "."],
    ["closures", "Lane closures of run " + run + "."],
    ["schedule", "Tasks of run " + run + ", in working days from its start; the first is 0."],
    ["sections", "Sections to be rested, grouted and tested, run " + run + "."],
  ];
  for (const [name, caption] of about) {
    let rows = rowsWhere(name, "run_id", run);
    if (name === "alternatives" && print) {
      rows = rows.filter((r) => valueOf(tableOf(name), "outcome", r) !== "refused");
    }
    if (!rows.length || (print && PLAIN.has(name))) continue;
    const hide = ["run_id"];
    sheet.append(el("h3", {}, HEADS[name]), tableView(name, { rows, caption, hide, plain: print, limit: 12 }));
  }
  return sheet;
}

// Not printed run by run: too long, or told in a chart.
const PLAIN = new Set(["closures", "sections", "schedule"]);
const HEADS = {
  pits: "Pits", pulls: "Pulls", alternatives: "What else was tried", run_quantities: "Quantities",
  closures: "Lane closures", sections: "After the pull", schedule: "Tasks",
};

function aboutRun(table, row) {
  const keys = table.columns.filter((c) => c.key !== "run_id" && shownAt(c, row) !== "");
  return el("dl", { class: "about-run" }, keys.map((c) => {
    const text = told(table, c.key, row);
    const money = c.key === "cost" && REPORT.currency ? " " + REPORT.currency : "";
    return el("div", { class: text.length > 26 ? "wide" : null },
      el("dt", {}, label(c)), el("dd", {}, breakable(text + money)));
  }));
}

function placeGoverned(table, row, governed) {
  if (governed !== "bend" || !columnOf(table, "governing_limit")
    || valueOf(table, "governing_limit", row) === null) return "";
  return " at " + told(table, "governing_chainage", row) + ": "
    + told(table, "governing_force", row) + ", allowed there "
    + told(table, "governing_limit", row);
}

const NARROWEST = 380;
function forceFigures(run, width, print) {
  const table = tableOf("pulls");
  const gap = 24;
  const across = print ? 2 : Math.max(1, Math.floor((width + gap) / (NARROWEST + gap)));
  const each = Math.floor((width - gap * (across - 1)) / across);
  const figures = rowsWhere("pulls", "run_id", run).map((row) => {
    const pull = valueOf(table, "pull_id", row);
    const chart = forceChart(pull, row, each);
    if (!chart) return null;
    const share = valueOf(table, "utilisation", row);
    const governed = valueOf(table, "governed_by", row);
    return el("figure", {}, el("figcaption", {}, el("h4", {}, "Pull " + pull),
      el("p", {}, told(table, "length", row) + " " + (valueOf(table, "direction", row) || "")
        + ", in at " + shortName(valueOf(table, "insertion_pit", row), run)
        + (share === null ? "" : ", " + number(100 * share, 0) + " % of the limit")
        + (governed ? " (" + governed + placeGoverned(table, row, governed) + ")" : ""))), chart);
  }).filter(Boolean);
  if (!figures.length) return null;
  return el("div", {}, el("h3", {}, "Force at the head, pull by pull"),
    el("div", { class: "forces" }, figures), forceKeys());
}

// Every run gets its page when printed, unless there are too many to print.
const PRINTED_RUNS = 60;
const PRINT_CHART = 690;
function printRuns() {
  const table = tableOf("runs");
  if (!table) return;
  const holder = document.getElementById("print-runs");
  const section = document.getElementById("run-section");
  const planned = [...Array(table.rows).keys()].filter((row) => valueOf(table, "status", row) === "planned");
  const few = planned.length <= PRINTED_RUNS;
  // what is printed run by run is not printed a second time
  for (const id of ["pulls-section", "alternatives-section"]) {
    document.getElementById(id).classList.toggle("screen", few);
  }
  const runs = few ? planned.map((row) => valueOf(table, "run_id", row)) : [chosenRun];
  section.hidden = true;
  holder.replaceChildren(
    el("section", { class: "print-runs" }, el("h2", {}, few ? "Runs, one by one" : "One run"),
      few ? null : el("p", {}, "Of " + number(planned.length, 0) + " planned runs, the one chosen on the screen is printed."),
      runs.map((run) => runSheet(run, { width: PRINT_CHART, print: true }))));
}

function unprintRuns() {
  document.getElementById("print-runs").replaceChildren();
  document.getElementById("run-section").hidden = tableOf("runs") === null;
}
