"""Which past years, and how laid, say most about the mean air temperature of the days after the issue date.

Run: ``python -m tests.benchmarks.traces FOLDER [FOLDER ...] [--station ID ...] [--out FILE]``, FOLDER a season folder.
Stations with fewer than 18 years of record are passed over. For every year with 15 whole years before it (not before
1965) and five issue dates (15 February, 1 April, 1 May, 1 June, 15 July) the record is cut at the issue date: calendar
mean, trend, persistence and traces know earlier days only. Scored is the mean of the days 1, 1-3, 1-7, 1-14, 8-14 and
15-90 after, by the fair CRPS (ensembles differ in size), against day-of-year climatology: all earlier years' means over
the same span moved by -9 to 9 days. Coverage is of the central 80 % interval of the traces used (their quantiles hold
75 % with 30 traces, 70 % with 15, if all is right). Ranges: 90 %, years drawn with replacement, the same for all
stations.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from emergence.dates import day_number, day_of_year, same_day_in, to_date, year_of
from emergence.records import StationSeries
from emergence.season import read_season
from emergence.verification.scores import crps_fair, crps_weighted
from emergence.weather.gaps import FilledSeries, fill_record, interpolate_short, observed_means, truncate
from emergence.weather.persistence import fit_persistence, trace_shift

TODAY = 25_000
ISSUES = ((2, 15), (4, 1), (5, 1), (6, 1), (7, 15))
SPANS = ((1, 1), (1, 3), (1, 7), (1, 14), (8, 14), (15, 90))
N_DAYS, LAST = 90, 30
FIRST_YEAR, LEAST_YEARS = 1965, 15
CLIMATOLOGY = "day-of-year climatology"
USED = "persistence and drawn trend, last 30 (used)"
METHODS = (
    CLIMATOLOGY,
    "raw, all years",
    "raw, last 30",
    "raw, weight halved every 15 years",
    "half trend, last 30",
    "full trend, last 30",
    "drawn trend, last 30",
    "persistence, last 30",
    "persistence and half trend, last 30",
    "persistence and full trend, last 30",
    USED,
    "persistence and drawn trend, all years",
)


def departures_after(filled: FilledSeries, whole: np.ndarray, as_of: int) -> np.ndarray:
    """Return the observed departures [°C] of the 90 days after the issue date from the calendar mean known then."""
    at = as_of + 1 - filled.first_day
    days = as_of + np.arange(1, N_DAYS + 1)
    return whole[at : at + N_DAYS] - filled.calendar_c[day_of_year(days) - 1]


def annual_slope(filled: FilledSeries, raw: np.ndarray) -> float:
    """Return the plain least-squares trend of annual means [°C a year]."""
    year = year_of(filled.first_day + np.arange(len(raw)))
    seen = filled.measured
    means = [(y, raw[(year == y) & seen].mean()) for y in np.unique(year) if ((year == y) & seen).sum() >= 300]
    return float(np.polyfit(*np.array(means).T, 1)[0]) if len(means) > 2 else 0.0


def earlier_windows(raw: np.ndarray, starts: np.ndarray, low: int, high: int) -> np.ndarray:
    """Return climatology: means of the span in earlier years, moved by -9 to 9 days."""
    sums = np.concatenate([[0.0], np.cumsum(raw)])
    begin = (starts[:, None] + np.arange(-9, 10) + low - 1).ravel()
    end = begin + high - low + 1
    inside = (begin >= 0) & (end <= len(raw))
    return (sums[end[inside]] - sums[begin[inside]]) / (high - low + 1)


def score_issue(filled: FilledSeries, truth: np.ndarray, as_of: int) -> tuple[dict[str, list[float]], np.ndarray]:
    """Return each method's scores by span, and whether the truth lies in the 80 % interval of the method used."""
    days = np.arange(filled.first_day, as_of + 1)
    raw = filled.tmean_c - filled.calendar_c[day_of_year(days) - 1]
    this = to_date(as_of).year
    years = np.arange(to_date(filled.first_day).year, this)
    start = np.array([same_day_in(int(y), as_of) + 1 - filled.first_day for y in years])
    seen = np.array([s >= 0 and filled.measured[s : s + N_DAYS].mean() >= 0.6 for s in start])
    years, start = years[seen], start[seen]
    traces = raw[start[None, :] + np.arange(N_DAYS)[:, None]]
    fit = fit_persistence(filled)
    carried = trace_shift(filled, fit, n_days=N_DAYS, years=years)
    ago = this - years
    drawn = fit.warming_c * (as_of - (filled.first_day + start - 1))
    slope = annual_slope(filled, raw)
    fading = carried - drawn
    laid = {
        "raw, all years": traces,
        "raw, last 30": traces[:, -LAST:],
        "half trend, last 30": (traces + 0.5 * slope * ago)[:, -LAST:],
        "full trend, last 30": (traces + slope * ago)[:, -LAST:],
        "drawn trend, last 30": (traces + drawn)[:, -LAST:],
        "persistence, last 30": (traces + fading)[:, -LAST:],
        "persistence and half trend, last 30": (traces + fading + 0.5 * slope * ago)[:, -LAST:],
        "persistence and full trend, last 30": (traces + fading + slope * ago)[:, -LAST:],
        USED: (traces + carried)[:, -LAST:],
        "persistence and drawn trend, all years": traces + carried,
    }
    scores: dict[str, list[float]] = {name: [] for name in METHODS}
    inside = np.zeros(len(SPANS), dtype=bool)
    for j, (low, high) in enumerate(SPANS):
        came = truth[low - 1 : high].mean()
        for name, ensemble in laid.items():
            scores[name].append(float(crps_fair(ensemble[low - 1 : high].mean(axis=0), came)))
        plain = traces[low - 1 : high].mean(axis=0)
        scores["raw, weight halved every 15 years"].append(float(crps_weighted(plain, came, 0.5 ** (ago / 15))))
        scores[CLIMATOLOGY].append(float(crps_fair(earlier_windows(raw, start, low, high), came)))
        a, b = np.quantile(laid[USED][low - 1 : high].mean(axis=0), (0.1, 0.9))
        inside[j] = a <= came <= b
    return scores, inside


def issues(series: StationSeries) -> Iterator[int]:
    """Yield the issue dates of a station (day numbers)."""
    first = to_date(series.first_day).year + 1
    for year in range(max(first + LEAST_YEARS, FIRST_YEAR), to_date(series.last_day).year + 1):
        for month, day in ISSUES:
            as_of = day_number(dt.date(year, month, day))
            if as_of + N_DAYS <= series.last_day:
                yield as_of


def score_station(series: StationSeries, latitude: float, elevation_m: float) -> tuple[np.ndarray, ...]:
    """Return the years (cases,), scores (cases, methods, spans), and coverage (cases, spans) of a station."""
    first = day_number(dt.date(to_date(series.first_day).year, 1, 1))
    whole, _ = interpolate_short(observed_means(series), 3)
    whole = np.concatenate([np.full(series.first_day - first, np.nan), whole])
    years, rows, cover = [], [], []
    for as_of in issues(series):
        filled = fill_record(
            truncate(series, as_of),
            neighbours=[],
            first_day=first,
            last_day=as_of,
            latitude=latitude,
            elevation_m=elevation_m,
        )
        truth = departures_after(filled, whole, as_of)
        if np.isnan(truth).any():
            continue
        scores, inside = score_issue(filled, truth, as_of)
        years.append(to_date(as_of).year)
        rows.append([scores[name] for name in METHODS])
        cover.append(inside)
    return np.array(years), np.array(rows), np.array(cover)


def stations(folders: list[Path], wanted: list[str]) -> Iterator[tuple[str, StationSeries, float, float]]:
    """Yield the long records of the folders, each once."""
    done: set[str] = set()
    for folder in folders:
        if not (folder / "lakes.csv").exists():
            sys.exit(f"{folder} is no season folder (no lakes.csv)")
        season = read_season(folder, today=TODAY)
        for k, name in enumerate(season.stations.station_id.tolist()):
            series = season.weather.get(name)
            long = series is not None and len(series.tmean_c) >= 18 * 365
            if series is not None and long and name not in done and (not wanted or name in wanted):
                done.add(name)
                yield name, series, float(season.stations.latitude[k]), float(season.stations.elevation_m[k])


def ranges(found: dict[str, tuple[np.ndarray, ...]], draws: int = 400) -> np.ndarray:
    """Return the 5 and 95 % quantiles of each method's mean ratio to climatology, shape (2, methods, spans)."""
    rng = np.random.default_rng(1)
    all_years = np.unique(np.concatenate([years for years, _, _ in found.values()]))
    out = []
    for _ in range(draws):
        times = dict(zip(all_years.tolist(), np.zeros(len(all_years)), strict=True))
        for year in rng.choice(all_years, len(all_years)).tolist():
            times[year] += 1
        out.append(_ratio(found, times))
    return np.quantile(np.array(out), [0.05, 0.95], axis=0)


def _ratio(found: dict[str, tuple[np.ndarray, ...]], times: dict[int, float] | None = None) -> np.ndarray:
    parts = []
    for years, rows, _ in found.values():
        w = np.ones(len(years)) if times is None else np.array([times[int(y)] for y in years])
        if w.sum() > 0:
            mean = (w[:, None, None] * rows).sum(axis=0) / w.sum()
            parts.append(mean / mean[METHODS.index(CLIMATOLOGY)])
    return np.mean(parts, axis=0)


def report(found: dict[str, tuple[np.ndarray, ...]]) -> str:
    """Return the tables as Markdown."""
    head = " | ".join(f"{low}" if low == high else f"{low}-{high}" for low, high in SPANS)
    rule = "|---" * (len(SPANS) + 1) + "|"
    ratio, (low, high) = _ratio(found), ranges(found)
    lines = [
        f"Mean over {len(found)} stations of CRPS / CRPS of day-of-year climatology (below 1 is better; in brackets "
        "90 % ranges).",
        "",
        f"| days after the issue date | {head} |",
        rule,
    ]
    for m, name in enumerate(METHODS):
        told = [f"{ratio[m, j]:.3f} ({low[m, j]:.3f}-{high[m, j]:.3f})" for j in range(len(SPANS))]
        lines.append(f"| {name} | {' | '.join(told if m else ['1'] * len(SPANS))} |")
    cover = np.mean([inside.mean(axis=0) for _, _, inside in found.values()], axis=0)
    lines.append(f"| share inside the 80 % interval (used) | {' | '.join(f'{c:.2f}' for c in cover)} |")
    for name, (years, rows, _) in found.items():
        mean = rows.mean(axis=0)
        lines += ["", f"{name}: CRPS in °C, {len(rows)} issue dates, {years.min()}-{years.max()}.", ""]
        lines += [f"| days after the issue date | {head} |", rule]
        for m, method in enumerate(METHODS):
            lines.append(f"| {method} | {' | '.join(f'{v:.3f}' for v in mean[m])} |")
    return "\n".join(lines) + "\n"


def header() -> str:
    """Return what the tables show and the command that makes them."""
    what, how = (__doc__ or "").strip().split("Run: ")
    command = "`python -m tests.benchmarks.traces FOLDER ... --out FILE` on season folders with the stations below"
    return f"{what.strip()}\n\nMade by {command}.\n\n{how.split('folder.', 1)[1].strip()}"


def main() -> None:
    """Run the benchmark and print or write its tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+", metavar="FOLDER")
    parser.add_argument("--station", action="append", default=[])
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    found = {}
    for name, series, latitude, elevation_m in stations(args.folders, args.station):
        years, rows, cover = score_station(series, latitude, elevation_m)
        if len(rows):
            found[name] = (years, rows, cover)
    if not found:
        sys.exit("no station has a long enough record")
    told = report(found)
    print(told)
    if args.out:
        args.out.write_text(f"# Traces against climatology\n\n{header()}\n\n{told}", encoding="utf-8")


if __name__ == "__main__":
    main()
