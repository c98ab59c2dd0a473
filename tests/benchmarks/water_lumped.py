"""The published lumped model, its coefficients from mean depth alone, beside ours on the same days of the same lakes.

Run: ``python -m tests.benchmarks.water_lumped FOLDER ... [--as-dated] [--out FILE]``. Lakes, days and columns as in
water_skill.py; no reading is used. *Four* and *eight* are the two published sets (emergence/water/lumped.py), *mean*
their mean. Each lake-year starts on 1 July at the air of its first month, and is forgotten by spring. Their ice is
water at 0 °C: no date of ice-off comes out of them.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from emergence.dates import YEAR_DAYS, northern_day_of_year
from emergence.water.lumped import Lumped, lumped_eight, lumped_four, lumped_water
from tests.benchmarks.water_data import Records, read_records
from tests.benchmarks.water_skill import packaged, scores, table


def lumped(records: Records, lake: Lumped) -> np.ndarray:
    """Return a set's water at the readings [°C]."""
    water = np.empty(len(records.obs_c))
    southern = records.shape.latitude < 0
    for cell in np.unique(records.obs_cell):
        k = records.cell_lake[cell]
        days = records.days[:, cell]
        share = (northern_day_of_year(days, np.full(len(days), southern[k])) - 1) / YEAR_DAYS
        air = records.air_c[:, cell, None]
        own = Lumped(*(part[k : k + 1] for part in lake))
        path = lumped_water(air, share, own, np.maximum(air[:30].mean(axis=0), 4.0))[:, 0]
        obs = records.obs_cell == cell
        water[obs] = path[records.obs_day[obs]]
    return water


def main() -> None:
    """Score and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path, help="season folders with readings")
    parser.add_argument("--as-dated", action="store_true")
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    records = read_records(args.folders, correct_dates=not args.as_dated)
    depth = records.shape.mean_depth_m
    four, eight = lumped(records, lumped_four(depth)), lumped(records, lumped_eight(depth))
    no_ice = np.full(len(records.ice_day), np.nan)
    cases = {"packaged": scores(records, *packaged(records))}
    for name, water in (("four", four), ("eight", eight), ("mean", (four + eight) / 2)):
        cases[name] = scores(records, water, no_ice)
    text = "RMSE (bias), °C and days\n\n" + table(records, cases)
    print(text)
    if args.out:
        args.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
