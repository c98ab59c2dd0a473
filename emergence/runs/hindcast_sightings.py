"""Past seasons' insects forecast again as if on a day of theirs: when what was seen began."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from emergence.dates import SeasonSpan, season_span, season_year
from emergence.errors import NoWeatherError
from emergence.records import Season, Sightings
from emergence.runs.blocks import Wanted, block_tables
from emergence.runs.hindcast import (
    AIR_DAYS,
    Ask,
    Progress,
    Rerun,
    Target,
    around_lake,
    few_notes,
    issue_days,
    notes_used,
    other_years,
    year_fits,
)
from emergence.runs.learn import by_hemisphere
from emergence.runs.other_years import Known
from emergence.runs.plan import choose_lakes, prepare
from emergence.runs.sightings import taxon_ids
from emergence.runs.taught import Learned
from emergence.taxa.catalogue_io import load_catalogue

Ints = NDArray[np.int64]
Key = tuple[str, str, str]  # lake, taxon, event
SIGNS = {"migration": ("moving",), "emergence": ("empty_skin", "adult")}
"""Stages that tell of an event: seen, it has begun; looked for in vain before any was seen, it had not."""
LONGEST_D = 21  # between the last look without and the first with; our prior
WANTED = Wanted(water=False, days=False, members=True, threads=1)
LEAST_YEARS = 5  # whatever thermal dates need: sightings are scarce; our choice


@dataclass(frozen=True)
class Seen:
    """Between which days an event began: ``first`` follows the last look in vain, ``last`` is that of the sight."""

    first: int
    last: int


SeenDates = Mapping[Key, Mapping[int, Seen]]


def seen_dates(season: Season, ask: Ask) -> SeenDates:
    """Return when notes say that migration or emergence began, where that is so in enough years.

    That is between the last look for its signs in vain and the first day they were seen, in the same season, 21 days
    apart at most. Events that the catalogue does not know of a taxon are left out.
    """
    taxa = load_catalogue(season.own_taxa)
    southern = {str(i): bool(s) for i, s in zip(season.lakes.lake_id, season.lakes.southern, strict=True)}
    notes = season.sightings.take(np.isin(season.sightings.lake_id.astype(str), sorted(southern)))
    ids = taxon_ids(notes.taxon, taxa)
    found: dict[Key, dict[int, Seen]] = {}
    for lake, key in sorted({(str(a), str(b)) for a, b in zip(notes.lake_id, ids, strict=True) if b}):
        if ask.lakes and lake not in ask.lakes:
            continue
        mine = notes.take((notes.lake_id == lake) & (ids == key))
        years = np.array([season_year(int(d), southern[lake]) for d in mine.day], dtype=np.int64)
        for event, signs in SIGNS.items():
            if event == "migration" and taxa[key].growth.move_before_dd is None:
                continue
            for year in np.unique(years).tolist():
                seen = first_seen(mine.take(years == year), signs)
                if seen is not None:
                    found.setdefault((lake, key, event), {})[year] = seen
    least = min(ask.least_years, LEAST_YEARS)
    return {key: dates for key, dates in found.items() if len(dates) >= least}


def first_seen(notes: Sightings, signs: tuple[str, ...]) -> Seen | None:
    """Return between which days a season's notes of one taxon first saw a sign, None where they do not tell."""
    about = notes.take(np.isin(notes.stage.astype(str), signs))
    with_it = about.day[about.level != "none"]
    if not len(with_it):
        return None
    last = int(with_it.min())
    in_vain = about.day[(about.level == "none") & (about.day < last)]
    if not len(in_vain) or last - int(in_vain.max()) > LONGEST_D:
        return None
    return Seen(int(in_vain.max()) + 1, last)


def seen_targets(dates: SeenDates, ask: Ask, southern: Mapping[str, bool]) -> list[Target]:
    """Return what to re-run: the issue date lies ``lead`` days before the median of the middles of all years."""
    out = []
    for (lake, taxon, event), seen in dates.items():
        middle = {y: (s.first + s.last) // 2 for y, s in seen.items()}
        for (year, lead), issue in issue_days(middle, ask, southern[lake]).items():
            out.append(
                Target(
                    lake_id=lake,
                    year=year,
                    lead_d=lead,
                    issue=issue,
                    truth=seen[year].first,
                    until=seen[year].last,
                    name="onset",
                    taxon=taxon,
                    event=event,
                )
            )
    return sorted(out, key=lambda t: (t.year, t.lake_id, t.issue, t.taxon, t.event))


def rerun_sightings(season: Season, ask: Ask, *, progress: Progress | None = None) -> Iterator[Rerun]:
    """Forecast again when the insects that were seen began, season by season.

    Members are those of a forecast: with what other years' notes taught of the lake's water and its insects' needs, and
    the season's own notes up to the issue date (``ask.readings`` 0: none of them).

    Parameters
    ----------
    season
        The season as read, journal included.
    ask
        What to re-run.
    progress
        Called with (issue dates done, issue dates in all).
    """
    dates, chosen = seen_dates(season, ask), choose_lakes(season.lakes, ask.lakes)
    southern = {str(i): bool(s) for i, s in zip(chosen.lake_id, chosen.southern, strict=True)}
    groups: dict[tuple[int, str, int], list[Target]] = {}
    for target in seen_targets(dates, ask, southern):
        groups.setdefault((target.year, target.lake_id, target.issue), []).append(target)
    near = {lake: around_lake(season, lake) for lake in {key[1] for key in groups}}
    done = 0
    for group in by_hemisphere(season.lakes):
        ids = set(group.lake_id.tolist())
        mine = {key: part for key, part in groups.items() if key[1] in ids}
        for year in sorted({key[0] for key in mine}):
            parts = [part for key, part in mine.items() if key[0] == year]
            span = season_span(year, bool(group.southern[0]))
            whole = Known(season, span, ask.past_only)
            fits = year_fits(whole, group, {}, cut=min(part[0].issue for part in parts), populations=True)
            known = whole.around({part[0].lake_id: near[part[0].lake_id] for part in parts})
            for part in parts:
                yield from again(known[part[0].lake_id], part, ask, dates, fits.learned)
                done += 1
                if progress is not None:
                    progress(done, len(groups))


def again(known: Known, part: list[Target], ask: Ask, dates: SeenDates, learned: Learned) -> Iterator[Rerun]:
    """Forecast the insects of one lake, season and issue date again; ``learned`` knows nothing of the season."""
    lake, issue, span = part[0].lake_id, part[0].issue, known.span
    taxa = tuple(sorted({t.taxon for t in part}))
    try:
        plan = prepare(known.on(issue), as_of=issue, lakes=(lake,), taxa=taxa, learned=learned)
    except NoWeatherError:
        return
    plan = dataclasses.replace(plan, jobs=[job for job in plan.jobs if job.span.year == span.year])
    for asked in ask.readings:
        noted = few_notes(plan, span, asked)
        table = block_tables(noted, np.array([0]), WANTED).tables["members"]
        for target in part:
            mine = table[(table["taxon"] == target.taxon) & (table["event"] == target.event)]
            if not mine.empty:
                again = _rerun(target, mine, span, dates[target.lake_id, target.taxon, target.event], ask.past_only)
                slots = len(plan.slots.slot_year)
                yield dataclasses.replace(
                    again, members=again.members.reshape(slots, -1), asked=asked, read=notes_used(noted, span)
                )


def _rerun(target: Target, members: pd.DataFrame, span: SeasonSpan, seen: Mapping[int, Seen], past_only: bool) -> Rerun:
    first = members[members["brood"] == members["brood"].min()]
    onset = first["onset"].to_numpy().astype("datetime64[D]").astype(np.int64)
    onset = np.where(first["onset"].isna().to_numpy(), span.end, np.minimum(onset, span.end)) - span.start
    years = other_years(seen, span.year, past_only)
    starts = [season_span(y, span.southern).start for y in years]
    middle = [(seen[y].first + seen[y].last) // 2 - start for y, start in zip(years, starts, strict=True)]
    blank = np.full(len(years), np.nan)
    return Rerun(
        target=dataclasses.replace(target, brood=int(first["brood"].iloc[0])),
        start=span.start,
        truth=target.truth - span.start,
        until=target.until - span.start,
        members=onset,
        other_year=np.array(years, dtype=np.int64),
        other_date=np.array(middle, dtype=np.int64),
        hindsight=blank,
        hindsight_sd=blank,
        air_c=np.full(len(AIR_DAYS), np.nan),
        other_air_c=np.full((len(years), len(AIR_DAYS)), np.nan),
        asked=None,
        read=0,
    )
