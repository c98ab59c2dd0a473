function freshness() {
  const p = $("fresh");
  const age = Math.round((Date.parse(todayIso()) - Date.parse(p.dataset.last)) / 864e5);
  if (age > 0) $("age").textContent = `, ${age}${age === 1 ? " day" : " days"} ago`;
  if (age > Number(p.dataset.stale)) {
    p.classList.add("stale");
    p.appendChild(h("span", {}, ". Get newer weather before you trust this week."));
  }
}
/* Season, insects and map begin with what stands first on the first screen. */
function preselect() {
  const first = document.querySelector("#view-now [data-list] > li");
  const key = first ? first.dataset.key : "";
  ["s-insect", "i-insect", "m-insect"].forEach((id) => {
    if (key && $(id)) $(id).value = key;
  });
}
/* Only a new width matters: phones change their height whenever the address bar comes or goes. */
function redrawWhenTurned() {
  let wait = 0;
  let width = window.innerWidth;
  window.addEventListener("resize", () => {
    if (window.innerWidth === width) return;
    width = window.innerWidth;
    clearTimeout(wait);
    wait = setTimeout(draw, 200);
  });
}
function start() {
  freshness();
  /* The browser must not scroll to a part by itself: parts are shown one at a time. */
  all("[data-view]").forEach((part) => {
    part.id = `view-${part.id}`;
  });
  all(".scripted").forEach((node) => {
    node.hidden = false;
  });
  const insects = {};
  D.insects.forEach((i, k) => {
    insects[groupOf(k)] = D.taxa[i[0]][0] === "-" ? "the lake itself" : D.taxa[i[0]][1];
  });
  Object.keys(insects).forEach((key) => {
    $("f-insect").appendChild(h("option", { value: key }, clipped(insects[key])));
  });
  ["f-region", "f-insect", "f-sure"].forEach((id) => {
    $(id).addEventListener("change", refilter);
  });
  ["s-insect", "s-sort", "s-chance"].forEach((id) => {
    $(id).addEventListener("change", drawSeason);
  });
  $("i-insect").addEventListener("change", drawInsect);
  if ($("m-day")) {
    $("m-day").value = iso(ahead());
    ["m-insect", "m-day"].forEach((id) => {
      $(id).addEventListener("change", drawMap);
    });
  }
  WEEK = thisWeek();
  $("w-back").addEventListener("click", () => {
    WEEK -= 7;
    drawWeek();
  });
  $("w-this").addEventListener("click", () => {
    WEEK = thisWeek();
    drawWeek();
  });
  $("w-on").addEventListener("click", () => {
    WEEK += 7;
    drawWeek();
  });
  $("w-copy").addEventListener("click", () => {
    const said = weekText();
    hand(
      $("w-text"),
      said.text,
      $("w-said"),
      `Copied.${said.hidden ? " Lakes not to be shared were left out." : ""}`,
    );
  });
  startNotes();
  window.addEventListener("hashchange", () => {
    show(true);
  });
  redrawWhenTurned();
  $("filters").open = window.innerWidth > 640;
  preselect();
  show(Boolean(location.hash));
}
start();
