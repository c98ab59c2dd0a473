const D = JSON.parse(document.getElementById("data").textContent);
const W = D.windows;
const N = W.lake.length;
const LEVEL = {};
const NS = "http://www.w3.org/2000/svg";
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
const DAYS = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
const FIRST = Date.parse(`${D.first}T00:00:00Z`) / 864e5;
const EVEN = 50;
Array.from(D.levels).forEach((c, k) => {
  LEVEL[c] = k;
});

function $(id) {
  return document.getElementById(id);
}
function all(query, within) {
  return Array.from((within || document).querySelectorAll(query));
}

/* An element with attributes and children; text is always text. */
function h(tag, attrs) {
  const node = document.createElement(tag);
  return filled(node, attrs, Array.prototype.slice.call(arguments, 2));
}
function s(tag, attrs) {
  const node = document.createElementNS(NS, tag);
  return filled(node, attrs, Array.prototype.slice.call(arguments, 2));
}
function filled(node, attrs, children) {
  Object.keys(attrs || {}).forEach((key) => {
    if (attrs[key] !== null && attrs[key] !== undefined) node.setAttribute(key, attrs[key]);
  });
  children.forEach((child) => {
    if (child === null || child === undefined) return;
    node.appendChild(typeof child === "object" ? child : document.createTextNode(String(child)));
  });
  return node;
}
function emptied(node) {
  while (node.firstChild) node.removeChild(node.firstChild);
  return node;
}

function single(text) {
  return Array.from(text, (c) => LEVEL[c]);
}
function double(text) {
  const chars = Array.from(text);
  const out = [];
  for (let k = 0; k < chars.length; k += 2) out.push(LEVEL[chars[k]] * D.base + LEVEL[chars[k + 1]]);
  return out;
}

function date(offset) {
  return new Date((FIRST + offset) * 864e5);
}
function day(offset) {
  if (offset === null) return "";
  const d = date(offset);
  const month = MONTHS[d.getUTCMonth()];
  return D.month_first ? `${month} ${d.getUTCDate()}` : `${d.getUTCDate()} ${month}`;
}
function span(start, end) {
  if (start === null) return "";
  if (end === null) return `${day(start)} on`;
  if (start === end) return day(start);
  const same = date(start).getUTCMonth() === date(end).getUTCMonth();
  if (D.month_first) return `${day(start)}-${same ? date(end).getUTCDate() : day(end)}`;
  return `${same ? date(start).getUTCDate() : day(start)}-${day(end)}`;
}
function iso(offset) {
  return date(offset).toISOString().slice(0, 10);
}
function offsetOf(text) {
  return Math.round(Date.parse(`${text}T00:00:00Z`) / 864e5 - FIRST);
}
function todayIso() {
  const now = new Date();
  return `${now.getFullYear()}-${`0${now.getMonth() + 1}`.slice(-2)}-${`0${now.getDate()}`.slice(-2)}`;
}
function todayOffset() {
  return offsetOf(todayIso());
}
/* Weekday with Monday 0; day 0 of the calendar was a Thursday. */
function weekday(offset) {
  return (((FIRST + offset + 3) % 7) + 7) % 7;
}
function pct(whole) {
  return whole === null ? "" : whole <= 0 ? "<1\u00a0%" : whole >= 100 ? ">99\u00a0%" : `${whole}\u00a0%`;
}
function step(whole) {
  return Math.round(whole / 5);
}
function degrees(c) {
  return D.units[0] === "F" ? c * 1.8 + 32 : c;
}
function heatUnits(dd) {
  return D.units[0] === "F" ? dd * 1.8 : dd;
}
function degreeSign() {
  return D.units[0] === "F" ? "°F" : "°C";
}
function height(m) {
  if (m === null) return "";
  return D.units[1] === "ft" ? `${Math.round(m / 0.3048)}\u00a0ft` : `${m}\u00a0m`;
}
function keyOf(k) {
  const i = D.insects[k];
  return `${D.taxa[i[0]][0]}/${i[1]}/${i[2]}`;
}
function indexOfKey(key) {
  for (let k = 0; k < D.insects.length; k++) if (keyOf(k) === key) return k;
  return 0;
}
/* Chance of window row w on a day: which is "active" or "moving". */
function chance(w, which, offset) {
  const k = offset - W.from[w];
  const text = W[which][w];
  return k < 0 || k >= text.length ? 0 : LEVEL[text[k]];
}
function rowsOf(insect) {
  const out = [];
  for (let w = 0; w < N; w++) if (W.insect[w] === insect && shown(w)) out.push(w);
  return out;
}
function lakeLink(k) {
  return h("a", { href: `#lake-${k}`, class: "lake" }, h("bdi", {}, D.lakes[k].name));
}
/* What the filters at the top leave. */
function shown(w) {
  const region = $("f-region").value;
  return (!region || D.lakes[W.lake[w]].region === region) && (!$("f-sure").checked || W.sure[w] === 1);
}
function table(caption, heads, rows) {
  const body = rows.map((cells) =>
    filled(
      h("tr", {}),
      {},
      cells.map((c, k) => (k ? h("td", {}, c) : h("th", { scope: "row" }, c))),
    ),
  );
  return h(
    "table",
    {},
    h("caption", {}, caption),
    h(
      "thead",
      {},
      filled(
        h("tr", {}),
        {},
        heads.map((t) => h("th", { scope: "col" }, t)),
      ),
    ),
    filled(h("tbody", {}), {}, body),
  );
}
function asTable(title, caption, heads, rows) {
  const box = h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": caption });
  const out = h("details", { class: "unfold" }, h("summary", {}, title), box);
  out.addEventListener("toggle", () => {
    if (out.open && !box.firstChild) box.appendChild(table(caption, heads, rows()));
  });
  return out;
}
