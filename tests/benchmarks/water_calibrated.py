"""Skill and spread of the water model on lakes left out: unseen, told by neighbours, ten readings, half a record.

Run: ``python -m tests.benchmarks.water_calibrated FOLDER ... [--as-dated] [--out FILE]``. All coefficients (water and
date of ice-off) are fitted again without each station's lakes; every lake is then simulated over its whole record by a
model that never saw it. What a lake's readings may teach is learned by the packaged code (learning/, runs/taught.py).

- *unseen*: nothing but air and shape. *Neighbours*: readings and ice dates of the other lakes of all folders, none of
  its own. *Ten readings* of one season, the other years scored, mean of 20 random choices. *First half* of the record
  (by year), the second scored. Ice-off likewise, unseen and after the first half of its dates.
- 80 % intervals: share of scored readings within, from the lake's own, season-long and day-to-day errors.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from emergence.dates import NEVER, year_of
from emergence.learning.water import IceFit, LakeFit, fit_ice, fit_lake
from emergence.records import Lakes, Season
from emergence.runs.record import Record, simulate_record, spring_openings
from emergence.runs.taught import Learned, lake_prior, with_learned
from emergence.water.spread import Spread
from tests.benchmarks.water_breakup import all_ice, ice_dates, read_seasons, simulated_dates
from tests.benchmarks.water_breakup import fit as fit_breakup
from tests.benchmarks.water_coefs import breakup, coefficients
from tests.benchmarks.water_data import Records, read_records
from tests.benchmarks.water_fit import MOST_ICE_YEARS, fit, left_out, problem, whole

REPEATS, A_SEASON = 20, 10
Z80 = 1.2816
CASES = ("unseen", "neighbours", "ten", "prior of ten", "half", "prior of half")


@dataclass(frozen=True)
class Lake:
    """One lake simulated by a model that never saw it: scored readings (n,) with features (n, K), and ice dates."""

    lakes: Lakes
    spread: Spread
    main: bool
    day: np.ndarray
    water_c: np.ndarray
    spring: np.ndarray
    model_c: np.ndarray
    ice: np.ndarray
    known: np.ndarray
    ice_shift_d: np.ndarray

    def fit(self, rows: np.ndarray) -> LakeFit | None:
        """Return what some of the readings teach."""
        rows = rows[~self.ice[rows]]
        if not len(rows):
            return None
        return fit_lake(
            self.known[rows],
            year_of(self.day[rows]),
            self.day[rows],
            self.water_c[rows] - self.model_c[rows],
            prior=lake_prior(self.spread)[0],
            day_c=float(self.spread.day_c[0]),
            phi=float(self.spread.phi()[0]),
        )

    def told(self, fits: dict[str, LakeFit], ice: dict[str, IceFit], places: dict) -> Spread:
        """Return the lake's spread given fits of any lakes."""
        return with_learned(self.spread, self.lakes, Learned(0, fits, ice, places))

    def errors(self, spread: Spread, rows: np.ndarray) -> np.ndarray:
        """Model less readings [°C]."""
        model = np.maximum(self.model_c[rows] + self.known[rows] @ spread.mean[0], 0)
        return np.where(self.ice[rows], 0, model) - self.water_c[rows]

    def inside(self, spread: Spread, rows: np.ndarray) -> np.ndarray:
        """Whether readings lie in the 80 % interval."""
        wide = self.known[rows] @ spread.root[0]
        sd = np.sqrt((wide**2).sum(axis=1) + spread.year_c[0] ** 2 + spread.day_c[0] ** 2)
        return np.abs(self.errors(spread, rows))[~self.ice[rows]] < Z80 * sd[~self.ice[rows]]


def simulated(records: Records, thin: Records, seasons: list[Season]) -> dict[str, Lake]:
    """Return every lake, simulated with coefficients fitted (on ``thin``) without its station's lakes."""
    p = problem(thin)
    theta, error, jac = fit(p)
    dates = all_ice(records, seasons)
    out: dict[str, Lake] = {}
    for station in np.unique(records.station).tolist():
        group = np.flatnonzero(records.station == station)
        ids = set(records.lake_id[group].tolist())
        water = whole(p, left_out(p, theta, error, jac, group))
        ice = fit_breakup([x for x in dates.values() if x.station != station])
        with coefficients(water), breakup(ice):
            for place, season in enumerate(seasons):
                some = season.lakes.take(np.isin(season.lakes.lake_id.astype(str), list(ids - set(out))))
                if len(some):
                    out |= _lakes(records, simulate_record(season, some), place == 0)
    return out


def _lakes(records: Records, record: Record, main: bool) -> dict[str, Lake]:
    openings, out = spring_openings(record), {}
    for k, name in enumerate(record.lakes.lake_id.tolist()):
        where = np.flatnonzero(records.lake_id == name)
        if not len(where) or bool(records.main[where[0]]) != main:
            continue
        mine = np.flatnonzero(records.obs_lake == where[0])
        day = records.days[records.obs_day[mine], records.obs_cell[mine]]
        order = np.argsort(day, kind="stable")
        order = order[(day[order] >= record.first_day) & (day[order] <= record.days[-1])]
        at, index = day[order], day[order] - record.first_day
        seen = ice_dates(records, int(where[0]))
        sim = simulated_dates(record, openings, k, seen)
        out[name] = Lake(
            lakes=record.lakes.take(np.array([k])),
            spread=record.spread.take(np.array([k])),
            main=main,
            day=at,
            water_c=records.obs_c[mine][order],
            spring=records.obs_spring[mine][order],
            model_c=record.path.water_c[index, k, 0].astype(float),
            ice=record.path.ice[index, k, 0],
            known=record.known.at(index, k),
            ice_shift_d=(seen - sim)[sim != NEVER].astype(float),
        )
    return out


def halves(lake: Lake) -> tuple[np.ndarray, np.ndarray]:
    """Rows of the first and second half of the record, cut between years."""
    year = year_of(lake.day)
    years, count = np.unique(year, return_counts=True)
    middle = years[np.argmin(np.abs(np.cumsum(count) - len(year) / 2))]
    return np.flatnonzero(year <= middle), np.flatnonzero(year > middle)


def tens(lake: Lake) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Ten random readings of a random season, and the rows of the other years."""
    year = year_of(lake.day)
    years, count = np.unique(year, return_counts=True)
    rng = np.random.default_rng(1)
    if len(years) < 2 or not (count >= A_SEASON).any():
        return
    for _ in range(REPEATS):
        one = rng.choice(years[count >= A_SEASON])
        yield np.sort(rng.choice(np.flatnonzero(year == one), A_SEASON, replace=False)), np.flatnonzero(year != one)


def rms(error: np.ndarray) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(error**2))) if len(error) else np.nan


def scored(name: str, lakes: dict[str, Lake], fits: dict[str, LakeFit], ice: dict[str, IceFit]) -> dict[str, object]:
    """Return one lake's errors by case and its truths of "inside"."""
    lake = lakes[name]
    places = {k: (v.lakes.latitude[0], v.lakes.longitude[0], v.lakes.elevation_m[0]) for k, v in lakes.items()}
    everything = np.arange(len(lake.day))
    others = {k: v for k, v in fits.items() if k != name}
    told = lake.told(others, {}, places)
    out: dict[str, object] = {
        "unseen": rms(lake.errors(lake.spread, everything)),
        "spring": rms(lake.errors(lake.spread, everything[lake.spring])),
        "neighbours": rms(lake.errors(told, everything)),
        "in unseen": lake.inside(lake.spread, everything),
        "in neighbours": lake.inside(told, everything),
    }
    first, second = halves(lake)
    alone = lake.fit(first)
    if alone is not None and len(second):
        spread = lake.told({name: alone}, {}, places)
        out["half"] = rms(lake.errors(spread, second))
        out["prior of half"] = rms(lake.errors(lake.spread, second))
        out["in half"] = lake.inside(spread, second)
    ten, before, inside = [], [], []
    for some, rest in tens(lake):
        few = lake.fit(some)
        spread = lake.told({name: few} if few else {}, {}, places)
        ten.append(rms(lake.errors(spread, rest)))
        before.append(rms(lake.errors(lake.spread, rest)))
        inside.append(lake.inside(spread, rest))
    if ten:
        out |= {"ten": np.mean(ten), "prior of ten": np.mean(before), "in ten": np.concatenate(inside)}
    return out


def ice_scored(name: str, lakes: dict[str, Lake], ice: dict[str, IceFit]) -> dict[str, float]:
    """Return one lake's RMSE of ice-off [d]: unseen, told by neighbours, second half unseen and after the first."""
    lake = lakes[name]
    shift = lake.ice_shift_d
    places = {k: (v.lakes.latitude[0], v.lakes.longitude[0], v.lakes.elevation_m[0]) for k, v in lakes.items()}
    told = lake.told({}, {k: v for k, v in ice.items() if k != name}, places).ice_mean_d[0]
    out = {"unseen": rms(shift), "neighbours": rms(shift - round(float(told)))}
    half = len(shift) // 2
    if half >= 3:
        own = fit_ice(shift[:half], prior_d=float(lake.spread.ice_prior_d()[0]))
        out |= {"half": rms(shift[half:] - round(own.mean_d)), "prior of half": rms(shift[half:])}
    return out


def table(rows: dict[str, dict], main: dict[str, bool], cases: tuple[str, ...], digits: int) -> str:
    """One row a lake, then median and mean of the first folder's lakes and of the others."""
    lines = ["| lake | " + " | ".join(cases) + " |", "|---" * (len(cases) + 1) + "|"]
    for name, row in rows.items():
        lines.append(f"| {name} | " + " | ".join(f"{row[c]:.{digits}f}" if c in row else "-" for c in cases) + " |")
    for word, first in (("first folder", True), ("other folders", False)):
        for label, of in (("median", np.median), ("mean", np.mean)):
            cells = []
            for c in cases:
                values = [row[c] for name, row in rows.items() if c in row and main[name] == first]
                cells.append(f"**{of(values):.{digits}f}** ({len(values)})" if values else "-")
            lines.append(f"| {word}, {label} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def coverage(rows: dict[str, dict], main: dict[str, bool]) -> str:
    """Share of readings in their 80 % interval, by case."""
    lines = ["| case | all readings | mean over lakes | lowest, highest lake | first folder, mean |", "|---" * 5 + "|"]
    for case in ("in unseen", "in neighbours", "in ten", "in half"):
        parts = {name: row[case] for name, row in rows.items() if case in row}
        each = np.array([p.mean() for p in parts.values()])
        ours = np.array([p.mean() for name, p in parts.items() if main[name]])
        pooled = np.concatenate(list(parts.values())).mean()
        ends = f"{each.min():.2f}, {each.max():.2f}"
        lines.append(f"| {case[3:]} | {pooled:.3f} | {each.mean():.3f} | {ends} | {ours.mean():.3f} |")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Score and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--as-dated", action="store_true")
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    records = read_records(args.folders, correct_dates=not args.as_dated)
    thin = read_records(args.folders, correct_dates=not args.as_dated, most_ice_years=MOST_ICE_YEARS)
    lakes = simulated(records, thin, read_seasons(args.folders, correct_dates=not args.as_dated))
    fits = {k: f for k, v in lakes.items() if (f := v.fit(np.arange(len(v.day)))) is not None}
    ice = {
        k: fit_ice(v.ice_shift_d, prior_d=float(v.spread.ice_prior_d()[0]))
        for k, v in lakes.items()
        if len(v.ice_shift_d)
    }
    wet = {k: scored(k, lakes, fits, ice) for k, v in lakes.items() if len(v.day)}
    frozen = {k: ice_scored(k, lakes, ice) for k, v in lakes.items() if len(v.ice_shift_d) >= 3}
    first = {k: v.main for k, v in lakes.items()}
    text = "Water, RMSE [°C]\n\n" + table(wet, first, ("unseen", "spring", *CASES[1:]), 2)
    text += "\nIce-off, RMSE [d]\n\n" + table(frozen, first, ("unseen", "neighbours", "prior of half", "half"), 1)
    text += "\n80 % intervals\n\n" + coverage(wet, first)
    print(text)
    if args.out:
        args.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
