/* A name that fits into so many characters. */
function fitted(text, most) {
  const chars = Array.from(text);
  return chars.length > most ? `${chars.slice(0, most - 1).join("")}…` : text;
}
function extent(values) {
  return values.reduce((e, v) => [Math.min(e[0], v), Math.max(e[1], v)], [Infinity, -Infinity]);
}

/* One insect over all lakes, the highest on top: 8 in 10 as a line, the best week outlined, the middle as a tick. */
function heightPicture(box, rows, name) {
  const dated = rows.filter((w) => W.mi[w] !== null);
  if (!dated.length) {
    box.appendChild(h("p", { class: "none" }, "No date on any lake chosen."));
    return;
  }
  dated.sort((a, b) => (D.lakes[W.lake[b]].up || 0) - (D.lakes[W.lake[a]].up || 0));
  const ends = dated.map((w) => (W.hi[w] === null ? W.mi[w] + 20 : W.hi[w]));
  const weeks = dated.filter((w) => W.bw[w] !== null);
  const reach = extent(
    dated
      .map((w) => W.lo[w])
      .concat(
        ends,
        weeks.map((w) => W.bw[w]),
        weeks.map((w) => W.bw[w] + 7),
      ),
  );
  const narrow = (box.clientWidth || 360) < 560;
  const row = narrow ? 38 : 32;
  const f = frame(box, reach[0] - 3, reach[1] + 3, 0, dated.length, {
    tall: dated.length * row + 44,
    left: narrow ? 112 : 230,
    ticks: [],
    label: `${name} on all lakes by height, as a table below`,
  });
  dated.forEach((w, n) => {
    const y = f.top + row * (n + 0.5);
    const lake = D.lakes[W.lake[w]];
    const end = W.hi[w] === null ? reach[1] + 3 : W.hi[w];
    const place = narrow ? { x: f.left - 8, y: y - 1 } : { x: f.left - 66, y: y + 4 };
    const add = (tag, attrs, text) => f.svg.appendChild(s(tag, attrs, text));
    add(
      "text",
      { class: "water", x: place.x, y: place.y, "text-anchor": "end" },
      fitted(lake.name, narrow ? 15 : 24),
    );
    add(
      "text",
      { class: "soft", x: f.left - 8, y: narrow ? y + 13 : y + 4, "text-anchor": "end" },
      height(lake.up),
    );
    add("path", { class: "span", d: `M${f.x(W.lo[w])} ${y - 4}H${f.x(end)}` });
    if (W.bw[w] !== null) {
      const x = f.x(W.bw[w]);
      add("rect", { class: `q q${step(W.chance[w])}`, x, y: y + 3, width: f.x(W.bw[w] + 7) - x, height: 8 });
      add("rect", { class: "best", x, y: y + 3, width: f.x(W.bw[w] + 7) - x, height: 8 });
    }
    add("path", { class: "tickmid", d: `M${f.x(W.mi[w])} ${y - 10}V${y + 2}` });
  });
  if (D.asof >= reach[0] - 3) issue(f);
  box.appendChild(f.svg);
  box.appendChild(
    h(
      "p",
      { class: "keyline" },
      h("span", {}, "line: 8 in 10 possible seasons, with the middle date"),
      h("span", {}, "outlined below it: best week, shaded by its chance"),
    ),
  );
}

/* Lakes at their places; a column as tall as the lake is high, filled by the chance. */
const KM_PER_DEGREE = 111.2;
function mapPicture(box, insect, offset, name) {
  const placed = placedLakes(insect, offset);
  if (!placed.length) {
    box.appendChild(h("p", { class: "none" }, "It lives on none of the lakes chosen."));
    return;
  }
  const lat = extent(placed.map((p) => p.lake.lat));
  const lon = extent(placed.map((p) => p.lake.lon));
  const up = extent(placed.map((p) => p.lake.up || 0));
  const shrink = Math.cos((((lat[0] + lat[1]) / 2) * Math.PI) / 180);
  const width = Math.max(300, Math.min(box.clientWidth || 360, WIDEST));
  const wide = width > 600;
  const pad = { side: wide ? 190 : 60, top: 112, bottom: 58 };
  const spanX = Math.max((lon[1] - lon[0]) * shrink, 0.02);
  const spanY = Math.max(lat[1] - lat[0], 0.02);
  const scale = Math.min((width - 2 * pad.side) / spanX, (wide ? 400 : 380) / spanY);
  const high = spanY * scale + pad.top + pad.bottom;
  const svg = s("svg", {
    viewBox: `0 0 ${width} ${high}`,
    width,
    height: high,
    role: "img",
    "aria-label": `${name} on the map, as a table below`,
  });
  const fill = `map${++PICTURE}-`;
  svg.appendChild(stagePatterns(fill));
  svg.appendChild(s("rect", { class: "sheet", x: 0.5, y: 0.5, width: width - 1, height: high - 1 }));
  placed.sort((a, b) => b.lake.lat - a.lake.lat);
  placed.forEach((p) => {
    p.x = (width - spanX * scale) / 2 + (p.lake.lon - lon[0]) * shrink * scale;
    p.y = pad.top + (lat[1] - p.lake.lat) * scale;
    p.rise = 22 + (62 * ((p.lake.up || 0) - up[0])) / Math.max(up[1] - up[0], 1);
    p.stage = stageWord(p.w, offset);
  });
  const aside = apart(placed, width);
  placed.forEach((p) => {
    column(svg, p, `url(#${fill}${STAGE_FILL[p.stage]})`);
  });
  const unnamed = labels(svg, placed, width, high, wide);
  compass(svg, width, high, scale);
  box.appendChild(svg);
  box.appendChild(
    h(
      "p",
      { class: "keyline" },
      h("span", {}, "slanted: not yet"),
      h("span", {}, "full: under way"),
      h("span", {}, "level lines: mostly over"),
      aside ? h("span", {}, `${aside} set aside so that none hides another`) : null,
      unnamed
        ? h(
            "span",
            {},
            `${unnamed} without room for ${unnamed > 1 ? "their names" : "its name"}: in the table`,
          )
        : null,
    ),
  );
  const heads = ["Lake", "Height", "Under way", "Stage"];
  box.appendChild(
    asTable("The map as a table", `${name} on ${day(offset)}`, heads, () =>
      placed.map((p) => [lakeLink(p.k), height(p.lake.up), pct(p.chance), p.stage]),
    ),
  );
}
function placedLakes(insect, offset) {
  const best = new Map();
  rowsOf(insect).forEach((w) => {
    const k = W.lake[w];
    if (!best.has(k) || chance(w, "active", offset) > chance(best.get(k), "active", offset)) best.set(k, w);
  });
  return Array.from(best, ([k, w]) => ({
    k,
    w,
    lake: D.lakes[k],
    chance: chance(w, "active", offset),
  })).filter((p) => p.lake.lat !== null && p.lake.lon !== null);
}
const SIDEWAYS = [0, 7, -7, 14, -14, 21, -21, 28, -28, 42, -42, 63, -63];
/* Sets columns aside that would hide one another; the water stays at its place. Returns how many were moved. */
function apart(placed, width) {
  const done = [];
  const hides = (p, x) =>
    done.some((q) => Math.abs(q.x - x) < 19 && p.y - p.rise < q.y + 6 && q.y - q.rise < p.y + 6);
  placed.forEach((p) => {
    p.place = p.x;
    const free = SIDEWAYS.find(
      (by) => !hides(p, p.place + by) && p.place + by > 12 && p.place + by < width - 12,
    );
    p.x = p.place + (free || 0);
    done.push(p);
  });
  return placed.filter((p) => p.x !== p.place).length;
}
/* Pattern of each stage of an insect's season, as on the stage board: slanted, full, level lines. */
const STAGE_FILL = { "not yet": 1, "under way": 2, "mostly over": 3, "no date": 1 };
function column(svg, p, fill) {
  const full = ((p.rise - 3) * p.chance) / 100;
  svg.appendChild(s("ellipse", { class: "pool", cx: p.place, cy: p.y, rx: 15, ry: 4 }));
  svg.appendChild(s("rect", { class: "col", x: p.x - 9, y: p.y - p.rise, width: 18, height: p.rise }));
  svg.appendChild(s("rect", { fill, x: p.x - 7.5, y: p.y - 1.5 - full, width: 15, height: full }));
}
/* Names where there is room, nearest first, tied to their column by a thin line; returns how many found none. */
function labels(svg, placed, width, high, wide) {
  const taken = placed.map((p) => ({ x: p.x - 15, y: p.y - p.rise - 1, w: 30, h: p.rise + 6 }));
  const free = (b) =>
    b.x >= 4 &&
    b.x + b.w <= width - 4 &&
    b.y >= 4 &&
    b.y + b.h <= high - 44 &&
    !taken.some((t) => t.x < b.x + b.w && b.x < t.x + t.w && t.y < b.y + b.h && b.y < t.y + t.h);
  const unnamed = placed.filter((p) => {
    const text = fitted(p.lake.name, 18);
    const under = [wide ? `${p.stage} ${pct(p.chance)}` : pct(p.chance), height(p.lake.up)]
      .filter(Boolean)
      .join(", ");
    const w = Math.max(Array.from(text).length, under.length) * 6.6;
    const tries = [];
    [20, 38, 60, 86].forEach((away) => {
      [0, -18, 18, -36, 36].forEach((lift) => {
        tries.push({ side: 1, away, lift }, { side: -1, away, lift });
      });
    });
    return !tries.some((t) => {
      const x = t.side > 0 ? p.x + t.away : p.x - t.away - w;
      const b = { x, y: p.y - p.rise / 2 - 15 + t.lift, w, h: 29 };
      if (!free(b)) return false;
      taken.push(b);
      const at = t.side > 0 ? b.x : b.x + w;
      const anchor = t.side > 0 ? "start" : "end";
      const tie = `M${p.x + t.side * 10} ${p.y - p.rise / 2}L${at - t.side * 3} ${b.y + 14}`;
      svg.insertBefore(s("path", { class: "tie", d: tie }), svg.children[2]);
      svg.appendChild(s("text", { class: "water", x: at, y: b.y + 12, "text-anchor": anchor }, text));
      svg.appendChild(s("text", { class: "soft", x: at, y: b.y + 26, "text-anchor": anchor }, under));
      return true;
    });
  });
  return unnamed.length;
}
function compass(svg, width, high, scale) {
  const feet = D.units[1] === "ft";
  const unit = scale / (KM_PER_DEGREE * (feet ? 1 / 1.609344 : 1));
  const length = [1, 2, 5, 10, 20, 50, 100, 200, 500].find((n) => n * unit > 50) || 1000;
  const y = high - 18;
  svg.appendChild(s("path", { class: "ink", d: `M16 ${y - 5}V${y}H${16 + length * unit}V${y - 5}` }));
  svg.appendChild(s("text", { class: "soft", x: 22 + length * unit, y }, `${length} ${feet ? "mi" : "km"}`));
  svg.appendChild(
    s("path", {
      class: "ink",
      d: `M${width - 22} ${y}V${y - 20}M${width - 27} ${y - 13}L${width - 22} ${y - 20}L${width - 17} ${y - 13}`,
    }),
  );
  svg.appendChild(s("text", { class: "soft", x: width - 34, y, "text-anchor": "end" }, "north"));
}
function stageWord(w, offset) {
  if (chance(w, "active", offset) >= EVEN) return "under way";
  if (W.mi[w] === null) return "no date";
  return offset < W.mi[w] ? "not yet" : "mostly over";
}
