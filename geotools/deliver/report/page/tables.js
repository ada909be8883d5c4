// Tables to sort and filter. Few rows are put into the document at first: thousands would make
// the page slow to open.

const FIRST_ROWS = 25;
const MORE_ROWS = 200;
const PRINTED_ROWS = 250;
const FILTERED = new Set(["status", "severity", "outcome", "verdict", "rule", "role", "origin",
  "layer", "kind", "governed_by", "refused_by", "host_material"]);
const MOST_CHOICES = 40;
const FEWEST_FILTERED = 3;
const SHORT = 26;
const TINY = 13;
const collator = new Intl.Collator("en", { numeric: true, sensitivity: "base" });
const views = [];

function tableView(name, options) {
  const table = REPORT.tables[name];
  const view = {
    name, table,
    caption: options.caption || table.title,
    rows: options.rows || [...Array(table.rows).keys()],
    plain: Boolean(options.plain),
    columns: null, wide: false, needle: "", chosen: new Map(), sort: null,
    limit: options.plain ? PRINTED_ROWS : options.limit || FIRST_ROWS,
    hide: new Set(options.hide || []),
    share: options.share, whole: options.whole,
    texts: null,
    // the name of the row leads to its place on the map
    link: table.shapes ? table.columns.find((c) => c.kind === "text" && c.key.endsWith("_id")) : null,
  };
  view.node = el("div", { class: "table-block" });
  view.body = el("tbody");
  view.headRow = el("tr");
  view.count = el("p", { class: "count", role: "status" });
  view.captionText = el("span");
  view.captionNode = el("caption", {}, view.captionText);
  view.more = el("div", { class: "more" });
  if (!view.plain) view.node.append(controls(view));
  view.scroll = el("div",
    { class: "scroll", role: "region", tabindex: view.plain ? null : "0", "aria-label": view.caption },
    el("table", {}, view.captionNode, el("thead", {}, view.headRow), view.body));
  view.node.append(view.scroll);
  if (!view.plain) {
    view.node.append(view.more, ...[fieldNotes(table)].filter(Boolean));
    views.push(view);
  }
  drawHead(view);
  drawRows(view);
  return view.node;
}

function controls(view) {
  const { table } = view;
  const node = el("div", { class: "controls" });
  if (view.rows.length >= FEWEST_FILTERED) node.append(...filters(view));
  if (table.columns.some((c) => !c.first)) node.append(columnsButton(view));
  node.append(view.count);
  return node;
}

function filters(view) {
  const nodes = [];
  const search = el("input", {
    type: "search", id: freshId("search"), autocomplete: "off",
    input: () => { view.needle = search.value.trim().toLowerCase(); refilter(view); },
  });
  nodes.push(el("label", { for: search.id }, "Search", search));
  for (const column of view.table.columns) {
    if (!FILTERED.has(column.key) || view.hide.has(column.key)) continue;
    const counts = new Map();
    for (const row of view.rows) {
      const text = shownAt(column, row);
      counts.set(text, (counts.get(text) || 0) + 1);
    }
    if (counts.size < 2 || counts.size > MOST_CHOICES) continue;
    const words = [...counts.keys()].sort(collator.compare);
    const select = el("select", {
      id: freshId("filter"), "data-filter": column.key,
      change: () => {
        if (select.selectedIndex === 0) view.chosen.delete(column);
        else view.chosen.set(column, words[select.selectedIndex - 1]);
        refilter(view);
      },
    }, el("option", {}, "all"), words.map((w) =>
      el("option", {}, (w || "(none)") + " (" + counts.get(w) + ")")));
    nodes.push(el("label", { for: select.id }, label(column), select));
  }
  return nodes;
}

function columnsButton(view) {
  const button = el("button", {
    type: "button",
    click: () => {
      view.wide = !view.wide;
      button.textContent = view.wide ? "Fewer columns" : "All columns";
      drawHead(view);
      drawRows(view);
    },
  }, "All columns");
  return button;
}

function fieldNotes(table) {
  const noted = table.columns.filter((c) => c.text);
  if (!noted.length) return null;
  return el("details", { class: "fields" }, el("summary", {}, "What the columns mean"),
    el("dl", {}, noted.map((c) => [el("dt", {}, label(c)), el("dd", {}, c.text)])));
}

function drawHead(view) {
  view.columns = view.table.columns.filter((c) => (view.wide || c.first) && !view.hide.has(c.key));
  view.headRow.replaceChildren(...view.columns.map((column) => {
    const words = () => [label(column), column.unit ? el("span", { class: "unit" }, column.unit) : null];
    const head = el("th", { scope: "col", class: column.kind === "number" ? "number" : null });
    if (view.sort && view.sort.column === column) {
      head.setAttribute("aria-sort", view.sort.down ? "descending" : "ascending");
    }
    // buttons are left blank in heads that are repeated on the next printed page
    head.append(el("span", { class: view.plain ? null : "printed" }, words()));
    if (!view.plain) {
      head.prepend(el("button", { type: "button", class: "screen", title: column.text || null, click: () => {
        const again = view.sort && view.sort.column === column;
        view.sort = { column, down: again ? !view.sort.down : false };
        drawHead(view);
        drawRows(view);
        view.headRow.children[view.columns.indexOf(column)].firstChild.focus();
      } }, words()));
    }
    return head;
  }));
  if (view.share) view.headRow.append(el("th", { scope: "col" }, "Share"));
}

function refilter(view) {
  view.limit = FIRST_ROWS;
  drawRows(view);
}

function matching(view) {
  let rows = view.rows;
  for (const [column, word] of view.chosen) rows = rows.filter((r) => shownAt(column, r) === word);
  if (view.needle) {
    view.texts = view.texts || new Map();
    rows = rows.filter((row) => {
      if (!view.texts.has(row)) {
        const text = view.table.columns.map((c) => shownAt(c, row)).join("\n").toLowerCase();
        view.texts.set(row, text);
      }
      return view.texts.get(row).includes(view.needle);
    });
  }
  if (!view.sort) return rows;
  const { column, down } = view.sort;
  const sign = down ? -1 : 1;
  return [...rows].sort((a, b) => {
    const left = valueAt(column, a);
    const right = valueAt(column, b);
    const gone = (left === null || left === "") - (right === null || right === "");
    if (gone) return gone;  // what is missing comes last, whichever way
    if (left === right) return a - b;
    if (column.kind === "text") return sign * collator.compare(left, right) || a - b;
    return sign * (left - right);
  });
}

function drawRows(view) {
  const rows = matching(view);
  const shown = rows.slice(0, view.limit);
  view.body.replaceChildren(...shown.map((row) => rowNode(view, row)));
  const all = view.rows.length;
  const few = shown.length < rows.length || rows.length < all;
  view.count.textContent = rows.length === all ? number(all, 0) + (all === 1 ? " row" : " rows")
    : number(rows.length, 0) + " of " + number(all, 0) + " rows";
  view.captionText.textContent = view.caption + (few
    ? " Shown: " + number(shown.length, 0) + " of " + number(all, 0) + " rows." : "");
  view.scroll.classList.toggle("tall", !view.plain && shown.length > FIRST_ROWS);
  const left = rows.length - shown.length;
  const buttons = [];
  if (left > MORE_ROWS) buttons.push(moreButton(view, "Show " + MORE_ROWS + " more", view.limit + MORE_ROWS));
  if (left > 0) buttons.push(moreButton(view, "Show all " + number(rows.length, 0), Infinity));
  if (view.limit > FIRST_ROWS && rows.length > FIRST_ROWS) {
    buttons.push(moreButton(view, "Show fewer", FIRST_ROWS));
  }
  view.more.replaceChildren(...buttons);
}

function moreButton(view, text, limit) {
  return el("button", { type: "button", click: () => {
    view.limit = limit;
    drawRows(view);
    const button = view.more.querySelector("button");
    if (button) button.focus();
  } }, text);
}

function rowNode(view, row) {
  const node = el("tr", {}, view.columns.map((column) => cellNode(view, column, row)));
  if (view.share) {
    const part = valueOf(view.table, view.share, row) / view.whole;
    node.append(el("td", {}, svg("svg", { class: "bar", viewBox: "0 0 100 10",
      preserveAspectRatio: "none", role: "img", "aria-label": number(100 * part, 0) + " percent" },
    svg("rect", { width: 100, height: 10, fill: "#e4e9ee" }),
    svg("rect", { width: number(Math.max(100 * part, 0), 2), height: 10, fill: "#00527f" }))));
  }
  return node;
}

function cellNode(view, column, row) {
  const text = shownAt(column, row);
  if (column.kind === "number") return el("td", { class: "number" }, text);
  if (BADGES.has(column.key) && text) return el("td", {}, badge(valueAt(column, row)));
  if (column.key === "run_id" && text && !view.plain && runRow(text) !== undefined) {
    return el("td", { class: "id tiny" }, el("button", { type: "button", class: "link",
      "aria-label": "Show run " + text, click: () => chooseRun(text, true) }, text));
  }
  if (column === view.link && text && text.length < SHORT && !view.plain && mapReady()) {
    return el("td", { class: "id tiny" }, el("button", { type: "button", class: "link",
      "aria-label": "Show " + text + " on the map",
      click: () => showOnMap(view.name, row, true) }, text));
  }
  const kind = text.length > 45 ? "long" : text.length < TINY ? "id tiny" : text.length < SHORT ? "id" : null;
  return el("td", { class: kind }, breakable(text));
}

// Before printing, short tables are shown whole; afterwards they are as they were.
function expandTables() {
  for (const view of views) {
    view.kept = view.limit;
    if (!document.contains(view.node)) continue;
    if (view.rows.length <= PRINTED_ROWS && view.limit < PRINTED_ROWS) {
      view.limit = PRINTED_ROWS;
      drawRows(view);
    }
  }
}

function collapseTables() {
  for (const view of views) {
    if (view.kept === undefined || view.kept === view.limit) continue;
    view.limit = view.kept;
    drawRows(view);
  }
}
