"""The board's numbers, once and quantised: text of single characters that its script takes apart."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from emergence.report import choose
from emergence.report.text import plain
from emergence.runs.results import LakePages, RunResult

Ints = NDArray[np.int64]
Pack = dict[str, Any]
UNSAFE = "\"&'<>\\"
LEVELS = "".join(chr(c) for c in range(33, 127) if chr(c) not in UNSAFE) + "ÀÁÂÃÄÅÆÇÈÉÊËÌ"
"""One character for each whole per cent from 0 to 100; none needs escaping in JSON or HTML."""
BASE = 90
"""Two characters hold a number from 0 to 8099: its quotient and remainder by BASE."""
FREEZING_AT = 50
"""Temperatures are held as tenths of °C above -5 °C."""
WIDEST = 99
AMPLE, SAME = 1.4, 1.0
"""Of the heat needed, where its picture ends; shares [%] that differ by less are alike."""
KEYS = ["lake_id", "taxon", "brood", "event"]
WINDOW_DATES = {
    "es": "even_start", "ee": "even_end",
    "on": "onset_p50", "lo": "peak_p10", "mi": "peak_p50", "hi": "peak_p90", "en": "end_p50",
}  # fmt: skip
"""Short names of the dates of a window; turnover, which has no peak, has its onset there.

``bw`` is the best week still ahead, where there is none the season's; none where the brood is thin, and for
the turnover, whose days are not the ones to fish."""
TABLE = np.array(list(LEVELS), dtype=object)


def rows_of(frame: pd.DataFrame) -> list[Any]:
    """Return the rows of a frame as named tuples."""
    return list(frame.itertuples(index=False))


def single(values: NDArray[Any]) -> str:
    """Return whole numbers 0..100 as one character each."""
    return "".join(TABLE[np.clip(np.rint(values), 0, 100).astype(np.int64)].tolist())


def double(values: NDArray[Any]) -> str:
    """Return whole numbers 0..8099 as two characters each."""
    whole = np.clip(np.rint(values), 0, BASE * BASE - 1).astype(np.int64)
    return "".join(np.stack([TABLE[whole // BASE], TABLE[whole % BASE]], axis=1).ravel().tolist())


def pack(result: RunResult, pages: LakePages | None, *, private: bool) -> Pack:
    """Return the numbers of a run as the board's script reads them.

    Parameters
    ----------
    result
        The run.
    pages
        What the lake pages show; None: nothing beside windows, days and water.
    private
        Whether it is the guide's own copy: then lake ids, latitudes and longitudes are in it.
    """
    info = result.info
    first = _first_day(result)
    insects = choose.insect_names(result)
    order = {str(key): place for place, key in enumerate(info.lakes["lake_id"])}
    known = {key: place for place, key in enumerate(insects)}
    taxa = list(dict.fromkeys(taxon for taxon, _, _ in insects))
    return {
        "levels": LEVELS, "base": BASE, "first": str(first), "asof": _offset(info.as_of, first),
        "taxa": [[key, _taxon_name(result, key)] for key in taxa],
        "insects": [[taxa.index(t), brood, event, name] for (t, brood, event), name in insects.items()],
        "lakes": _lakes(result, private=private),
        "windows": _windows(result, order, known, first),
        "water": _water(result, order, first),
        **_pages(pages, order, taxa, first),
    }  # fmt: skip


def _taxon_name(result: RunResult, taxon: str) -> str:
    label = result.info.taxa.get(taxon)
    return label.name if label else taxon


def _first_day(result: RunResult) -> np.datetime64:
    days = [np.datetime64(result.info.as_of, "D")]
    days += [np.datetime64(f["date"].min(), "D") for f in (result.water, result.days) if len(f)]
    return min(days)


def _offset(date: Any, first: np.datetime64) -> int | None:
    return None if pd.isna(date) else int((np.datetime64(date, "D") - first) // np.timedelta64(1, "D"))


def _offsets(dates: pd.Series[Any], first: np.datetime64) -> list[int | None]:
    values = pd.to_datetime(dates).to_numpy().astype("datetime64[D]")
    return [None if np.isnat(v) else int((v - first).astype(np.int64)) for v in values]


def _lakes(result: RunResult, *, private: bool) -> list[dict[str, Any]]:
    names = choose.lake_names(result)
    out = []
    for lake in rows_of(result.info.lakes):
        region = lake.region if isinstance(lake.region, str) else ""
        entry: dict[str, Any] = {"name": names[str(lake.lake_id)], "region": plain(region)}
        entry["up"] = _rounded(lake.elevation_m, 0)
        if private:
            entry |= {"id": str(lake.lake_id), "share": int(str(lake.share) == "yes")}
            entry |= {"lat": _rounded(lake.latitude, 4), "lon": _rounded(lake.longitude, 4)}
        out.append(entry)
    return out


def _rounded(value: float, decimals: int) -> float | None:
    return None if pd.isna(value) else round(float(value), decimals)


def _windows(result: RunResult, order: dict[str, int], known: dict[Any, int], first: np.datetime64) -> Pack:
    """Return windows column by column, and each row's daily chances from the first date with one on."""
    rows = result.windows
    turning, ahead = rows["event"] == "turnover", rows["ahead_week_start"].notna()
    dates = dict(WINDOW_DATES)
    best = rows["ahead_week_start"].where(ahead, rows["best_week_start"]).mask(choose.is_thin(rows) | turning)
    out: Pack = {
        "lake": [order[str(key)] for key in rows["lake_id"]],
        "insect": [known[key] for key in zip(rows["taxon"], rows["brood"].astype(int), rows["event"], strict=True)],
        "season": rows["season"].astype(int).tolist(),
        "sure": (rows["residence"] == "yes").astype(int).tolist(),
        "bw": _offsets(best, first),
        "chance": [_whole(v) for v in rows["ahead_week_chance"].where(ahead, rows["best_week_chance"])],
        "none": [_whole(v) for v in rows["chance_not_this_season"]],
    }
    for short, column in dates.items():
        values = rows[column]
        if column.startswith("peak"):
            values = values.where(~turning, rows[column.replace("peak", "onset")])
        out[short] = _offsets(values, first)
    return out | _daily(result, first)


def _whole(chance: float) -> int | None:
    return None if pd.isna(chance) else round(100 * float(chance))


def _daily(result: RunResult, first: np.datetime64) -> Pack:
    """Return, for each row of windows, the first day with a chance and the chances (under way, moving) from it on."""
    days, count = result.days, len(result.windows)
    out: Pack = {"from": [0] * count, "active": [""] * count, "moving": [""] * count}
    if not len(days):
        return out
    south = dict(zip(result.info.lakes["lake_id"].astype(str), result.info.lakes["latitude"] < 0, strict=True))
    date = pd.to_datetime(days["date"])
    late = date.dt.month < 7
    season = date.dt.year - (late & days["lake_id"].astype(str).map(south).astype(bool))
    rows = {key: k for k, key in enumerate(zip(*(result.windows[c] for c in [*KEYS, "season"]), strict=True))}
    parts = [pd.factorize(column) for column in (*(days[c] for c in KEYS), season)]
    codes = np.zeros(len(days), dtype=np.int64)
    for places, kinds in parts:
        codes = codes * len(kinds) + places
    day = (date.to_numpy().astype("datetime64[D]") - first).astype(np.int64)
    sorting = np.lexsort((day, codes))
    edges = np.flatnonzero(np.diff(codes[sorting])) + 1
    chances = {name: days[f"chance_{name}"].to_numpy(dtype=float) * 100 for name in ("active", "moving")}
    for part in np.split(sorting, edges):
        row = rows.get(tuple(kinds[places[part[0]]] for places, kinds in parts))
        if row is None:
            continue
        out["from"][row] = int(day[part[0]])
        place = day[part] - day[part[0]]
        for name, values in chances.items():
            whole = np.zeros(place[-1] + 1)
            whole[place] = values[part]
            out[name][row] = single(whole)
    return out


def _water(result: RunResult, order: dict[str, int], first: np.datetime64) -> list[Any]:
    """Return, for each lake, its first day and text: middle (two characters a day), below, above, chance of ice."""
    out: list[Any] = [None] * len(order)
    if not len(result.water):
        return out
    for key, rows in result.water.groupby("lake_id", sort=False):
        rows = rows.sort_values("date", kind="stable")
        low, middle, high = (rows[f"water_{p}"].to_numpy(dtype=float) * 10 for p in ("p10", "p50", "p90"))
        out[order[str(key)]] = [
            _offset(rows["date"].iloc[0], first),
            double(middle + FREEZING_AT),
            single(np.minimum(middle - low, WIDEST)),
            single(np.minimum(high - middle, WIDEST)),
            single(rows["ice_chance"].to_numpy(dtype=float) * 100),
        ]
    return out


def _pages(pages: LakePages | None, order: dict[str, int], taxa: list[str], first: np.datetime64) -> Pack:
    """Return heat, needs, stages by ``lake/taxon`` and notes by lake."""
    out: Pack = {"heat": {}, "stages": {}, "readings": {}, "ice": {}}
    if pages is None:
        return out
    place = {taxon: k for k, taxon in enumerate(taxa)}
    needs = {(order.get(n.lake_id, -1), place.get(n.taxon, -1)): n for n in rows_of(pages.needs)}
    for key, date, sums in _series(pages.heat, order, place, ("gathered", "normal")):
        need = needs[key]
        part = rising(sums, float(need.high))
        out["heat"][f"{key[0]}/{key[1]}"] = [
            _offset(date[part.start], first),
            *(double(column) for column in sums[part].T),
            [_rounded(need.lower_c, 1), *(round(v) for v in (need.low, need.middle, need.high))],
        ]
    for key, date, shares in _series(pages.stages, order, place, ("young", "mature", "moving", "adult")):
        part = changing(100 * shares)
        packed = [single(column) for column in 100 * shares[part].T]
        out["stages"][f"{key[0]}/{key[1]}"] = [_offset(date[part.start], first), *packed]
    for name, column in (("readings", "water_c"), ("ice", "event")):
        table = getattr(pages, name)
        for row in rows_of(table[table["lake_id"].isin(order)]):
            entry = [_offset(row.date, first), getattr(row, column)]
            out[name].setdefault(str(order[row.lake_id]), []).append(entry)
    return out


def rising(heat: NDArray[Any], need: float) -> slice:
    """Return the weeks worth drawing: from just before the first heat until every column has far more than needed.

    Parameters
    ----------
    heat
        Sums by week [°C·day], (weeks, columns).
    need
        The most that is needed [°C·day].
    """
    some, enough = np.flatnonzero((heat > 0).any(axis=1)), np.flatnonzero((heat > AMPLE * need).all(axis=1))
    begin = max(int(some[0]) - 1, 0) if len(some) else 0
    return slice(begin, max(int(enough[0]) + 1, begin + 2) if len(enough) else len(heat))


def changing(shares: NDArray[Any]) -> slice:
    """Return the weeks between which the shares [%], (weeks, stages), are not those of the first or the last week."""
    apart = np.flatnonzero((np.abs(shares - shares[0]) > SAME).any(axis=1))
    from_end = np.flatnonzero((np.abs(shares - shares[-1]) > SAME).any(axis=1))
    if not len(apart) or not len(from_end):
        return slice(0, min(2, len(shares)))
    return slice(max(int(apart[0]) - 1, 0), min(int(from_end[-1]) + 2, len(shares)))


def _series(
    table: pd.DataFrame, order: dict[str, int], place: dict[str, int], columns: tuple[str, ...]
) -> Iterator[tuple[tuple[int, int], NDArray[Any], NDArray[Any]]]:
    """Yield (lake, taxon), dates and columns (dates, columns) of each lake and taxon shown, oldest date first."""
    if not len(table):
        return
    lake = table["lake_id"].map(order).fillna(-1).to_numpy(dtype=np.int64)
    taxon = table["taxon"].map(place).fillna(-1).to_numpy(dtype=np.int64)
    date, values = table["date"].to_numpy(), table[list(columns)].to_numpy(dtype=float)
    sorting = np.lexsort((date, taxon, lake))
    sorting = sorting[(lake[sorting] >= 0) & (taxon[sorting] >= 0)]
    code = lake[sorting] * len(place) + taxon[sorting]
    for part in np.split(sorting, np.flatnonzero(np.diff(code)) + 1):
        if len(part):
            yield (int(lake[part[0]]), int(taxon[part[0]])), date[part], values[part]
