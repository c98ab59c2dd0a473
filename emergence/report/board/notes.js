const NOTES = { list: [], kept: false, key: `emergence notes ${D.name}` };

/* What the browser keeps, null where it keeps nothing; text that cannot be read is laid aside, never written over. */
function storedNotes() {
  let text = null;
  try {
    text = localStorage.getItem(NOTES.key);
  } catch (error) {
    return null;
  }
  if (text === null) return [];
  try {
    const list = JSON.parse(text);
    if (Array.isArray(list) && list.every((note) => note && typeof note.kind === "string")) return list;
  } catch (error) {
    /* laid aside below */
  }
  return stored(`${NOTES.key}, not readable`, text) ? [] : null;
}
function stored(key, text) {
  try {
    localStorage.setItem(key, text);
    return true;
  } catch (error) {
    return false;
  }
}
function loadNotes() {
  const list = storedNotes();
  NOTES.list = list || NOTES.list;
  NOTES.kept = list !== null && stored(NOTES.key, JSON.stringify(list));
  sayWhere();
}
function sayWhere() {
  const where = $("n-where");
  where.className = NOTES.kept ? "" : "warned";
  where.textContent = NOTES.kept
    ? "They are kept in this browser until you remove them."
    : "This browser keeps nothing more: save or copy the notes before you close the page.";
}
/* Changes the list as it now is in the browser, so that a second page open beside this one loses nothing. */
function changeNotes(change) {
  const found = storedNotes();
  const kept = found || [];
  const here = NOTES.kept ? [] : NOTES.list.filter((note) => !kept.some((other) => sameNote(other, note)));
  NOTES.list = change(kept.concat(here));
  NOTES.kept = found !== null && stored(NOTES.key, JSON.stringify(NOTES.list));
  sayWhere();
  listNotes();
}
function sameNote(one, other) {
  return JSON.stringify(one) === JSON.stringify(other);
}
function number(text) {
  return Number(String(text).trim().replace(",", "."));
}
/* A number within bounds as text, "" where it may be blank, null where it is wrong. */
function checked(text, low, high, optional) {
  if (!String(text).trim()) return optional ? "" : null;
  const value = number(text);
  return isFinite(value) && value >= low && value <= high ? value : null;
}
function rounded(value) {
  return String(Math.round(value * 1e4) / 1e4);
}
function noteOf(form) {
  const kind = all("[name=kind]:checked", form)[0].value;
  const note = { kind, lake_id: form.lake.value, date: form.date.value };
  if (!/^\d{4}-\d\d-\d\d$/.test(note.date) || note.date > todayIso()) {
    return "Give a date that is not after today.";
  }
  if (kind === "ice") note.event = form.event.value;
  if (kind === "reading") {
    const f = D.units[0] === "F";
    const ft = D.units[1] === "ft";
    const water = checked(form.water.value, f ? 28 : -2, f ? 104 : 40, false);
    const depth = checked(form.depth.value, 0, ft ? 1000 : 300, true);
    const hour = checked(form.hour.value, 0, 24, true);
    if (water === null) {
      return `Water: a temperature in ${degreeSign()}, such as ${f ? "56" : "13.5"}.`;
    }
    if (depth === null) return `Depth: a number in ${D.units[1]}, or nothing.`;
    if (hour === null) return "Hour: a number from 0 to 24, or nothing.";
    note.water_c = rounded(f ? (water - 32) / 1.8 : water);
    note.depth_m = depth === "" ? "" : rounded(ft ? depth * 0.3048 : depth);
    note.hour = hour === "" ? "" : rounded(hour);
  }
  if (kind === "sighting") {
    const minutes = checked(form.minutes.value, 0, 1440, true);
    if (minutes === null) return "Minutes: a number, or nothing.";
    note.taxon = form.taxon.value;
    note.stage = form.stage.value;
    note.level = form.level.value;
    note.minutes = minutes === "" ? "" : rounded(minutes);
    note.observer = form.observer.value.trim();
    note.note = form.note.value.trim();
  }
  return note;
}
function cell(value) {
  const text = String(value === undefined ? "" : value).replace(/[\r\n]+/g, " ");
  return /[",]/.test(text) ? `"${text.replace(/"/g, '""')}"` : text;
}
function notesCsv() {
  const rows = NOTES.list.map((note) => D.columns.map((c) => cell(note[c])).join(","));
  return `${[D.columns.join(",")].concat(rows).join("\n")}\n`;
}
function noteWords(note) {
  const lake = D.lakes.find((l) => l.id === note.lake_id);
  const words = [note.date, lake ? lake.name : note.lake_id];
  if (note.kind === "reading") {
    words.push(`water ${Math.round(degrees(Number(note.water_c)) * 10) / 10} ${degreeSign()}`);
  }
  if (note.kind === "ice") words.push(`ice ${note.event}`);
  if (note.kind === "sighting") {
    words.push(
      `${(D.taxa.find((t) => t[0] === note.taxon) || ["", note.taxon])[1]}, ${note.stage.replace(
        "_",
        " ",
      )}: ${note.level}`,
    );
  }
  return words.join(", ");
}
function listNotes() {
  const box = emptied($("n-list"));
  if (!NOTES.list.length) {
    box.appendChild(h("p", { class: "none" }, "none yet"));
    return;
  }
  const list = h("ul", { class: "plain" });
  NOTES.list.forEach((note) => {
    const drop = h("button", { type: "button", "aria-label": `Remove: ${noteWords(note)}` }, "remove");
    drop.addEventListener("click", () => {
      changeNotes((kept) => kept.filter((other) => !sameNote(other, note)));
      $("n-said").textContent = "Removed.";
    });
    list.appendChild(h("li", {}, h("bdi", {}, noteWords(note)), " ", drop));
  });
  box.appendChild(list);
}
function startNotes() {
  const form = $("n-form");
  if (!form) return;
  D.lakes.forEach((lake) => {
    form.lake.appendChild(h("option", { value: lake.id }, clipped(lake.name)));
  });
  D.taxa.forEach((t) => {
    if (t[0] !== "-") form.taxon.appendChild(h("option", { value: t[0] }, clipped(t[1])));
  });
  form.date.value = form.date.max = todayIso();
  all("[name=kind]", form).forEach((radio) => {
    radio.addEventListener("change", () => {
      all("[data-for]", form).forEach((part) => {
        part.hidden = part.dataset.for !== radio.value;
      });
    });
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const note = noteOf(form);
    const said = $("n-said");
    if (typeof note === "string") {
      said.textContent = note;
      return;
    }
    let same = false;
    changeNotes((kept) => {
      same = kept.some((other) => sameNote(other, note));
      return same ? kept : kept.concat([note]);
    });
    form.water.value = form.note.value = "";
    said.textContent = (same ? "Noted before: " : "Noted: ") + noteWords(note);
  });
  $("n-save").addEventListener("click", () => {
    const url = URL.createObjectURL(new Blob([notesCsv()], { type: "text/csv" }));
    const a = h("a", { href: url, download: "notes.csv" });
    document.body.appendChild(a);
    a.click();
    a.remove();
    setTimeout(() => {
      URL.revokeObjectURL(url);
    }, 1000);
    $("n-said").textContent = "Saved as notes.csv. If nothing was saved, copy the text.";
  });
  $("n-copy").addEventListener("click", () => {
    hand($("n-text"), notesCsv(), $("n-said"), "Copied.");
  });
  $("n-clear").addEventListener("click", () => {
    if (
      NOTES.list.length &&
      window.confirm(`Remove all ${NOTES.list.length} kept notes from this browser?`)
    ) {
      changeNotes(() => []);
      $("n-said").textContent = "Removed.";
    }
  });
  /* Another page of this season changed them. */
  window.addEventListener("storage", (event) => {
    if (!NOTES.kept || (event.key !== NOTES.key && event.key !== null)) return;
    loadNotes();
    listNotes();
  });
  loadNotes();
  listNotes();
}
function clipped(text) {
  return text.length > 60 ? `${text.slice(0, 59)}…` : text;
}
