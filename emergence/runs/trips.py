"""From a season folder to a trip plan: wishes to members, names to indices, and back to names and dates."""

from __future__ import annotations

import csv
import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from emergence.dates import EPOCH, to_date
from emergence.errors import Problem, SeasonError, WrongUseError
from emergence.planning.case import Access, Case, Closure, Guide, Limits, Outlook, Party
from emergence.records import NO_DAY, Booking, Guides, Lakes, Season, Travel, Trips, TripSettings
from emergence.runs.plan import RunPlan, choose_taxa
from emergence.runs.trip_members import Wish, trip_members
from emergence.season.trips import WEEKDAYS, name_key
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.names import find_taxon, group_taxa, nearest_taxon
from emergence.weather.neighbours import great_circle_km

Floats = NDArray[np.float64]
MANY_SEATS = 60


@dataclass(frozen=True)
class Kept:
    """One party's booking: (lake_id, day number) of each day, and the guide's name, "" for nobody."""

    cells: tuple[tuple[str, int], ...]
    guide: str = ""

    @property
    def first(self) -> int:
        """First day."""
        return min(day for _, day in self.cells)

    @property
    def last(self) -> int:
        """Last day."""
        return max(day for _, day in self.cells)


@dataclass(frozen=True)
class TripCase:
    """A case with what its indices mean: rows of trips.csv, sentences on what was left out and assumed.

    ``decide_by`` day number of each party, None where there is nothing to decide.
    """

    case: Case
    lakes: Lakes
    rows: tuple[int, ...]
    decide_by: tuple[int | None, ...]
    left_out: tuple[str, ...]
    notes: tuple[str, ...]


def wishes_of(season: Season) -> list[dict[Wish, float]]:
    """Return each party's wishes with weights that add up to 1; groups of insects are shared out among their members.

    Raises
    ------
    SeasonError
        When trips.csv names an insect that there is not.
    WrongUseError
        When there is no trips.csv.
    """
    if season.booking is None:
        raise WrongUseError(
            f"{season.folder} has no trips.csv. Add it, one row a party, with the columns "
            "party,size,earliest,latest,days,wants; see the README."
        )
    catalogue = load_catalogue(dict(season.own_taxa))
    found: list[dict[Wish, float]] = []
    problems = []
    for row, wants in zip(season.booking.trips.row, season.booking.trips.wants, strict=True):
        weights: dict[Wish, float] = {}
        for want in wants:
            one = find_taxon(want.taxon, catalogue)
            keys = tuple(group_taxa(want.taxon, catalogue) or ()) if one is None else (one,)
            if not keys:
                near = nearest_taxon(want.taxon, catalogue)
                remedy = f"{f'Did you mean {near}? ' if near else ''}'emergence taxa' lists them all."
                rule = "no insect is called that"
                problems.append(Problem("trips.csv", int(row), "wants", want.taxon, rule, remedy, "stop"))
            for key in keys:
                weights[key, want.stage] = weights.get((key, want.stage), 0.0) + want.weight / len(keys)
        total = sum(weights.values())
        found.append({wish: weight / total for wish, weight in weights.items()})
    if problems:
        told = "\n".join(f"  {problem.sentence()}" for problem in problems)
        raise SeasonError(f"Words of trips.csv name no insect:\n{told}", tuple(problems))
    return found


def wanted_taxa(season: Season) -> tuple[str, ...]:
    """Return the ids of all insects that parties want, in the order of the catalogue."""
    keys = {taxon for wishes in wishes_of(season) for taxon, _ in wishes}
    return tuple(key for key in choose_taxa(season, tuple(sorted(keys))) if key in keys)


def read_bookings(path: Path) -> dict[str, Kept]:
    """Return the bookings of a plan.csv by ``name_key`` of the party.

    Raises
    ------
    WrongUseError
        The file is no plan, with the row that cannot be read.
    """
    cells: dict[str, list[tuple[str, int]]] = {}
    guides: dict[str, str] = {}
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            for number, row in enumerate(csv.DictReader(file), start=2):
                try:
                    day = dt.date.fromisoformat(row["date"])
                    key, lake, guide = name_key(row["party"]), row["lake_id"], row["guide"]
                except (KeyError, TypeError, ValueError) as error:
                    raise WrongUseError(
                        f"{path}, row {number}: this is no row of a plan (party,lake_id,date,guide, …). Give the "
                        "plan.csv of an earlier plan, or --fresh to leave earlier plans aside."
                    ) from error
                cells.setdefault(key, []).append((lake, (day - EPOCH).days))
                guides[key] = guide
    except FileNotFoundError as error:
        raise WrongUseError(f"{path} is not there. Give the plan.csv of an earlier plan, or --fresh.") from error
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise WrongUseError(f"{path} cannot be read as a plan ({error}).") from error
    return {key: Kept(tuple(sorted(found, key=lambda c: c[1])), guides[key]) for key, found in cells.items()}


def make_case(plan: RunPlan, kept: Mapping[str, Kept], *, with_done: bool = True) -> TripCase:
    """Return the case of a run's plan.

    Parameters
    ----------
    plan
        The plan of a run over all lakes and the insects wanted.
    kept
        Bookings of the plan before, by ``name_key`` of the party; what trips.csv says goes before.
    with_done
        Whether trips that are over take part as they were, so that quotas and weeks count them.

    Raises
    ------
    WrongUseError
        When no party is left to plan for.
    """
    season = plan.season
    wishes, booking = wishes_of(season), season.booking
    assert booking is not None
    last = max(job.span.end for job in plan.jobs)
    season_start = min(job.span.start for job in plan.jobs)
    bookings = {k: _booked(booking.trips, k, kept) for k in range(len(booking.trips))}
    begun = {k: b for k, b in bookings.items() if b.cells and season_start <= b.first <= plan.as_of and b.last <= last}
    rows, left_out = _plannable(booking.trips, plan.as_of + 1, last, set(begun))
    if not with_done:
        rows = [k for k in rows if k not in begun or begun[k].last > plan.as_of]
    if all(k in begun and begun[k].last <= plan.as_of for k in rows):
        raise WrongUseError("\n".join(["There is no party to plan for.", *left_out]))
    bookings = {k: bookings[k] for k in rows}
    days = [day for b in bookings.values() for _, day in b.cells]
    begin = min([plan.as_of + 1, *days])
    end = max([*(min(int(booking.trips.latest[k]), last) for k in rows), *days])
    outlook = _outlook(plan, [wishes[k] for k in rows], begin, end)
    names = _Names(plan, booking, outlook)
    parties, decide = [], []
    for k in rows:
        party, until = names.party(k, wishes[k], bookings[k])
        parties.append(party)
        decide.append(until)
    guides, notes = names.guides()
    parties = [
        replace(p, booked_guide=names.guide_index(bookings[k].guide)) for k, p in zip(rows, parties, strict=True)
    ]
    case = Case(
        outlook=outlook,
        parties=tuple(parties),
        guides=guides,
        between=names.between(),
        closures=names.closures(),
        access=names.access(),
        limits=_limits(season.settings.trips),
    )
    return TripCase(case, plan.lakes, tuple(rows), tuple(decide), tuple(left_out), tuple(notes))


def _limits(settings: TripSettings) -> Limits:
    return Limits(
        most_travel_h=settings.most_travel_h,
        travel_cost=settings.travel_cost,
        again=settings.again,
        fairness=settings.fairness,
        most_poor=(settings.ice_chance, settings.turnover_chance, settings.heat_chance),
    )


def _plannable(trips: Trips, first: int, last: int, begun: set[int]) -> tuple[list[int], list[str]]:
    """Return the rows of parties whose days can be planned or have begun, and sentences on the others."""
    rows, said = [], []
    for k, party in enumerate(trips.party):
        room = min(int(trips.latest[k]), last) - max(int(trips.earliest[k]), first) + 1
        booked = int(trips.booked_start[k])
        if k in begun or room >= int(trips.days[k]) or (trips.booking[k] == "fixed" and first <= booked <= last):
            rows.append(k)
        elif int(trips.latest[k]) < first + int(trips.days[k]) - 1:
            said.append(f"{party}: fewer than {trips.days[k]} of its days are still to come.")
        else:
            said.append(f"{party}: its days lie beyond what is forecast, which ends on {to_date(last)}.")
    return rows, said


def _booked(trips: Trips, k: int, kept: Mapping[str, Kept]) -> Kept:
    before = kept.get(name_key(str(trips.party[k])), Kept(()))
    if trips.booked_start[k] == NO_DAY:
        return before if len(before.cells) == trips.days[k] else Kept(())
    start, lake = int(trips.booked_start[k]), str(trips.booked_lake[k])
    cells = tuple((lake, start + j) for j in range(int(trips.days[k])))
    return Kept(cells, before.guide if set(before.cells) == set(cells) else "")


def _outlook(plan: RunPlan, wishes: Sequence[Mapping[Wish, float]], first: int, last: int) -> Outlook:
    settings = plan.season.settings.trips
    different = tuple(dict.fromkeys(wish for one in wishes for wish in one))
    members = trip_members(
        plan,
        different,
        first=first,
        last=last,
        heat_stop_c=settings.heat_stop_c,
        unsure_share=settings.unsure_share,
    )
    lakes = tuple(str(lake) for lake in plan.lakes.lake_id)
    return Outlook(first, lakes, different, members.moving, members.poor)


class _Names:
    """Turns names of the season folder into indices of the case."""

    def __init__(self, plan: RunPlan, booking: Booking, outlook: Outlook) -> None:
        self.plan, self.booking, self.outlook = plan, booking, outlook
        self.lake = {lake: k for k, lake in enumerate(outlook.lakes)}
        self.settings = plan.season.settings.trips
        self.roads = _hours(booking.travel)

    def _day(self, day: int) -> int:
        return day - self.outlook.first_day

    def _maybe_day(self, day: int) -> int | None:
        return None if day == NO_DAY else self._day(day)

    def party(self, k: int, wishes: Mapping[Wish, float], kept: Kept) -> tuple[Party, int | None]:
        """Return a party and until when its booking can be moved."""
        trips, settings, as_of = self.booking.trips, self.settings, self.plan.as_of
        cells = tuple((self.lake[lake], self._day(day)) for lake, day in kept.cells if lake in self.lake)
        cells = cells if len(cells) == len(kept.cells) else ()
        until = int(trips.decide_by[k])
        if until == NO_DAY and cells:
            until = kept.first - settings.notice_days
        fixed = bool(cells) and (trips.booking[k] == "fixed" or until < as_of or kept.first <= as_of)
        first = max(self._day(int(trips.earliest[k])), self._day(as_of + 1))
        last = min(self._day(int(trips.latest[k])), self.outlook.days - 1)
        cost = float(trips.move_cost_days[k])
        party = Party(
            name=str(trips.party[k]),
            size=int(trips.size[k]),
            earliest=self._day(kept.first) if fixed else first,
            latest=self._day(kept.last) if fixed else last,
            days=int(trips.days[k]),
            weights=np.array([wishes.get(wish, 0.0) for wish in self.outlook.wants]),
            lakes=self._lakes(k),
            consecutive=trips.consecutive[k] == "yes",
            change_lake=trips.change_lake[k] == "yes",
            skills=frozenset(trips.skills[k]),
            poor_ok=trips.poor_days[k] == "yes",
            booked=cells,
            fixed=fixed,
            move_cost=settings.move_cost_days if np.isnan(cost) else cost,
        )
        return party, None if fixed or until == NO_DAY else until

    def _lakes(self, k: int) -> NDArray[np.bool_]:
        trips, region = self.booking.trips, self.plan.lakes.region
        ids = self.plan.lakes.lake_id
        wanted = np.isin(ids, list(trips.lakes[k])) | np.isin(region, list(trips.regions[k]))
        if not trips.lakes[k] and not trips.regions[k]:
            wanted = np.ones(len(ids), dtype=bool)
        excluded = np.isin(ids, list(trips.not_lakes[k])) | np.isin(region, list(trips.not_regions[k]))
        return np.asarray(wanted & ~excluded)

    def guides(self) -> tuple[tuple[Guide, ...], list[str]]:
        """Return the guides, and sentences on what was assumed of them."""
        guides, days = self.booking.guides, self.outlook.days
        lakes = len(self.outlook.lakes)
        if not len(guides):
            skills = frozenset(s for words in self.booking.trips.skills for s in words)
            one = Guide("guide", np.ones(days, dtype=bool), MANY_SEATS, np.zeros(lakes), skills)
            return (one,), ["There is no guides.csv: one guide for every day, boats for all, no travel counted."]
        notes, found = [], []
        for k, name in enumerate(guides.guide):
            hours = self._base_hours(guides, k)
            if np.isnan(hours).all():
                notes.append(f"{name} has no base: no travel counted.")
                hours = np.zeros(lakes)
            seats = int(guides.boats[k] * guides.guests_per_boat[k]) if guides.boats[k] else MANY_SEATS
            found.append(Guide(str(name), self._works(guides, k), seats, hours, frozenset(guides.skills[k])))
        return tuple(found), notes

    def guide_index(self, name: str) -> int:
        """Return a guide's index, -1 for nobody known."""
        names = [name_key(str(g)) for g in self.booking.guides.guide]
        return names.index(name_key(name)) if name and name_key(name) in names else -1

    def _works(self, guides: Guides, k: int) -> NDArray[np.bool_]:
        day = np.arange(self.outlook.days) + self.outlook.first_day
        works = np.ones(len(day), dtype=bool)
        if guides.first[k] != NO_DAY:
            works &= day >= guides.first[k]
        if guides.last[k] != NO_DAY:
            works &= day <= guides.last[k]
        for word in guides.off[k]:
            if word in WEEKDAYS:
                works &= (day + 3) % 7 != WEEKDAYS.index(word)
            else:
                works &= day != (dt.date.fromisoformat(word) - EPOCH).days
        return works

    def _base_hours(self, guides: Guides, k: int) -> Floats:
        lakes, base = self.plan.lakes, str(guides.base[k])
        given = np.array([self.roads.get((base, lake), np.nan) for lake in self.outlook.lakes])
        away = great_circle_km(guides.base_latitude[k], guides.base_longitude[k], lakes.latitude, lakes.longitude)
        return np.where(np.isnan(given), self._by_road(away), given)

    def _by_road(self, km: Floats) -> Floats:
        return np.asarray(km * self.settings.road_factor / self.settings.speed_km_h, dtype=np.float64)

    def between(self) -> Floats:
        """Return the hours from lake to lake."""
        lakes = self.plan.lakes
        away = great_circle_km(
            lakes.latitude[:, None], lakes.longitude[:, None], lakes.latitude[None], lakes.longitude[None]
        )
        hours = self._by_road(away)
        for (a, b), given in self.roads.items():
            if a in self.lake and b in self.lake:
                hours[self.lake[a], self.lake[b]] = given
        return hours

    def closures(self) -> tuple[Closure, ...]:
        """Return the closures of the lakes that are planned."""
        rows = self.booking.closures
        return tuple(
            Closure(self.lake[str(lake)], self._day(int(a)), self._day(int(b)), str(why))
            for lake, a, b, why in zip(rows.lake_id, rows.first, rows.last, rows.reason, strict=True)
            if str(lake) in self.lake
        )

    def access(self) -> tuple[Access, ...]:
        """Return the rules of access of the lakes that are planned."""
        rows, found = self.booking.access, []
        for k, lake in enumerate(rows.lake_id):
            if str(lake) in self.lake:
                found.append(
                    Access(
                        lake=self.lake[str(lake)],
                        open_from=self._maybe_day(int(rows.open_from[k])),
                        open_to=self._maybe_day(int(rows.open_to[k])),
                        permit=rows.permit[k] != "missing",
                        quota=_maybe(float(rows.quota_days[k])),
                        per_day=_maybe(float(rows.parties_per_day[k])),
                        per_week=_maybe(float(rows.parties_per_week[k])),
                    )
                )
        return tuple(found)


def _maybe(number: float) -> int | None:
    return None if np.isnan(number) else int(number)


def _hours(travel: Travel) -> dict[tuple[str, str], float]:
    """Return hours by way; a way given once stands for both."""
    ways = {(str(a), str(b)): float(h) for a, b, h in zip(travel.origin, travel.destination, travel.hours, strict=True)}
    return {(b, a): h for (a, b), h in ways.items()} | ways
