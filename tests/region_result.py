"""A made-up comparison of regions, small, for the tests of what is shown and written (synthetic)."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np
import pandas as pd

from emergence.runs.results import RegionsResult, TaxonLabel

AS_OF = dt.date(2023, 5, 28)
START = pd.Timestamp(2023, 5, 15)
BANDS = ("0-300", "300-600")


def make_regions(regions: Sequence[str] = ("coast", "fell"), *, length_unit: str = "m") -> RegionsResult:
    """Return a comparison of these regions: each some ten days later than the one before."""
    groups = [("*", "*", False), *((r, "*", True) for r in regions), *(("*", b, True) for b in BANDS)]
    frames = [
        _weeks(r, b, 10.0 * k, event) for event in ("migration", "emergence") for k, (r, b, _) in enumerate(groups)
    ]
    table = pd.concat(frames, ignore_index=True)
    seasons = pd.DataFrame(groups, columns=["region", "band", "single"])
    seasons = seasons.assign(lakes=4, days_vs_normal=np.linspace(-8, 5, len(groups)), like_year=2015, noise_days=1.4)
    event = {"taxon": "bluets", "brood": 1, "event": "migration"}
    climb = {"season": 2023, "lakes": 9, "per_100m": 3.2, "per_100m_low": 2.5, "per_100m_high": 3.9}
    climb |= {"within": True, "together": True, "scatter_days": 3.1, "lakes_wanted": 9}
    climb |= {"per_degree": np.nan, "per_degree_low": np.nan, "per_degree_high": np.nan}
    moves = [
        event | {"region": regions[-1], "band": "*", "week_start": START + pd.Timedelta(days=21), "share_active": 0.62}
    ]
    lakes = [
        event | {"lake_id": f"L{k}", "region": r, "elevation_m": 120.0 * k, "latitude": 50.0, "middle": START}
        for k, r in enumerate(regions)
    ]
    return RegionsResult(
        name="Northern waters",
        as_of=AS_OF,
        band_m=300.0,
        normal_as_of=dt.date(2023, 1, 1),
        past_years=30,
        table=table,
        climbs=pd.DataFrame(
            [event | climb | {"within": True, "together": True, "scatter_days": 3.1, "lakes_wanted": 9}]
        ),
        moves=pd.DataFrame(moves),
        seasons=seasons,
        years=pd.DataFrame({"region": "*", "band": "*", "year": [2014, 2015], "days_vs_normal": [3.0, -8.0]}),
        dates=pd.DataFrame(lakes),
        taxa={"bluets": TaxonLabel("Bluets", "damselfly", migrates=True)},
        lakes=9,
        dropped={},
        length_unit=length_unit,
    )


def _weeks(region: str, band: str, later: float, event: str) -> pd.DataFrame:
    weeks = START + pd.to_timedelta(7 * np.arange(9), unit="D")
    share = np.exp(-(((np.arange(9) * 7 - 14 - later) / 14) ** 2))
    frame = pd.DataFrame({"region": region, "band": band, "taxon": "bluets", "event": event, "week_start": weeks})
    frame = frame.assign(share_active=share, onset_p50=START, peak_p50=START + pd.Timedelta(days=14 + later))
    frame = frame.assign(spread_days=21.0, days_vs_normal=later / 2 - 8, brood=1, season=2023, lakes=4, lakes_known=2)
    return frame[frame["share_active"] >= 0.01]
