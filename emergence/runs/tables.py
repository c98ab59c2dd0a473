"""From the events of blocks to the rows of windows, days and water."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from emergence.dates import NEVER
from emergence.forecast.events import EventResult
from emergence.forecast.turnover import LAKE
from emergence.forecast.windows import QUANTILES
from emergence.runs.results import NoteEffect
from emergence.runs.simulate import ChunkResult

SHOWN = 0.01  # days rows with less chance are not written
EVENTS = ("migration", "emergence", "turnover")  # of one brood, in the order of the rows
NAMES = tuple(f"p{round(100 * q):02d}" for q in QUANTILES)
Column = NDArray[np.generic]
Columns = dict[str, Column]


@dataclass(frozen=True)
class Placed:
    """A chunk of results with the place of its lakes in the user's list, its season and its residences."""

    chunk: ChunkResult
    place: NDArray[np.int64]
    season: int
    residence: NDArray[np.object_]
    """(lakes of the chunk, taxa in the order of ``taxa``): yes, unsure or no."""
    taxa: tuple[str, ...]
    effects: Sequence[NoteEffect] = ()


def _named(event: EventResult, taxa: Sequence[str], size: int) -> Columns:
    """Return which event rows are of, as numbers: words follow once the rows are in order."""
    return {
        "taxon": np.full(size, (*taxa, LAKE).index(event.taxon)),
        "brood": np.full(size, event.brood),
        "event": np.full(size, EVENTS.index(event.event)),
    }


def _dates(index: NDArray[np.integer], first_day: int) -> NDArray[np.datetime64]:
    value = index.astype(np.int64) + first_day
    return np.where(index == NEVER, np.datetime64("NaT"), value.astype("datetime64[D]"))


def _window_columns(event: EventResult, placed: Placed, rows: NDArray[np.int64], taxa: Sequence[str]) -> Columns:
    first = placed.chunk.first_day
    size = len(rows)
    columns: Columns = {
        "_place": placed.place[rows],
        **_named(event, taxa, size),
        "season": np.full(size, placed.season),
        "best_week_start": _dates(event.best.start[rows], first),
        "best_week_days": event.best.days[rows],
        "best_week_chance": event.best.chance[rows],
    }
    for name, span in (("even", event.even), ("outer", event.outer)):
        columns[f"{name}_start"] = _dates(span.start[rows], first)
        columns[f"{name}_end"] = _dates(span.end[rows], first)
    for name in ("onset", "peak", "end"):
        dates = _dates(getattr(event, name)[rows], first)
        columns.update({f"{name}_{q}": dates[:, k] for k, q in enumerate(NAMES)})
    columns["chance_not_this_season"] = event.not_this_season[rows]
    columns["chance_no_end"] = event.no_end[rows]
    for k, name in enumerate(("strength_p10", "strength_p50", "strength_p90")):
        columns[name] = np.full(size, np.nan) if event.strength is None else event.strength[rows, k]
    columns["residence"] = _residence(event, placed)[rows]
    columns["ahead_week_start"] = _dates(event.ahead.start[rows], first)
    columns["ahead_week_days"] = event.ahead.days[rows]
    columns["ahead_week_chance"] = event.ahead.chance[rows]
    return columns


def _day_columns(event: EventResult, placed: Placed, rows: NDArray[np.int64], taxa: Sequence[str]) -> Columns:
    active = event.active[:, rows]
    lake, day = np.nonzero(active.T >= SHOWN)
    return {
        "_place": placed.place[rows][lake],
        **_named(event, taxa, len(lake)),
        "date": (day + placed.chunk.first_day).astype("datetime64[D]"),
        "chance_active": active[day, lake],
        "chance_moving": event.moving_chance[:, rows][day, lake],
        "intensity": event.intensity[:, rows][day, lake],
    }


def _member_columns(event: EventResult, placed: Placed, rows: NDArray[np.int64], taxa: Sequence[str]) -> Columns:
    if event.milestones is None:
        return {}
    members = event.milestones.onset.shape[1]
    size = len(rows) * members
    columns: Columns = {
        "_place": np.repeat(placed.place[rows], members),
        **_named(event, taxa, size),
        "season": np.full(size, placed.season),
        "member": np.tile(np.arange(members), len(rows)),
    }
    for name in ("onset", "peak", "end"):
        columns[name] = _dates(getattr(event.milestones, name)[rows].ravel(), placed.chunk.first_day)
    return columns


def _stack(parts: list[Columns]) -> Columns:
    return {name: np.concatenate([p[name] for p in parts]) for name in parts[0]} if parts else {}


def _ordered(
    columns: Columns, lake_id: NDArray[np.object_], taxa: Sequence[str], keys: tuple[str, ...]
) -> pd.DataFrame:
    order = _order([columns[key] for key in ("_place", *keys)])
    words = {"taxon": np.array([*taxa, LAKE], dtype=object), "event": np.array(EVENTS, dtype=object)}
    place = columns.pop("_place")[order]
    frame = {"lake_id": lake_id[place]}
    for name, values in columns.items():
        frame[name] = words[name][values[order]] if name in words else values[order]
    return pd.DataFrame(
        {k: pd.Series(v, dtype=object) if v.dtype == object else v for k, v in frame.items()}, copy=False
    )


def _order(keys: list[NDArray[Any]]) -> NDArray[np.int64]:
    """Return what sorts rows by several columns; made one number first, they are sorted once instead of one by one."""
    whole = np.zeros(len(keys[0]), dtype=np.int64)
    for key in keys:
        value = key.astype(np.int64)
        if len(value):
            low = value.min()
            whole = whole * (value.max() - low + 1) + (value - low)
    return np.argsort(whole, kind="stable")


def windows_table(placed: list[Placed], lake_id: NDArray[np.object_], taxa: Sequence[str]) -> pd.DataFrame:
    """Return windows in the published columns, lakes in the user's order; non-residents have no row."""
    parts = [
        _window_columns(event, part, rows, taxa)
        for part in placed
        for event in part.chunk.events
        for rows in [_residents(event, part)]
    ]
    return _ordered(_stack(parts), lake_id, taxa, ("season", "taxon", "brood", "event"))


def days_table(placed: list[Placed], lake_id: NDArray[np.object_], taxa: Sequence[str]) -> pd.DataFrame:
    """Return the daily chances, only dates with a chance of at least 1 % of being active."""
    parts = [
        _day_columns(event, part, rows, taxa)
        for part in placed
        for event in part.chunk.events
        for rows in [_residents(event, part)]
    ]
    return _ordered(_stack(parts), lake_id, taxa, ("taxon", "brood", "event", "date"))


def members_table(
    placed: list[Placed], lake_id: NDArray[np.object_], taxa: Sequence[str], slot_year: NDArray[np.int64]
) -> pd.DataFrame:
    """Return each member's onset, peak and end; ``slot_year`` (slots,) names the past year of each member's sky."""
    parts = [
        _member_columns(event, part, rows, taxa)
        for part in placed
        for event in part.chunk.events
        if event.milestones is not None
        for rows in [_residents(event, part)]
    ]
    frame = _ordered(_stack(parts), lake_id, taxa, ("season", "taxon", "brood", "event", "member"))
    replicates = (int(frame["member"].max()) + 1) // len(slot_year) if len(frame) else 1
    frame.insert(6, "slot_year", slot_year[frame["member"].to_numpy() // replicates])
    return frame


def water_table(placed: list[Placed], lake_id: NDArray[np.object_]) -> pd.DataFrame:
    """Return water quantiles [°C] and chance of ice by lake and date; a later season fills only dates of its own."""
    parts: list[Columns] = []
    for part in placed:
        quantiles, ice = part.chunk.water_quantiles, part.chunk.ice_chance
        if quantiles is None or ice is None:
            continue
        n_days, lakes = ice.shape
        parts.append(
            {
                "_place": np.repeat(part.place, n_days),
                "date": np.tile(np.arange(n_days) + part.chunk.first_day, lakes).astype("datetime64[D]"),
                "season": np.full(n_days * lakes, part.season),
                **{f"water_{n}": quantiles[k].T.ravel() for k, n in enumerate(("p10", "p50", "p90"))},
                "ice_chance": ice.T.ravel(),
            }
        )
    frame = _ordered(_stack(parts), lake_id, (), ("date", "season"))
    return frame.drop_duplicates(["lake_id", "date"], keep="first").drop(columns="season").reset_index(drop=True)


def _residence(event: EventResult, part: Placed) -> NDArray[np.object_]:
    """Return yes, unsure or no for the lakes of the chunk; what concerns the lake itself is there if it happens."""
    if event.taxon == LAKE:
        return np.where(event.not_this_season < 1, "yes", "no").astype(object)
    return part.residence[:, part.taxa.index(event.taxon)]


def _residents(event: EventResult, part: Placed) -> NDArray[np.int64]:
    return np.flatnonzero(_residence(event, part) != "no")
