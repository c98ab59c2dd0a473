let PICTURE = 0;

/* Scales and axes of a chart of dates (offsets) against numbers. */
function frame(box, x0, x1, y0, y1, options) {
  const width = Math.max(280, Math.min(box.clientWidth || 360, 1000));
  const tall = options.tall || 230;
  const left = options.left || 40;
  const top = 14;
  const bottom = 24;
  const right = 10;
  const f = {
    width,
    tall,
    left,
    top,
    right: width - right,
    floor: tall - bottom,
    x(v) {
      return left + ((v - x0) / (x1 - x0)) * (width - right - left);
    },
    y(v) {
      return tall - bottom - ((v - y0) / (y1 - y0)) * (tall - bottom - top);
    },
  };
  f.svg = s("svg", {
    viewBox: `0 0 ${width} ${tall}`,
    width,
    height: tall,
    role: "img",
    "aria-label": options.label,
  });
  months(x0, x1, width < 500).forEach((m) => {
    f.svg.appendChild(s("path", { class: "grid", d: `M${f.x(m.at)} ${top}V${f.floor}` }));
    if (f.x(m.at) < width - 24) {
      f.svg.appendChild(s("text", { class: "soft", x: f.x(m.at) + 3, y: tall - 8 }, m.name));
    }
  });
  (options.ticks || ticks(y0, y1)).forEach((t) => {
    f.svg.appendChild(s("path", { class: "grid", d: `M${left} ${f.y(t)}H${f.right}` }));
    f.svg.appendChild(s("text", { class: "soft", x: left - 5, y: f.y(t) + 4, "text-anchor": "end" }, t));
  });
  return f;
}
function ticks(low, high) {
  const raw = (high - low) / 4;
  const size = Math.pow(10, Math.floor(Math.log10(raw)));
  const by = [1, 2, 5, 10].map((m) => m * size).find((b) => b >= raw);
  const out = [];
  for (let v = Math.ceil(low / by) * by; v <= high + 1e-9; v += by) out.push(Math.round(v * 100) / 100);
  return out;
}
function months(x0, x1, sparse) {
  const out = [];
  for (let d = x0; d <= x1; d++) {
    if (date(d).getUTCDate() === 1 && !(sparse && x1 - x0 > 200 && date(d).getUTCMonth() % 2)) {
      out.push({ at: d, name: MONTHS[date(d).getUTCMonth()] });
    }
  }
  return out;
}
function issue(f) {
  const x = f.x(D.asof);
  f.svg.appendChild(s("path", { class: "issue", d: `M${x} ${f.top}V${f.floor}` }));
  f.svg.appendChild(s("text", { class: "soft", x: x + 3, y: f.top - 3 }, "as of"));
}
function line(f, xs, ys, name) {
  const d = xs.map((x, k) => `${(k ? "L" : "M") + f.x(x).toFixed(1)} ${f.y(ys[k]).toFixed(1)}`).join("");
  f.svg.appendChild(s("path", { class: name, d }));
}
function area(f, xs, low, high, attrs) {
  const up = xs.map((x, k) => `${f.x(x).toFixed(1)} ${f.y(high[k]).toFixed(1)}`);
  const down = xs.map((x, k) => `${f.x(x).toFixed(1)} ${f.y(low[k]).toFixed(1)}`).reverse();
  f.svg.appendChild(s("path", Object.assign({ d: `M${up.concat(down).join("L")}Z` }, attrs)));
}

/* One season strip: shade by chance, best week outlined, even odds underlined, as-of line. */
function strip(w, which, x0, x1) {
  const svg = s("svg", {
    viewBox: `${x0} 0 ${x1 - x0 + 1} 20`,
    preserveAspectRatio: "none",
    "aria-hidden": "true",
    focusable: "false",
  });
  svg.appendChild(s("rect", { class: "ground", x: x0, y: 1, width: x1 - x0 + 1, height: 15 }));
  let from = x0;
  let last = step(chance(w, which, x0));
  for (let d = x0 + 1; d <= x1 + 1; d++) {
    const next = d > x1 ? -1 : step(chance(w, which, d));
    if (next !== last) {
      if (last > 0) {
        svg.appendChild(s("rect", { class: `q q${last}`, x: from, y: 1, width: d - from, height: 15 }));
      }
      from = d;
      last = next;
    }
  }
  if (W.es[w] !== null) {
    svg.appendChild(
      s("rect", { class: "even", x: W.es[w], y: 17.2, width: W.ee[w] - W.es[w] + 1, height: 2.4 }),
    );
  }
  if (W.bw[w] !== null) {
    svg.appendChild(
      s("rect", {
        class: "best",
        x: W.bw[w],
        y: 1.6,
        width: 7,
        height: 13.8,
        "vector-effect": "non-scaling-stroke",
      }),
    );
  }
  svg.appendChild(
    s("path", { class: "issue", d: `M${D.asof + 1} 0V20`, "vector-effect": "non-scaling-stroke" }),
  );
  return svg;
}
function reachOf(rows, which) {
  let low = Infinity;
  let high = -Infinity;
  rows.forEach((w) => {
    for (let k = 0; k < W[which][w].length; k++) {
      if (LEVEL[W[which][w][k]] >= 5) {
        low = Math.min(low, W.from[w] + k);
        high = Math.max(high, W.from[w] + k);
      }
    }
  });
  return low > high ? null : [low - 4, Math.max(high + 4, low + 40)];
}

/* The lake's surface: 8 in 10 between the edges, the middle, what was measured, ice hatched. */
function waterPicture(box, k) {
  const packed = D.water[k];
  if (!packed) return;
  const mid = double(packed[1]).map((v) => (v - 50) / 10);
  const below = single(packed[2]);
  const above = single(packed[3]);
  const ice = single(packed[4]);
  const x0 = packed[0];
  const xs = mid.map((v, n) => x0 + n);
  const low = mid.map((v, n) => degrees(v - below[n] / 10));
  const high = mid.map((v, n) => degrees(v + above[n] / 10));
  const shownMid = mid.map(degrees);
  const name = D.lakes[k].name;
  const readings = D.readings[k] || [];
  const iceDates = D.ice[k] || [];
  const bottom = Math.floor(degrees(-1));
  const topC = Math.max.apply(null, high.concat(readings.map((r) => degrees(r[1])))) + 1;
  const label = `Surface temperature of ${name}, as a table below`;
  const f = frame(box, x0, xs[xs.length - 1], bottom, topC, { label });
  const hatch = `hatch${++PICTURE}`;
  f.svg.insertBefore(
    s(
      "defs",
      {},
      s(
        "pattern",
        { id: hatch, width: 6, height: 6, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
        s("path", { class: "icehatch", d: "M0 0V6" }),
      ),
    ),
    f.svg.firstChild,
  );
  for (let n = 0; n < ice.length; n++) {
    if (ice[n] >= EVEN) {
      let m = n;
      while (m + 1 < ice.length && ice[m + 1] >= EVEN) m++;
      f.svg.appendChild(
        s("rect", {
          x: f.x(x0 + n),
          y: f.top,
          width: f.x(x0 + m + 1) - f.x(x0 + n),
          height: f.floor - f.top,
          fill: `url(#${hatch})`,
          opacity: 0.45,
        }),
      );
      n = m;
    }
  }
  area(f, xs, low, high, { class: "fan" });
  line(f, xs, shownMid, "mid");
  readings.forEach((r) => {
    const x = f.x(r[0]);
    const y = f.y(degrees(r[1]));
    f.svg.appendChild(
      s("path", {
        class: "read",
        d: `M${x} ${y - 5}L${x + 5} ${y}L${x} ${y + 5}L${x - 5} ${y}Z`,
      }),
    );
  });
  iceDates.forEach((r) => {
    const x = f.x(r[0]);
    f.svg.appendChild(s("path", { class: "ink", d: `M${x} ${f.top}V${f.floor}` }));
    f.svg.appendChild(s("text", { x: x + 3, y: f.top + 10 }, `ice ${r[1]}`));
  });
  issue(f);
  box.appendChild(h("h3", {}, `Surface temperature, ${degreeSign()}`));
  box.appendChild(f.svg);
  box.appendChild(
    h(
      "p",
      { class: "keyline" },
      h("span", {}, "line: middle"),
      h("span", {}, "band: 8 in 10 possible seasons"),
      readings.length ? h("span", {}, "diamonds: your readings") : null,
      h("span", {}, "hatched: ice more likely than not; for insects, not for standing on"),
    ),
  );
  box.appendChild(
    asTable(
      "Surface temperature as a table",
      `Surface temperature of ${name} by week, ${degreeSign()}`,
      ["Date", "Middle", "8 in 10 between", "Chance of ice"],
      () => {
        const rows = [];
        for (let n = 0; n < mid.length; n += 7) {
          rows.push([
            day(x0 + n),
            shownMid[n].toFixed(1),
            `${low[n].toFixed(1)} and ${high[n].toFixed(1)}`,
            pct(ice[n]),
          ]);
        }
        return rows;
      },
    ),
  );
}

/* Heat gathered against the normal year, and what the insects need. */
function heatPicture(box, k, taxon) {
  const packed = D.heat[`${k}/${taxon}`];
  if (!packed) return;
  let got = double(packed[1]).map(heatUnits);
  let norm = double(packed[2]).map(heatUnits);
  const need = packed[3];
  let xs = got.map((v, n) => packed[0] + 7 * n);
  const needs = need.slice(1).map(heatUnits);
  const unit = `${degreeSign()}·day`;
  const top = needs[2] * 1.35 + 10;
  let until = xs.length;
  for (let n = 0; n < xs.length; n++) {
    if (got[n] > top && norm[n] > top) {
      until = n + 1;
      break;
    }
  }
  xs = xs.slice(0, until);
  got = got.slice(0, until);
  norm = norm.slice(0, until);
  function capped(values) {
    return values.map((v) => Math.min(v, top));
  }
  const f = frame(box, xs[0], xs[xs.length - 1], 0, top, {
    label: "Heat gathered, as a table below",
    tall: 200,
    left: 46,
  });
  area(f, [xs[0], xs[xs.length - 1]], [needs[0], needs[0]], [needs[2], needs[2]], { class: "need" });
  line(f, [xs[0], xs[xs.length - 1]], [needs[1], needs[1]], "needmid");
  f.svg.appendChild(s("text", { class: "soft", x: f.left + 4, y: f.y(needs[1]) - 4 }, "heat needed"));
  line(f, xs, capped(norm), "norm");
  line(f, xs, capped(got), "mid");
  issue(f);
  box.appendChild(
    h("h4", {}, `Heat above ${Math.round(degrees(need[0]) * 10) / 10} ${degreeSign()}, ${unit}`),
  );
  box.appendChild(f.svg);
  box.appendChild(
    h(
      "p",
      { class: "keyline" },
      h("span", {}, "line: this year, middle possible season"),
      h("span", {}, "broken: middle past year"),
      h("span", {}, "band: needed by the middle insect, 8 in 10"),
    ),
  );
  box.appendChild(
    asTable(
      "Heat as a table",
      `Heat gathered by week, ${unit}; needed ${needs.map(Math.round).join(", ")} (low, middle, high)`,
      ["Date", "This year", "Middle past year"],
      () => xs.map((x, n) => [day(x), Math.round(got[n]), Math.round(norm[n])]),
    ),
  );
}

/* Which stages are about: shares stacked, each with a pattern and its name. */
function stagePicture(box, k, taxon) {
  const packed = D.stages[`${k}/${taxon}`];
  if (!packed) return;
  const names = ["young", "mature", "on the move", "adults"];
  const series = packed.slice(1).map(single);
  const moves = Math.max.apply(null, series[2]) > 0;
  const xs = series[0].map((v, n) => packed[0] + 7 * n);
  const f = frame(box, xs[0], xs[xs.length - 1], 0, 100, {
    label: "Stages about, as a table below",
    tall: 190,
    ticks: [0, 50, 100],
  });
  const id = `stage${++PICTURE}-`;
  f.svg.insertBefore(
    s(
      "defs",
      {},
      s(
        "pattern",
        { id: id + 0, width: 7, height: 7, patternUnits: "userSpaceOnUse" },
        s("rect", { class: "p0", width: 7, height: 7 }),
        s("circle", { class: "pd", cx: 2, cy: 2, r: 0.9 }),
      ),
      s(
        "pattern",
        { id: id + 1, width: 6, height: 6, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
        s("rect", { class: "p1", width: 6, height: 6 }),
        s("path", { class: "pl", d: "M0 0V6" }),
      ),
      s(
        "pattern",
        { id: id + 2, width: 4, height: 4, patternUnits: "userSpaceOnUse" },
        s("rect", { class: "p2", width: 4, height: 4 }),
      ),
      s(
        "pattern",
        { id: id + 3, width: 6, height: 5, patternUnits: "userSpaceOnUse" },
        s("rect", { class: "p3", width: 6, height: 5 }),
        s("path", { class: "pl", d: "M0 2H6" }),
      ),
    ),
    f.svg.firstChild,
  );
  let base = xs.map(() => 0);
  series.forEach((values, stage) => {
    const top = values.map((v, n) => Math.min(base[n] + v, 100));
    area(f, xs, base, top, { fill: `url(#${id}${stage})`, class: "stage-edge" });
    base = top;
  });
  issue(f);
  box.appendChild(h("h4", {}, "What is about, % of all that live in or above the lake"));
  box.appendChild(f.svg);
  box.appendChild(
    h(
      "p",
      { class: "keyline" },
      h(
        "span",
        {},
        `from below: young nymphs (dots), mature (slanted)${
          moves ? ", on the move (full)" : ""
        }, adults (level lines)`,
      ),
    ),
  );
  box.appendChild(
    asTable("Stages as a table", "Shares of the stages by week", ["Date"].concat(names), () =>
      xs.map((x, n) => [day(x)].concat(series.map((v) => pct(v[n])))),
    ),
  );
}

/* One insect over all lakes by height. */
function heightPicture(box, rows, name) {
  const dated = rows.filter((w) => W.mi[w] !== null);
  if (!dated.length) {
    box.appendChild(h("p", { class: "none" }, "No date on any lake chosen."));
    return;
  }
  dated.sort((a, b) => (D.lakes[W.lake[a]].up || 0) - (D.lakes[W.lake[b]].up || 0));
  const low =
    Math.min.apply(
      null,
      dated.map((w) => W.lo[w]),
    ) - 5;
  const high =
    Math.max.apply(
      null,
      dated.map((w) => (W.hi[w] === null ? W.mi[w] + 20 : W.hi[w])),
    ) + 5;
  const tall = dated.length * 26 + 44;
  const f = frame(box, low, high, 0, dated.length, {
    tall,
    left: (box.clientWidth || 360) < 560 ? 128 : 250,
    ticks: [],
    label: `${name} on all lakes by height, as a table below`,
  });
  dated
    .slice()
    .reverse()
    .forEach((w, n) => {
      const y = f.top + 13 + n * 26;
      const lake = D.lakes[W.lake[w]];
      const end = W.hi[w] === null ? high : W.hi[w];
      const label =
        lake.name.length > (f.left < 200 ? 13 : 26)
          ? `${lake.name.slice(0, f.left < 200 ? 12 : 25)}…`
          : lake.name;
      f.svg.appendChild(s("text", { x: f.left - 6, y: y + 1, "text-anchor": "end" }, label));
      f.svg.appendChild(
        s(
          "text",
          { class: "soft", x: f.left - 6, y: y + 13, "text-anchor": "end", "font-size": "10" },
          height(lake.up),
        ),
      );
      f.svg.appendChild(
        s("path", {
          class: "ink",
          "stroke-width": 3,
          opacity: 0.45,
          d: `M${f.x(W.lo[w])} ${y}H${f.x(end)}`,
        }),
      );
      f.svg.appendChild(
        s("path", { class: "mid", "stroke-width": 4, d: `M${f.x(W.mi[w])} ${y - 8}V${y + 8}` }),
      );
      f.svg.appendChild(
        s("text", { class: "soft", x: Math.min(f.x(W.mi[w]) + 6, f.right - 44), y: y - 4 }, day(W.mi[w])),
      );
    });
  if (D.asof >= low && D.asof <= high) issue(f);
  box.appendChild(f.svg);
}

/* Lakes at their places; a column as tall as the lake is high, filled by the chance. */
function mapPicture(box, insect, offset, name) {
  let placed = D.lakes.map((lake, k) => ({ lake, k, w: -1 })).filter((p) => p.lake.lat !== null);
  rowsOf(insect).forEach((w) => {
    placed.forEach((p) => {
      if (p.k === W.lake[w] && (p.w < 0 || chance(w, "active", offset) > chance(p.w, "active", offset))) {
        p.w = w;
      }
    });
  });
  placed = placed.filter((p) => p.w >= 0);
  if (!placed.length) {
    box.appendChild(h("p", { class: "none" }, "It lives on none of the lakes chosen."));
    return;
  }
  function extent(values) {
    return [Math.min.apply(null, values), Math.max.apply(null, values)];
  }
  const lat = extent(placed.map((p) => p.lake.lat));
  const lon = extent(placed.map((p) => p.lake.lon));
  const up = extent(placed.map((p) => p.lake.up || 0));
  const shrink = Math.cos((((lat[0] + lat[1]) / 2) * Math.PI) / 180);
  const width = Math.max(300, Math.min(box.clientWidth || 360, 900));
  const pad = 70;
  const tall = 62;
  const spanX = Math.max((lon[1] - lon[0]) * shrink, 0.02);
  const spanY = Math.max(lat[1] - lat[0], 0.02);
  const scale = Math.min((width - 2 * pad) / spanX, 460 / spanY);
  const high = spanY * scale + pad + tall + 30;
  const svg = s("svg", {
    viewBox: `0 0 ${width} ${high}`,
    width,
    height: high,
    role: "img",
    "aria-label": `${name} on the map, as a table below`,
  });
  placed.sort((a, b) => b.lake.lat - a.lake.lat);
  const taken = [];
  placed.forEach((p) => {
    p.x = pad + (p.lake.lon - lon[0]) * shrink * scale + (width - 2 * pad - spanX * scale) / 2;
    p.y = high - 30 - (p.lake.lat - lat[0]) * scale;
    p.chance = chance(p.w, "active", offset);
    p.rise = 12 + (48 * ((p.lake.up || 0) - up[0])) / Math.max(up[1] - up[0], 1);
    svg.appendChild(s("rect", { class: "col", x: p.x - 6, y: p.y - p.rise, width: 12, height: p.rise }));
    svg.appendChild(
      s("rect", {
        class: "colfill",
        x: p.x - 4.5,
        y: p.y - 1.5 - ((p.rise - 3) * p.chance) / 100,
        width: 9,
        height: ((p.rise - 3) * p.chance) / 100,
      }),
    );
    svg.appendChild(s("path", { class: "ink", d: `M${p.x - 9} ${p.y}H${p.x + 9}` }));
    taken.push({ x: p.x - 8, y: p.y - p.rise, w: 16, h: p.rise });
  });
  function free(b) {
    return (
      b.x >= 0 &&
      b.x + b.w <= width &&
      !taken.some((t) => t.x < b.x + b.w && b.x < t.x + t.w && t.y < b.y + b.h && b.y < t.y + t.h)
    );
  }
  placed.forEach((p) => {
    const text = p.lake.name.length > 18 ? `${p.lake.name.slice(0, 17)}…` : p.lake.name;
    const under = `${pct(p.chance)}, ${height(p.lake.up)}`;
    const wide = Math.max(text.length, under.length) * 7;
    [1, -1].some((side) => {
      const b = { x: side > 0 ? p.x + 11 : p.x - 11 - wide, y: p.y - 25, w: wide, h: 27 };
      const anchor = side > 0 ? "start" : "end";
      if (!free(b)) return false;
      taken.push(b);
      svg.appendChild(s("text", { x: p.x + side * 11, y: p.y - 13, "text-anchor": anchor }, text));
      svg.appendChild(s("text", { class: "soft", x: p.x + side * 11, y: p.y, "text-anchor": anchor }, under));
      return true;
    });
  });
  box.appendChild(svg);
  box.appendChild(
    asTable("The map as a table", `${name} on ${day(offset)}`, ["Lake", "Height", "Under way", "Stage"], () =>
      placed.map((p) => [lakeLink(p.k), height(p.lake.up), pct(p.chance), stageWord(p.w, offset)]),
    ),
  );
}
function stageWord(w, offset) {
  if (chance(w, "active", offset) >= EVEN) return "under way";
  if (W.mi[w] === null) return "no date";
  return offset < W.mi[w] ? "not yet" : "mostly over";
}
