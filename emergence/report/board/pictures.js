let PICTURE = 0;
const WIDEST = 1124;

/* Scales and axes of a chart of dates (offsets) against numbers. */
function frame(box, x0, x1, y0, y1, options) {
  const width = Math.max(280, Math.min(box.clientWidth || 360, WIDEST));
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
  months(x0 + 1, x1, false).forEach((m) => {
    svg.appendChild(s("path", { class: "month", d: `M${m.at} 1V16`, "vector-effect": "non-scaling-stroke" }));
  });
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
    const week = { x: W.bw[w], y: 1, width: 7, height: 15 };
    svg.appendChild(s("rect", Object.assign({ class: "halo" }, week)));
    svg.appendChild(s("rect", Object.assign({ class: "best" }, week)));
  }
  const today = todayOffset();
  svg.appendChild(
    s("path", { class: "issue", d: `M${D.asof + 1} 0V20`, "vector-effect": "non-scaling-stroke" }),
  );
  if (today > D.asof + 1 && today <= x1) {
    svg.appendChild(
      s("path", { class: "today", d: `M${today + 0.5} 0V20`, "vector-effect": "non-scaling-stroke" }),
    );
  }
  return svg;
}
/* Month names above strips. */
function monthAxis(reach) {
  const axis = h("span", { class: "axisrow", "aria-hidden": "true" });
  months(reach[0], reach[1], false).forEach((m) => {
    const along = (m.at - reach[0]) / (reach[1] - reach[0] + 1);
    if (along > 0.93) return;
    const tick = h("span", {}, m.name);
    tick.style.left = `${along * 100}%`;
    axis.appendChild(tick);
  });
  return axis;
}
function stripKey(reach) {
  const today = todayOffset();
  return h(
    "p",
    { class: "keyline" },
    h("span", {}, "shade: chance"),
    h("span", {}, "outlined: best week"),
    h("span", {}, "bar below: even odds"),
    h("span", {}, "broken line: as of"),
    today > D.asof + 1 && today <= reach[1] ? h("span", {}, "full line: today") : null,
  );
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
  iceDates.forEach((r, n) => {
    const x = f.x(r[0]);
    const tight = n > 0 && x - f.x(iceDates[n - 1][0]) < 44;
    f.svg.appendChild(s("path", { class: "ink", d: `M${x} ${f.top}V${f.floor}` }));
    f.svg.appendChild(s("text", { x: x + 3, y: f.top + (tight ? 23 : 10) }, `ice ${r[1]}`));
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

/* The stages' patterns: dots, slanted lines, full, level lines. */
function stagePatterns(id) {
  const pattern = (n, attrs, ...children) =>
    s("pattern", Object.assign({ id: id + n, patternUnits: "userSpaceOnUse" }, attrs), ...children);
  return s(
    "defs",
    {},
    pattern(
      0,
      { width: 7, height: 7 },
      s("rect", { class: "p0", width: 7, height: 7 }),
      s("circle", { class: "pd", cx: 2, cy: 2, r: 0.9 }),
    ),
    pattern(
      1,
      { width: 6, height: 6, patternTransform: "rotate(45)" },
      s("rect", { class: "p1", width: 6, height: 6 }),
      s("path", { class: "pl", d: "M0 0V6" }),
    ),
    pattern(2, { width: 4, height: 4 }, s("rect", { class: "p2", width: 4, height: 4 })),
    pattern(
      3,
      { width: 6, height: 5 },
      s("rect", { class: "p3", width: 6, height: 5 }),
      s("path", { class: "pl", d: "M0 2H6" }),
    ),
  );
}

/* Which stages are about: shares stacked, each with a pattern and its name. */
function stagePicture(box, k, taxon) {
  const packed = D.stages[`${k}/${taxon}`];
  if (!packed) return;
  const series = packed.slice(1).map(single);
  const moves = Math.max.apply(null, series[2]) > 0;
  const xs = series[0].map((v, n) => packed[0] + 7 * n);
  const f = frame(box, xs[0], xs[xs.length - 1], 0, 100, {
    label: "Stages about, as a table below",
    tall: 190,
    ticks: [0, 50, 100],
  });
  const id = `stage${++PICTURE}-`;
  f.svg.insertBefore(stagePatterns(id), f.svg.firstChild);
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
    asTable("Stages as a table", "Shares of the stages by week", ["Date"].concat(STAGES), () =>
      xs.map((x, n) => [day(x)].concat(series.map((v) => pct(v[n])))),
    ),
  );
}
