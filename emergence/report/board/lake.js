const STAGES = ["young", "mature", "on the move", "adults"];

function drawLake(k) {
  const page = $(`view-lake-${k}`);
  const water = emptied(all("[data-water]", page)[0]);
  const detail = emptied(all("[data-detail]", page)[0]);
  waterPicture(water, k);
  lakeStrips(water, k);
  const taxa = lakeTaxa(k);
  if (taxa.some((t) => D.stages[`${k}/${t}`])) stageBoard(detail, k, taxa);
  if (taxa.length) {
    detail.appendChild(h("h3", { class: "unfolds" }, "Heat and stages through the season"));
    taxa.forEach((t) => detail.appendChild(unfolding(D.taxa[t][1], (box) => heatAndStages(box, k, t))));
  }
  pager(all(".pager", page)[0], k);
}
function heatAndStages(box, k, t) {
  heatPicture(box, k, t);
  stagePicture(box, k, t);
}
/* Something that is drawn when it is first opened. */
function unfolding(title, fill) {
  const box = h("div", {});
  const out = h("details", { class: "unfold" }, h("summary", {}, title), box);
  out.addEventListener("toggle", () => {
    if (out.open && !box.firstChild) fill(box);
  });
  return out;
}
/* A lake's windows, insects known to live there first, then by their middle date. */
function lakeRows(k) {
  const late = (w) => (W.mi[w] === null ? Infinity : W.mi[w]);
  const out = [];
  for (let w = 0; w < N; w++) if (W.lake[w] === k) out.push(w);
  return out.sort((a, b) => W.sure[b] - W.sure[a] || (late(a) < late(b) ? -1 : late(a) > late(b) ? 1 : 0));
}
function lakeTaxa(k) {
  const known = lakeRows(k).map((w) => D.insects[W.insect[w]][0]);
  return Array.from(new Set(known)).filter((t) => D.heat[`${k}/${t}`] || D.stages[`${k}/${t}`]);
}

/* The lake's own strips: insects down, dates across; the table below says the same in words. */
function lakeStrips(box, k) {
  const rows = lakeRows(k).filter((w) => W.moving[w].length);
  const reach = reachOf(rows, "moving");
  if (!reach) return;
  const list = h("div", { class: "lakestrips", "aria-hidden": "true" }, monthAxis(reach));
  rows.forEach((w) => {
    const name = D.insects[W.insect[w]][3] + (W.sure[w] ? "" : " (may live here)");
    list.appendChild(h("p", {}, name));
    list.appendChild(strip(w, "moving", reach[0], reach[1]));
  });
  box.appendChild(h("h3", {}, "The season here: chance of a moving day"));
  box.appendChild(list);
  box.appendChild(stripKey(reach));
}

/* Which stages are about on one day: a bar for each insect, the numbers beside it. */
function stageBoard(box, k, taxa) {
  const picked = h("input", { type: "date", value: iso(ahead()) });
  const out = h("div", {});
  const move = (days) => {
    if (picked.value) picked.value = iso(offsetOf(picked.value) + days);
    fill();
  };
  const button = (text, days) => {
    const b = h("button", { type: "button" }, text);
    b.addEventListener("click", () => move(days));
    return b;
  };
  function fill() {
    emptied(out);
    if (picked.value) stageTable(out, k, taxa, offsetOf(picked.value));
  }
  picked.addEventListener("change", fill);
  box.appendChild(h("h3", {}, "Stage board: what is about on a day"));
  box.appendChild(
    h(
      "div",
      { class: "filters", role: "group", "aria-label": "Day of the stage board" },
      button("Week before", -7),
      h("label", {}, "Day ", picked),
      button("Week after", 7),
    ),
  );
  box.appendChild(out);
  fill();
}
function stageTable(box, k, taxa, offset) {
  const rows = [];
  taxa.forEach((t) => {
    const shares = sharesOn(k, t, offset);
    if (shares) rows.push([D.taxa[t][1], stageBar(shares)].concat(shares.map((v) => pct(v))));
  });
  if (!rows.length) {
    box.appendChild(h("p", { class: "none" }, "Next to nothing lives in or above the lake that day."));
    return;
  }
  const caption = `${D.lakes[k].name} on ${day(offset)}: shares of all that live in or above the lake`;
  const table_ = table(caption, ["Insect", "From the left"].concat(STAGES), rows);
  table_.className = "stages";
  box.appendChild(
    h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": caption }, table_),
  );
}
/* Shares by stage on a day, null where nothing lives; between weeks the nearest, beyond the series its end. */
function sharesOn(k, t, offset) {
  const packed = D.stages[`${k}/${t}`];
  if (!packed) return null;
  const weeks = packed[1].length;
  const n = Math.max(0, Math.min(weeks - 1, Math.round((offset - packed[0]) / 7)));
  const shares = packed.slice(1).map((text) => LEVEL[text[n]]);
  return shares.some((v) => v > 0) ? shares : null;
}
function stageBar(shares) {
  const svg = s("svg", {
    class: "stagebar",
    width: 162,
    height: 20,
    viewBox: "0 0 160 18",
    "aria-hidden": "true",
  });
  const id = `bar${++PICTURE}-`;
  svg.appendChild(stagePatterns(id));
  let x = 0;
  shares.forEach((v, stage) => {
    const width = 1.6 * v;
    svg.appendChild(
      s("rect", { x, y: 0, width, height: 18, fill: `url(#${id}${stage})`, class: "stage-edge" }),
    );
    x += width;
  });
  return svg;
}

function pager(box, k) {
  const link = (to, before, after) =>
    h("a", { href: `#lake-${to}` }, before, h("bdi", {}, fitted(D.lakes[to].name, 40)), after);
  emptied(box);
  if (k > 0) box.appendChild(link(k - 1, "← ", ""));
  box.appendChild(h("a", { href: "#lakes" }, "all lakes"));
  if (k < D.lakes.length - 1) box.appendChild(link(k + 1, "", " →"));
}
