"""Quality control of weather on real station records: flag rate as they are, and share of planted errors found.

Run: ``python -m tests.benchmarks.weather_quality FOLDER ... [--rounds 1] [--kind TEXT] [--out FILE]``; FOLDERs are
season folders, whose stations are taken together (neighbours: the nearest eight within 500 km). Errors of one kind at a
time are planted in one station's record, a dozen each round, at least 40 days apart; the neighbours stay as they are.
An error is found when at least half of its changed values are flagged. Planted single values differ from the truth
by 10 °C or more (spikes by 15 to 25 °C), sign flips of stretches by 10 °C in the mean; smaller changes are within the
weather's own and are not counted as errors. Good days are those with no planted value; they are flagged when any of
their values is, the sound one of two equal stretches included.
"""

from __future__ import annotations

import argparse
import datetime as dt
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from emergence.dates import day_number, month_of, year_of
from emergence.records import Stations, StationSeries
from emergence.season import read_season
from emergence.weather.expected import COLUMNS
from emergence.weather.neighbours import great_circle_km
from emergence.weather.quality import Flags, check_series, check_stations

Floats = NDArray[np.float64]
Rng = np.random.Generator
APART, ERRORS, LEAST_C = 40, 12, 10.0
FARTHEST_KM, MOST_AROUND = 500.0, 8


@dataclass
class Case:
    """A record with planted errors: the values (days, 3), the truth, and the rows of each error."""

    first_day: int
    value: Floats
    truth: Floats
    others: list[Floats]
    errors: list[NDArray[np.int64]] = field(default_factory=list)

    @property
    def days(self) -> NDArray[np.int64]:
        return self.first_day + np.arange(len(self.value))

    def free(self, first: int, n: int) -> bool:
        """Whether a stretch is fully known and far from the other errors."""
        low, high = first - APART, first + n + APART
        if low < 0 or high > len(self.value):
            return False
        if any(rows[0] < high and rows[-1] >= low for rows in self.errors):
            return False
        there = np.isfinite(self.truth).any(0)
        return bool(np.isfinite(self.truth[first : first + n][:, there]).all())

    def plant(self, first: int, new: Floats, *, least: float = 0.05) -> bool:
        """Put (n, 3) values in place where they change enough in the mean."""
        change = np.abs(new - self.truth[first : first + len(new)])
        if not self.free(first, len(new)) or np.nanmean(change) < least:
            return False
        self.value[first : first + len(new)] = new
        self.errors.append(np.arange(first, first + len(new)))
        return True


Kind = Callable[[Case, int, Rng], bool]


def _columns(case: Case, rng: Rng) -> NDArray[np.bool_]:
    """Return all columns, or one of them."""
    there = np.isfinite(case.truth).any(0)
    if rng.random() < 0.5:
        return there
    one = np.zeros(3, dtype=bool)
    one[rng.choice(np.flatnonzero(there))] = True
    return one


def _changed(case: Case, first: int, n: int, rng: Rng, change: Callable[[Floats], Floats], least: float) -> bool:
    if not case.free(first, n):
        return False
    old = case.truth[first : first + n]
    where = _columns(case, rng)
    new = old.copy()
    new[:, where] = np.round(change(old[:, where]), 2)
    if least and np.nanmean(np.abs(new - old)[:, where]) < least:
        return False
    return case.plant(first, new)


def misread(change: Callable[[Floats], Floats], n: int, least: float = LEAST_C) -> Kind:
    return lambda case, first, rng: _changed(case, first, n, rng, change, least)


def to_f(x: Floats) -> Floats:
    return 1.8 * x + 32


def to_c(x: Floats) -> Floats:
    return (x - 32) / 1.8


def spike(case: Case, first: int, rng: Rng) -> bool:
    size = rng.uniform(15, 25) * rng.choice([-1, 1])
    return _changed(case, first, 1, rng, lambda x: x + size, 0.0)


def repeated_week(case: Case, first: int, rng: Rng) -> bool:
    return first >= 7 and case.plant(first, case.truth[first - 7 : first].copy())


def _month_rows(case: Case, first: int, months: int = 0) -> NDArray[np.int64]:
    key = year_of(case.days) * 12 + month_of(case.days)
    return np.flatnonzero(key == key[first] + months)


def duplicated_month(case: Case, first: int, rng: Rng) -> bool:
    here, there = _month_rows(case, first), _month_rows(case, first, int(rng.choice([-12, -1, 12, 24])))
    n = min(len(here), len(there))
    if n < 28 or not np.isfinite(case.truth[there[:n]][:, np.isfinite(case.truth).any(0)]).all():
        return False
    return case.plant(int(here[0]), case.truth[there[:n]].copy())


def wrong_station(case: Case, first: int, rng: Rng) -> bool:
    rows = _month_rows(case, first)
    new, there = case.others[int(rng.integers(len(case.others)))][rows], np.isfinite(case.truth).any(0)
    if np.isnan(new[:, :2]).all() and there[:2].any():
        return False
    middle = new[:, :2].mean(axis=1)
    new = np.column_stack([new[:, :2], np.where(np.isnan(new[:, 2]), middle, new[:, 2])])
    new[:, ~there] = np.nan
    return bool(np.isfinite(new[:, there]).all()) and case.plant(int(rows[0]), new, least=1.0)


def exchanged(case: Case, first: int, rng: Rng) -> bool:
    if not np.isfinite(case.truth[first, :2]).all():
        return False
    new = case.truth[first : first + 1].copy()
    new[0, :2] = new[0, 1::-1]
    return case.plant(first, new)


def decimal(case: Case, first: int, rng: Rng) -> bool:
    factor = rng.choice([0.1, 10.0])
    return _changed(case, first, 1, rng, lambda x: x * factor, LEAST_C)


KINDS: dict[str, Kind] = {
    "°F in a °C column, one day": misread(to_f, 1),
    "°F in a °C column, ten days": misread(to_f, 10),
    "°F in a °C column, a month": misread(to_f, 30),
    "°C in a °F column, one day": misread(to_c, 1),
    "°C in a °F column, a month": misread(to_c, 30),
    "sign flipped, one day": misread(np.negative, 1),
    "sign flipped, ten days": misread(np.negative, 10),
    "sign flipped, a month": misread(np.negative, 30),
    "decimal shifted, one day": decimal,
    "week repeated": repeated_week,
    "month duplicated": duplicated_month,
    "spike of 15-25 °C": spike,
    "month of another station, that one in the folder": wrong_station,
    "month of another station, not in the folder": wrong_station,
    "Tmin and Tmax exchanged": exchanged,
}
HIDDEN = "month of another station, not in the folder"


def as_series(name: str, first_day: int, value: Floats) -> StationSeries:
    return StationSeries(name, first_day, *np.ascontiguousarray(value.T))


def values_of(series: StationSeries) -> Floats:
    return np.stack([getattr(series, c) for c in COLUMNS], axis=1)


def on_days(series: StationSeries, first_day: int, n: int) -> Floats:
    out = np.full((n, 3), np.nan)
    low, high = max(first_day, series.first_day), min(first_day + n, series.last_day + 1)
    if low < high:
        out[low - first_day : high - first_day] = values_of(series)[low - series.first_day : high - series.first_day]
    return out


def read_folders(folders: Sequence[Path]) -> tuple[dict[str, StationSeries], dict[str, list[str]]]:
    """Return the records of all stations, and the names of those around each, nearest first."""
    weather: dict[str, StationSeries] = {}
    place: dict[str, tuple[float, float]] = {}
    for folder in folders:
        season = read_season(folder, today=day_number(dt.date.today()))
        weather |= {k: v for k, v in season.weather.items() if np.isfinite(values_of(v)).any(1).sum() >= 365}
        s: Stations = season.stations
        place |= {str(n): (float(a), float(b)) for n, a, b in zip(s.station_id, s.latitude, s.longitude, strict=True)}
    around = {}
    for name in weather:
        km = sorted((float(great_circle_km(*place[name], *place[k])), k) for k in weather if k != name)
        around[name] = [k for d, k in km if d <= FARTHEST_KM][:MOST_AROUND]
    return weather, around


@dataclass
class Tally:
    """Counts of one kind at one station."""

    planted: int = 0
    found: int = 0
    good: int = 0
    flagged: int = 0
    reasons: Counter[str] = field(default_factory=Counter)

    def add(self, other: Tally) -> None:
        self.planted += other.planted
        self.found += other.found
        self.good += other.good
        self.flagged += other.flagged
        self.reasons += other.reasons


def flag_table(flags: Flags, first_day: int, n: int) -> NDArray[np.bool_]:
    out = np.zeros((n, 3), dtype=bool)
    out[flags.day - first_day, [COLUMNS.index(c) for c in flags.column]] = True
    return out


def run(name: str, kind: str, weather: dict[str, StationSeries], around: Sequence[str], rng: Rng) -> Tally:
    """Plant errors of one kind in one station's record and count what is found."""
    series = weather[name]
    truth = values_of(series)
    n = len(truth)
    far = [k for k in weather if k != name and (kind != HIDDEN or k not in around)]
    others = [on_days(weather[k], series.first_day, n) for k in far] if "another station" in kind else []
    case = Case(series.first_day, truth.copy(), truth, others)
    for _ in range(60 * ERRORS):
        if len(case.errors) >= min(ERRORS, n // 400 + 1):
            break
        KINDS[kind](case, int(rng.integers(APART, n - APART)), rng)
    if not case.errors:
        return Tally()
    near = [weather[k] for k in around]
    if "that one in the folder" in kind:
        near += [weather[k] for k in far if k not in around]
    flags = check_series(as_series(name, series.first_day, case.value), neighbours=near)
    table = flag_table(flags, series.first_day, n)
    bad = np.zeros(n, dtype=bool)
    tally = Tally(planted=len(case.errors))
    reason = dict(zip(zip(flags.day.tolist(), flags.column.tolist(), strict=True), flags.reason.tolist(), strict=True))
    for rows in case.errors:
        bad[rows] = True
        change = np.abs(case.value[rows] - truth[rows]) > 0.05
        tally.found += bool(table[rows][change].mean() >= 0.5) if change.any() else 0
        r, c = np.nonzero(change & table[rows])
        days = series.first_day + rows[r]
        tally.reasons.update(reason[int(d), COLUMNS[k]] for d, k in zip(days, c, strict=True))
    known = np.isfinite(truth).any(1) & ~bad
    tally.good, tally.flagged = int(known.sum()), int(table.any(1)[known].sum())
    return tally


def clean_table(weather: dict[str, StationSeries], flags: dict[str, Flags], around: dict[str, list[str]]) -> list[str]:
    lines = [
        "| station | days | neighbours | days flagged | share | reasons (values) | lag |",
        "|---|---|---|---|---|---|---|",
    ]
    days_all = flagged_all = 0
    for name, found in flags.items():
        series = weather[name]
        days, flagged = int(np.isfinite(values_of(series)).any(1).sum()), len(np.unique(found.day))
        days_all, flagged_all = days_all + days, flagged_all + flagged
        why = ", ".join(f"{r} {n}" for r, n in Counter(found.reason.tolist()).most_common())
        lines.append(
            f"| {name} | {days} | {len(around[name])} | {flagged} | {100 * flagged / days:.2f} % "
            f"| {why} | {found.lag_days} |"
        )
    lines.append(f"| all | {days_all} | | {flagged_all} | {100 * flagged_all / days_all:.2f} % | | |")
    return lines


def kind_table(tallies: dict[tuple[str, str], Tally], around: dict[str, list[str]]) -> list[str]:
    lines = [
        "| planted error | planted | found | with neighbours | without | good days flagged |",
        "|---|---|---|---|---|---|",
    ]
    total = Tally()
    for kind in KINDS:
        parts = {n: t for (n, k), t in tallies.items() if k == kind}
        total_kind = merged(parts.values())
        near = merged(t for n, t in parts.items() if around[n])
        alone = merged(t for n, t in parts.items() if not around[n])
        lines.append(
            f"| {kind} | {total_kind.planted} | {_share(total_kind)} | {_share(near)} | {_share(alone)} "
            f"| {_good(total_kind)} |"
        )
        total.add(total_kind)
    lines.append(f"| all | {total.planted} | {_share(total)} | | | {_good(total)} |")
    return lines


def station_table(tallies: dict[tuple[str, str], Tally], names: Iterable[str]) -> list[str]:
    kinds = {k.split(",")[0].split(" of 15")[0]: None for k in KINDS}
    lines = ["| station | " + " | ".join(kinds) + " | all |", "|---" * (len(kinds) + 2) + "|"]
    for name in names:
        cells = [_share(merged(t for (n, k), t in tallies.items() if n == name and k.startswith(g))) for g in kinds]
        whole = merged(t for (n, _), t in tallies.items() if n == name)
        lines.append(f"| {name} | " + " | ".join(cells) + f" | {_share(whole)} |")
    return lines


def merged(parts: Iterable[Tally]) -> Tally:
    total = Tally()
    for part in parts:
        total.add(part)
    return total


def _share(t: Tally) -> str:
    return f"{100 * t.found / t.planted:.0f} %" if t.planted else "-"


def _good(t: Tally) -> str:
    return f"{100 * t.flagged / t.good:.2f} %" if t.good else "-"


def main() -> None:
    """Run the study and print or write its tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--kind", default="", help="only kinds that begin so")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    weather, around = read_folders(args.folders)
    begin = time.perf_counter()
    flags = check_stations(weather, around)
    took = time.perf_counter() - begin
    years = sum(len(s.tmean_c) for s in weather.values()) / 365.25
    tallies: dict[tuple[str, str], Tally] = {}
    for number, kind in enumerate(KINDS):
        if not kind.startswith(args.kind):
            continue
        for place, name in enumerate(weather):
            for turn in range(args.rounds):
                rng = np.random.default_rng([args.seed, number, place, turn])
                tallies.setdefault((name, kind), Tally()).add(run(name, kind, weather, around[name], rng))
    whole = merged(tallies.values())
    lines = [
        f"# Quality control: {_share(whole)} of {whole.planted} planted errors found, "
        f"{_good(whole)} of good days flagged",
        "",
        f"{len(weather)} real station records, {years:.0f} station-years, checked in {took:.1f} s "
        f"({1000 * took / years:.1f} ms a station-year).",
        "",
        *kind_table(tallies, around),
        "",
        "Share found by station:",
        "",
        *station_table(tallies, weather),
        "",
        "Records as they are, nothing planted:",
        "",
        *clean_table(weather, flags, around),
    ]
    text = "\n".join(lines) + "\n"
    if args.out:
        args.out.write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
