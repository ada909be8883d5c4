"use strict";
// Data of the report, and the few ways in which it becomes part of the document. Text from the
// data gets there as text nodes and attribute values, never as markup.

let REPORT = null;

async function readContent() {
  const holder = document.getElementById("content");
  if (holder.type === "application/json") return JSON.parse(holder.textContent);
  if (typeof DecompressionStream === "undefined") {
    throw new Error("This browser is too old to unpack the report; a current one opens it.");
  }
  const bytes = Uint8Array.from(atob(holder.textContent), (c) => c.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  return JSON.parse(await new Response(stream).text());
}

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes || {})) {
    if (value === undefined || value === null || value === false) continue;
    if (typeof value === "function") node.addEventListener(name, value);
    else node.setAttribute(name, value === true ? "" : String(value));
  }
  for (const child of children.flat(3)) {
    if (child !== null && child !== undefined) node.append(child);
  }
  return node;
}

function el(tag, attributes, ...children) {
  return fill(document.createElement(tag), attributes, children);
}

function svg(tag, attributes, ...children) {
  return fill(document.createElementNS("http://www.w3.org/2000/svg", tag), attributes, children);
}

let lastId = 0;
function freshId(word) {
  lastId += 1;
  return word + "-" + lastId;
}

// ---- tables of the data: columns of packed values
function tableOf(name) {
  const table = REPORT.tables[name];
  return table && table.rows > 0 ? table : null;
}

function columnOf(table, key) {
  return table ? table.columns.find((c) => c.key === key) : undefined;
}

function valueAt(column, row) {
  if (!column) return null;
  return column.words ? column.words[column.at[row]] : column.values[row];
}

function valueOf(table, key, row) {
  return valueAt(columnOf(table, key), row);
}

const formats = new Map();
function number(value, digits) {
  if (value === null || value === undefined || Number.isNaN(value)) return "";
  if (!formats.has(digits)) {
    const options = { minimumFractionDigits: digits, maximumFractionDigits: digits };
    formats.set(digits, new Intl.NumberFormat("en", options));
  }
  return formats.get(digits).format(value);
}

function shownAt(column, row) {
  const value = valueAt(column, row);
  if (value === null || value === undefined) return "";
  if (column.kind === "flag") return value ? "yes" : "no";
  if (column.enum) return value.replaceAll("_", " ");
  if (column.kind !== "number") return value;
  return number(value, column.mixed && Number.isInteger(value) ? 0 : column.digits);
}

// A value with its unit, for a sentence.
function told(table, key, row) {
  const column = columnOf(table, key);
  const text = column ? shownAt(column, row) : "";
  if (!text || !column.unit) return text;
  return column.unit === "°" ? text + "°" : text + " " + column.unit;
}

function label(column) {
  return column.label.charAt(0).toUpperCase() + column.label.slice(1);
}

// Rows of a table by the value of a column, found once.
const indexes = new Map();
function rowsWhere(name, key, value) {
  const table = tableOf(name);
  const column = columnOf(table, key);
  if (!column) return [];
  const id = name + "/" + key;
  if (!indexes.has(id)) {
    const index = new Map();
    for (let row = 0; row < table.rows; row += 1) {
      const found = valueAt(column, row);
      if (!index.has(found)) index.set(found, []);
      index.get(found).push(row);
    }
    indexes.set(id, index);
  }
  return indexes.get(id).get(value) || [];
}

// Steps back to points: [x, y, dx, dy, ...] in whole units.
function pointsOf(steps, unitX, unitY) {
  const points = [];
  let x = 0;
  let y = 0;
  for (let i = 0; i < steps.length; i += 2) {
    x += steps[i];
    y += steps[i + 1];
    points.push([x * unitX, y * unitY]);
  }
  return points;
}

// Text that may be broken after its commas: lists of identifiers have no spaces.
function breakable(text) {
  return text.split(/(?<=,)(?=\S)/).flatMap((part, i) => (i ? [el("wbr"), part] : [part]));
}

const BAD = new Set(["no_plan", "error", "fail", "failed", "set_aside", "missing", "unsuitable"]);
const GOOD = new Set(["suitable", "planned", "chosen", "pass"]);
const BADGES = new Set(["status", "severity", "outcome", "verdict"]);

function badge(word) {
  const kind = BAD.has(word) || word === "warning" ? "bad" : GOOD.has(word) ? "good" : "plain";
  return el("span", { class: "badge " + kind }, word.replaceAll("_", " "));
}
