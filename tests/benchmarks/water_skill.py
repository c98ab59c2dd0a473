"""Skill of the water model on season folders, no reading used: open water, spring, ice-off.

Run: ``python -m tests.benchmarks.water_skill FOLDER ... [--as-dated] [--refit] [--out FILE]``. The first folder holds
the lakes of the headline. Without ``--refit`` the packaged model (emergence/water) is scored as it stands. With it the
coefficients are fitted again without each lake of the first folder, and without each station's lakes, and every
lake is scored by a fit that never saw it (the research copy of the model, see water_fit.py and WATER.md).
``--as-dated`` leaves out the correction of late station dates. The refits know no correction of the date of ice-off
(water/breakup.py); water_calibrated.py scores it left out too.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from emergence.water.breakup import breakup_shift
from emergence.water.shape import LakeShape
from emergence.water.surface import drivers, exchange, first_month_mean, initial_state, simulate
from tests.benchmarks.water_data import WINTER_END, Records, read_records
from tests.benchmarks.water_fit import MOST_ICE_YEARS, fit, left_out, problem, whole
from tests.benchmarks.water_research import Setup, setups
from tests.benchmarks.water_research import simulate as research

KINDS = ("water", "spring", "ice")
Scores = dict[str, np.ndarray]


def packaged(records: Records) -> tuple[np.ndarray, np.ndarray]:
    """Run emergence/water over each lake-year; water at the readings [°C] and row of ice-off (NaN for none)."""
    water, off = np.empty(len(records.obs_c)), np.full(len(records.ice_day), np.nan)
    for start in np.unique(records.days[0]):
        cells = np.flatnonzero(records.days[0] == start)
        place = np.full(len(records.cell_lake), -1)
        place[cells] = np.arange(len(cells))
        shape: LakeShape = records.shape.take(records.cell_lake[cells])
        days, air = records.days[:, cells[0]], records.air_c[:, cells, None].astype(np.float32)
        path, _ = simulate(air, drivers(days, shape), exchange(shape), initial_state(first_month_mean(air)))
        obs = np.flatnonzero(place[records.obs_cell] >= 0)
        water[obs] = path.water_c[records.obs_day[obs], place[records.obs_cell[obs]], 0]
        for k in np.flatnonzero(place[records.ice_cell] >= 0):
            frozen = np.flatnonzero(path.ice[: 184 + WINTER_END, place[records.ice_cell[k]], 0])
            if len(frozen):
                opened = np.array([[days[frozen[-1]] + 1]])
                later = breakup_shift(opened, records.shape.take(records.ice_lake[k : k + 1]))
                off[k] = frozen[-1] + 1 + later[0, 0]
    return water, off


def scores(records: Records, water: np.ndarray, off: np.ndarray) -> Scores:
    """RMSE and bias (model minus observed) of each lake [°C, d]; NaN without data."""
    r, n, out = records, len(records.lake_id), {}
    error, late = water - r.obs_c, np.rint(off) - r.ice_day
    froze = np.isfinite(late)
    for kind, x, lake in (
        ("water", error, r.obs_lake),
        ("spring", error[r.obs_spring], r.obs_lake[r.obs_spring]),
        ("ice", late[froze], r.ice_lake[froze]),
    ):
        count = np.bincount(lake, minlength=n)
        with np.errstate(invalid="ignore", divide="ignore"):
            out[kind] = np.sqrt(np.bincount(lake, x**2, minlength=n) / count)
            out[kind + " bias"] = np.bincount(lake, x, minlength=n) / count
    return out


def unseen(records: Records, thin: Records) -> tuple[Scores, Scores]:
    """Refit on ``thin`` without each lake of the first folder and without each station's lakes; score ``records``."""
    p = problem(thin)
    theta, error, jac = fit(p)
    parts = setups(records)
    alone = [np.array([k]) for k in np.flatnonzero(records.main)]
    groups = [np.flatnonzero(records.station == s) for s in np.unique(records.station)]
    found = []
    for cases in (alone, groups):
        mixed = _score_set(records, parts, whole(p, theta))
        for lakes in cases:
            one = _score_set(records, parts, whole(p, left_out(p, theta, error, jac, lakes)))
            for name, values in one.items():
                mixed[name][lakes] = values[lakes]
        found.append(mixed)
    return found[0], found[1]


def _score_set(records: Records, parts: tuple[Setup, Setup], values: dict[str, float]) -> Scores:
    water, off = research(records, parts, {n: np.array([v]) for n, v in values.items()})
    return scores(records, water[0], off[0])


def table(records: Records, cases: dict[str, Scores]) -> str:
    """One row for each lake and then median and mean of the first folder's lakes and of the others."""
    head = [f"{case}: {kind}" for case in cases for kind in KINDS]
    lines = ["| lake | " + " | ".join(head) + " |", "|---" * (len(head) + 1) + "|"]

    def row(name: str, cells: list[str]) -> None:
        lines.append("| " + " | ".join([name, *cells]) + " |")

    for k, lake in enumerate(records.lake_id):
        row(str(lake), [_cell(s, kind, k) for s in cases.values() for kind in KINDS])
    for name, rows in (("first folder", records.main), ("other folders", ~records.main)):
        for word, of in (("median", np.median), ("mean", np.mean)):
            cells = []
            for s in cases.values():
                for kind in KINDS:
                    known = s[kind][rows][np.isfinite(s[kind][rows])]
                    cells.append(f"**{of(known):.2f}** ({len(known)})" if len(known) else "-")
            row(f"{name}, {word}", cells)
    return "\n".join(lines) + "\n"


def _cell(s: Scores, kind: str, k: int) -> str:
    if not np.isfinite(s[kind][k]):
        return "-"
    return f"{s[kind][k]:.2f} ({s[kind + ' bias'][k]:+.1f})"


def main() -> None:
    """Score and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path, help="season folders with readings and ice dates")
    parser.add_argument("--as-dated", action="store_true")
    parser.add_argument("--refit", action="store_true")
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    records = read_records(args.folders, correct_dates=not args.as_dated)
    cases = {"packaged": scores(records, *packaged(records))}
    if args.refit:
        thin = read_records(args.folders, correct_dates=not args.as_dated, most_ice_years=MOST_ICE_YEARS)
        cases["without the lake"], cases["without its station"] = unseen(records, thin)
    text = "RMSE (bias), °C and days\n\n" + table(records, cases)
    print(text)
    if args.out:
        args.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
