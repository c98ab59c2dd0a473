"""A made-up run, small and believable, for the tests of what is shown and written."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from emergence.errors import Problem
from emergence.runs.results import RunInfo, RunResult, TaxonLabel

AS_OF = dt.date(2023, 5, 28)
QUANTILES = {"p05": -1.64, "p10": -1.28, "p25": -0.67, "p50": 0.0, "p75": 0.67, "p90": 1.28, "p95": 1.64}
TAXA = {
    "bluets": TaxonLabel("Bluets", "damselfly", migrates=True),
    "spreadwings": TaxonLabel("Spreadwings", "damselfly", migrates=True),
    "lake_midge": TaxonLabel("Large lake midge", "midge"),
    "speckled_dun": TaxonLabel("Speckled duns", "mayfly"),
    "boatmen": TaxonLabel("Water boatmen", "water bug", leaving="flight"),
}
MIDDLES = (
    ("bluets", 1, "migration", 158, 5.0),
    ("bluets", 1, "emergence", 163, 5.0),
    ("spreadwings", 1, "migration", 196, 6.0),
    ("spreadwings", 1, "emergence", 200, 6.0),
    ("lake_midge", 1, "emergence", 140, 4.0),
    ("speckled_dun", 1, "emergence", 152, 5.0),
    ("speckled_dun", 2, "emergence", 205, 9.0),
    ("boatmen", 1, "emergence", 258, 11.0),
)
"""taxon, brood, event, day of the year of the median peak at sea level, its standard deviation [d]."""
NAMES = ("Alder Mere", "Long Water", "Otter Pool", "Cold Tarn", "Heron Lake", "Slate Tarn")
HEIGHT_M = (12.0, 95.0, 180.0, 340.0, 470.0, 610.0)
DAYS_A_METRE = 3.0 / 100
HALF_LENGTH = 7
"""Half of an event's length [d]."""


@dataclass(frozen=True)
class Event:
    """One event of one lake, as a normal spread of its middle day [day of year]."""

    lake: str
    taxon: str
    brood: int
    event: str
    middle: float
    spread: float
    gone: float = 0.0


def make_result(
    names: Sequence[str] = NAMES[:3],
    *,
    unsure: Sequence[str] = ("speckled_dun",),
    as_of: dt.date = AS_OF,
    later: float = 0.0,
) -> RunResult:
    """Return a run over lakes with these names; ``later`` [d] shifts every date."""
    heights = [HEIGHT_M[i % len(HEIGHT_M)] for i in range(len(names))]
    lakes = pd.DataFrame(
        {
            "lake_id": [f"L{i}" for i in range(len(names))],
            "name": list(names),
            "region": ["coast" if h < 150 else "fells" for h in heights],
            "latitude": 54.0,
            "longitude": -3.0,
            "elevation_m": heights,
            "area_ha": 12.0,
            "mean_depth_m": 3.5,
            "share": "no",
        }
    )
    events = [
        Event(lake, taxon, brood, event, middle + later + DAYS_A_METRE * height, spread, 0.12 if brood == 2 else 0.0)
        for lake, height in zip(lakes["lake_id"], heights, strict=True)
        for taxon, brood, event, middle, spread in MIDDLES
    ]
    windows = pd.DataFrame([_window(e, as_of, "unsure" if e.taxon in unsure else "yes") for e in events])
    windows = pd.concat(
        [windows, pd.DataFrame([_turnover(lake, as_of) for lake in lakes["lake_id"]])], ignore_index=True
    )
    days = pd.concat([_days(e, as_of) for e in events], ignore_index=True)
    return RunResult(_info(lakes, as_of), _dated(windows), _dated(days), _water(lakes, as_of), _members(windows))


def without_dates(result: RunResult) -> RunResult:
    """Return the run with no date in any window: nothing is reached this season."""
    windows = result.windows.copy()
    for column in windows.columns:
        if windows[column].dtype.kind == "M":
            windows[column] = pd.Series(pd.NaT, index=windows.index, dtype="datetime64[s]")
    windows[["best_week_days", "best_week_chance", "ahead_week_days", "ahead_week_chance", "chance_no_end"]] = 0.0
    windows["chance_not_this_season"] = 1.0
    return replace(result, windows=windows, days=result.days.iloc[:0], water=result.water.iloc[:0])


def _info(lakes: pd.DataFrame, as_of: dt.date) -> RunInfo:
    return RunInfo(
        name="Northern waters",
        as_of=as_of,
        today=as_of + dt.timedelta(days=3),
        season_years=(as_of.year,),
        seed=1,
        slots=30,
        replicates=8,
        slot_years=tuple(range(as_of.year - 30, as_of.year)),
        last_weather_day=as_of,
        lakes=lakes,
        taxa=dict(TAXA),
        assumptions=("Otter Pool: depth not given, 4 m assumed with a wider spread.",),
        problems=(
            Problem("weather/north.csv", 412, "tmin_c", "31.0", "tmin_c must not exceed tmax_c", "Correct the row."),
            Problem("lakes.csv", 0, "area_ha", "", "area_ha is blank for 1 lake", "Give it if you know it.", "note"),
        ),
        dropped={"L9": "its station has no weather this year"},
        settings={"taxa": (), "temperature_unit": "C", "said": frozenset({"name", "taxa"})},
        checksums={"lakes.csv": "ab" * 32, "weather/north.csv": "cd" * 32},
        gap_counts={"north": {"interpolated": 4, "neighbours": 11}},
    )


def _cdf(days: np.ndarray, e: Event) -> np.ndarray:
    """Return the share of seasons whose middle lies before each day: a logistic, near the normal of that spread."""
    return (1 - e.gone) / (1 + np.exp(-(days - e.middle) * 1.702 / e.spread))


def _chances(e: Event) -> tuple[np.ndarray, np.ndarray]:
    days = np.arange(1, 366)
    active = _cdf(days + HALF_LENGTH, e) - _cdf(days - HALF_LENGTH - 1.0, e)
    return days, np.clip(active, 0, 1)


def _window(e: Event, as_of: dt.date, residence: str) -> dict[str, object]:
    days, active = _chances(e)
    moving = 0.8 * active
    weekly = np.convolve(moving, np.ones(7), mode="valid")
    best = int(weekly.argmax())
    issue = as_of.timetuple().tm_yday
    ahead = issue + int(weekly[issue:].argmax())
    even, outer = days[active >= 0.5], days[active >= 0.2]
    row: dict[str, object] = {
        "lake_id": e.lake,
        "taxon": e.taxon,
        "brood": e.brood,
        "event": e.event,
        "season": as_of.year,
    }
    row |= {"best_week_start": _date(days[best], as_of), "best_week_days": float(weekly[best])}
    row |= {"best_week_chance": _touching(days[best], e)}
    for name, part in (("even", even), ("outer", outer)):
        row |= {f"{name}_start": _date(part[0], as_of) if len(part) else pd.NaT}
        row |= {f"{name}_end": _date(part[-1], as_of) if len(part) else pd.NaT}
    for milestone, shift in (("onset", -HALF_LENGTH), ("peak", 0), ("end", HALF_LENGTH)):
        for q, z in QUANTILES.items():
            lost = e.gone > 0.1 and q in ("p90", "p95")
            row[f"{milestone}_{q}"] = pd.NaT if lost else _date(e.middle + shift + z * e.spread, as_of)
    row |= {"chance_not_this_season": e.gone, "chance_no_end": 0.0}
    row |= dict.fromkeys(("strength_p10", "strength_p50", "strength_p90"), np.nan)
    row |= {"residence": residence, "ahead_week_start": _date(days[ahead], as_of)}
    return row | {"ahead_week_days": float(weekly[ahead]), "ahead_week_chance": _touching(days[ahead], e)}


def _touching(first: float, e: Event) -> float:
    """Return the share of seasons whose event touches the week from ``first`` on."""
    return float(_cdf(np.array(first + 6.0 + HALF_LENGTH), e) - _cdf(np.array(first - HALF_LENGTH - 1.0), e))


def _turnover(lake: str, as_of: dt.date) -> dict[str, object]:
    row = _window(Event(lake, "-", 0, "turnover", 105, 4.0), as_of, "yes")
    return row | {key: pd.NaT for key in row if key.startswith("peak")}


def _days(e: Event, as_of: dt.date) -> pd.DataFrame:
    days, active = _chances(e)
    frame = pd.DataFrame({"lake_id": e.lake, "taxon": e.taxon, "brood": e.brood, "event": e.event}, index=days)
    frame["date"] = _date(1, as_of) + pd.to_timedelta(days - 1, unit="D")
    frame["chance_active"], frame["chance_moving"], frame["intensity"] = active, 0.8 * active, 0.06 * active
    return frame[active >= 0.005]


def _members(windows: pd.DataFrame) -> pd.DataFrame:
    """Return three members of each window: early, middle and never."""
    frames = []
    for member, q in enumerate(("p25", "p50", "")):
        frame = windows[["lake_id", "taxon", "brood", "event", "season"]].copy()
        frame["member"], frame["slot_year"] = member, 1991 + member
        for milestone in ("onset", "peak", "end"):
            frame[milestone] = windows[f"{milestone}_{q}"] if q else pd.NaT
        frames.append(frame)
    return _dated(pd.concat(frames, ignore_index=True))


def _water(lakes: pd.DataFrame, as_of: dt.date) -> pd.DataFrame:
    days = np.arange(1, 366)
    frames = []
    for lake, height in zip(lakes["lake_id"], lakes["elevation_m"], strict=True):
        middle = np.maximum(10 - 0.004 * height - 11 * np.cos(2 * np.pi * (days - 30) / 365), 0.0)
        ahead = np.clip((days - as_of.timetuple().tm_yday) / 20, 0.15, 1.0)
        frame = pd.DataFrame({"lake_id": lake, "date": _date(1, as_of) + pd.to_timedelta(days - 1, unit="D")})
        frame["water_p10"] = np.maximum(middle - 1.8 * ahead, 0.0)
        frame["water_p50"], frame["water_p90"] = middle, middle + 2.0 * ahead
        frame["ice_chance"] = np.clip((3.0 - middle) / 3.0, 0, 1)
        frames.append(frame)
    return _dated(pd.concat(frames, ignore_index=True))


def _date(day_of_year: float, as_of: dt.date) -> pd.Timestamp:
    return pd.Timestamp(as_of.year, 1, 1) + pd.Timedelta(days=round(float(day_of_year)) - 1)


def _dated(frame: pd.DataFrame) -> pd.DataFrame:
    dates = {c: pd.to_datetime(frame[c]).astype("datetime64[s]") for c in frame if frame[c].dtype.kind == "M"}
    return frame.assign(**dates)
