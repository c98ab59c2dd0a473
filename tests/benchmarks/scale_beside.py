"""What a user would write otherwise: the chain lake by lake with pandas; degree-days by a general climate library."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pandas as pd

from emergence.degreedays import water_sums
from emergence.forecast.field import Field
from emergence.taxa.catalogue_io import load_catalogue

DAYS, MEMBERS = 365, 240
LOWER = 10.0


def pandas_lake(air: pd.DataFrame, taxa: list[tuple[float, float | None, float]]) -> pd.DataFrame:
    """Return windows of one lake: (days, members) air to water by a running mean, degree-days, three dates a taxon.

    Simpler than the real chain: no ice, depths, gates, year-classes or spread within a population.
    """
    water = air.ewm(halflife=8).mean().clip(lower=0)
    rows = []
    for lower, upper, need in taxa:
        heat = (water.clip(lower=lower, upper=upper) - lower).cumsum()
        dates = {name: (heat >= share * need).idxmax() for name, share in (("onset", 0.8), ("peak", 1), ("end", 1.3))}
        frame = pd.DataFrame(dates)
        active = pd.DataFrame({d: (frame["onset"] <= d) & (frame["end"] >= d) for d in air.index}).mean()
        row = frame.quantile([0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95]).unstack()
        row["best_week"] = active.rolling(7).sum().idxmax()
        rows.append(row)
    return pd.DataFrame(rows)


def pandas_seconds(lakes: int = 3) -> float:
    """Return the processor time [s] of one lake."""
    rng = np.random.default_rng(1)
    day = np.arange(DAYS)
    season = 8.0 - 12.0 * np.cos(2 * np.pi * (day - 20) / 365.25)
    taxa = [(*bounds, 400.0) for bounds in thresholds()]
    air = pd.DataFrame(season[:, None] + rng.normal(0, 3, (DAYS, MEMBERS)))
    pandas_lake(air, taxa[:1])
    begin = time.process_time()
    for _ in range(lakes):
        pandas_lake(air, taxa)
    return (time.process_time() - begin) / lakes


def thresholds() -> list[tuple[float, float | None]]:
    """Return lower and upper threshold [°C] of every taxon of the catalogue."""
    growth = [t.growth for t in load_catalogue().values()]
    return [(g.lower.value, None if g.upper is None else g.upper.value) for g in growth]


def degree_day_rows(lakes: int = 128) -> list[tuple[str, str]]:
    """Return the degree-day stage against xclim on the same array: the same work, more work, all taxa."""
    import xarray as xr
    from xclim.indices import growing_degree_days

    rng = np.random.default_rng(2)
    water = rng.uniform(0, 25, (DAYS, lakes * MEMBERS)).astype(np.float32)
    time_axis = pd.date_range("2023-01-01", periods=DAYS)
    field = xr.DataArray(water, dims=("time", "cell"), coords={"time": time_axis}, attrs={"units": "degC"})

    def theirs_of(lower: float) -> np.ndarray:
        return np.asarray(growing_degree_days(field, thresh=f"{lower} degC", freq="YS").values)

    taxa, pairs = thresholds(), sorted(set(thresholds()), key=str)
    here = _field(water, lakes)
    copy = best(lambda: water.copy(), 9)
    theirs, year, every, chain = best_of(
        lambda: theirs_of(LOWER),
        lambda: water_sums(water, lower=LOWER, last=True),
        lambda: water_sums(water, lower=LOWER),
        lambda: [here.heat(*one) for one in pairs],
    )
    theirs_taxa = best(lambda: [theirs_of(low) for low, _ in taxa], 1)
    year_taxa = best(lambda: [water_sums(water, lower=low, upper=up, last=True) for low, up in pairs])
    expected = theirs_of(LOWER)[0]
    np.testing.assert_allclose(water_sums(water, lower=LOWER, last=True), expected, rtol=1e-3)  # float32 sums there
    np.testing.assert_allclose(water_sums(water, lower=LOWER)[-1], expected, rtol=1e-3)
    np.testing.assert_allclose(here.heat(LOWER, None)[-1].ravel(), expected, rtol=1e-3)
    return [
        (f"degree-days of ({DAYS}, {lakes * MEMBERS}) by xclim, the year's sum, s", f"{theirs:.3f}"),
        ("here, the same: the year's sum, s", f"{year:.4f}"),
        ("**xclim / here, same work**", f"{theirs / year:.1f}"),
        ("here, running sums of every day, s", f"{every:.4f}"),
        ("xclim's one sum / running sums of every day here", f"{theirs / every:.1f}"),
        ("one copy, s", f"{copy:.4f}"),
        (f"the year's sum of all {len(taxa)} taxa by xclim, s", f"{theirs_taxa:.3f}"),
        (f"the same here ({len(pairs)} pairs of thresholds), s", f"{year_taxa:.3f}"),
        ("xclim / here, all taxa, same work", f"{theirs_taxa / year_taxa:.1f}"),
        (
            "running sums of every day as the chain makes them, all taxa (each cell's days side by side), s",
            f"{chain:.3f}",
        ),
        ("xclim's sums / the chain's running sums, all taxa", f"{theirs_taxa / chain:.1f}"),
    ]


def _field(water: np.ndarray, lakes: int) -> Field:
    cells = water.reshape(DAYS, lakes, 30, 8)
    empty = np.zeros((0, lakes, 30), dtype=np.float32)
    return Field(
        water_c=cells, ice=np.zeros(cells.shape, dtype=bool), air_max_c=empty, air_min_c=empty,
        day_length_h=np.zeros((DAYS, lakes)), first=0, ahead=0, spring_end=0, solstice=0,
        month_day_index=lambda _word: 0, warmest_max_c=np.zeros(lakes),
    )  # fmt: skip


def best(work: Callable[[], object], repeat: int = 5) -> float:
    """Return the least processor time [s]."""
    return best_of(work, repeat=repeat)[0]


def best_of(*works: Callable[[], object], repeat: int = 5) -> list[float]:
    """Return the least processor time [s] of each, in turns, so that what disturbs one disturbs the others."""
    least = [np.inf] * len(works)
    for _ in range(repeat):
        for k, work in enumerate(works):
            begin = time.process_time()
            work()
            least[k] = min(least[k], time.process_time() - begin)
    return least
