"""A season's forecast and its normal year, laid side by side by region and height band.

The normal year is the same forecast as of the season's first day, when no weather of its spring is known: every lake
under each of the past springs, moved to today's climate as for any forecast, with the same draws of all that is
uncertain. A past year's departure is that of the members under its sky. This season's notes have no part in the
comparison: a cold lake's readings would make its season late, but not its normal year.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from emergence.dates import NEVER, SeasonSpan, season_year, to_date
from emergence.errors import NoWeatherError
from emergence.forecast.regions import (
    climb,
    height_band,
    median_known,
    middle,
    most_like,
    split_error,
    weekly_active,
)
from emergence.forecast.windows import WEEK, member_quantiles
from emergence.records import Season
from emergence.runs.execute import Wanted, run_info, run_plan
from emergence.runs.plan import RunPlan, prepare
from emergence.runs.results import RegionsResult
from emergence.runs.taught import Learned

Ints = NDArray[np.int64]
Offsets = NDArray[np.int16]
Floats = NDArray[np.float64]
Key = tuple[str, int, str]
Progress = Callable[[int, int], None]

BATCH = 100  # lakes whose members are held as a table at once
SHOWN = 0.01  # weeks with a smaller share have no row
HALF = 0.5
ALL, NO_REGION = "*", "-"
SPREAD = (0.1, 0.5, 0.9)
PARTS = (slice(None), slice(0, None, 2), slice(1, None, 2))  # members under one sky: all of them, and its two halves


@dataclass(frozen=True)
class Ask:
    """What is to be compared; ``as_of`` (day number), ``lakes``, ``taxa`` and ``seed`` as in `plan.prepare`."""

    as_of: int | None = None
    lakes: tuple[str, ...] = ()
    taxa: tuple[str, ...] = ()
    seed: int | None = None
    learned: Learned | None = None
    band_m: float = 300.0


@dataclass(frozen=True)
class Dates:
    """One event's members, day indices from the season's first day, shape (lakes, members).

    ``rows`` are the lakes' places in ``RunPlan.lakes``, ``known`` says where the taxon is known to live; ``timed`` is
    the peak, of the turnover its onset.
    """

    rows: Ints
    known: NDArray[np.bool_]
    onset: Offsets
    timed: Offsets
    end: Offsets


@dataclass(frozen=True)
class Group:
    """Some lakes of one hemisphere, by their places in ``RunPlan.lakes``; ``single``: a whole region or band."""

    region: str
    band: str
    rows: Ints
    single: bool


def compare_regions(season: Season, ask: Ask, *, progress: Progress | None = None) -> RegionsResult:
    """Return a season's regions and height bands side by side.

    Parameters
    ----------
    season
        The season folder as read.
    ask
        What is to be compared.
    progress
        Called with (lakes done, lakes in all), a lake counted once for each run.

    Raises
    ------
    NoWeatherError
        When no lake has usable weather at the issue date.
    WrongUseError
        When lakes or taxa asked for do not exist.
    """
    plan = prepare(season, as_of=ask.as_of, lakes=ask.lakes, taxa=ask.taxa, seed=ask.seed, learned=ask.learned)
    halves = [_Half(season, ask, plan, job.span, job.lakes, len(plan.jobs)) for job in _current(plan)]
    tick = _Tick(progress, 3 * sum(len(half.rows) for half in halves))
    parts = [half.compared(tick) for half in halves]
    info = run_info(plan)
    tables = {name: _joined([part[name] for part in parts]) for name in parts[0]}
    normals = [half.normal_as_of for half in halves]
    return RegionsResult(
        name=info.name,
        as_of=info.as_of,
        band_m=ask.band_m,
        normal_as_of=None if normals[0] is None else to_date(normals[0]),
        past_years=len(plan.slots.slot_year) if int(plan.slots.slot_year.min()) >= 0 else 0,
        taxa=info.taxa,
        lakes=len(plan.lakes),
        dropped=dict(plan.dropped),
        length_unit=info.length_unit,
        **tables,
    )


def _joined(frames: list[pd.DataFrame]) -> pd.DataFrame:
    """Return the tables of both hemispheres as one; an empty one, whose columns have no types, is passed over."""
    return pd.concat([frame for frame in frames if len(frame)] or frames[:1], ignore_index=True)


def _current(plan: RunPlan) -> list[Any]:
    """Return the jobs of the season that holds the first day to come, one a hemisphere."""
    return [job for job in plan.jobs if job.span.year == season_year(plan.as_of + 1, job.span.southern)]


class _Tick:
    """Counts lakes over several runs."""

    def __init__(self, progress: Progress | None, total: int) -> None:
        self.progress, self.total, self.done = progress, total, 0

    def __call__(self, lakes: int) -> None:
        self.done += lakes
        if self.progress is not None:
            self.progress(min(self.done, self.total), self.total)


@dataclass
class _Half:
    """The lakes of one hemisphere."""

    season: Season
    ask: Ask
    plan: RunPlan
    span: SeasonSpan
    rows: Ints
    jobs: int
    normal_as_of: int | None = None

    def compared(self, tick: _Tick) -> dict[str, pd.DataFrame]:
        now = event_dates(self.plan, self.span, tick)
        bare = without_notes(self.season, self.span.sim_start)
        usual, slot_year = self._normal(bare, tick)
        plain = now if bare is self.season else self._again(bare, self.plan.as_of, tick)[0]
        groups = self._groups()
        found = [_Event(self, key, now[key], plain.get(key), usual.get(key), slot_year) for key in now]
        seasons, years = _seasons(groups, found)
        return {
            "table": pd.concat([e.table(groups) for e in found], ignore_index=True),
            "climbs": pd.DataFrame([e.climb() for e in found]),
            "moves": pd.DataFrame([row for e in found for row in e.moves(groups)], columns=list(MOVES)),
            "seasons": seasons,
            "years": years,
            "dates": pd.concat([e.dates_table() for e in found], ignore_index=True),
        }

    def _normal(self, bare: Season, tick: _Tick) -> tuple[dict[Key, Dates], Ints]:
        """Return the normal year's members by event and the year of each sky; nothing where there is no weather."""
        issue = min(self.plan.as_of, self.span.start)
        try:
            found = self._again(bare, issue, tick)
        except NoWeatherError:
            return {}, np.zeros(0, dtype=np.int64)
        self.normal_as_of = issue
        return found

    def _again(self, season: Season, issue: int, tick: _Tick) -> tuple[dict[Key, Dates], Ints]:
        """Return members of another run of these lakes, their rows those of this plan, and the year of each sky."""
        ids, taxa = tuple(self.plan.lakes.lake_id[self.rows].tolist()), tuple(self.plan.taxa)
        plan = prepare(season, as_of=issue, lakes=ids, taxa=taxa, seed=self.plan.seed, learned=self.ask.learned)
        place = {lake: row for row, lake in enumerate(self.plan.lakes.lake_id.tolist())}
        here = np.array([place[lake] for lake in plan.lakes.lake_id.tolist()])
        dates = event_dates(plan, self.span, tick)
        return {k: dataclasses.replace(d, rows=here[d.rows]) for k, d in dates.items()}, plan.slots.slot_year

    def _groups(self) -> list[Group]:
        """Return all lakes, each region, each band, and each band of each region."""
        lakes, both = self.plan.lakes, len({job.span.southern for job in self.plan.jobs}) > 1
        every = f"{ALL} {'south' if self.span.southern else 'north'}" if both else ALL
        region = np.array([name or NO_REGION for name in lakes.region[self.rows].tolist()])
        edge = height_band(lakes.elevation_m[self.rows], self.ask.band_m)
        step = round(self.ask.band_m)
        bands = {f"{low}-{low + step}": edge == low for low in sorted(set(edge.tolist()))}
        regions = {name: region == name for name in dict.fromkeys(region.tolist())}
        here = np.ones(len(self.rows), dtype=bool)
        chosen = [(every, ALL, here, False), *((name, ALL, mask, True) for name, mask in regions.items())]
        chosen += [(every, band, mask, True) for band, mask in bands.items()]
        chosen += [(name, band, a & b, False) for name, a in regions.items() for band, b in bands.items()]
        return [Group(name, band, self.rows[mask], single) for name, band, mask, single in chosen if mask.any()]


def without_notes(season: Season, since: int) -> Season:
    """Return a season folder without the readings, ice dates and sightings of a day (number) or later."""
    notes = {name: getattr(season, name) for name in ("readings", "ice", "sightings")}
    if not any((n.day >= since).any() for n in notes.values()):
        return season
    return dataclasses.replace(season, **{name: n.take(n.day < since) for name, n in notes.items()})


def event_dates(plan: RunPlan, span: SeasonSpan, tick: Callable[[int], None]) -> dict[Key, Dates]:
    """Return the members' dates of every event of one season, by (taxon, brood, event)."""
    parts: dict[Key, list[Dates]] = {}
    jobs = [job for job in plan.jobs if job.span == span]
    for job in jobs:
        for begin in range(0, len(job.lakes), BATCH):
            some = dataclasses.replace(job, lakes=job.lakes[begin : begin + BATCH])
            result = run_plan(dataclasses.replace(plan, jobs=[some]), Wanted(water=False, days=False, members=True))
            for key, dates in _by_event(result.members, result.windows, plan, span):
                parts.setdefault(key, []).append(dates)
            tick(len(some.lakes))
    names = [f.name for f in dataclasses.fields(Dates)]
    return {
        key: Dates(*(np.concatenate([getattr(d, n) for d in found]) for n in names)) for key, found in parts.items()
    }


def _by_event(
    members: pd.DataFrame, windows: pd.DataFrame, plan: RunPlan, span: SeasonSpan
) -> Iterator[tuple[Key, Dates]]:
    place = {lake: row for row, lake in enumerate(plan.lakes.lake_id.tolist())}
    many = len(plan.slots.slot_year) * plan.replicates
    lives = windows.set_index(["lake_id", "taxon", "brood", "event"])["residence"].eq("yes")
    for (taxon, _, event), rows in members.groupby(["taxon", "brood", "event"], sort=False):
        lakes = rows["lake_id"].to_numpy()[::many].tolist()
        onset, peak, end = (_offsets(rows[name], span.start).reshape(-1, many) for name in ("onset", "peak", "end"))
        key = (str(taxon), int(rows["brood"].iloc[0]), str(event))
        known = np.array([bool(lives.loc[(lake, *key)]) for lake in lakes])
        yield key, Dates(np.array([place[k] for k in lakes]), known, onset, onset if event == "turnover" else peak, end)


def _offsets(dates: pd.Series[Any], start: int) -> Offsets:
    days = dates.to_numpy().astype("datetime64[D]")
    return np.where(np.isnat(days), NEVER, days.astype(np.int64) - start).astype(np.int16)


MOVES = ("taxon", "brood", "event", "region", "band", "week_start", "share_active")


class _Event:
    """One event: this season's members and the normal year's, over the lakes that have it."""

    def __init__(
        self, half: _Half, key: Key, now: Dates, plain: Dates | None, usual: Dates | None, slot_year: Ints
    ) -> None:
        self.half, self.key, self.now, self.slot_year = half, key, now, slot_year
        self.row = {row: k for k, row in enumerate(now.rows.tolist())}
        self.middle = middle(now.timed)
        normal = self._laid(usual)
        self.departure = self._laid(plain) - normal
        self.yearly, *self.split = (self._by_year(usual, normal, part) for part in PARTS)

    def _laid(self, dates: Dates | None) -> Floats:
        """Return the middle dates of another run laid on this event's lakes, NaN where it has none."""
        days = np.full(len(self.now.rows), np.nan)
        if dates is not None:
            here, there = self._both(dates)
            days[here] = middle(dates.timed)[there]
        return days

    def _by_year(self, usual: Dates | None, normal: Floats, part: slice) -> Floats:
        """Return each past year's departure, shape (lakes, years), by a part of the members under its sky."""
        days = np.full((len(self.now.rows), len(self.slot_year)), np.nan)
        if usual is not None:
            here, there = self._both(usual)
            some = usual.timed.reshape(len(usual.rows), len(self.slot_year), -1)[:, :, part]
            if some.shape[-1]:
                days[here] = middle(some)[there] - normal[here][:, None]
        return days

    def _both(self, dates: Dates) -> tuple[Ints, Ints]:
        _, here, there = np.intersect1d(self.now.rows, dates.rows, assume_unique=True, return_indices=True)
        return here, there

    def of(self, group: Group) -> Ints:
        """Return the group's lakes as indices into this event's arrays."""
        return np.array([self.row[r] for r in group.rows.tolist() if r in self.row], dtype=np.int64)

    def table(self, groups: list[Group]) -> pd.DataFrame:
        """Return this event's rows of regions.csv."""
        frames = [self._rows(group, self.of(group)) for group in groups]
        return pd.concat([f for f in frames if f is not None], ignore_index=True)

    def _rows(self, group: Group, at: Ints) -> pd.DataFrame | None:
        if not len(at):
            return None
        first, weeks = self._weeks()
        share = weekly_active(self.now.onset[at], self.now.end[at], first, weeks).mean(axis=0)
        onset = member_quantiles(self.now.onset[at].reshape(1, -1), SPREAD)[0]
        timed = member_quantiles(self.now.timed[at].reshape(1, -1), SPREAD)[0]
        shown = np.flatnonzero(share >= SHOWN)
        taxon, brood, event = self.key
        start = self.half.span.start
        return pd.DataFrame(
            {
                "region": group.region,
                "band": group.band,
                "taxon": taxon,
                "event": event,
                "week_start": (start + first + WEEK * shown).astype("datetime64[D]"),
                "share_active": share[shown],
                "onset_p50": _date(onset[1], start),
                "peak_p50": np.datetime64("NaT") if event == "turnover" else _date(timed[1], start),
                "spread_days": np.nan if timed[2] == NEVER else float(timed[2] - timed[0]),
                "days_vs_normal": float(median_known(self.departure[at])),
                "brood": brood,
                "season": self.half.span.year,
                "lakes": len(at),
                "lakes_known": int(self.now.known[at].sum()),
            }
        )

    def _weeks(self) -> tuple[int, int]:
        """Return the index of the Monday on or before the first simulated day, and the number of weeks from it."""
        span = self.half.span
        monday = span.sim_start - (span.sim_start + 3) % WEEK
        return monday - span.start, (span.end - monday) // WEEK + 1

    def climb(self) -> dict[str, Any]:
        """Return how this event climbs, over all its lakes."""
        lakes, at = self.half.plan.lakes, self.now.rows
        found = climb(self.middle, lakes.elevation_m[at], lakes.latitude[at], lakes.region[at])
        row: dict[str, Any] = dict(zip(("taxon", "brood", "event"), self.key, strict=True))
        row |= {"season": self.half.span.year, "lakes": found.lakes}
        for name, slope in (("per_100m", found.per_100m), ("per_degree", found.per_degree)):
            ends = (np.nan,) * 3 if slope is None else (slope.days, slope.low, slope.high)
            row |= dict(zip((name, f"{name}_low", f"{name}_high"), ends, strict=True))
        return row | {name: getattr(found, name) for name in ("within", "together", "scatter_days", "lakes_wanted")}

    def moves(self, groups: list[Group]) -> list[dict[str, Any]]:
        """Return the regions, and the bands, that still come to the week in which half of their lakes are active."""
        first, weeks = self._weeks()
        begins = self.half.span.start + first + WEEK * np.arange(weeks)
        rows = []
        for group in (g for g in groups if g.single):
            at = self.of(group)
            if not len(at):
                continue
            share = weekly_active(self.now.onset[at], self.now.end[at], first, weeks).mean(axis=0)
            over = np.flatnonzero(share >= HALF)
            if len(over) and begins[over[0]] > self.half.plan.as_of:
                values = (*self.key, group.region, group.band, np.datetime64(int(begins[over[0]]), "D"), share[over[0]])
                rows.append(dict(zip(MOVES, values, strict=True)))
        return sorted(rows, key=lambda row: (row["week_start"], -row["share_active"]))

    def dates_table(self) -> pd.DataFrame:
        """Return each lake's middle date."""
        lakes, at = self.half.plan.lakes, self.now.rows
        taxon, brood, event = self.key
        days = np.where(np.isnan(self.middle), 0, self.middle).astype(np.int64) + self.half.span.start
        date = np.where(np.isnan(self.middle), np.datetime64("NaT"), days.astype("datetime64[D]"))
        frame = pd.DataFrame(
            {"lake_id": lakes.lake_id[at], "region": lakes.region[at], "taxon": taxon, "brood": brood, "event": event}
        )
        return frame.assign(elevation_m=lakes.elevation_m[at], latitude=lakes.latitude[at], middle=date)


def _date(day: int, start: int) -> np.datetime64:
    return np.datetime64("NaT") if day == NEVER else np.datetime64(int(day) + start, "D")


def _seasons(groups: list[Group], events: list[_Event]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return each group's departure, the median over its events of the median over lakes, and each past year's."""
    seasons, years = [], []
    slot_year = events[0].slot_year
    for group in groups:
        at = [(event, found) for event in events if len(found := event.of(group))]
        now = float(median_known(np.array([median_known(e.departure[k]) for e, k in at])))
        past, *split = (_typical([days[lakes] for days, lakes in some]) for some in _parts(at))
        like = most_like(now, slot_year, past) if len(slot_year) and slot_year.min() >= 0 else None
        row = {"region": group.region, "band": group.band}
        found_so = {"days_vs_normal": now, "like_year": like or 0, "noise_days": split_error(*split)}
        seasons.append(row | {"lakes": len(group.rows), "single": group.single} | found_so)
        years += [row | {"year": int(y), "days_vs_normal": float(d)} for y, d in zip(slot_year, past, strict=True)]
    return pd.DataFrame(seasons), pd.DataFrame(years, columns=["region", "band", "year", "days_vs_normal"])


def _parts(at: list[tuple[_Event, Ints]]) -> Iterator[list[tuple[Floats, Ints]]]:
    """Yield the events' departures by year and their lakes: by all members of a sky, then by either half of them."""
    yield [(event.yearly, lakes) for event, lakes in at]
    for half in range(2):
        yield [(event.split[half], lakes) for event, lakes in at]


def _typical(days: list[Floats]) -> Floats:
    """Return the median over events of the median over lakes, shape (years,)."""
    return median_known(np.stack([median_known(one) for one in days]))
