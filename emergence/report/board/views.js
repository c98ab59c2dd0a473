let VIEW = "now";

/* ------------------------------------------------ filters of the first screen */
function filterLists() {
  const region = $("f-region").value;
  const group = $("f-insect").value;
  const sure = $("f-sure").checked;
  let left = 0;
  const narrowed = Boolean(region || group || sure);
  all("#view-now [data-list] > li").forEach((li) => {
    const keep =
      (!region || li.dataset.region === region) &&
      (!group || li.dataset.group === group) &&
      (!sure || li.dataset.sure === "1");
    li.hidden = !keep;
    if (keep) left++;
  });
  all("#view-now details[data-more]").forEach((more) => {
    const kept = all("li:not([hidden])", more).length;
    more.hidden = !kept;
    if (narrowed) more.open = true;
  });
  all("#view-now [data-empty]").forEach((none) => {
    const lists = [];
    let node = none.previousElementSibling;
    while (node && node.tagName !== "P" && node.tagName !== "H2") {
      lists.push(node);
      node = node.previousElementSibling;
    }
    none.hidden = lists.some((l) => l.querySelector("li:not([hidden])"));
  });
  all("#lake-index li").forEach((li) => {
    li.hidden = Boolean(region) && li.dataset.region !== region;
  });
  $("f-count").textContent = narrowed ? (VIEW === "now" ? `${left} shown` : "on") : "";
}
function refilter() {
  filterLists();
  draw();
}

/* ------------------------------------------------ season strips */
/* A window's best week, else its middle, last what has neither. */
function soonest(w) {
  return W.bw[w] !== null ? W.bw[w] : W.mi[w] !== null ? W.mi[w] : 1e9;
}
function turning(w) {
  return groupOf(W.insect[w]) === "lake";
}
function drawSeason() {
  const insect = indexOfKey($("s-insect").value);
  const which = $("s-chance").value;
  const box = emptied($("s-strips"));
  const rows = rowsOf(insect);
  const reach = reachOf(rows, which);
  const name = D.insects[insect][3];
  if (!reach) {
    box.appendChild(h("p", { class: "none" }, "No date has a chance of 5 % or more on the lakes chosen."));
    return;
  }
  const sorts = {
    soon(a, b) {
      return soonest(a) - soonest(b);
    },
    up(a, b) {
      return (D.lakes[W.lake[a]].up || 0) - (D.lakes[W.lake[b]].up || 0);
    },
    name(a, b) {
      return D.lakes[W.lake[a]].name.localeCompare(D.lakes[W.lake[b]].name);
    },
  };
  rows.sort(sorts[$("s-sort").value]);
  const strips = rows.map((w) => {
    const lake = D.lakes[W.lake[w]];
    const start = turning(w) && W.mi[w] !== null ? `begins ${day(W.mi[w])}` : "no week stands out";
    const best = W.bw[w] === null ? start : span(W.bw[w], W.bw[w] + 6);
    return h(
      "tr",
      {},
      h(
        "th",
        { scope: "row" },
        lakeLink(W.lake[w]),
        h("small", {}, [height(lake.up), W.sure[w] ? "" : "may live here"].filter(Boolean).join(", ")),
      ),
      h("td", { class: "strip" }, strip(w, which, reach[0], reach[1])),
      h(
        "td",
        {},
        h("b", {}, best),
        h(
          "small",
          {},
          `${W.bw[w] === null ? "" : `${pct(W.chance[w])}; `}even odds ${span(W.es[w], W.ee[w]) || "on no day yet"}`,
        ),
      ),
    );
  });
  box.appendChild(
    h(
      "table",
      { class: "strips" },
      h("caption", {}, name),
      h(
        "thead",
        {},
        h(
          "tr",
          {},
          h("th", { scope: "col" }, "Lake"),
          h(
            "th",
            { scope: "col", class: "strip" },
            h("span", { class: "vh" }, "Chance by date"),
            monthAxis(reach),
          ),
          h("th", { scope: "col" }, rows.every(turning) ? "Turnover" : "Best week"),
        ),
      ),
      filled(h("tbody", {}), {}, strips),
    ),
  );
  box.appendChild(stripKey(reach));
  box.appendChild(
    asTable(
      "Chances by week as a table",
      `${name}: ${$("s-chance").selectedOptions[0].textContent}, on the Monday of each week`,
      ["Lake"].concat(mondays(reach).map(day)),
      () =>
        rows.map((w) =>
          [D.lakes[W.lake[w]].name].concat(mondays(reach).map((d) => pct(chance(w, which, d)))),
        ),
    ),
  );
}
function mondays(reach) {
  const out = [];
  for (let d = reach[0] - weekday(reach[0]) + 7; d <= reach[1]; d += 7) out.push(d);
  return out;
}

/* ------------------------------------------------ calendar week */
let WEEK = 0;
const NEAR = 28;
/* The first day that still lies ahead: today while the forecast is young enough, else the day after the issue date. */
function ahead() {
  const today = todayOffset();
  return today > D.asof && today <= D.asof + NEAR ? today : D.asof + 1;
}
function thisWeek() {
  return ahead() - weekday(ahead());
}
function weekRows() {
  const out = [];
  const group = $("f-insect").value;
  for (let w = 0; w < N; w++) {
    if (!shown(w) || (group ? groupOf(W.insect[w]) !== group : turning(w))) continue;
    const chances = [0, 1, 2, 3, 4, 5, 6].map((k) => chance(w, "moving", WEEK + k));
    const expected = chances.reduce((a, b, k) => a + (WEEK + k >= ahead() ? b : 0), 0) / 100;
    if (expected >= 1) out.push({ w, chances, expected });
  }
  return out.sort((a, b) => W.sure[b.w] - W.sure[a.w] || b.expected - a.expected);
}
function groupOf(insect) {
  const key = D.taxa[D.insects[insect][0]][0];
  return key === "-" ? "lake" : key;
}
function drawWeek() {
  const box = emptied($("w-table"));
  const rows = weekRows();
  const title = `Week of ${span(WEEK, WEEK + 6)}`;
  $("w-title").textContent = title;
  $("w-text").hidden = true;
  $("w-said").textContent = "";
  if (!rows.length) {
    box.appendChild(h("p", { class: "none" }, "Nothing with one expected moving day this week."));
    return;
  }
  const heads = h("tr", {}, h("th", { scope: "col" }, "Lake and insect"));
  DAYS.forEach((name, k) => {
    heads.appendChild(
      h("th", { scope: "col", class: "d" }, name, h("small", {}, date(WEEK + k).getUTCDate())),
    );
  });
  heads.appendChild(h("th", { scope: "col", class: "n" }, "Days"));
  const body = h("tbody", {});
  rows.slice(0, 120).forEach((r) => {
    const tr = h(
      "tr",
      {},
      h(
        "th",
        { scope: "row" },
        lakeLink(W.lake[r.w]),
        h("small", {}, D.insects[W.insect[r.w]][3] + (W.sure[r.w] ? "" : " (may live here)")),
      ),
    );
    r.chances.forEach((c, k) => {
      tr.appendChild(
        h(
          "td",
          { class: "d" },
          WEEK + k < ahead()
            ? h("span", { class: "gone" }, "past")
            : h("span", { class: `q${step(c)}` }, c <= 0 ? "<1" : c >= 100 ? ">99" : c),
        ),
      );
    });
    tr.appendChild(h("td", { class: "n" }, r.expected.toFixed(1)));
    body.appendChild(tr);
  });
  box.appendChild(
    h(
      "div",
      { class: "scroll", tabindex: "0", role: "region", "aria-label": title },
      h(
        "table",
        { class: "days" },
        h(
          "caption",
          {},
          `Chance of a moving day, %; Days: expected moving days${
            WEEK < ahead() && WEEK + 6 >= ahead() ? " of those still ahead" : ""
          }`,
        ),
        h("thead", {}, heads),
        body,
      ),
    ),
  );
  if (rows.length > 120) {
    box.appendChild(h("p", { class: "none" }, `${rows.length - 120} more: choose a region or an insect.`));
  }
}
function weekText() {
  const left = Math.max(0, Math.min(7, WEEK + 7 - ahead()));
  const lines = [
    `${D.name}, ${span(WEEK, WEEK + 6)}, as of ${day(D.asof)}`,
    `Insects that should show, on how many of the ${left === 7 ? "seven days" : `days left (${left})`}:`,
  ];
  let hidden = 0;
  const byLake = new Map();
  weekRows().forEach((r) => {
    const lake = D.lakes[W.lake[r.w]];
    if (!W.sure[r.w]) return;
    if (!D.guest && !lake.share && !$("w-all").checked) {
      hidden++;
      return;
    }
    if (!byLake.has(lake)) byLake.set(lake, []);
    byLake.get(lake).push(`${D.insects[W.insect[r.w]][3]}: ${r.expected.toFixed(1)}, best ${bestDay(r)}`);
  });
  byLake.forEach((texts, lake) => {
    lines.push("", lake.name, ...texts.map((text) => `- ${text}`));
  });
  if (!byLake.size) lines.push("", "None known to live there with one expected day.");
  lines.push(
    "",
    "From air temperature alone: no wind, thunder, blooms or closures. Never judge ice from it. Local rules come first.",
  );
  return { text: lines.join("\n"), hidden };
}
/* The likeliest day still ahead in the week shown, with its chance: "Fri 16 May (85 %)". */
function bestDay(r) {
  let best = Math.max(0, ahead() - WEEK);
  r.chances.forEach((c, k) => {
    if (k > best && c > r.chances[best]) best = k;
  });
  return `${DAYS[best]} ${day(WEEK + best)} (${pct(r.chances[best])})`;
}
function hand(area, text, said, words) {
  area.hidden = false;
  area.value = text;
  area.focus();
  area.select();
  function done(ok) {
    said.textContent = ok ? words : "Copy the marked text below.";
  }
  if (navigator.clipboard && navigator.clipboard.writeText) {
    navigator.clipboard.writeText(text).then(
      () => {
        done(true);
      },
      () => {
        done(document.execCommand("copy"));
      },
    );
  } else {
    done(document.execCommand("copy"));
  }
}

/* ------------------------------------------------ insects, map, lake pages */
function drawInsect() {
  const insect = indexOfKey($("i-insect").value);
  const box = emptied($("i-chart"));
  const rows = rowsOf(insect);
  const name = D.insects[insect][3];
  box.appendChild(h("h3", {}, name));
  rows.sort((a, b) => (D.lakes[W.lake[b]].up || 0) - (D.lakes[W.lake[a]].up || 0));
  heightPicture(box, rows, name);
  const out = h("div", {
    class: "scroll wide",
    tabindex: "0",
    role: "region",
    "aria-label": `${name} by lake`,
  });
  out.appendChild(
    table(
      "By lake, the highest first",
      ["Lake", "Begin", "Middle", "8 in 10 between", "End", "Best week", "Not this season"],
      rows.map((w) => [
        h("span", {}, lakeLink(W.lake[w]), W.sure[w] ? "" : h("small", {}, "may live here")),
        day(W.on[w]),
        day(W.mi[w]),
        W.lo[w] === null ? "" : `${day(W.lo[w])} and ${day(W.hi[w]) || "beyond"}`,
        day(W.en[w]),
        W.bw[w] === null ? "" : `${span(W.bw[w], W.bw[w] + 6)} (${pct(W.chance[w])})`,
        pct(W.none[w]),
      ]),
    ),
  );
  box.appendChild(out);
}
function drawMap() {
  const insect = indexOfKey($("m-insect").value);
  const box = emptied($("m-chart"));
  const offset = $("m-day").value ? offsetOf($("m-day").value) : D.asof + 1;
  mapPicture(box, insect, offset, D.insects[insect][3]);
}

/* ------------------------------------------------ which part is shown */
function draw() {
  if (VIEW === "season") drawSeason();
  if (VIEW === "week") drawWeek();
  if (VIEW === "insects") drawInsect();
  if (VIEW === "map") drawMap();
  if (VIEW.indexOf("lake-") === 0) drawLake(Number(VIEW.slice(5)));
}
function show(moved) {
  const wanted = location.hash.slice(1);
  const parts = all("[data-view]");
  if (wanted === "main") {
    $("main").focus();
    return;
  }
  VIEW = parts.some((p) => p.dataset.view === wanted) ? wanted : "now";
  parts.forEach((p) => {
    p.hidden = p.dataset.view !== VIEW;
  });
  all(".tabs a").forEach((a) => {
    const here = a.getAttribute("href") === `#${VIEW.indexOf("lake-") === 0 ? "lakes" : VIEW}`;
    if (here) a.setAttribute("aria-current", "page");
    else a.removeAttribute("aria-current");
    if (here && a.scrollIntoView && moved) a.scrollIntoView({ block: "nearest", inline: "nearest" });
  });
  $("filters").hidden = ["now", "season", "week", "lakes", "insects", "map"].indexOf(VIEW) < 0;
  $("l-insect").hidden = VIEW !== "now" && VIEW !== "week";
  $("l-sure").hidden = VIEW === "lakes";
  filterLists();
  draw();
  if (moved) {
    window.scrollTo(0, 0);
    $("main").focus({ preventScroll: true });
  }
}
