// The page put together.

// What a table is called where its section holds several.
const TABLE_NAMES = {
  ranking: "Runs", ranking_mains: "Source mains", closures: "Lane closures",
  comparison: "Run by run", comparison_totals: "In sum", settings_differ: "Settings that differ",
  district_results: "What became of each", district_runs: "Runs of all districts",
};

function drawSection(id, names, options) {
  const holder = document.getElementById(id);
  for (const name of names) {
    if (!tableOf(name)) continue;
    document.getElementById(id + "-section").hidden = false;
    if (names.length > 1) holder.append(el("h3", {}, TABLE_NAMES[name] || name.charAt(0).toUpperCase() + name.slice(1).replaceAll("_", " ")));
    holder.append(tableView(name, (options || {})[name] || {}));
  }
}

function drawHeader() {
  const kind = tableOf("pulls") ? "Plan" : tableOf("comparison") ? "Comparison of plans"
    : tableOf("ranking") ? "Screening of mains" : tableOf("district_results") ? "Plans of districts" : "Plan";
  document.getElementById("kicker").textContent = kind + " for lining mains with pulled pipe strings";
  document.getElementById("title").textContent = REPORT.title;
  const units = REPORT.units === "us" ? "US customary units" : "SI units";
  document.getElementById("origin").textContent = "From " + REPORT.file + ", " + REPORT.crs + ", " + units
    + (REPORT.currency ? ", costs in " + REPORT.currency : "") + ".";
  document.getElementById("summary").hidden = false;
  document.getElementById("facts").append(...REPORT.facts.map((fact) => el("div", {},
    el("dt", {}, fact.label), el("dd", { class: "value" }, fact.value),
    fact.note ? el("dd", { class: "note" }, fact.note) : null)));
  document.getElementById("caution-list").append(...REPORT.cautions.map((text) => el("li", {}, text)));
  document.getElementById("about").textContent = "Made by Slipmain. Lines are drawn to within "
    + number(REPORT.tolerance, 1) + " m; the GeoPackage holds the full geometry, and every place looked at for a pit. Map drawn with Leaflet 1.9.4.";
}

function drawContents() {
  const list = document.getElementById("contents");
  for (const section of document.querySelectorAll("main > section")) {
    const head = section.querySelector("h2");
    if (section.hidden || !head) continue;
    section.id = section.id || head.id + "-section";
    list.append(el("li", {}, el("a", { href: "#" + section.id }, head.textContent)));
  }
}

function drawQuantities() {
  const table = tableOf("quantities");
  if (!table) return;
  const whole = table.whole;
  table.columns.forEach((c) => { c.first = true; });
  drawSection("quantities", ["quantities"], { quantities: {
    caption: table.title + ", costs in " + (REPORT.currency || "one currency") + ", "
      + number(whole, 0) + " in all.",
    share: whole > 0 ? "cost" : null, whole } });
}

function start(content) {
  REPORT = content;
  drawHeader();
  drawMap();
  drawSection("ranking", ["ranking", "ranking_mains", "criteria"], { ranking: { limit: 50 } });
  drawSection("comparison", ["comparison_totals", "comparison", "settings_differ"]);
  drawSection("districts", ["district_results", "district_runs"]);
  drawSection("runs", ["runs"]);
  drawChooser();
  drawSection("pulls", ["pits", "pulls"]);
  drawSection("alternatives", ["alternatives"]);
  drawQuantities();
  drawSection("works", ["closures", "shutdowns"]);
  drawSection("findings", ["findings"]);
  drawSection("settings", ["settings"]);
  drawSection("inputs", ["inputs"]);
  drawContents();
  document.getElementById("wait").remove();
  document.body.setAttribute("data-ready", "true");
  window.addEventListener("beforeprint", () => { printMap(); printRuns(); expandTables(); });
  window.addEventListener("afterprint", () => { unprintRuns(); collapseTables(); });
  let width = window.innerWidth;
  window.addEventListener("resize", () => {
    if (window.innerWidth === width || chosenRun === null) return;
    width = window.innerWidth;
    chooseRun(chosenRun, false);
  });
}

readContent().then(start).catch((error) => {
  const note = document.getElementById("wait");
  if (note) note.textContent = "The report could not be drawn: " + error.message;
  throw error;
});
