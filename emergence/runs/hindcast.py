"""Past seasons forecast again as if on a day of theirs: thermal milestones of each lake, by the code of a forecast."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.dates import SeasonSpan, same_day_in, season_span, season_year
from emergence.degreedays.milestones import MILESTONES, Milestone, passing_days
from emergence.errors import NoWeatherError
from emergence.learning.widening import NO_WIDENING
from emergence.records import Lakes, Readings, Season
from emergence.runs.checked import FARTHEST_KM, ruled_notes
from emergence.runs.execute import make_block
from emergence.runs.hindsight import Key, Truths, hindsight, own_dates, passed_dates, season_bank, with_widening
from emergence.runs.learn import by_hemisphere, learn_lakes, learn_populations
from emergence.runs.other_years import Known
from emergence.runs.plan import Job, RunPlan, choose_lakes, prepare
from emergence.runs.record import simulate_record, winters
from emergence.runs.simulate import block_water
from emergence.runs.taught import Learned
from emergence.water.conditioning import OPEN_C, SURFACE_M
from emergence.weather.neighbours import great_circle_km

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
READING_AGES_D = (3, 14, 28)  # how old the readings of a hindcast with few of them are, about
AGE_WITHIN_D = 7
AIR_DAYS = (30, 60, 90)  # days of air before the issue date; our choice
AIR_SHARE = 0.6  # of them that must be measured; our prior
REGION_KM, REGION_M = 300.0, 500.0  # how far lakes tell each other's usual dates; our choice
AFTER_D = 100  # days after the latest date of other years to which members are run; what comes later counts as then
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Ask:
    """What to re-run: seasons ``years`` (none: all) and ``leads`` [d] before the median date; lakes likewise.

    ``past_only`` leaves out years after the target; ``readings`` is how many of the season's readings are used: None
    for all notes, else those nearest to 3, 14 and 28 days before the issue date, and no ice date. ``least_years`` is in
    how many years a lake must have passed a milestone. ``unseen`` takes each lake as one without any past record: no
    note of it in other years is known, and the other lakes near by tell the usual date. ``widen`` False leaves out
    what `learning.widening` does to members, to see what it is worth.
    """

    years: tuple[int, ...]
    leads: tuple[int, ...]
    lakes: tuple[str, ...] = ()
    past_only: bool = False
    readings: tuple[int | None, ...] = (None,)
    least_years: int = 8
    milestones: tuple[Milestone, ...] = MILESTONES
    unseen: bool = False
    widen: bool = True


@dataclass(frozen=True, kw_only=True)
class Target:
    """A date to be forecast again: it came from ``truth`` to ``until``; these and ``issue`` are day numbers."""

    lake_id: str
    year: int
    lead_d: int
    issue: int
    truth: int
    until: int
    name: str
    taxon: str = "-"
    brood: int = 0
    event: str = "thermal"

    @property
    def kind(self) -> str:
        """What tells the truth."""
        return "readings" if self.event == "thermal" else "sightings"


@dataclass(frozen=True, kw_only=True)
class WaterTarget(Target):
    """The day on which observed water passed a milestone."""

    milestone: Milestone


def water_target(lake_id: str, milestone: Milestone, year: int, lead_d: int, days: tuple[int, int]) -> WaterTarget:
    """Return the target of a milestone; ``days`` are issue date and what came (day numbers)."""
    issue, truth = days
    return WaterTarget(
        lake_id=lake_id, year=year, lead_d=lead_d, issue=issue, truth=truth, until=truth, name=milestone.name,
        milestone=milestone,
    )  # fmt: skip


@dataclass(frozen=True)
class Rerun:
    """One date forecast again; dates count from the season's first day [d].

    ``members`` (slots, replicates) dates, cut at the last simulated day; ``truth`` to ``until`` (None: ``truth``) what
    came; ``other_year``, ``other_date`` (n,) what came in the years that may be known; ``hindsight`` and
    ``hindsight_sd`` (n,) mean and standard deviation of what the lake's model, fitted without the target season and
    without the year itself, says of those years with their observed weather (NaN: nothing); ``air_c`` (3,) and
    ``other_air_c`` (n, 3) [°C] the mean air of the 30, 60 and 90 days to the issue date; ``asked`` how many readings
    were to be used (None: all), ``read`` how many were; ``unseen``: as if the lake had no past record; the other years'
    dates are then the near lakes'.
    """

    target: Target
    start: int
    truth: int
    members: Ints
    other_year: Ints
    other_date: Ints
    hindsight: Floats
    hindsight_sd: Floats
    air_c: Floats
    other_air_c: Floats
    asked: int | None
    read: int
    unseen: bool = False
    until: int | None = None

    @property
    def last(self) -> int:
        """The last day on which it can have come [d]."""
        return self.truth if self.until is None else self.until


def observed_dates(season: Season, ask: Ask) -> Truths:
    """Return when the surface water that was read passed the milestones, those passed in enough years."""
    readings, _ = ruled_notes(season.readings, season.overrules, "readings")
    at = season.lakes if not ask.lakes else season.lakes.take(np.isin(season.lakes.lake_id.astype(str), ask.lakes))
    southern = {str(i): bool(s) for i, s in zip(at.lake_id, at.southern, strict=True)}
    found = passed_dates(readings, southern, ask.milestones)
    return {key: dates for key, dates in found.items() if len(dates) >= ask.least_years}


def targets(truths: Truths, ask: Ask, southern: Mapping[str, bool]) -> list[WaterTarget]:
    """Return what to re-run: the issue date lies ``lead`` days before the median date of all years."""
    out = [
        water_target(lake, milestone, year, lead, (issue, dates[year]))
        for (lake, milestone), dates in truths.items()
        for (year, lead), issue in issue_days(dates, ask, southern[lake]).items()
    ]
    return sorted(out, key=lambda t: (t.year, t.lake_id, t.issue, t.milestone.heat_dd))


def issue_days(dates: Mapping[int, int], ask: Ask, southern: bool) -> dict[tuple[int, int], int]:
    """Return the issue date for each season asked for and lead: so long before the median date of all seasons."""
    start = {y: season_span(y, southern).start for y in dates}
    median = int(np.floor(np.median([d - start[y] for y, d in dates.items()]) + 0.5))
    return {(y, lead): start[y] + median - lead for y in dates if y in ask.years or not ask.years for lead in ask.leads}


@dataclass(frozen=True)
class YearFits:
    """What other seasons teach when one is left out: fits, and what each lake's model then says of those seasons.

    ``hindsight`` maps lake, milestone and season to mean and standard deviation of the members' dates [d from the
    season's start] with observed weather and fits that know neither that season nor the target one.
    """

    learned: Learned
    hindsight: Mapping[tuple[str, Milestone, int], tuple[float, float]]


def year_fits(known: Known, lakes: Lakes, truths: Truths, *, cut: int, populations: bool = False) -> YearFits:
    """Fit lakes of one hemisphere to notes of other seasons; nothing after day number ``cut`` of the target's is known.

    Notes of the target season itself do not teach; they act as notes of the season. ``populations`` fits the heat that
    insects need to sightings too.
    """
    season, span = known.on(min(cut, known.span.start - 1)), known.span
    record = simulate_record(season, lakes)
    learned, own = learn_lakes(season, record, before=span.start), own_dates(season, record, span.start)
    ends = [int(record.days[part][-1]) for part, _ in winters(record)]
    true = {season_year(d, span.southern): season_year(known.true_day(season, d), span.southern) for d in ends}

    def wanted(year: int) -> set[Key]:
        asked = {key for key, d in truths.items() if true[year] in other_years(d, span.year, known.past_only)}
        return asked | {key for key, d in own.items() if year in d}

    said = hindsight(record, learned, wanted)
    learned = with_widening(learned, said, own, record)
    if populations:
        learned = learn_populations(season, record, learned)
    return YearFits(
        dataclasses.replace(learned, before=-(10**6)),
        {
            (lake, milestone, true[year]): (mean, sd * learned.widening.factor)
            for (lake, milestone, year), (mean, sd) in said.items()
        },
    )


def without(fits: YearFits, lake_id: str) -> YearFits:
    """Return the fits as if one lake had no past record: its neighbours' stay."""
    old, hindsight = fits.learned, {key: value for key, value in fits.hindsight.items() if key[0] != lake_id}
    lakes = {k: v for k, v in old.lakes.items() if k != lake_id}
    ice = {k: v for k, v in old.ice.items() if k != lake_id}
    return YearFits(dataclasses.replace(old, lakes=lakes, ice=ice), hindsight)


def near_lakes(lakes: Lakes) -> dict[str, list[str]]:
    """Return which other lakes tell a lake's usual date: those within 300 km and 500 m of height."""
    km = great_circle_km(lakes.latitude[:, None], lakes.longitude[:, None], lakes.latitude, lakes.longitude)
    near = (km <= REGION_KM) & (np.abs(lakes.elevation_m[:, None] - lakes.elevation_m) <= REGION_M)
    ids = [str(i) for i in lakes.lake_id]
    return {
        lake: [o for o, close in zip(ids, row, strict=True) if close and o != lake]
        for lake, row in zip(ids, near, strict=True)
    }


def other_years(dates: Iterable[int], year: int, past_only: bool) -> list[int]:
    """Return the seasons among ``dates`` that may be known when ``year`` is forecast again, ascending."""
    return sorted(y for y in dates if y < year or (y > year and not past_only))


def rerun_all(season: Season, ask: Ask, *, progress: Progress | None = None) -> Iterator[Rerun]:
    """Forecast past seasons' thermal dates again, season by season.

    Parameters
    ----------
    season
        The season as read, journal included; quality control is made anew for each month of each target season.
    ask
        What to re-run.
    progress
        Called with (issue dates done, issue dates in all).
    """
    truths = observed_dates(season, dataclasses.replace(ask, lakes=()) if ask.unseen else ask)
    tell = near_lakes(season.lakes) if ask.unseen else {}
    chosen = choose_lakes(season.lakes, ask.lakes)
    southern = {str(i): bool(s) for i, s in zip(chosen.lake_id, chosen.southern, strict=True)}
    told = {key: dates for key, dates in truths.items() if key[0] in southern and (not ask.unseen or tell[key[0]])}
    wanted = targets(told, ask, southern)
    groups = _grouped(wanted)
    near = {lake: around_lake(season, lake) for lake in {t.lake_id for t in wanted}}
    done = 0
    for group in by_hemisphere(season.lakes):
        ids = set(group.lake_id.tolist())
        for year in sorted({t.year for t in wanted if t.lake_id in ids}):
            mine = [part for part in groups if part[0].year == year and part[0].lake_id in ids]
            span = season_span(year, bool(group.southern[0]))
            whole = Known(season, span, ask.past_only)
            fits = year_fits(whole, group, truths, cut=min(part[0].issue for part in mine))
            known = whole.around({part[0].lake_id: near[part[0].lake_id] for part in mine})
            for part in mine:
                lake = part[0].lake_id
                if not ask.widen:
                    fits = dataclasses.replace(fits, learned=dataclasses.replace(fits.learned, widening=NO_WIDENING))
                if ask.unseen:
                    yield from rerun(known[lake], part, ask, truths, without(fits, lake), tell[lake])
                else:
                    yield from rerun(known[lake], part, ask, truths, fits)
                done += 1
                if progress is not None:
                    progress(done, len(groups))


def around_lake(season: Season, lake_id: str) -> Season:
    """Return the folder with one lake and the stations that have a say in its air: its own and all within 500 km."""
    lake, at = season.lakes.take(season.lakes.lake_id == lake_id), season.stations
    own = at.station_id == lake.station_id[0]
    latitude, longitude = np.append(at.latitude[own], lake.latitude), np.append(at.longitude[own], lake.longitude)
    km = great_circle_km(at.latitude[:, None], at.longitude[:, None], latitude, longitude)
    near = at.take(own | (km <= FARTHEST_KM).any(axis=1))
    weather = {name: series for name, series in season.weather.items() if name in set(near.station_id.tolist())}
    return dataclasses.replace(season, lakes=lake, stations=near, weather=weather)


def _grouped(wanted: list[WaterTarget]) -> list[list[WaterTarget]]:
    groups: dict[tuple[int, str, int], list[WaterTarget]] = {}
    for target in wanted:
        groups.setdefault((target.year, target.lake_id, target.issue), []).append(target)
    return list(groups.values())


def rerun(
    known: Known, part: list[WaterTarget], ask: Ask, truths: Truths, fits: YearFits, tell: Sequence[str] | None = None
) -> Iterator[Rerun]:
    """Forecast one lake's milestones in one season again; lakes ``tell`` (none: itself) the other years' dates."""
    lake, issue, span = part[0].lake_id, part[0].issue, known.span
    tell = [lake] if tell is None else tell
    others = {t.milestone: told_dates(truths, t, tell, span, past_only=ask.past_only) for t in part}
    latest = max((int(dates.max()) for _, dates in others.values() if len(dates)), default=span.end - span.start)
    span = dataclasses.replace(span, end=min(span.end, span.start + latest + AFTER_D))
    try:
        plan = prepare(known.on(issue), as_of=issue, lakes=(lake,), learned=fits.learned)
    except NoWeatherError:
        return
    plan = dataclasses.replace(plan, taxa={})
    air = {y: recent_air(plan, issue, y, span) for y in {span.year}.union(*(o[0].tolist() for o in others.values()))}
    for asked in ask.readings:
        noted = few_notes(plan, span, asked)
        read = notes_used(noted, span)
        water = member_surface(noted, span)
        for target in part:
            years, dates = others[target.milestone]
            last = min(span.end - span.start, int(dates.max()) + AFTER_D if len(dates) else span.end)
            days = passing_days(water[span.start - span.sim_start :], target.milestone)
            hindsight = [fits.hindsight.get((lake, target.milestone, y), (np.nan, np.nan)) for y in years.tolist()]
            told = np.array(hindsight).reshape(-1, 2)
            yield Rerun(
                target=target,
                start=span.start,
                truth=min(target.truth - span.start, last),
                members=np.minimum(days, last).reshape(len(plan.slots.slot_year), -1),
                other_year=years,
                other_date=dates,
                hindsight=told[:, 0],
                hindsight_sd=told[:, 1],
                air_c=air[span.year],
                other_air_c=np.array([air[y] for y in years.tolist()]).reshape(-1, len(AIR_DAYS)),
                asked=asked,
                read=read,
                unseen=ask.unseen,
            )


def told_dates(
    truths: Truths, target: WaterTarget, tell: Sequence[str], span: SeasonSpan, *, past_only: bool
) -> tuple[Ints, Ints]:
    """Return other years in which some lakes passed a target's milestone, and the dates [d from the season's start]."""
    seen = [truths.get((lake, target.milestone), {}) for lake in tell]
    found = [
        (y, d[y] - season_span(y, span.southern).start) for d in seen for y in other_years(d, span.year, past_only)
    ]
    years, dates = np.array(found, dtype=np.int64).reshape(-1, 2).T
    return years, dates


def member_surface(plan: RunPlan, span: SeasonSpan) -> NDArray[np.floating]:
    """Return the members' surface water [°C] of the plan's one lake, shape (days, members), from ``span.sim_start``."""
    job = Job(span, np.array([0]))
    water = block_water(make_block(plan, job, job.lakes, season_bank(plan.seed))).water_c
    return water.reshape(len(water), -1)


def notes_used(plan: RunPlan, span: SeasonSpan) -> int:
    """Return how many readings of the season a plan of one lake knows."""
    r = plan.season.readings
    return int(((r.day >= span.sim_start) & (r.lake_id == plan.lakes.lake_id[0])).sum())


def few_notes(plan: RunPlan, span: SeasonSpan, asked: int | None) -> RunPlan:
    """Return a plan that knows of the season some readings only, no ice date or sighting; None leaves all notes."""
    if asked is None:
        return plan
    r, ice = plan.season.readings, plan.season.ice
    mine = np.flatnonzero((r.day >= span.sim_start) & (r.lake_id == plan.lakes.lake_id[0]))
    kept = mine[chosen_readings(r.take(mine), plan.as_of, asked)]
    sightings = plan.season.sightings
    season = dataclasses.replace(
        plan.season,
        readings=r.take(kept),
        ice=ice.take(ice.day < span.sim_start),
        sightings=sightings.take(sightings.day < span.sim_start),
    )
    return dataclasses.replace(plan, season=season)


def chosen_readings(readings: Readings, issue: int, count: int) -> Ints:
    """Return at most ``count`` rows of open surface water, each nearest to one of 3, 14, 28 days before, within 7."""
    usable = (readings.water_c >= OPEN_C) & ~(readings.depth_m > SURFACE_M) & (readings.day <= issue)
    chosen: list[int] = []
    for age in READING_AGES_D[:count]:
        off = np.abs(issue - readings.day - age)
        off = np.where(usable & (off <= AGE_WITHIN_D), off, 10**6)
        off[chosen] = 10**6
        if len(off) and off.min() < 10**6:
            chosen.append(int(off.argmin()))
    return np.array(sorted(chosen), dtype=np.int64)


def recent_air(plan: RunPlan, issue: int, year: int, span: SeasonSpan) -> Floats:
    """Return the mean air [°C] of the AIR_DAYS to the issue date's day in a season, at the lake's heaviest station.

    NaN where fewer than 60 % of them were measured.
    """
    filled = plan.filled[int(plan.links.station_index[0, 0])]
    end = same_day_in(season_year(issue, False) + year - span.year, issue)
    if filled.moved is not None and year > span.year:
        end -= filled.moved.days
    out, b = np.full(len(AIR_DAYS), np.nan), end + 1 - filled.first_day
    for place, days in enumerate(AIR_DAYS):
        a = b - days
        if a >= 0 and b <= len(filled.tmean_c) and filled.measured[a:b].mean() >= AIR_SHARE:
            out[place] = filled.tmean_c[a:b].mean()
    return out
