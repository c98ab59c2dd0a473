"""Regions side by side in the terminal and as JSON."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Sequence
from typing import Any

import pandas as pd

from emergence.report.tables import FORMAT, as_text, columns, published
from emergence.report.text import Column, plain, set_line, widths, wrap
from emergence.report.units import FOOT_M
from emergence.report.words import EVENT_ORDER, blank, count, day, day_and_year, insect_words, shift_words
from emergence.runs.results import RegionsResult

WIDTH = 80
WEEKS_SHOWN, EVENTS_SHOWN, GROUPS_SHOWN = 6, 5, 12
AHEAD_D = 42
LEAST_SHARE = 0.05
FEET_STEP = 1000
ALL = "*"
EVENT_KEYS = ["taxon", "brood", "event"]
LEAVES = "2.2 to 3.4 days for each 100 m (Vitasse et al. 2018), 3.3 (Hopkins 1920)"
BAND = re.compile(r"(-?\d+)-(-?\d+)")
WHERE = (Column("", least=10), Column("lakes", right=True, gap=1), Column("onset"), Column("peak"))
SPREAD = (Column("spread", right=True, gap=1), Column("normal", right=True, gap=1))


def group_words(region: str, band: str, length_unit: str) -> str:
    """Return what a group of lakes is called: ``fell``, ``300-600 m``, ``fell, 900-1200 m`` or ``all lakes``."""
    parts = [] if region == ALL else [plain(region)]
    return ", ".join(parts + ([] if band == ALL else [band_words(band, length_unit)])) or "all lakes"


def band_words(band: str, length_unit: str) -> str:
    """Return a height band in the unit shown."""
    found = BAND.fullmatch(band)
    if length_unit != "ft" or not found:
        return f"{band} m"
    low, high = (round(int(edge) / FOOT_M) for edge in found.groups())
    return f"{low}-{high} ft"


def signed_days(days: float) -> str:
    """Return ``-3``, ``+2`` or ``0``; nothing where it is not known."""
    if pd.isna(days):
        return ""
    whole = round(days)
    return f"{whole:+d}" if whole else "0"


def event_name(result: RegionsResult, taxon: str, brood: int, event: str) -> str:
    """Return what an event is called; a brood is named only where the taxon has more than one."""
    broods = result.table.loc[result.table["taxon"] == taxon, "brood"].nunique()
    words = plain(insect_words(result.taxa.get(taxon), taxon, event, brood if broods > 1 else 0))
    return words[:1].upper() + words[1:]


def headline_events(result: RegionsResult, *, most: int = EVENTS_SHOWN) -> list[tuple[str, int, str]]:
    """Return what is on or comes within six weeks in a fifth of the lakes: known residents and the soonest first."""
    rows = result.table
    soon = pd.Timestamp(result.as_of + dt.timedelta(days=AHEAD_D))
    near = rows["week_start"].between(pd.Timestamp(result.as_of - dt.timedelta(days=6)), soon)
    rows = rows[near & (rows["share_active"] >= 0.2)]
    found = rows.groupby(EVENT_KEYS, sort=False).agg(known=("lakes_known", "max"), peak=("peak_p50", "min"))
    found = found.reset_index()
    found = found.assign(
        unknown=found["known"] == 0, rank=found["event"].map({e: i for i, e in enumerate(EVENT_ORDER)})
    )
    found = found.sort_values(["unknown", "rank", "peak"], kind="stable", na_position="last")
    return [(str(t), int(b), str(e)) for t, b, e in found[EVENT_KEYS].head(most).itertuples(index=False)]


def weeks_from(result: RegionsResult, rows: pd.DataFrame, *, most: int = WEEKS_SHOWN) -> list[pd.Timestamp]:
    """Return the Mondays to show: from this week on, or, where nothing is on in them, from the first with something."""
    first = result.as_of + dt.timedelta(days=1)
    monday = pd.Timestamp(first - dt.timedelta(days=first.weekday()))
    shown = [monday + pd.Timedelta(days=7 * k) for k in range(most)]
    some = rows.loc[rows["share_active"] >= LEAST_SHARE, "week_start"]
    if len(some) and not some.isin(shown).any():
        shown = [some.min() + pd.Timedelta(days=7 * k) for k in range(most)]
    return shown


def region_lines(result: RegionsResult, *, most: int = EVENTS_SHOWN) -> list[str]:
    """Return the terminal's screen: lines of at most 80 cells."""
    unit = result.length_unit
    band = f"{result.band_m / FOOT_M:.0f} ft" if unit == "ft" else f"{result.band_m:g} m"
    lines = wrap(f"REGIONS: {plain(result.name)}, as of {day_and_year(result.as_of)}", WIDTH)
    lines += [f"{count(result.lakes, 'lake')}; height bands of {band}."]
    lines += ["", "THE SEASON AGAINST THE NORMAL YEAR", *_season_lines(result)]
    events = headline_events(result, most=most)
    for event in events:
        lines += ["", *_event_lines(result, *event)]
    more = len(result.table[EVENT_KEYS].drop_duplicates()) - len(events)
    if more:
        lines += ["", *wrap(f"{more} more with --taxon, --out or --json.", WIDTH)]
    return [*lines, "", *_legend(result)]


def _season_lines(result: RegionsResult) -> list[str]:
    rows = result.seasons[result.seasons["days_vs_normal"].notna()]
    if rows.empty:
        return wrap("Not known: no weather before the season's first day.", WIDTH, first="  ", rest="  ")
    shown = whole_first(rows)[:GROUPS_SHOWN]
    table = (Column("", least=10), Column("lakes", right=True, gap=1), Column("", least=20), Column(""))
    text = [
        [group_words(r.region, r.band, result.length_unit), str(r.lakes), season_words(r.days_vs_normal), _like(r)]
        for r in shown
    ]
    wide = widths(table, text, WIDTH)
    return [set_line([c.title for c in table], table, wide), *(set_line(row, table, wide) for row in text)]


def season_words(days: float) -> str:
    """Return ``3 days earlier than normal`` or ``as in the normal year``."""
    return f"{shift_words(days)} than normal" if round(days) else "as in the normal year"


def _like(row: Any) -> str:
    if not row.like_year:
        return ""
    return f"most like {row.like_year}" + ("" if pd.isna(row.noise_days) else f" (± {max(row.noise_days, 1):.0f} d)")


def whole_first(rows: pd.DataFrame) -> list[Any]:
    """Return the rows of all lakes together, then those of whole regions and whole bands."""
    whole = (rows["band"] == ALL) & rows["region"].isin([ALL, f"{ALL} north", f"{ALL} south"])
    return [*rows_of(rows[whole]), *rows_of(rows[rows["single"]])]


def _event_lines(result: RegionsResult, taxon: str, brood: int, event: str) -> list[str]:
    rows = event_rows(result.table, taxon, brood, event)
    weeks = weeks_from(result, rows)
    titles = [day(w) if k == 0 or w.day <= 7 else str(w.day) for k, w in enumerate(weeks)]
    table = (*WHERE, *SPREAD, *(Column(title, right=True, gap=1 + (k == 0)) for k, title in enumerate(titles)))
    single = [(r.region, r.band) for r in rows_of(result.seasons[result.seasons["single"]])]
    text = [
        _event_row(result, part, weeks)
        for region, band in single[:GROUPS_SHOWN]
        if len(part := rows[(rows["region"] == region) & (rows["band"] == band)])
    ]
    wide = widths(table, text, WIDTH)
    lines = [*wrap(event_name(result, taxon, brood, event), WIDTH), set_line([c.title for c in table], table, wide)]
    lines += [set_line(row, table, wide) for row in text]
    for words in (climb_words(result, taxon, brood, event), move_words(result, taxon, brood, event)):
        lines += wrap(words, WIDTH, first="  ", rest="  ") if words else []
    return lines


def rows_of(frame: pd.DataFrame) -> list[Any]:
    """Return the rows of a table by their columns' names."""
    return list(frame.itertuples(index=False))


def event_rows(frame: pd.DataFrame, taxon: str, brood: int, event: str) -> pd.DataFrame:
    """Return one event's rows of a table."""
    return frame[(frame["taxon"] == taxon) & (frame["brood"] == brood) & (frame["event"] == event)]


def _event_row(result: RegionsResult, part: pd.DataFrame, weeks: Sequence[pd.Timestamp]) -> list[str]:
    one = part.iloc[0]
    share = dict(zip(part["week_start"], part["share_active"], strict=True))
    spread = "" if pd.isna(one["spread_days"]) else f"{one['spread_days']:.0f}"
    where = group_words(one["region"], one["band"], result.length_unit)
    cells = [where, str(one["lakes"]), _day(one["onset_p50"]), _day(one["peak_p50"]), spread]
    return [*cells, signed_days(one["days_vs_normal"]), *(f"{100 * share.get(w, 0.0):.0f}" for w in weeks)]


def _day(date: Any) -> str:
    return "-" if blank(date) else day(date)


def climb_words(result: RegionsResult, taxon: str, brood: int, event: str) -> str:
    """Return how an event climbs and how well that is known; "" where the event has no lakes with dates."""
    found = event_rows(result.climbs, taxon, brood, event)
    return " ".join(_climb_sentence(result, row) for row in rows_of(found) if row.lakes)


def _climb_sentence(result: RegionsResult, row: Any) -> str:
    many = count(row.lakes, "lake")
    if pd.isna(row.per_100m) and pd.isna(row.per_degree):
        return f"How it climbs cannot be told: {many}, too few or too near to each other in height."
    slopes = _slopes(result, row)
    told, open_ = ([text for text, known in slopes if known is wanted] for wanted in (True, False))
    among = f"{many}, compared within their region" if row.within else many
    said = [f"It climbs {' and '.join(told)}; {among}."] if told else []
    if open_:
        said.append(f"Not told from no climb by {many}: {' and '.join(open_)}.")
    if row.lakes_wanted > row.lakes:
        said.append(f"To know the climb with height to a day takes some {_rounded(row.lakes_wanted)} lakes.")
    if pd.isna(row.per_degree):
        why = "from height here" if row.together else "by so few regions, so near in it"
        said.append(f"Latitude cannot be told {why}.")
    return " ".join(said)


def _slopes(result: RegionsResult, row: Any) -> list[tuple[str, bool]]:
    """Return each slope in words with its interval, and whether that leaves out 0."""
    scale, step = (FOOT_M * FEET_STEP / 100, f"{FEET_STEP} ft") if result.length_unit == "ft" else (1.0, "100 m")
    found = []
    for name, by, of in (("per_100m", scale, step), ("per_degree", 1.0, "degree of latitude")):
        days, low, high = (getattr(row, f"{name}{end}") * by for end in ("", "_low", "_high"))
        if not pd.isna(days):
            words = f"{days:.1f} days for each {of} ({low:.1f} to {high:.1f})"
            found.append((words, bool(low > 0 or high < 0)))
    return found


def _rounded(lakes: int) -> int:
    """Return a number of lakes to one digit, upwards."""
    step = int(10 ** (len(str(lakes)) - 1))
    return -(-lakes // step) * step


def move_words(result: RegionsResult, taxon: str, brood: int, event: str) -> str:
    """Return where an event moves next, regions and then bands, the soonest first; "" where it moves nowhere."""
    found = event_rows(result.moves, taxon, brood, event)
    by_region, by_height = (_stops(result, found[(found["band"] == ALL) == regions]) for regions in (True, False))
    said = [
        f"{lead} {words}" for lead, words in (("Moves next to", by_region), ("By height next to", by_height)) if words
    ]
    return " ".join(f"{words}." for words in said)


def _stops(result: RegionsResult, found: pd.DataFrame) -> str:
    unit = result.length_unit
    return ", then ".join(
        f"{group_words(r.region, r.band, unit)} (week of {day(r.week_start)}, {100 * r.share_active:.0f} %)"
        for r in rows_of(found.head(2))
    )


def _legend(result: RegionsResult) -> list[str]:
    issue = "the season's first day" if result.normal_as_of is None else day_and_year(result.normal_as_of)
    springs = count(result.past_years, "past spring")
    said = [
        "onset, peak: half of the lakes and possible seasons have come to it; spread: days from the first to the last "
        "tenth of the peaks. Weeks: per cent of the lakes where it is under way, week from that Monday.",
        "Climb, in brackets: 95 % confidence interval over the lakes' middle dates; what insects of neighbouring lakes "
        f"differ in beyond them is not in it. Published for leaves in spring: {LEAVES}.",
        "normal: days against the normal year by the weather, this season's notes aside; - ahead, + behind. The normal "
        f"year is this forecast as of {issue}: each lake under each of {springs}, moved to today's climate. A past "
        "year is the lakes under its spring, ± the chance of few draws.",
    ]
    return [line for words in said for line in wrap(words, WIDTH)]


def regions_csv(result: RegionsResult) -> str:
    """Return regions.csv."""
    return str(as_text(result.table, "regions").to_csv(index=False, lineterminator="\n"))


def regions_json(result: RegionsResult) -> str:
    """Return regions.csv's twin in JSON, with what was fitted and compared beside it; ASCII, blanks null."""
    rows = published(result.table, "regions")
    data = {
        "format": FORMAT,
        "table": "regions",
        "name": result.name,
        "as_of": result.as_of.isoformat(),
        "band_m": result.band_m,
        "normal_as_of": None if result.normal_as_of is None else result.normal_as_of.isoformat(),
        "past_years": result.past_years,
        "climbs": _records(result.climbs),
        "moves": _records(result.moves),
        "seasons": _records(result.seasons.drop(columns="single")),
        "years": _records(result.years),
        "regions": _records(rows[list(columns("regions"))]),
    }
    return json.dumps(data, indent=1, allow_nan=False) + "\n"


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    shown = frame.copy()
    for name in shown:
        if pd.api.types.is_datetime64_any_dtype(shown[name]):
            shown[name] = shown[name].dt.strftime("%Y-%m-%d")
        elif pd.api.types.is_float_dtype(shown[name]):
            shown[name] = shown[name].round(4)
    values = shown.astype(object).where(shown.notna(), None)
    names = [str(name) for name in values.columns]
    return [
        {
            name: f"{cell:%Y-%m-%d}" if isinstance(cell, pd.Timestamp) else cell
            for name, cell in zip(names, row, strict=True)
        }
        for row in values.values.tolist()
    ]
